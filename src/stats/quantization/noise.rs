//! Noise before rounding from the noise seen after it.

use super::{PHASES, rounded_moments};

/// Below this ratio of observed noise to step the noise itself cannot be read off one level.
const RESOLVED: f64 = 0.5;
/// Standard errors by which an unresolved noise is taken to be overstated.
const CAUTION: f64 = 0.6;

/// Noise before rounding, and whether one level is enough to estimate it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrueSigma {
    pub sigma: f64,
    /// False where the noise is so far below the step that a level between two
    /// thresholds hides it: `sigma` may then be far off, and serves only
    /// [`mean_half_width`](super::mean_half_width), where it keeps 90 % between 87 and 97 % for
    /// three levels or more, and between 80 and 98 % for one (measured).
    pub resolved: bool,
}

/// Noise before rounding from the noise seen after it, both in the unit of `step`.
///
/// From half a step up this is Sheppard's correction, σ² = seen² − step²/12
/// (Sheppard 1898). Below, what is seen depends on where the levels lie between
/// the thresholds, so it also matters over how many independent `levels` it was
/// pooled. The rounded variance has, over all phases, a mean and a spread for
/// every σ; σ is taken so that seen² lies 0.6 standard errors of that mean
/// above it (chosen by measured coverage). With many levels that is the plain inverse of the mean. With
/// few it leans to less noise, so to the wider interval, for a level that sits
/// on a threshold by chance shows far more noise than there is. The result is
/// marked as not resolved. No spread seen gives 0, which
/// [`mean_half_width`](super::mean_half_width) turns into the widest interval the step allows.
pub fn true_sigma(observed_sigma: f64, step: f64, levels: usize) -> TrueSigma {
    if observed_sigma.is_nan() || !(step > 0.0 && step.is_finite()) {
        return TrueSigma { sigma: observed_sigma, resolved: !observed_sigma.is_nan() };
    }
    let seen = observed_sigma.max(0.0) / step;
    if seen >= RESOLVED {
        return TrueSigma { sigma: (seen * seen - 1.0 / 12.0).sqrt() * step, resolved: true };
    }
    if seen == 0.0 {
        return TrueSigma { sigma: 0.0, resolved: false };
    }
    let caution = CAUTION / (levels.max(1) as f64).sqrt();
    let (mut low, mut high) = (0.0, RESOLVED);
    for _ in 0..25 {
        let middle = 0.5 * (low + high);
        let (mean, spread) = rounded_variance_over_phases(middle);
        if mean + caution * spread < seen * seen {
            low = middle;
        } else {
            high = middle;
        }
    }
    TrueSigma { sigma: 0.5 * (low + high) * step, resolved: false }
}

/// Mean over phases of a rounded sample's variance about its own mean, and the
/// standard deviation of that variance over phases, in steps squared.
fn rounded_variance_over_phases(ratio: f64) -> (f64, f64) {
    // Little noise moves samples only near a threshold: look there, weighed by
    // how rare it is.
    let reach = (6.0 * ratio).min(0.5);
    let (mut first, mut second) = (0.0, 0.0);
    for i in 0..PHASES {
        let from_threshold = reach * (i as f64 + 0.5) / PHASES as f64;
        let variance = rounded_moments(0.5 - from_threshold, ratio).1;
        first += variance;
        second += variance * variance;
    }
    let weight = 2.0 * reach / PHASES as f64;
    let mean = first * weight;
    (mean, (second * weight - mean * mean).max(0.0).sqrt())
}

#[cfg(test)]
mod tests {
    use super::super::{Scatter, mean_half_width};
    use super::*;
    use crate::stats::long_run::Shape;
    use crate::stats::moments::{mean, standard_deviation};
    use crate::stats::robust::difference_sigma;
    use crate::stats::test_noise::{normal, rng};
    use rand::RngExt;

    /// All steps of a caller who has rounded samples only: noise from
    /// differences over a few levels, corrected, then each level's interval.
    #[test]
    fn coverage_holds_when_the_noise_is_estimated_too() {
        let mut rng = rng(31);
        // One level is not enough for its noise: there the band is what was measured.
        for (levels, least, most) in
            [(1, 0.80, 0.98), (3, 0.87, 0.97), (10, 0.87, 0.95), (40, 0.87, 0.95)]
        {
            for ratio in [0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0, 3.0] {
                let (mut hits, runs) = (0, 1200 / levels);
                for _ in 0..runs {
                    let truths: Vec<f64> =
                        (0..levels).map(|_| 30.0 * rng.random::<f64>()).collect();
                    let windows: Vec<Vec<f64>> = truths
                        .iter()
                        .map(|level| {
                            (0..100).map(|_| (level + ratio * normal(&mut rng)).round()).collect()
                        })
                        .collect();
                    let seen = difference_sigma(&windows.concat());
                    let sigma = true_sigma(seen, 1.0, levels).sigma;
                    let scatter = Scatter { sigma, shape: Shape::WHITE, dof: f64::INFINITY };
                    let half = mean_half_width(100, &scatter, Some(1.0), 0.9);
                    hits += truths
                        .iter()
                        .zip(&windows)
                        .filter(|(level, window)| (mean(window) - *level).abs() <= half)
                        .count();
                }
                let c = hits as f64 / (levels * runs) as f64;
                assert!((least..=most).contains(&c), "{levels} levels, σ/step {ratio}: {c}");
            }
        }
    }

    /// Noise is rounded at many levels; the mean variance about each level's own
    /// mean must lead back to the noise.
    #[test]
    fn the_noise_comes_back_from_rounded_samples() {
        let mut rng = rng(21);
        for ratio in [0.05, 0.15, 0.3, 0.6, 1.2] {
            let variance = mean(
                &(0..400)
                    .map(|i| {
                        let level = f64::from(i) / 400.0;
                        let x: Vec<f64> =
                            (0..500).map(|_| (level + ratio * normal(&mut rng)).round()).collect();
                        standard_deviation(&x).powi(2)
                    })
                    .collect::<Vec<_>>(),
            );
            let back = true_sigma(variance.sqrt(), 1.0, usize::MAX);
            assert!((back.sigma / ratio - 1.0).abs() < 0.03, "{ratio}: {back:?}");
        }
    }

    #[test]
    fn odd_arguments_say_so() {
        assert!(!true_sigma(f64::NAN, 0.1, 1).resolved);
        assert_eq!(true_sigma(0.3, 0.0, 1).sigma, 0.3);
        assert_eq!(true_sigma(0.0, 0.1, 1), TrueSigma { sigma: 0.0, resolved: false });
    }
}
