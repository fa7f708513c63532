//! What rounding to a grid does to a mean and to a noise estimate.
//!
//! # Theory
//! Let a level L lie at phase φ = L/step from the nearest grid value, −½ ≤ φ ≤ ½,
//! under normal noise of standard deviation σ, and let every sample be rounded
//! to the grid. With r = σ/step, the error of the mean of infinitely many
//! samples is a Fourier series in the phase (Widrow & Kollár, *Quantization
//! Noise*, 2008; it follows from writing the sawtooth Q(x) − x as
//! Σ(−1)ᵏ sin(2πkx)/(πk) and averaging each term over the noise, which
//! multiplies it by the normal's characteristic function):
//!
//! bias(φ)/step = Σₖ (−1)ᵏ/(πk) · sin(2πkφ) · exp(−2π²k²r²)
//!
//! For r → 0 it is the full sawtooth: the level may be anywhere within half a
//! step. From r ≈ 0.3 on the first term alone counts, of amplitude
//! step/π · exp(−2π²r²): noise dithers the resolution away.
//!
//! The variance of one rounded sample at that phase is, exactly,
//! Σⱼ (j − E)² P(j), P(j) the normal's mass in grid cell j. Averaged over
//! phases it is σ² + step²/12 − step²/(2π²) Σₖ exp(−4π²k²r²)/k²: noise, plus
//! Sheppard's step²/12, less the share that went into the bias.
//!
//! Rounding also whitens: in the expansion of the rounded sample in Hermite
//! polynomials of the noise (Mehler's formula) the term of order m has variance
//! cₘ²/m! and correlation ρᵐ, so only the linear part keeps the noise's own
//! correlation time. With cells' edges at zⱼ (in σ from the level)
//! cₘ = Σⱼ Heₘ₋₁(zⱼ)·φ(zⱼ), for every edge is a jump of one step.

use std::f64::consts::PI;

use statrs::distribution::{ContinuousCDF, Normal};

/// Phases at which a window's error is looked at, from 0 to ½; the other half mirrors it.
const PHASES: usize = 64;
/// From this σ/step on the bias is nothing and rounding is plain added white noise.
const DITHERED: f64 = 2.0;
/// Hermite orders told apart; what is left counts with the time of the next.
const ORDERS: usize = 12;
/// Below this ratio of observed noise to step the noise itself cannot be read off one level.
const RESOLVED: f64 = 0.5;
/// Standard errors by which an unresolved noise is taken to be overstated.
const CAUTION: f64 = 0.6;

