//! Lasting changes of level: where the bus leaves one level for another and stays there.
//!
//! Straight pieces, each with its own share in the engine's speed, are fitted by a
//! penalized change-point search. A join of two pieces is not yet a change: the pieces around it
//! must differ, and so must the samples, by far more than the log's own wander. A bus that hunts,
//! drifts, bends or comes back passes one of these tests and fails another.

mod straight;

use crate::stats::robust::median;

use straight::{LEAST_MEANS, Segment};
pub use straight::{Wander, wander};

/// The bus voltage of one stretch of running at about one speed, in short means.
pub struct BusPiece {
    pub time_s: Vec<f64>,
    pub bus_v: Vec<f64>,
    /// Empty where it is not logged.
    pub rpm: Vec<f64>,
    /// Typical time between the means.
    pub interval_s: f64,
}

/// The bus goes from one level to another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelStep {
    /// The first mean of the new level.
    pub at_s: f64,
    pub jump_v: f64,
    /// Share of it that is there at once.
    pub edge_share: f64,
}

/// What a change must show.
#[derive(Debug, Clone, Copy)]
pub struct Criteria {
    pub least_v: f64,
    /// Standard errors from the level that was left,
    pub widths: f64,
    /// from where it was heading,
    pub widths_from_trend: f64,
    /// and share of the samples either side that are on their level's side.
    pub apart: f64,
}

/// A load that moves the bus by less is not of interest (our choice).
pub const ANY_CHANGE: Criteria =
    Criteria { least_v: 0.1, widths: 4.0, widths_from_trend: 3.0, apart: 0.8 };
/// Where channels show the loads, one more is unlikely.
pub const UNLIKELY_CHANGE: Criteria =
    Criteria { least_v: 0.2, widths: 6.0, widths_from_trend: 5.0, apart: 0.9 };

/// Seconds, or means, either side of a change over which its wander is estimated.
const NEAR_S: f64 = 25.0;
const NEAR_MEANS: usize = 12;
/// A soft start takes no longer (common practice, no source), or this many means.
const RAMP_S: f64 = 9.0;
const RAMP_MEANS: f64 = 3.5;
/// A level past a short piece keeps this share of the change.
const KEPT_SHARE: f64 = 0.5;
/// Of the change from the level left, so much is from where that was going.
const ACCELERATION_SHARE: f64 = 0.5;
/// A continuing slope is a bend unless this share of the change is at its beginning.
const EDGE_SHARE: f64 = 0.4;
/// A ramp has begun once it has made this share of its change.
const BEGUN_SHARE: f64 = 0.3;
/// Samples are compared over this long either side, or this many means.
const APART_S: f64 = 7.0;
const APART_MEANS: f64 = 4.2;
/// A change of speed along with the change of level: a higher idle for the air conditioner lifts
/// the bus, and no load does. A smaller change is an idle that sags under the load, and explains
/// only what speed is known to move the bus by.
const RAISED_IDLE_SHARE: f64 = 0.1;
const IDLE_DIP_SHARE: f64 = 0.05;
/// A lasting change of speed moves the bus by more per rpm than hunting does, which the
/// battery smooths (chosen on everyday seeds 60000..60200 and 61000..61200).
const LASTING_SPEED: f64 = 2.5;
const SPEED_S: f64 = 4.0;
const SPEED_MEANS: f64 = 3.2;
/// A reading on a threshold flickers by one resolution step.
const LEAST_STEPS: f64 = 1.3;
/// Two changes in one direction within this are one, or within this many means,
const TOGETHER_S: f64 = 2.5;
const TOGETHER_MEANS: f64 = 2.0;
/// and so are those of a ramp, whose slope makes this share of the second.
const RAMP_SHARE: f64 = 0.4;
/// A slow regulator corrects a sag within this,
const MENDED_S: f64 = 10.0;
/// by more than this share.
const MENDED_SHARE: f64 = 0.5;

/// A change that passed, by the joins it is made of.
struct Found {
    widths: f64,
    jump_v: f64,
    edge_share: f64,
    first: usize,
    last: usize,
}

