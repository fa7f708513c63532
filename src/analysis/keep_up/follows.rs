//! Is the highest level regulated, or is the alternator at its limit at every speed seen?
//!
//! At its limit, its levels follow its output all the way up,
//!
//! ```text
//! level = a + b·g(speed)
//! ```
//!
//! with g the common shape of an output curve. In control, the level stays at a + b·g(knee)
//! above the knee. Levels in V of six cells, speeds in engine rpm.

use super::visits::Speed;
use crate::levels;
use crate::nominal::Nominal;
use crate::physics::alternator::OutputCurve;
use crate::stats::fit::linear::ordinary;

/// Two levels fit either line exactly.
const LEAST_SPEEDS: usize = 3;
/// Levels that rise by less in all are flat.
const LEAST_RISE_V: f64 = 0.1;
/// Standard deviation of a level about the line, as the battery charges meanwhile. Chosen,
/// like [`LEAST_GAIN`], on sweeps and stairs of 240 random cars (seeds 74000.. and 75000..).
const LEVEL_V: f64 = 0.03;
/// The gain in natural log likelihood that shows a knee.
const LEAST_GAIN: f64 = 0.4;
/// Knees tried between the slowest and the fastest speed.
const KNEES: usize = 40;

/// Whether the levels at these speeds, slow to fast, fit the output without a knee as well as
/// with one. Discharging levels are left out: the battery, not the output, sets them.
pub(super) fn follows_output(speeds: &[Speed], ratios: &[f64], nominal: Nominal) -> bool {
    let levels_v = speeds.iter().map(|s| (s.rpm, nominal.as_12_v(s.level_v())));
    let (rpm, levels_v): (Vec<f64>, Vec<f64>) =
        levels_v.filter(|(_, level_v)| *level_v > levels::NEVER_CHARGED.at_12_v()).unzip();
    let Ok(curve) = OutputCurve::typical(1.0) else { return false };
    if rpm.len() < LEAST_SPEEDS {
        return false;
    }
    let (mut without, mut with, mut rise_v) = (f64::INFINITY, f64::INFINITY, 0.0_f64);
    for ratio in ratios {
        let shares: Vec<f64> = rpm.iter().map(|rpm| curve.output(rpm * ratio).amps_a).collect();
        let Some((line_v2, line_rise_v)) = misfit(&shares, &levels_v) else { continue };
        without = without.min(line_v2);
        rise_v = rise_v.max(line_rise_v);
        with = knees(&shares)
            .filter_map(|up_to| Some(misfit(&up_to, &levels_v)?.0))
            .fold(with, f64::min);
    }
    rise_v >= LEAST_RISE_V && (without - with) / (2.0 * LEVEL_V * LEVEL_V) < LEAST_GAIN
}

/// The shares as they count below each of some knees.
fn knees(shares: &[f64]) -> impl Iterator<Item = Vec<f64>> {
    let low = shares.iter().copied().fold(f64::INFINITY, f64::min);
    let high = shares.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    (1..KNEES).map(move |k| {
        let knee = low + (high - low) * k as f64 / KNEES as f64;
        shares.iter().map(|share| share.min(knee)).collect()
    })
}

/// Squares in V² that the best rising line leaves of the levels, and how far it rises.
fn misfit(shares: &[f64], levels_v: &[f64]) -> Option<(f64, f64)> {
    let line = ordinary(shares, levels_v).filter(|line| line.slope > 0.0)?;
    let left = shares.iter().zip(levels_v).map(|(share, v)| (v - line.at(*share)).powi(2)).sum();
    Some((left, line.slope * (shares.last()? - shares.first()?)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATIOS: [f64; 3] = [2.0, 2.6, 3.2];

    fn speeds(level_v: impl Fn(f64) -> f64) -> Vec<Speed> {
        let at = |rpm: f64| Speed { level_vs: 20.0 * level_v(rpm), ..Speed::held(rpm, 20.0) };
        [900.0, 1300.0, 1700.0, 2100.0, 2600.0, 3200.0].map(at).to_vec()
    }

    /// 1.9 V for the whole of the output, with a pulley ratio of 2.4.
    fn limited_v(rpm: f64) -> f64 {
        let curve = OutputCurve::typical(1.0).expect("a rising curve");
        12.3 + 1.9 * curve.output(2.4 * rpm).amps_a
    }

    #[test]
    fn a_level_that_flattens_as_the_output_does_is_not_held() {
        assert!(follows_output(&speeds(limited_v), &RATIOS, Nominal::V12));
    }

    #[test]
    fn a_level_that_stops_short_of_the_output_is_held() {
        let held = speeds(|rpm| limited_v(rpm).min(13.7));
        assert!(!follows_output(&held, &RATIOS, Nominal::V12));
        assert!(!follows_output(&speeds(|_| 14.2), &RATIOS, Nominal::V12));
        assert!(!follows_output(&speeds(limited_v)[..2], &RATIOS, Nominal::V12));
    }
}
