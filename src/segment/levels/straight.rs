//! The bus voltage in straight pieces, and how it wanders about them.

use super::BusPiece;
use crate::segment::mean;
use crate::stats::changepoint::{TrendWith, pelt};
use crate::stats::robust::{median, quantile};

/// Neighboring means are compared over up to this long, half before and half after.
const COMPARED_S: f64 = 3.0;
/// Most comparisons cross no change, so a lower quantile of them gives the wander: in standard
/// deviations of a normal value by the second figure (its Φ⁻¹((1 + 0.2)/2)).
const QUIET_SHARE: f64 = 0.2;
const QUIET_WIDTH: f64 = 0.2533;
/// Most comparisons used.
const MOST_COMPARED: usize = 4000;
/// Price of a piece, in long-run variances and logarithms of the series' length.
const PRICE: f64 = 4.5;
pub(super) const LEAST_MEANS: usize = 3;
/// Volts that one rpm moves a bus at its limit: usual, and at most (common practice, no
/// source: some 0.1 A a turn, on 10 to 60 mΩ).
const USUAL_V_PER_RPM: f64 = 0.004;
const MOST_V_PER_RPM: f64 = 0.012;
/// A change has arrived this long after.
const ARRIVED_S: f64 = 2.5;
/// A piece that is shorter is no level but on its way, or means:
const LASTING_S: f64 = 6.0;
const LASTING_MEANS: f64 = 3.5;

/// The wander of the bus about its level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wander {
    /// Standard deviation of one mean.
    pub(super) sigma_v: f64,
    /// Long-run variance in V²·s: over T seconds a mean varies by this over T.
    pub(super) long_run: f64,
}

impl Wander {
    /// Of pieces of one log with readings of `step_v`.
    pub fn of(pieces: &[&[f64]], interval_s: f64, step_v: f64) -> Wander {
        let rounding = step_v * step_v / 12.0;
        let mut wander = Wander { sigma_v: rounding.sqrt(), long_run: rounding * interval_s };
        let longest = ((COMPARED_S / interval_s) as usize).max(2);
        let mut reach = 1;
        while reach <= longest {
            let apart: Vec<f64> = spread(pieces, 2 * reach, |x| {
                let (before, after) = x.split_at(reach);
                (after.iter().sum::<f64>() - before.iter().sum::<f64>()) / reach as f64
            });
            if let Some(width_v) = quiet_width(&apart) {
                let long_run = 0.5 * reach as f64 * interval_s * width_v * width_v;
                wander.long_run = wander.long_run.max(long_run);
            }
            let ends: Vec<f64> = spread(pieces, reach + 1, |x| x[reach] - x[0]);
            if let Some(width_v) = quiet_width(&ends) {
                wander.sigma_v = wander.sigma_v.max(width_v / std::f64::consts::SQRT_2);
            }
            reach = (reach + 1).max((reach as f64 * 1.5).ceil() as usize);
        }
        wander
    }

    pub(super) fn or(self, other: Wander) -> Wander {
        Wander {
            sigma_v: self.sigma_v.max(other.sigma_v),
            long_run: self.long_run.max(other.long_run),
        }
    }

    fn price(&self, interval_s: f64, means: usize) -> f64 {
        PRICE * self.long_run / interval_s * (means as f64).ln().max(1.0)
    }

    fn fitted(&self, piece: &BusPiece) -> TrendWith {
        let ridge = self.long_run / piece.interval_s / USUAL_V_PER_RPM.powi(2);
        TrendWith::new(&piece.bus_v, &piece.rpm, ridge, MOST_V_PER_RPM)
    }

    pub(super) fn segments(&self, piece: &BusPiece) -> Vec<Segment> {
        let cost = self.fitted(piece);
        let ends = pelt(&cost, self.price(piece.interval_s, piece.bus_v.len()), LEAST_MEANS, 1);
        let mut start = 0;
        ends.into_iter()
            .map(|end| Segment::of(&cost, piece, std::mem::replace(&mut start, end), end))
            .collect()
    }
}

/// A value of every window of `width` means, of at most [`MOST_COMPARED`] over all pieces.
fn spread(pieces: &[&[f64]], width: usize, value: impl Fn(&[f64]) -> f64) -> Vec<f64> {
    let all: usize = pieces.iter().map(|p| (p.len() + 1).saturating_sub(width)).sum();
    let every = all.div_ceil(MOST_COMPARED).max(1);
    pieces.iter().flat_map(|p| p.windows(width).step_by(every)).map(value).collect()
}

