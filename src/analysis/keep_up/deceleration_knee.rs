//! The knee as a falling engine speed shows it, with the same loads before and after.
//!
//! On the way down, speed limits the alternator's current at once, and the bus falls from the
//! moment the current is short: by the battery's ohmic part with the missing amps, by its
//! polarization with their integral over time. So below the setpoint, from the knee on,
//!
//! ```text
//! below = a·s + b·∫s dt,   s = g(knee) − g(speed) where that is positive
//! ```
//!
//! with g the common shape of an output curve and fitted a, b ≥ 0. The way up shows no knee: a
//! battery that has just discharged charges at more than it will a minute later, and the bus
//! comes back late.

use crate::analysis::keep_up::{Knee, Visit};
use crate::analysis::setpoint::Setpoint;
use crate::assumptions::PULLEY_RATIO;
use crate::car::Car;
use crate::estimate::LEVEL;
use crate::levels;
use crate::log::{Log, Span};
use crate::physics::alternator::OutputCurve;
use crate::segment::speed::differ;
use crate::segment::{Segments, indices};
use crate::stats::interval::student_quantile;

/// Steady running before the fall anchors the level held.
const ANCHOR_S: f64 = 3.0;
/// Stretches further apart than this may have more than one change between them.
const LONGEST_S: f64 = 12.0;
/// Knees tried.
const KNEES: usize = 200;
/// Level, two slopes and the knee.
const PARAMETERS: f64 = 4.0;

/// The stated one, or those that passenger cars have.
pub(super) fn pulley_ratios(car: &Car) -> Vec<f64> {
    let common = || vec![PULLEY_RATIO.low(), PULLEY_RATIO.value, PULLEY_RATIO.high()];
    car.alternator.pulley_ratio.map_or_else(common, |stated| vec![stated])
}

/// Knees of every fall from a speed that holds to one that does not, each with
/// the visit it began at.
pub(super) fn knees(
    log: &Log,
    segments: &Segments,
    setpoint: &Setpoint,
    visits: &[Visit],
    bracket: (f64, f64),
    car: &Car,
) -> Vec<(usize, Knee)> {
    visits
        .windows(2)
        .enumerate()
        .filter_map(|(at, pair)| match pair {
            [from, to] => Some((at, knee(log, segments, setpoint, from, to, car)?)),
            _ => None,
        })
        .filter(|(_, knee)| {
            let beyond = knee.half_width_rpm;
            bracket.0 - beyond <= knee.rpm && knee.rpm <= bracket.1 + beyond
        })
        .collect()
}

fn knee(
    log: &Log,
    segments: &Segments,
    setpoint: &Setpoint,
    from: &Visit,
    to: &Visit,
    car: &Car,
) -> Option<Knee> {
    let (left_s, reached_s) = (from.stretch.span.end_s, to.stretch.span.start_s);
    let changes = &segments.speed_changes;
    let next = changes.get(changes.partition_point(|change| change.end_s <= left_s));
    let changes_speed = next.is_some_and(|change| change.start_s < reached_s);
    let falls = from.rpm > to.rpm && differ(from.rpm, to.rpm);
    if !(falls && reached_s - left_s < LONGEST_S && changes_speed) {
        return None;
    }
    let window =
        Span { start_s: (left_s - ANCHOR_S).max(from.stretch.span.start_s), end_s: reached_s };
    let range = indices(log.time_s(), window);
    let nominal = log.nominal();
    let straight_v = nominal.volts(levels::STRAIGHT_FALL);
    let mut passage =
        Passage { at_setpoint_v: nominal.volts(levels::AT_SETPOINT), ..Passage::default() };
    for k in range {
        let (t, rpm, v) = (*log.time_s().get(k)?, *log.engine_rpm()?.get(k)?, *log.bus_v().get(k)?);
        if !(rpm.is_finite() && v.is_finite()) {
            continue;
        }
        passage.time_s.push(t);
        passage.rpm.push(rpm);
        passage.below_v.push(v - setpoint.at(t));
        if v - setpoint.at(t) < -straight_v - 2.0 * segments.noise_model.sigma_v {
            break;
        }
    }
    let worth = passage.rpm.len() as f64 / segments.noise_model.correlation_samples;
    let fits: Vec<Knee> =
        pulley_ratios(car).iter().filter_map(|&ratio| passage.fit(ratio, worth)).collect();
    // What the unknown ratio leaves open widens the interval of the middle one.
    let middle = *fits.get(fits.len() / 2)?;
    let apart = fits.iter().map(|f| (f.rpm - middle.rpm).abs()).fold(0.0, f64::max);
    Some(Knee { half_width_rpm: middle.half_width_rpm.hypot(apart), ..middle })
}

#[derive(Default)]
struct Passage {
    time_s: Vec<f64>,
    rpm: Vec<f64>,
    /// Volts over the setpoint, negative below it.
    below_v: Vec<f64>,
    /// How near to the setpoint the level held must be.
    at_setpoint_v: f64,
}

/// Best level and squares left for one knee.
struct Left {
    top_v: f64,
    squares: f64,
}