/// Half-width of the interval for a constant level from the mean of `n` rounded samples.
///
/// `sigma` is the noise before rounding (see [`true_sigma`]), `tau` its
/// integrated autocorrelation time in samples, `step` the grid, `None` for no
/// grid. Result in the unit of `sigma`.
///
/// The error of the mean is bias(φ) + noise, the noise normal with the variance of
/// a mean of n rounded samples, for noise whose correlation falls geometrically
/// (ρ = (τ − 1)/(τ + 1)); for n ≫ τ that is σ²τ/n without rounding. The level's phase is unknown, so uniform; the half-width h solves
/// ∫ P(|bias(φ) + noise(φ)| ≤ h) dφ = level by bisection. That is the normal
/// interval for σ ≫ step and `level`·step/2 for σ ≪ step, and holds its level
/// between (measured: 88 to 92 % for 90 % at σ/step 0.02 to 5). A window no longer
/// than the correlation, with noise far below the step, has no normal mean; there
/// 87 % was measured. Infinite for `n` = 0 (nothing is known); NaN for a level outside
/// (0, 1) or a NaN argument.
pub fn window_mean_half_width(
    n: usize,
    sigma: f64,
    tau: f64,
    step: Option<f64>,
    level: f64,
) -> f64 {
    if !(level > 0.0 && level < 1.0) || sigma.is_nan() || tau.is_nan() {
        return f64::NAN;
    }
    if n == 0 {
        return f64::INFINITY;
    }
    let sigma = sigma.max(0.0);
    let (n, tau) = (n as f64, tau.max(1.0));
    let rho = (tau - 1.0) / (tau + 1.0);
    let normal = Normal::standard();
    let z = normal.inverse_cdf(0.5 + level / 2.0);
    let step = match step {
        Some(step) if step > 0.0 && step.is_finite() => step,
        _ => return z * sigma * (mean_time(rho, n) / n).sqrt(),
    };
    let ratio = sigma / step;
    if ratio >= DITHERED {
        return z * ((sigma * sigma * mean_time(rho, n) + step * step / 12.0) / n).sqrt();
    }
    let errors: Vec<(f64, f64)> = (0..PHASES)
        .map(|i| {
            let phase = (i as f64 + 0.5) / (2 * PHASES) as f64;
            let (bias, variance) = rounded_moments(phase, ratio);
            (bias, (summed_variance(phase, ratio, variance, rho, n) / n).sqrt())
        })
        .collect();
    let covered = |half: f64| {
        errors
            .iter()
            .map(|&(bias, sd)| {
                if sd < 1e-9 {
                    // Smoothed over one phase cell, lest the answer move in jumps.
                    let cell = 0.5 / PHASES as f64;
                    return ((half - bias.abs()) / cell + 0.5).clamp(0.0, 1.0);
                }
                normal.cdf((half - bias) / sd) - normal.cdf((-half - bias) / sd)
            })
            .sum::<f64>()
            / PHASES as f64
    };
    let (mut low, mut high) = (0.0, 0.5 + (z + 1.0) * (ratio + 1.0));
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if covered(middle) < level {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high) * step
}

/// Error of the mean and variance of one sample, both in steps (squared), for a
/// level `phase` steps above a grid value under noise of `ratio` steps.
fn rounded_moments(phase: f64, ratio: f64) -> (f64, f64) {
    let reach = (6.0 * ratio + 2.0).ceil() as i64;
    let mass_below = |edge: f64| {
        if ratio > 0.0 {
            0.5 * statrs::function::erf::erfc(-(edge - phase) / (ratio * std::f64::consts::SQRT_2))
        } else if edge > phase {
            1.0
        } else {
            0.0
        }
    };
    let (mut first, mut second) = (0.0, 0.0);
    let mut below = mass_below(-(reach as f64) - 0.5);
    for j in -reach..=reach {
        let through = mass_below(j as f64 + 0.5);
        let mass = through - below;
        below = through;
        let offset = j as f64 - phase;
        first += mass * offset;
        second += mass * offset * offset;
    }
    (first, (second - first * first).max(0.0))
}

/// n times the variance of the mean of n samples of unit variance whose
/// correlation at lag k is ρᵏ: τ for a long window, 1 for one sample (the sum
/// 1 + 2Σ(1 − k/n)ρᵏ in closed form).
fn mean_time(rho: f64, n: f64) -> f64 {
    // An endless correlation time: the window is worth one sample.
    if rho.is_nan() || rho >= 1.0 {
        return n;
    }
    let rest = 1.0 - rho;
    ((1.0 + rho) / rest - 2.0 * rho * (1.0 - rho.powf(n)) / (n * rest * rest)).clamp(1.0, n)
}