/// The changes within a piece, in time order.
pub fn changes(
    piece: &BusPiece,
    wander: &Wander,
    step_v: f64,
    criteria: &Criteria,
) -> Vec<LevelStep> {
    if piece.bus_v.len() < 2 * LEAST_MEANS {
        return Vec::new();
    }
    let segments = wander.segments(piece);
    let search = ChangeSearch { piece, segments: &segments, wander, step_v, criteria };
    let ramp_s = RAMP_S.max(RAMP_MEANS * piece.interval_s);
    let mut found: Vec<Found> = Vec::new();
    for first in 1..segments.len() {
        let within = |last: &usize| segments[*last].start_s - segments[first].start_s <= ramp_s;
        found.extend(
            (first..segments.len()).take_while(within).filter_map(|last| search.at(first, last)),
        );
    }
    found.sort_by(|a, b| b.widths.total_cmp(&a.widths));
    let mut used = vec![false; segments.len()];
    let mut best: Vec<(LevelStep, usize)> = Vec::new();
    for change in found {
        let joins = change.first..=change.last;
        if joins.clone().any(|k| used[k]) {
            continue;
        }
        joins.for_each(|k| used[k] = true);
        let at_s = search.begins(&change);
        let Found { jump_v, edge_share, first, .. } = change;
        best.push((LevelStep { at_s, jump_v, edge_share }, first));
    }
    best.sort_by(|a, b| a.0.at_s.total_cmp(&b.0.at_s));
    search.apart_in_time(best)
}

struct ChangeSearch<'a> {
    piece: &'a BusPiece,
    segments: &'a [Segment],
    wander: &'a Wander,
    step_v: f64,
    criteria: &'a Criteria,
}

