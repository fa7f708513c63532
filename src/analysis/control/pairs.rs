//! Levels before and after a change of load or of speed.
//!
//! A larger demand changes nothing while the regulator is in control, and costs volts while the
//! alternator is at its limit. Other causes move levels too: a thin cable and droop with every
//! load, a command with idle. Each such cause acts on all of a log's changes, so it is weighed
//! once against all of them together.

use crate::segment::Stretch;
use crate::stats::density::normal;

/// Further apart in time, the setpoint or the battery may have moved.
const NEAR_S: f64 = 60.0;
/// Neighbors compared on either side.
const MOST_NEIGHBORS: usize = 6;
/// Shorter stretches have no level worth comparing.
const LEAST_S: f64 = 2.0;
/// Output shares this close count as one speed,
const SAME_SHARE: f64 = 0.05;
/// and this far apart as two.
const OTHER_SHARE: f64 = 0.08;
/// Levels that a regulator in control holds differ by this much, V (standard deviation).
const STIFF_V: f64 = 0.05;
/// What a regulated level can lose or gain to cable, droop or command, V: mean.
const SOFT_V: f64 = 0.25;
/// What an alternator at its limit loses when more is demanded, V: mean.
const LIMITED_V: f64 = 0.6;
/// How often a regulated bus is soft to loads, or moves with speed; how often a bus at its
/// limit shows nothing. These and the other volts and shares here were chosen on simulated
/// cars, seeds 72000..72220, three of eight kinds of which are soft.
const SOFT_TO_LOAD: f64 = 0.4;
const SOFT_TO_SPEED: f64 = 0.12;
const UNMOVED: f64 = 0.04;
/// How often what was easier held where what was harder did not: with fewer loads, and at
/// more speed, where the output hardly grows any more.
const ONLY_MORE_LOAD: f64 = 0.25;
const ONLY_SLOWER: f64 = 0.4;

/// A stretch with its level and the output share of its speed.
#[derive(Debug, Clone, Copy)]
pub struct StretchLevel<'a> {
    pub stretch: &'a Stretch,
    pub level_v: f64,
    pub half_width_v: f64,
    pub share: Option<f64>,
}

