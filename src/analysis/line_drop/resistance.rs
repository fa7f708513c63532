//! Resistance of a path from the volts lost on it and the amps through it.
//!
//! Two channels are never calibrated quite alike, so one drop says little; its growth with current
//! is what counts. The slope of the straight line is the resistance; its intercept is the
//! difference between the channels, with loads at the alternator's post, and is ignored.

use crate::analysis::amps::clamp_half_width_a;
use crate::assumptions::{CHANNEL_GAINS, CLAMP_GAIN};
use crate::estimate::{Estimate, Grade, LEVEL};
use crate::stats::fit::linear::ordinary;
use crate::stats::fit::robust_line::{Weighed, robust_line};
use crate::stats::interval::student_quantile;

/// A line needs this much change of current to have a slope,
const LEAST_SPREAD_A: f64 = 5.0;
/// and a single level this much current.
const LEAST_A: f64 = 5.0;
/// Means of a steady stretch are no finer than this, whatever the noise.
const FLOOR_V: f64 = 0.0005;

/// One steady stretch, or many taken together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DropReading {
    pub current_a: f64,
    pub drop_v: f64,
    /// 90 %, by noise and resolution alone.
    pub half_width_v: f64,
    /// The level that the two channels read there.
    pub bus_v: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Resistance {
    pub ohm: Estimate,
    /// The drop that does not grow with current; `None` where one level alone is known.
    pub offset_v: Option<f64>,
}

/// `apart_v`: how far the channels may be apart where one level has to do.
/// `level_gain`: the two channels read the bus's level and not just the drop.
/// `None` without current, or where the drop falls as the current rises.
pub fn resistance(moments: &[DropReading], apart_v: f64, level_gain: bool) -> Option<Resistance> {
    let sound = |m: &&DropReading| {
        [m.current_a, m.drop_v, m.half_width_v, m.bus_v].iter().all(|v| v.is_finite())
    };
    let moments: Vec<DropReading> = moments.iter().filter(sound).copied().collect();
    let highest = moments.iter().max_by(|a, b| a.current_a.total_cmp(&b.current_a))?;
    let least_a = moments.iter().map(|m| m.current_a).fold(f64::INFINITY, f64::min);
    if highest.current_a - least_a >= LEAST_SPREAD_A {
        from_slope(&moments, level_gain)
    } else {
        from_level(highest, apart_v)
    }
}

fn from_slope(moments: &[DropReading], level_gain: bool) -> Option<Resistance> {
    let in_errors = student_quantile(LEVEL, 1e6);
    let points: Vec<Weighed> = moments
        .iter()
        .map(|m| Weighed {
            x: m.current_a,
            y: m.drop_v,
            error: m.half_width_v.max(FLOOR_V) / in_errors,
        })
        .collect();
    let line = robust_line(&points, LEVEL)?;
    // Where the bus sinks as the current rises, channels of different gain drift apart.
    let amps: Vec<f64> = moments.iter().map(|m| m.current_a).collect();
    let level_v: Vec<f64> = moments.iter().map(|m| m.bus_v).collect();
    let sinking =
        if level_gain { ordinary(&amps, &level_v).map_or(0.0, |fit| fit.slope) } else { 0.0 };
    let half_ohm = line
        .slope_half_width
        .hypot(CLAMP_GAIN.half_width() * line.slope)
        .hypot(CHANNEL_GAINS.half_width() * sinking);
    let how = format!("slope of the drop on the logged current, {} levels", moments.len());
    positive(line.slope, half_ohm, how)
        .map(|ohm| Resistance { ohm, offset_v: Some(line.intercept) })
}

fn from_level(moment: &DropReading, apart_v: f64) -> Option<Resistance> {
    if moment.current_a < LEAST_A {
        return None;
    }
    let ohm = moment.drop_v / moment.current_a;
    let clamp = clamp_half_width_a(moment.current_a) / moment.current_a;
    let half_ohm = (moment.half_width_v.hypot(apart_v) / moment.current_a).hypot(clamp * ohm);
    let how = "drop over the logged current, at one level: how far the channels are apart is in it";
    positive(ohm, half_ohm, how.to_owned()).map(|ohm| Resistance { ohm, offset_v: None })
}

/// A resistance is not negative.
fn positive(ohm: f64, half_ohm: f64, how: String) -> Option<Estimate> {
    let high = ohm + half_ohm;
    (high > 0.0)
        .then(|| Estimate::new(ohm.max(0.0), (ohm - half_ohm).max(0.0), high, Grade::Measured, how))
}

#[cfg(test)]
mod tests {
    use super::*;

    const CHANNELS_APART_V: f64 = 0.05;

    fn moment(current_a: f64, drop_v: f64) -> DropReading {
        DropReading { current_a, drop_v, half_width_v: 0.002, bus_v: 14.3 }
    }

    /// By hand: 3.9 mΩ lose 0.078, 0.234 and 0.390 V at 20, 60 and 100 A; the
    /// channels are 0.04 V apart. The ratio at 100 A would say 4.3 mΩ.
    #[test]
    fn channels_apart_are_no_resistance() {
        let moments = [(20.0, 0.118), (60.0, 0.274), (100.0, 0.430)].map(|(a, v)| moment(a, v));
        let found = resistance(&moments, CHANNELS_APART_V, true).expect("a resistance");
        assert!((found.ohm.value - 0.0039).abs() < 1e-9, "{found:?}");
        assert!((found.offset_v.expect("a line") - 0.040).abs() < 1e-9);
        assert!(!found.ohm.contains(0.0043));
        // The clamp: 2 % of 3.9 mΩ is 0.078 mΩ; the readings: 2 mV over
        // √(40² + 40²) A is 0.035 mΩ; together 0.086 mΩ.
        assert!((found.ohm.half_width() - 0.086e-3).abs() < 1e-6, "{found:?}");
    }

    /// By hand: 0.43 V ± 0.05 V at 100 A is 4.3 mΩ ± 0.5 mΩ, and the clamp adds
    /// √(2² + 0.5²) % of it: √(0.5² + 0.089²) = 0.508 mΩ.
    #[test]
    fn one_level_counts_how_far_channels_are_apart() {
        let found = resistance(&[moment(100.0, 0.43)], CHANNELS_APART_V, true).expect("a ratio");
        assert!((found.ohm.value - 0.0043).abs() < 1e-9 && found.offset_v.is_none());
        assert!((found.ohm.half_width() - 0.508e-3).abs() < 1e-6, "{found:?}");
    }

    #[test]
    fn what_cannot_be_resistance_is_none() {
        assert_eq!(resistance(&[], CHANNELS_APART_V, true), None);
        assert_eq!(resistance(&[moment(2.0, 0.4)], CHANNELS_APART_V, true), None);
        let falling = [(20.0, 0.40), (60.0, 0.25), (100.0, 0.10)].map(|(a, v)| moment(a, v));
        assert_eq!(resistance(&falling, CHANNELS_APART_V, true), None);
        let level = [(20.0, 0.40), (60.0, 0.401), (100.0, 0.399)].map(|(a, v)| moment(a, v));
        let found = resistance(&level, CHANNELS_APART_V, true).expect("next to none");
        assert_eq!(found.ohm.low, 0.0);
        assert!(found.ohm.high < 0.1e-3 && found.offset_v.is_some_and(|v| (v - 0.4).abs() < 0.01));
    }
}