impl ChangeSearch<'_> {
    /// The change over the joins `first` to `last`, numbered by the segments behind them.
    fn at(&self, first: usize, last: usize) -> Option<Found> {
        let (left, right) = (&self.segments[first - 1], &self.segments[last]);
        let interval_s = self.piece.interval_s;
        let left_s = self.segments[first].start_s;
        let least_v = self.criteria.least_v.max(LEAST_STEPS * self.step_v);
        let rough = self.levels(left, right, left_s, self.wander);
        if rough.jump_v.abs() < 0.5 * least_v || rough.widths < 0.5 * self.criteria.widths {
            return None;
        }
        let wander = self.wander.or(self.beside(left, right));
        let levels = self.levels(left, right, left_s, &wander);
        let jump_v = levels.jump_v;
        let clear = jump_v.abs() >= least_v
            && levels.from_trend_v * jump_v > 0.0
            && levels.from_trend_v.abs() >= ACCELERATION_SHARE * jump_v.abs()
            && levels.widths >= self.criteria.widths
            && levels.widths_from_trend >= self.criteria.widths_from_trend;
        let edge_share = |behind: &Segment| (behind.first_v() - levels.left_v) / jump_v;
        let bends = right.seconds() > RAMP_S.max(RAMP_MEANS * interval_s)
            && right.slope_v_per_s * jump_v > 0.0
            && edge_share(right) < EDGE_SHARE;
        if !clear || bends {
            return None;
        }
        let kept =
            |level_v: f64| level_v * jump_v > 0.0 && level_v.abs() >= KEPT_SHARE * jump_v.abs();
        if !left.lasts(interval_s) && first >= 2 {
            let before = &self.segments[first - 2];
            let before_v = before.at(before.end_s - 1.5 * interval_s, &wander).0;
            if !kept(levels.right_v - before_v) {
                return None;
            }
        }
        if let Some(after) = self.segments.get(last + 1).filter(|_| !right.lasts(interval_s)) {
            let after_v = after.at(after.arrived_s(), &wander).0;
            if !kept(after_v - levels.left_v) {
                return None;
            }
        }
        let apart = self.apart(left, right, left_s, &levels);
        if !apart || self.sped_up(left, right, left_s, jump_v) {
            return None;
        }
        // A change at one join is the better account of it.
        let share = if last > first { 0.7 } else { 1.0 };
        let widths = share * levels.widths.min(levels.widths_from_trend);
        let edge_share = edge_share(&self.segments[first]);
        Some(Found { widths, jump_v, edge_share, first, last })
    }

    fn levels(&self, left: &Segment, right: &Segment, left_s: f64, wander: &Wander) -> Levels {
        let arrived_s = right.arrived_s();
        let (left_v, left_variance) = left.at(left_s - 0.5 * self.piece.interval_s, wander);
        let (going_v, going_variance) = left.at(arrived_s, wander);
        let (right_v, right_variance) = right.at(arrived_s, wander);
        let (jump_v, from_trend_v) = (right_v - left_v, right_v - going_v);
        Levels {
            left_v,
            right_v,
            jump_v,
            from_trend_v,
            widths: jump_v.abs() / (left_variance + right_variance).sqrt(),
            widths_from_trend: from_trend_v.abs() / (going_variance + right_variance).sqrt(),
        }
    }

    /// The wander right beside the join of two segments.
    fn beside(&self, left: &Segment, right: &Segment) -> Wander {
        let piece = self.piece;
        let near = ((NEAR_S / piece.interval_s) as usize).max(NEAR_MEANS);
        let at = right.start;
        let before: Vec<f64> =
            (at.saturating_sub(near)..at).map(|k| piece.at_usual_speed(k, left)).collect();
        let after: Vec<f64> = (at..(at + near).min(piece.bus_v.len()))
            .map(|k| piece.at_usual_speed(k, right))
            .collect();
        Wander::of(&[&before, &after], piece.interval_s, self.step_v)
    }

    /// Whether the samples before and after are on opposite sides of the middle.
    fn apart(&self, left: &Segment, right: &Segment, left_s: f64, levels: &Levels) -> bool {
        let piece = self.piece;
        let over_s = APART_S.max(APART_MEANS * piece.interval_s);
        let middle_v = levels.left_v + 0.5 * levels.jump_v + median(&piece.bus_v);
        let share = |range: std::ops::Range<usize>, segment: &Segment, beyond: bool| {
            let all = range.len();
            let side = |k: &usize| {
                let above = piece.at_usual_speed(*k, segment) > middle_v;
                (above == (levels.jump_v > 0.0)) == beyond
            };
            if all == 0 { 1.0 } else { range.filter(side).count() as f64 / all as f64 }
        };
        let before = piece.range(left_s - over_s, left_s - 1e-3);
        let after_s = right.start_s + 0.3 * piece.interval_s.min(3.0);
        let after = piece.range(after_s, right.start_s + over_s);
        share(before, left, false) >= self.criteria.apart
            && share(after, right, true) >= self.criteria.apart
    }

    /// Whether the engine changed speed along with the voltage by enough to explain the change.
    fn sped_up(&self, left: &Segment, right: &Segment, left_s: f64, jump_v: f64) -> bool {
        let piece = self.piece;
        let over_s = SPEED_S.max(SPEED_MEANS * piece.interval_s);
        let level = |start_s: f64, end_s: f64| {
            piece.rpm.get(piece.range(start_s, end_s)).map_or(f64::NAN, median)
        };
        let before_rpm = level(left_s - over_s, left_s - 0.2);
        let change_rpm = level(right.start_s + 0.5, right.start_s + over_s) - before_rpm;
        let share = (change_rpm / before_rpm).abs();
        let v_per_rpm = LASTING_SPEED * left.most_v_per_rpm.min(right.most_v_per_rpm);
        let explained = jump_v.abs() < v_per_rpm * change_rpm.abs() + self.criteria.least_v;
        change_rpm * jump_v > 0.0
            && (share > RAISED_IDLE_SHARE || share > IDLE_DIP_SHARE && explained)
    }

    /// Time of the sharpest move towards the new level, or of the first.
    fn begins(&self, change: &Found) -> f64 {
        let (first, last) = (&self.segments[change.first], &self.segments[change.last]);
        let left = &self.segments[change.first - 1];
        let from = first.start.saturating_sub(3).max(left.start + 2);
        let to = (last.start + 2).min(self.piece.bus_v.len() - 1);
        let v = |k: usize| self.piece.at_usual_speed(k, left);
        let middle_v = median(&self.piece.bus_v);
        let move_v = |k: usize| v(k) + 0.5 * v(k + 1) - v(k - 1) - 0.5 * v(k - 2);
        let sharpest = (from..to)
            .map(|k| (k, change.jump_v.signum() * move_v(k)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((sharpest, _)) = sharpest else { return first.start_s };
        // A ramp begins before it is steepest.
        let moved = |k: &usize| {
            let moved_v = v(*k) - left.at(self.piece.time_s[*k], self.wander).0 - middle_v;
            change.jump_v.signum() * moved_v > BEGUN_SHARE * change.jump_v.abs()
        };
        let ramp = (from..sharpest).rev().take_while(moved).count();
        self.piece.time_s[sharpest - ramp]
    }

    /// Without what follows a change as its ramp or its recovery.
    fn apart_in_time(&self, all: Vec<(LevelStep, usize)>) -> Vec<LevelStep> {
        let interval_s = self.piece.interval_s;
        let mut kept: Vec<LevelStep> = Vec::new();
        for (change, join) in all {
            if let Some(last) = kept.last().copied() {
                let gap_s = change.at_s - last.at_s;
                let ramp_v = self.segments[join - 1].slope_v_per_s * gap_s;
                let same_way = last.jump_v * change.jump_v > 0.0;
                let together = gap_s <= TOGETHER_S.max(TOGETHER_MEANS * interval_s);
                let ramp = gap_s <= RAMP_S
                    && ramp_v * change.jump_v > 0.0
                    && ramp_v.abs() > RAMP_SHARE * change.jump_v.abs();
                if same_way && (together || ramp) {
                    continue;
                }
                let mends = !same_way
                    && gap_s <= MENDED_S.max(TOGETHER_MEANS * interval_s)
                    && change.jump_v.abs() < last.jump_v.abs() / MENDED_SHARE;
                if mends {
                    if change.jump_v.abs() > MENDED_SHARE * last.jump_v.abs() {
                        kept.pop();
                    }
                    continue;
                }
            }
            kept.push(change);
        }
        kept
    }
}

/// What a change moves from and to.
struct Levels {
    /// Less the piece's median, as all levels of segments.
    left_v: f64,
    right_v: f64,
    jump_v: f64,
    /// From where the level was heading.
    from_trend_v: f64,
    widths: f64,
    widths_from_trend: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// At one sample a second, with a little scatter.
    fn piece(seconds: usize, shape: impl Fn(f64) -> f64) -> BusPiece {
        let time_s: Vec<f64> = (0..seconds).map(|k| k as f64).collect();
        let wobble = |k: usize| 0.004 * ((k * 7 % 5) as f64 - 2.0);
        let bus_v = time_s.iter().enumerate().map(|(k, &t)| shape(t) + wobble(k)).collect();
        BusPiece { time_s, bus_v, rpm: Vec::new(), interval_s: 1.0 }
    }

    fn found(piece: &BusPiece) -> Vec<LevelStep> {
        let wander = wander(&[piece], 0.01).unwrap();
        changes(piece, &wander, 0.01, &ANY_CHANGE)
    }

    #[test]
    fn a_step_is_found_also_upon_a_slide() {
        let slide = |t: f64| 13.2 + 0.5 * (-t / 60.0).exp() - if t < 60.0 { 0.0 } else { 0.3 };
        let found = found(&piece(120, slide));
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].at_s - 60.0).abs() < 1.1, "{found:?}");
        assert!((found[0].jump_v + 0.3).abs() < 0.05, "{found:?}");
    }

    #[test]
    fn a_soft_start_is_one_step() {
        let soft = |t: f64| 14.2 - 0.6 * ((t - 60.0) / 6.0).clamp(0.0, 1.0);
        let found = found(&piece(120, soft));
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((59.0..=67.0).contains(&found[0].at_s), "{found:?}");
    }

    #[test]
    fn what_bends_hunts_or_comes_back_is_no_step() {
        type Shape = fn(f64) -> f64;
        let shapes: [(&str, Shape); 5] = [
            ("surface charge", |t| 13.2 + 0.6 * (-t / 25.0).exp()),
            ("charging up", |t| 14.2 - 1.2 * (-t / 20.0).exp()),
            ("hunting", |t| 13.5 + 0.15 * (t * 0.9).sin()),
            ("slow hunting", |t| 13.5 + 0.15 * (t * 0.63).sin()),
            ("a sag", |t| if (60.0..63.0).contains(&t) { 13.6 } else { 14.2 }),
        ];
        for (name, shape) in shapes {
            let found = found(&piece(150, shape));
            assert!(found.is_empty(), "{name}: {found:?}");
        }
    }

    #[test]
    fn engine_speed_explains_what_follows_it() {
        let hunts = |t: f64| 40.0 * (t * 0.8).sin();
        let mut piece = piece(150, |t| 13.4 + 0.004 * hunts(t) - if t < 80.0 { 0.0 } else { 0.25 });
        piece.rpm = piece.time_s.iter().map(|&t| 820.0 + hunts(t)).collect();
        let found = found(&piece);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].at_s - 80.0).abs() < 1.1 && found[0].jump_v < -0.2, "{found:?}");
        // A higher idle lifts the bus, and no load does.
        piece.bus_v = piece.time_s.iter().map(|&t| if t < 80.0 { 13.2 } else { 13.5 }).collect();
        piece.rpm = piece.time_s.iter().map(|&t| if t < 80.0 { 800.0 } else { 880.0 }).collect();
        let wander = wander(&[&piece], 0.01).unwrap();
        assert_eq!(changes(&piece, &wander, 0.01, &ANY_CHANGE), []);
    }

    #[test]
    fn odd_pieces_show_nothing() {
        assert_eq!(wander(&[], 0.01), None);
        for seconds in 0..7 {
            assert_eq!(found(&piece(seconds, |_| f64::NAN)), []);
        }
        assert_eq!(found(&piece(200, |t| if t == 90.0 { f64::NAN } else { 14.0 })), []);
    }
}