impl StretchLevel<'_> {
    fn seconds(&self) -> f64 {
        self.stretch.settled.seconds()
    }

    /// From the end of one to the beginning of the other.
    fn apart_s(&self, other: &StretchLevel) -> f64 {
        let (a, b) = (self.stretch.settled, other.stretch.settled);
        (b.start_s - a.end_s).max(a.start_s - b.end_s)
    }

    /// What `self` asks of the alternator more than `other`.
    fn harder_than(&self, other: &StretchLevel) -> Option<Harder> {
        let (mine, theirs) = (&self.stretch.loads, &other.stretch.loads);
        let more = mine.len() > theirs.len() && theirs.iter().all(|l| mine.contains(l));
        let slower = match (self.share, other.share) {
            (Some(mine), Some(theirs)) => theirs - mine,
            _ => 0.0,
        };
        if more && slower >= -SAME_SHARE {
            // If it is slower too, either may have moved it.
            return (slower <= OTHER_SHARE).then_some(Harder::Load);
        }
        (mine == theirs && slower >= OTHER_SHARE).then_some(Harder::Slower)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Harder {
    Load,
    Slower,
}

/// A fall of level from what was easier to what was harder.
#[derive(Debug, Clone, Copy)]
struct Fall {
    volts: f64,
    sigma_v: f64,
}

impl Fall {
    fn between(easier: &StretchLevel, harder: &StretchLevel) -> Fall {
        let sigma_v = easier.half_width_v.hypot(harder.half_width_v) / crate::estimate::Z90;
        Fall { volts: easier.level_v - harder.level_v, sigma_v }
    }

    /// Log density where nothing moved the level.
    fn stiff(&self) -> f64 {
        let sigma_v = STIFF_V.hypot(self.sigma_v);
        (0.97 * normal(self.volts, 0.0, sigma_v) + 0.03 * normal(self.volts, 0.0, 0.3)).ln()
    }

    /// Log density where it fell by some volts of this mean; a few may rise.
    fn falls(&self, mean_v: f64) -> f64 {
        let fallen = if self.volts > 0.0 { (-self.volts / mean_v).exp() / mean_v } else { 0.0 };
        (0.9 * fallen + 0.1 * normal(self.volts, 0.0, 0.1_f64.hypot(self.sigma_v)) + 1e-4).ln()
    }
}

/// Natural log odds that stretch `k` was at its limit: by changes of speed, and of load.
pub fn log_odds(held: &[StretchLevel], k: usize) -> (f64, f64) {
    let Some(here) = held.get(k).filter(|h| h.level_v.is_finite()) else { return (0.0, 0.0) };
    let before = held.get(..k).unwrap_or_default().iter().rev();
    let after = held.get(k + 1..).unwrap_or_default().iter();
    let usable = |other: &&StretchLevel| {
        other.seconds() >= LEAST_S && other.level_v.is_finite() && here.apart_s(other) <= NEAR_S
    };
    let near: Vec<&StretchLevel> = before
        .take(MOST_NEIGHBORS)
        .filter(usable)
        .chain(after.take(MOST_NEIGHBORS).filter(usable))
        .collect();
    if here.seconds() < LEAST_S {
        return (0.0, 0.0);
    }
    let odds = |kind: Harder, soft: f64, only_harder: f64| {
        let mine = near.iter().filter(|o| here.harder_than(o) == Some(kind));
        let mine: Vec<Fall> = mine.map(|o| Fall::between(o, here)).collect();
        let theirs = near.iter().filter(|o| o.harder_than(here) == Some(kind));
        let theirs: Vec<Fall> = theirs.map(|o| Fall::between(here, o)).collect();
        as_harder(&mine, soft) + as_easier(&theirs, only_harder)
    };
    let by_speed = odds(Harder::Slower, SOFT_TO_SPEED, ONLY_SLOWER);
    (by_speed, odds(Harder::Load, SOFT_TO_LOAD, ONLY_MORE_LOAD))
}

/// Falls to this level from easier ones.
fn as_harder(falls: &[Fall], soft: f64) -> f64 {
    if falls.is_empty() {
        return 0.0;
    }
    let stiff: f64 = falls.iter().map(Fall::stiff).sum();
    let softly: f64 = falls.iter().map(|f| f.falls(SOFT_V)).sum();
    let limited: f64 = falls.iter().map(|f| f.falls(LIMITED_V)).sum();
    mixture(limited, stiff, UNMOVED) - mixture(stiff, softly, soft)
}

/// Falls from this level to harder ones: those may have been at the limit alone.
fn as_easier(falls: &[Fall], only_harder: f64) -> f64 {
    let each = |f: &Fall| {
        mixture(f.falls(LIMITED_V), f.stiff(), UNMOVED)
            - mixture(f.stiff(), f.falls(LIMITED_V), only_harder)
    };
    // The strongest one: others repeat it.
    falls.iter().map(each).min_by(f64::total_cmp).unwrap_or(0.0)
}

/// Log of a mixture of two log densities, `share` being the second's.
fn mixture(first: f64, second: f64, share: f64) -> f64 {
    let most = first.max(second);
    most + ((1.0 - share) * (first - most).exp() + share * (second - most).exp()).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Start, output share, loads, level.
    type At = (f64, f64, &'static [&'static str], f64);

    fn odds(levels: &[At], k: usize) -> (f64, f64) {
        let stretches: Vec<Stretch> = levels
            .iter()
            .map(|&(start_s, share, loads, _)| {
                Stretch::of_test(start_s, 20.0, 1000.0 * share, loads)
            })
            .collect();
        let held: Vec<StretchLevel> = stretches
            .iter()
            .zip(levels)
            .map(|(stretch, &(_, share, _, level_v))| StretchLevel {
                stretch,
                level_v,
                half_width_v: 0.005,
                share: Some(share),
            })
            .collect();
        log_odds(&held, k)
    }

    #[test]
    fn a_level_that_nothing_moves_is_held() {
        let fan: At = (25.0, 0.4, &["fan"], 14.19);
        assert!(odds(&[(0.0, 0.4, &[], 14.2), fan], 1).1 < -1.0);
        assert!(odds(&[(0.0, 0.4, &[], 14.2), fan], 0).1 < -1.0);
        assert!(odds(&[(0.0, 0.8, &["fan"], 14.2), fan], 1).0 < -1.0);
    }

    #[test]
    fn one_that_gives_way_is_at_its_limit_or_soft() {
        let fan: At = (25.0, 0.4, &["fan"], 13.0);
        let (speed, load) = odds(&[(0.0, 0.8, &["fan"], 14.2), fan, (50.0, 0.4, &[], 14.1)], 1);
        assert!(speed > 1.5 && load > 1.0, "{speed} {load}");
        // Flat over speed and soft to loads: a cable, droop or the logger's ground.
        let (speed, load) = odds(&[(0.0, 0.8, &["fan"], 13.0), fan, (50.0, 0.4, &[], 14.1)], 1);
        assert!(speed < -1.0 && speed + load < 1.0, "{speed} {load}");
    }

    #[test]
    fn what_lies_far_apart_says_nothing() {
        assert_eq!(odds(&[(0.0, 0.4, &[], 14.2), (300.0, 0.4, &["fan"], 13.0)], 1), (0.0, 0.0));
    }
}