impl Passage {
    fn fit(&self, ratio: f64, worth: f64) -> Option<Knee> {
        let dof = worth.min(self.rpm.len() as f64) - PARAMETERS;
        if dof < 1.0 {
            return None;
        }
        let curve = OutputCurve::typical(1.0).ok()?;
        let share = |rpm: f64| curve.output(rpm * ratio).amps_a;
        let shares: Vec<f64> = self.rpm.iter().map(|&rpm| share(rpm)).collect();
        let low = self.rpm.iter().copied().fold(f64::INFINITY, f64::min);
        let high = self.rpm.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let step = (high - low) / KNEES as f64;
        let tried: Vec<f64> = (0..=KNEES).map(|k| low + step * k as f64).collect();
        let lefts: Vec<Left> = tried.iter().map(|&knee| self.left(&shares, share(knee))).collect();
        let (best, least) =
            lefts.iter().enumerate().min_by(|a, b| a.1.squares.total_cmp(&b.1.squares))?;
        let t = student_quantile(LEVEL, dof);
        let limit = least.squares * (1.0 + t * t / dof);
        let accepted = |left: &Left| left.squares <= limit;
        let first = lefts.iter().position(accepted)?;
        let last = lefts.iter().rposition(accepted)?;
        // Either end of the speeds accepted: the fall shows no knee.
        if first == 0 || last == KNEES || least.top_v.abs() > self.at_setpoint_v {
            return None;
        }
        let half = (tried.get(last)? - tried.get(first)?) / 2.0;
        Some(Knee { rpm: *tried.get(best)?, half_width_rpm: half.max(step) })
    }

    /// Least squares of `below_v` on a level, the shortage and its integral, the
    /// last two never positive in volts.
    fn left(&self, shares: &[f64], knee_share: f64) -> Left {
        let n = self.rpm.len() as f64;
        let short: Vec<f64> = shares.iter().map(|s| (knee_share - s).max(0.0)).collect();
        let mut sum = 0.0;
        let mut last_s = self.time_s.first().copied().unwrap_or(0.0);
        let summed: Vec<f64> = short
            .iter()
            .zip(&self.time_s)
            .map(|(s, &t)| {
                sum += s * (t - last_s);
                last_s = t;
                sum
            })
            .collect();
        let center = |x: &[f64]| x.iter().sum::<f64>() / n;
        let (my, ma, mb) = (center(&self.below_v), center(&short), center(&summed));
        let product = |x: &[f64], mx: f64, y: &[f64], my: f64| -> f64 {
            x.iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum()
        };
        let yy = product(&self.below_v, my, &self.below_v, my);
        let (ay, by) =
            (product(&short, ma, &self.below_v, my), product(&summed, mb, &self.below_v, my));
        let (aa, bb) = (product(&short, ma, &short, ma), product(&summed, mb, &summed, mb));
        let ab = product(&short, ma, &summed, mb);
        let with = |a: f64, b: f64| Left {
            top_v: my - a * ma - b * mb,
            squares: yy - 2.0 * (a * ay + b * by) + a * a * aa + 2.0 * a * b * ab + b * b * bb,
        };
        let mut best = with(0.0, 0.0);
        let mut consider = |a: f64, b: f64| {
            let left = with(a, b);
            if a <= 0.0 && b <= 0.0 && left.squares < best.squares {
                best = left;
            }
        };
        if aa > 0.0 {
            consider(ay / aa, 0.0);
        }
        if bb > 0.0 {
            consider(0.0, by / bb);
        }
        let determinant = aa * bb - ab * ab;
        if determinant > 1e-9 * aa * bb {
            consider((ay * bb - by * ab) / determinant, (by * aa - ay * ab) / determinant);
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bus at 20 samples a second that gives way as the module's formula says.
    fn falling(knee_rpm: f64, from_rpm: f64, to_rpm: f64) -> Passage {
        let share = |rpm: f64| {
            OutputCurve::typical(1.0).map_or(f64::NAN, |curve| curve.output(2.6 * rpm).amps_a)
        };
        let mut passage = Passage { at_setpoint_v: 0.12, ..Passage::default() };
        let mut summed = 0.0;
        for k in 0..100 {
            let t = f64::from(k) * 0.05;
            let rpm = (from_rpm - (t - 2.0).max(0.0) * 800.0).max(to_rpm);
            let short = (share(knee_rpm) - share(rpm)).max(0.0);
            summed += short * 0.05;
            passage.time_s.push(t);
            passage.rpm.push(rpm);
            passage.below_v.push(-0.3 * short - 1.2 * summed);
        }
        passage
    }

    #[test]
    fn a_knee_on_the_way_down_is_found() {
        let found = falling(1500.0, 2400.0, 800.0).fit(2.6, 100.0);
        assert!(found.is_some_and(|k| (k.rpm - 1500.0).abs() < 20.0), "{found:?}");
    }

    #[test]
    fn a_bus_that_stays_up_shows_no_knee() {
        assert_eq!(falling(700.0, 2400.0, 800.0).fit(2.6, 100.0), None);
    }

    #[test]
    fn too_few_samples_show_no_knee() {
        assert_eq!(falling(1500.0, 2400.0, 800.0).fit(2.6, 4.0), None);
        assert_eq!(Passage::default().fit(2.6, 0.0), None);
    }
}
