//! The moment at which the voltage answers.

use crate::log::Span;
use crate::segment::grain::Grain;
use crate::segment::{indices, mean};

/// Levels before and after a moment are compared over this long each.
const REACH_S: f64 = 0.4;
const LEAST_SAMPLES: usize = 2;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// The first sample of the new level.
    pub at_s: f64,
    /// Level after minus level before, over [`REACH_S`].
    pub jump_v: f64,
    /// Whether the jump stands out of the noise.
    pub clear: bool,
}

/// The sharpest change of level with the sign of `direction` (−1 falls, +1
/// rises, 0 either) whose first sample lies within `window`.
pub fn sharpest(
    time_s: &[f64],
    bus_v: &[f64],
    window: Span,
    direction: f64,
    grain: &Grain,
) -> Option<Onset> {
    let reach = ((REACH_S / grain.interval_s).round() as usize).max(LEAST_SAMPLES);
    let range = indices(time_s, window);
    let jump_at = |k: usize| {
        let before = &bus_v[k.saturating_sub(reach)..k];
        let after = &bus_v[k..(k + reach).min(bus_v.len())];
        mean(after) - mean(before)
    };
    let score = |jump_v: f64| if direction == 0.0 { jump_v.abs() } else { direction * jump_v };
    let best = range
        .filter(|&k| k >= 1 && k + 1 < bus_v.len())
        .map(|k| (k, jump_at(k)))
        .filter(|(_, jump_v)| jump_v.is_finite())
        .max_by(|a, b| score(a.1).total_cmp(&score(b.1)))?;
    let (k, jump_v) = best;
    let clear = score(jump_v) >= grain.visible_change_v(reach, 4.0);
    Some(Onset { at_s: time_s[k], jump_v, clear })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_first_low_sample() {
        let time_s: Vec<f64> = (0..200).map(|i| i as f64 * 0.05).collect();
        let bus_v: Vec<f64> = time_s
            .iter()
            .enumerate()
            .map(|(i, &t)| if t < 5.0 { 14.2 } else { 13.8 } + 0.005 * ((i * 7 % 5) as f64 - 2.0))
            .collect();
        let grain = Grain { sigma_v: 0.01, memory_samples: 1.0, step_v: None, interval_s: 0.05, unrounded_sigma_v: 0.01 };
        let window = Span { start_s: 3.0, end_s: 8.0 };
        let onset = sharpest(&time_s, &bus_v, window, -1.0, &grain).unwrap();
        assert!(onset.clear && (onset.at_s - 5.0).abs() < 0.051, "{onset:?}");
        let rising = sharpest(&time_s, &bus_v, window, 1.0, &grain).unwrap();
        assert!(!rising.clear, "{rising:?}");
    }
}
