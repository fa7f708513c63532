//! Error of the mean of a window of rounded samples.

use std::cell::RefCell;
use std::collections::HashMap;
use std::f64::consts::PI;

use statrs::distribution::{ContinuousCDF, Normal};

use super::{PHASES, rounded_moments};
use crate::stats::interval::student_quantile;
use crate::stats::long_run::Shape;

/// From this σ/step on the bias is negligible and rounding is added white noise.
const DITHERED: f64 = 2.0;
/// Hermite orders treated one by one; the rest has the correlation time of the next.
const ORDERS: usize = 12;
/// With more degrees of freedom Student's t is the normal distribution.
const NORMAL_DOF: f64 = 1e4;

/// Noise before rounding (see [`true_sigma`](super::true_sigma)).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    pub sigma: f64,
    pub shape: Shape,
    /// Degrees of freedom with which it is known; infinite for a given one.
    pub dof: f64,
}

/// Half-width of the interval for a constant level from the mean of `n` rounded samples.
///
/// `step` is the grid, `None` for no grid. Result in the unit of `sigma`.
///
/// The error of the mean is bias(φ) + noise, the noise normal with the variance of
/// a mean of n rounded samples; for n ≫ τ that is σ²τ/n without rounding. Noise that
/// is known with few degrees of freedom is taken as larger by Student's t over the
/// normal quantile. The level's
/// phase is unknown, so uniform; the half-width h solves
/// ∫ P(|bias(φ) + noise(φ)| ≤ h) dφ = level by bisection. That is the normal
/// interval for σ ≫ step and `level`·step/2 for σ ≪ step, and holds its level
/// between (measured: 88 to 92 % for 90 % at σ/step 0.02 to 5). A window no longer
/// than the correlation, with noise far below the step, has no normal mean; there
/// 87 % was measured.
///
/// Infinite for `n` = 0 (nothing is known); NaN for a level outside (0, 1) or a
/// NaN argument.
///
/// One log needs thousands of windows of one noise and a few lengths, so each thread caches its
/// results.
pub fn mean_half_width(n: usize, scatter: &Scatter, step: Option<f64>, level: f64) -> f64 {
    let Scatter { sigma, shape, dof } = *scatter;
    let noise = [sigma, shape.slow_share, shape.rho, dof];
    let query = (n, noise.map(f64::to_bits), [step.unwrap_or(0.0), level].map(f64::to_bits));
    ANSWERS.with_borrow_mut(|answers| {
        if let Some(&known) = answers.get(&query) {
            return known;
        }
        if answers.len() >= REMEMBERED {
            answers.clear();
        }
        let half_width = computed(n, scatter, step, level);
        answers.insert(query, half_width);
        half_width
    })
}

/// Window, and the bits of noise, of step (0 for none) and level.
type Query = (usize, [u64; 4], [u64; 2]);

/// Answers kept a thread: half a megabyte.
const REMEMBERED: usize = 8192;

thread_local! {
    static ANSWERS: RefCell<HashMap<Query, f64>> = RefCell::default();
}