/// n times the variance of the mean of n rounded samples, in steps squared.
fn summed_variance(phase: f64, ratio: f64, variance: f64, rho: f64, n: f64) -> f64 {
    if rho <= 0.0 || ratio <= 0.0 {
        return variance;
    }
    let time = |order: i32| mean_time(rho.powi(order), n);
    let reach = (9.0 * ratio + 1.0).ceil() as i64;
    let mut coefficients = [0.0; ORDERS];
    for j in -reach..reach {
        let z = (j as f64 + 0.5 - phase) / ratio;
        let density = (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
        // Heₘ₊₁ = z·Heₘ − m·Heₘ₋₁, each divided by √m! to stay small.
        let (mut before, mut hermite) = (0.0, 1.0);
        for (m, c) in coefficients.iter_mut().enumerate() {
            let m = m as f64;
            // √((m+1)!) under c, √(m!) under the polynomial.
            *c += hermite * density / (m + 1.0).sqrt();
            let next = (z * hermite - m.sqrt() * before) / (m + 1.0).sqrt();
            (before, hermite) = (hermite, next);
        }
    }
    let (mut told, mut sum) = (0.0, 0.0);
    for (order, c) in (1..).zip(&coefficients) {
        told += c * c;
        sum += c * c * time(order);
    }
    sum + (variance - told).max(0.0) * time(ORDERS as i32 + 1)
}

/// Noise before rounding, and whether one level alone could tell it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrueSigma {
    pub sigma: f64,
    /// False where the noise is so far below the step that a level between two
    /// thresholds hides it: `sigma` may then be far off, and serves only
    /// [`window_mean_half_width`], where it keeps 90 % between 87 and 97 % for
    /// three levels or more, and between 80 and 98 % for one (measured).
    pub resolved: bool,
}