/// Standard deviation of values most of which are quiet; `None` with too few.
fn quiet_width(values: &[f64]) -> Option<f64> {
    if values.len() < 8 {
        return None;
    }
    let middle = median(values);
    let off: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    Some(quantile(&off, QUIET_SHARE) / QUIET_WIDTH).filter(|width| width.is_finite())
}

/// The wander of whole pieces, with what the engine's speed explains taken out.
pub fn wander(pieces: &[&BusPiece], step_v: f64) -> Option<Wander> {
    let interval_s = pieces.first()?.interval_s;
    let volts = |of: &[Vec<f64>]| {
        let slices: Vec<&[f64]> = of.iter().map(Vec::as_slice).collect();
        Wander::of(&slices, interval_s, step_v)
    };
    let raw: Vec<Vec<f64>> = pieces.iter().map(|p| p.bus_v.clone()).collect();
    let first = volts(&raw);
    if pieces.iter().all(|p| p.rpm.is_empty()) {
        return Some(first);
    }
    let without_speed = |piece: &BusPiece| -> Vec<f64> {
        let segments = first.segments(piece);
        let own = |s: &Segment| (s.start..s.end).map(|k| piece.at_usual_speed(k, s)).collect();
        segments.iter().flat_map(|s| -> Vec<f64> { own(s) }).collect()
    };
    let clean: Vec<Vec<f64>> = pieces.iter().map(|piece| without_speed(piece)).collect();
    Some(volts(&clean))
}

impl BusPiece {
    /// The mean at `k`, corrected to the segment's mean engine speed.
    pub(super) fn at_usual_speed(&self, k: usize, segment: &Segment) -> f64 {
        let off = self.rpm.get(k).map_or(0.0, |rpm| rpm - segment.mean_rpm);
        self.bus_v[k] - segment.v_per_rpm * if off.is_finite() { off } else { 0.0 }
    }

    pub(super) fn range(&self, start_s: f64, end_s: f64) -> std::ops::Range<usize> {
        let start = self.time_s.partition_point(|&t| t < start_s);
        start..self.time_s.partition_point(|&t| t < end_s).max(start)
    }
}

/// A straight piece of the bus voltage.
#[derive(Debug, Clone, Copy)]
pub(super) struct Segment {
    pub(super) start: usize,
    pub(super) end: usize,
    pub(super) start_s: f64,
    pub(super) end_s: f64,
    pub(super) middle_s: f64,
    pub(super) mean_v: f64,
    pub(super) slope_v_per_s: f64,
    pub(super) v_per_rpm: f64,
    /// The most that may be.
    pub(super) most_v_per_rpm: f64,
    pub(super) mean_rpm: f64,
}

impl Segment {
    fn of(cost: &TrendWith, piece: &BusPiece, start: usize, end: usize) -> Segment {
        let fit = cost.fit(start, end);
        let (first_s, last_s) = (piece.time_s[start], piece.time_s[end - 1]);
        let rpm = piece.rpm.get(start..end).map_or(0.0, mean);
        Segment {
            start,
            end,
            start_s: first_s,
            end_s: last_s + piece.interval_s,
            middle_s: 0.5 * (first_s + last_s),
            mean_v: fit.mean,
            slope_v_per_s: fit.slope / piece.interval_s,
            v_per_rpm: fit.coefficient,
            most_v_per_rpm: fit.coefficient + 2.0 * USUAL_V_PER_RPM * fit.unseen,
            mean_rpm: rpm,
        }
    }

    pub(super) fn seconds(&self) -> f64 {
        self.end_s - self.start_s
    }

    pub(super) fn lasts(&self, interval_s: f64) -> bool {
        self.seconds() >= LASTING_S.max(LASTING_MEANS * interval_s)
    }

    /// Level at a time and its variance. A slope within its error counts as none.
    pub(super) fn at(&self, t_s: f64, wander: &Wander) -> (f64, f64) {
        let seconds = self.seconds();
        let slope_error = (12.0 * wander.long_run / seconds.powi(3)).sqrt();
        let slope =
            if self.slope_v_per_s.abs() > 2.0 * slope_error { self.slope_v_per_s } else { 0.0 };
        let off_s = t_s - self.middle_s;
        let variance = (wander.long_run / seconds).min(wander.sigma_v.powi(2));
        let of_slope = if slope == 0.0 { 0.0 } else { 12.0 * variance * (off_s / seconds).powi(2) };
        (self.mean_v + slope * off_s, variance + of_slope)
    }

    /// Where its line begins, however steep.
    pub(super) fn first_v(&self) -> f64 {
        self.mean_v + self.slope_v_per_s * (self.start_s - self.middle_s)
    }

    /// Where a change to it is read.
    pub(super) fn arrived_s(&self) -> f64 {
        self.start_s + ARRIVED_S.min(0.5 * self.seconds())
    }
}