fn computed(n: usize, scatter: &Scatter, step: Option<f64>, level: f64) -> f64 {
    let Scatter { sigma, shape, dof } = *scatter;
    if !(level > 0.0 && level < 1.0) || sigma.is_nan() {
        return f64::NAN;
    }
    if n == 0 {
        return f64::INFINITY;
    }
    let (n, sigma) = (n as f64, sigma.max(0.0));
    let normal = Normal::standard();
    let z = normal.inverse_cdf(0.5 + level / 2.0);
    let student = if dof < NORMAL_DOF { student_quantile(level, dof) / z } else { 1.0 };
    let step = match step {
        Some(step) if step > 0.0 && step.is_finite() => step,
        _ => return student * z * sigma * (shape.mean_time(n) / n).sqrt(),
    };
    let ratio = sigma / step;
    if ratio >= DITHERED {
        let variance = sigma * sigma * shape.mean_time(n) + step * step / 12.0;
        return student * z * (variance / n).sqrt();
    }
    let times = order_times(shape, n);
    let errors: Vec<(f64, f64)> = (0..PHASES)
        .map(|i| {
            let phase = (i as f64 + 0.5) / (2 * PHASES) as f64;
            let (bias, variance) = rounded_moments(phase, ratio);
            (bias, student * (summed_variance(phase, ratio, variance, shape, &times) / n).sqrt())
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
    let (mut low, mut high) = (0.0, 0.5 + (z + 1.0) * student.max(1.0) * (ratio + 1.0));
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

/// [`Shape::mean_time_of_order`] of each Hermite order, from the first; the last is for the
/// rest.
fn order_times(shape: Shape, n: f64) -> [f64; ORDERS + 1] {
    let mut times = [0.0; ORDERS + 1];
    for (order, time) in (1..).zip(times.iter_mut()) {
        *time = shape.mean_time_of_order(n, order);
    }
    times
}

/// n times the variance of the mean of n rounded samples, in steps squared.
fn summed_variance(
    phase: f64,
    ratio: f64,
    variance: f64,
    shape: Shape,
    times: &[f64; ORDERS + 1],
) -> f64 {
    if shape.slow_share * shape.rho <= 0.0 || ratio <= 0.0 {
        return variance;
    }
    let [orders @ .., rest] = times;
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
    for (time, c) in orders.iter().zip(&coefficients) {
        told += c * c;
        sum += c * c * time;
    }
    sum + (variance - told).max(0.0) * rest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::test_noise::{first_order, rng};
    use rand::RngExt;

    /// For noise that is known, and whose correlation falls geometrically.
    fn half_width(n: usize, sigma: f64, tau: f64, step: Option<f64>, level: f64) -> f64 {
        let shape = Shape::of_time(tau, 1.0);
        mean_half_width(n, &Scatter { sigma, shape, dof: f64::INFINITY }, step, level)
    }

    fn coverage(n: usize, ratio: f64, phi: f64, runs: usize, seed: u64) -> f64 {
        let step = 0.05;
        let sigma = ratio * step;
        let tau = (1.0 + phi) / (1.0 - phi);
        let half = half_width(n, sigma, tau, Some(step), 0.9);
        let mut rng = rng(seed);
        let hits = (0..runs)
            .filter(|_| {
                let level = 14.0 + step * rng.random::<f64>();
                let noise = first_order(n, phi, &mut rng);
                let rounded = |e: &f64| ((level + sigma * e) / step).round() * step;
                let sum: f64 = noise.iter().map(rounded).sum();
                (sum / n as f64 - level).abs() <= half
            })
            .count();
        hits as f64 / runs as f64
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

    #[test]
    fn a_grid_that_does_not_matter_leaves_the_normal_interval() {
        let plain = half_width(25, 1.0, 1.0, None, 0.9);
        assert!((plain - 1.644_853_626_951_472 / 5.0).abs() < 1e-9);
        let fine = half_width(25, 1.0, 1.0, Some(1e-4), 0.9);
        assert!((fine / plain - 1.0).abs() < 1e-6);
        for odd in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(half_width(25, 1.0, 1.0, Some(odd), 0.9), plain);
        }
    }

    #[test]
    fn without_noise_the_level_is_anywhere_in_its_cell() {
        let half = half_width(1000, 0.0, 1.0, Some(0.1), 0.9);
        assert!((half - 0.045).abs() < 2e-4, "{half}");
    }

    /// The width goes continuously from one regime to the next.
    #[test]
    fn the_regimes_join() {
        let at = |ratio: f64| half_width(50, ratio, 1.0, Some(1.0), 0.9);
        assert!((at(DITHERED - 1e-9) / at(DITHERED) - 1.0).abs() < 1e-3);
        for i in 1..200 {
            let (a, b) = (at(i as f64 * 0.005), at((i + 1) as f64 * 0.005));
            assert!((b - a).abs() < 0.03, "jump at {i}: {a} {b}");
        }
    }

    /// Cached results equal computed ones, also after the cache was cleared.
    #[test]
    fn an_answer_is_the_same_when_asked_again() {
        for round in 0..2 {
            for n in 1..REMEMBERED + 10 {
                let step = (n % 3 > 0).then_some(0.01);
                let sigma = if n % 50 == 0 { 0.003 } else { 0.05 };
                let shape = Shape::of_time(3.0, 0.7);
                let scatter = Scatter { sigma, shape, dof: 7.0 };
                let query = mean_half_width(n, &scatter, step, 0.9);
                let known = computed(n, &scatter, step, 0.9);
                assert_eq!(query, known, "round {round}, n {n}");
            }
        }
    }

    #[test]
    fn odd_arguments_say_so() {
        assert_eq!(half_width(0, 1.0, 1.0, None, 0.9), f64::INFINITY);
        assert!(half_width(5, f64::NAN, 1.0, None, 0.9).is_nan());
        assert!(half_width(5, 1.0, 1.0, None, 1.0).is_nan());
    }
}