/// Noise before rounding from the noise seen after it, both in the unit of `step`.
///
/// From half a step up this is Sheppard's correction, σ² = seen² − step²/12
/// (Sheppard 1898). Below, what is seen depends on where the levels lie between
/// the thresholds, so it also matters over how many independent `levels` it was
/// pooled. The rounded variance has, over all phases, a mean and a spread for
/// every σ; σ is taken so that seen² lies [`CAUTION`] standard errors of that
/// mean above it. With many levels that is the plain inverse of the mean. With
/// few it leans to less noise, so to the wider interval, for a level that sits
/// on a threshold by chance shows far more noise than there is. The result is
/// marked as not resolved. No spread seen gives 0, which
/// [`window_mean_half_width`] turns into the widest interval the step allows.
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
    use super::super::moments::{mean, standard_deviation};
    use super::super::robust::difference_sigma;
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn coverage(n: usize, ratio: f64, phi: f64, runs: usize, seed: u64) -> f64 {
        let step = 0.05;
        let sigma = ratio * step;
        let tau = (1.0 + phi) / (1.0 - phi);
        let half = window_mean_half_width(n, sigma, tau, Some(step), 0.9);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let hits = (0..runs)
            .filter(|_| {
                let level = 14.0 + step * rng.random::<f64>();
                let mut noise: f64 = StandardNormal.sample(&mut rng);
                let sum: f64 = (0..n)
                    .map(|_| {
                        let z: f64 = StandardNormal.sample(&mut rng);
                        noise = phi * noise + (1.0 - phi * phi).sqrt() * z;
                        ((level + sigma * noise) / step).round() * step
                    })
                    .sum();
                (sum / n as f64 - level).abs() <= half
            })
            .count();
        hits as f64 / runs as f64
    }

    /// The interval must neither miss nor boast, whatever the noise is to the
    /// step. 8000 runs have a standard error of 0.34 %.
    #[test]
    fn coverage_is_ninety_per_cent_at_every_ratio() {
        for (i, ratio) in
            [0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0, 2.0, 5.0].into_iter().enumerate()
        {
            for n in [20, 100] {
                let c = coverage(n, ratio, 0.0, 8000, 100 + i as u64);
                assert!((0.885..=0.915).contains(&c), "σ/step {ratio}, n {n}: {c}");
            }
        }
    }

    #[test]
    fn coverage_holds_for_correlated_noise() {
        for ratio in [0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 1.0, 5.0] {
            for (n, phi) in [(100, 0.6), (600, 0.9), (60, 0.9)] {
                let c = coverage(n, ratio, phi, 6000, 7);
                assert!((0.88..=0.92).contains(&c), "σ/step {ratio}, n {n}, φ {phi}: {c}");
            }
        }
    }

    /// The whole route of a caller who sees rounded samples only: noise from
    /// differences over a few levels, corrected, then each level's interval.
    #[test]
    fn coverage_holds_when_the_noise_is_estimated_too() {
        let mut rng = ChaCha8Rng::seed_from_u64(31);
        // One level alone cannot tell its noise: there the band is what was measured.
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
                            (0..100)
                                .map(|_| {
                                    let z: f64 = StandardNormal.sample(&mut rng);
                                    (level + ratio * z).round()
                                })
                                .collect()
                        })
                        .collect();
                    let seen = difference_sigma(&windows.concat());
                    let sigma = true_sigma(seen, 1.0, levels).sigma;
                    let half = window_mean_half_width(100, sigma, 1.0, Some(1.0), 0.9);
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

    #[test]
    fn a_grid_that_does_not_matter_leaves_the_normal_interval() {
        let plain = window_mean_half_width(25, 1.0, 1.0, None, 0.9);
        assert!((plain - 1.644_853_626_951_472 / 5.0).abs() < 1e-9);
        let fine = window_mean_half_width(25, 1.0, 1.0, Some(1e-4), 0.9);
        assert!((fine / plain - 1.0).abs() < 1e-6);
        for odd in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(window_mean_half_width(25, 1.0, 1.0, Some(odd), 0.9), plain);
        }
    }

    #[test]
    fn without_noise_the_level_is_anywhere_in_its_cell() {
        let half = window_mean_half_width(1000, 0.0, 1.0, Some(0.1), 0.9);
        assert!((half - 0.045).abs() < 2e-4, "{half}");
    }

    #[test]
    fn odd_arguments_say_so() {
        assert_eq!(window_mean_half_width(0, 1.0, 1.0, None, 0.9), f64::INFINITY);
        assert!(window_mean_half_width(5, f64::NAN, 1.0, None, 0.9).is_nan());
        assert!(window_mean_half_width(5, 1.0, 1.0, None, 1.0).is_nan());
        assert!(!true_sigma(f64::NAN, 0.1, 1).resolved);
        assert_eq!(true_sigma(0.3, 0.0, 1).sigma, 0.3);
        assert_eq!(true_sigma(0.0, 0.1, 1), TrueSigma { sigma: 0.0, resolved: false });
    }

    /// The width goes continuously from one regime to the next.
    #[test]
    fn the_regimes_join() {
        let at = |ratio: f64| window_mean_half_width(50, ratio, 1.0, Some(1.0), 0.9);
        assert!((at(DITHERED - 1e-9) / at(DITHERED) - 1.0).abs() < 1e-3);
        for i in 1..200 {
            let (a, b) = (at(i as f64 * 0.005), at((i + 1) as f64 * 0.005));
            assert!((b - a).abs() < 0.03, "jump at {i}: {a} {b}");
        }
    }

    #[test]
    fn the_bias_is_widrows_series() {
        for (phase, ratio) in [(0.1, 0.2), (0.25, 0.3), (0.4, 0.15)] {
            let series: f64 = (1..40)
                .map(|k| {
                    let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
                    let k = f64::from(k);
                    sign / (PI * k)
                        * (2.0 * PI * k * phase).sin()
                        * (-2.0 * PI * PI * k * k * ratio * ratio).exp()
                })
                .sum();
            assert!((rounded_moments(phase, ratio).0 - series).abs() < 1e-9);
        }
    }

    /// Noise is rounded at many levels; the mean variance about each level's own
    /// mean must lead back to the noise.
    #[test]
    fn the_noise_comes_back_from_rounded_samples() {
        let mut rng = ChaCha8Rng::seed_from_u64(21);
        for ratio in [0.05, 0.15, 0.3, 0.6, 1.2] {
            let variance = mean(
                &(0..400)
                    .map(|i| {
                        let level = f64::from(i) / 400.0;
                        let x: Vec<f64> = (0..500)
                            .map(|_| {
                                let z: f64 = StandardNormal.sample(&mut rng);
                                (level + ratio * z).round()
                            })
                            .collect();
                        standard_deviation(&x).powi(2)
                    })
                    .collect::<Vec<_>>(),
            );
            let back = true_sigma(variance.sqrt(), 1.0, usize::MAX);
            assert!((back.sigma / ratio - 1.0).abs() < 0.03, "{ratio}: {back:?}");
        }
    }
}
