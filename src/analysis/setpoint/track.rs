//! A setpoint that something moves: an engine computer, heat, the battery's charge.
//!
//! It is known where it was held, and less well the further away from there.

use super::regulation_test::{HeldStretch, is_indifferent};
use super::{SHORTEST_S, Setpoint};
use crate::estimate::{Estimate, Grade, Z90};
use crate::levels;
use crate::nominal::Nominal;
use crate::stats::weighted::weighted_quantile;

/// A held level is this near to the setpoint (90 %; common practice, no source:
/// droop, and a regulator warmer or cooler than a minute ago).
pub const HELD_V: f64 = 0.02;
/// Further from any held level, a setpoint is not measured.
const FAR_S: f64 = 60.0;

/// A level that was held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knot {
    pub start_s: f64,
    pub end_s: f64,
    pub level_v: f64,
    pub half_width_v: f64,
}

impl Knot {
    fn middle_s(&self) -> f64 {
        (self.start_s + self.end_s) / 2.0
    }

    fn apart_s(&self, t_s: f64) -> f64 {
        (self.start_s - t_s).max(t_s - self.end_s).max(0.0)
    }
}

pub fn knots<'a>(seen: impl Iterator<Item = &'a HeldStretch<'a>>) -> Vec<Knot> {
    let mut knots: Vec<Knot> = seen
        .map(|s| Knot {
            start_s: s.stretch.settled.start_s,
            end_s: s.stretch.settled.end_s,
            level_v: s.level_v,
            half_width_v: s.half_width_v.hypot(HELD_V),
        })
        .collect();
    knots.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    knots
}

/// The level at a moment: held, or between its neighbors.
pub fn between(knots: &[Knot], t_s: f64) -> Option<f64> {
    let later = knots.partition_point(|k| k.middle_s() <= t_s);
    let before = later.checked_sub(1).and_then(|k| knots.get(k));
    match (before, knots.get(later)) {
        (Some(a), Some(b)) if t_s > a.end_s && t_s < b.start_s => {
            let share = (t_s - a.end_s) / (b.start_s - a.end_s);
            Some(a.level_v + share * (b.level_v - a.level_v))
        }
        _ => nearest(knots, t_s).map(|k| k.level_v),
    }
}

pub fn nearest(knots: &[Knot], t_s: f64) -> Option<&Knot> {
    let later = knots.partition_point(|k| k.middle_s() <= t_s);
    let around = [later.checked_sub(1), Some(later)];
    let around = around.into_iter().flatten().filter_map(|k| knots.get(k));
    around.min_by(|a, b| a.apart_s(t_s).total_cmp(&b.apart_s(t_s)))
}

/// Middles of held levels and of the gaps between them, thinned to about `most`.
pub fn moments(knots: &[Knot], most: usize) -> Vec<f64> {
    let gaps = knots.windows(2).filter(|pair| pair[1].start_s - pair[0].end_s > FAR_S);
    let between = gaps.map(|pair| (pair[0].end_s + pair[1].start_s) / 2.0);
    let mut all: Vec<f64> = knots.iter().map(Knot::middle_s).chain(between).collect();
    all.sort_by(f64::total_cmp);
    let each = all.len().div_ceil(most.max(1)).max(1);
    all.into_iter().step_by(each).collect()
}

/// How far the setpoint may have moved since the nearest held level (90 %), and whether
/// that is too far to call it measured.
pub fn far(knots: &[Knot], t_s: f64, nominal: Nominal) -> (f64, bool) {
    nearest(knots, t_s).map_or((0.0, false), |knot| {
        let apart_s = knot.apart_s(t_s);
        let wander_v = Z90 * nominal.volts(levels::WANDER_PER_ROOT_MIN) * (apart_s / 60.0).sqrt();
        (wander_v.min(nominal.volts(levels::MOST_WANDER)), apart_s > FAR_S)
    })
}

/// The setpoint through all held levels, where no line is. Its one value is the middle of
/// them by time; its interval holds nine tenths of them.
pub fn wandering(seen: &[HeldStretch], nominal: Nominal) -> Option<Setpoint> {
    let charged_v = nominal.volts(levels::CHARGED);
    let long: Vec<&HeldStretch> =
        seen.iter().filter(|s| s.seconds >= SHORTEST_S && s.level_v >= charged_v).collect();
    if long.is_empty() {
        return None;
    }
    let levels: Vec<f64> = long.iter().map(|s| s.level_v).collect();
    let seconds: Vec<f64> = long.iter().map(|s| s.seconds).collect();
    let total_s: f64 = seconds.iter().sum();
    let [low, value, high] = [0.05, 0.5, 0.95].map(|p| weighted_quantile(&levels, &seconds, p));
    let read_v = long.iter().map(|s| s.seconds * s.half_width_v).sum::<f64>() / total_s;
    let members: Vec<usize> = (0..seen.len()).collect();
    let is_shown = long.iter().any(|s| s.is_shown) || is_indifferent(seen, &members, nominal);
    let grade = if is_shown { Grade::Measured } else { Grade::Inferred };
    let how = format!("middle of the levels held over {total_s:.0} s: the setpoint moves");
    let middle_s = long.iter().map(|s| s.seconds * s.middle_s).sum::<f64>() / total_s;
    let estimate = Estimate::new(value, low - read_v, high + read_v, grade, how);
    let knots = knots(long.into_iter());
    Some(Setpoint {
        middle_s,
        is_shown,
        knots,
        wanders: true,
        ..Setpoint::constant(estimate, nominal)
    })
}

/// A setpoint that is mostly on its line, and follows what was held off it too.
pub fn around(line: Setpoint, seen: &[HeldStretch]) -> Setpoint {
    let charged_v = line.nominal.volts(levels::CHARGED);
    let droop_v = line.nominal.volts(levels::ONE_SETPOINT);
    let long = seen.iter().filter(|s| s.seconds >= SHORTEST_S && s.level_v >= charged_v);
    let mut knots = knots(long);
    for knot in &mut knots {
        let line_v = line.at(knot.middle_s());
        if (knot.level_v - line_v).abs() <= droop_v {
            knot.level_v = line_v;
        }
    }
    Setpoint { knots, wanders: true, ..line }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn knot(start_s: f64, level_v: f64) -> Knot {
        Knot { start_s, end_s: start_s + 60.0, level_v, half_width_v: 0.01 }
    }

    #[test]
    fn a_track_follows_its_knots_and_is_less_sure_away_from_them() {
        let knots = [knot(0.0, 14.4), knot(100.0, 13.6)];
        assert_eq!(between(&knots, 30.0), Some(14.4));
        assert_eq!(between(&knots, 80.0), Some(14.0));
        assert_eq!(between(&knots, 1000.0), Some(13.6));
        assert_eq!(far(&knots, 30.0, Nominal::V12), (0.0, false));
        let (near_v, _) = far(&knots, 170.0, Nominal::V12);
        let (far_v, is_far) = far(&knots, 400.0, Nominal::V12);
        assert!(0.0 < near_v && near_v < far_v && is_far);
    }
}
