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
//! cₘ²/m! and correlation ρᵐ (ρ that of the noise at the same lag), so only the linear part keeps the noise's own
//! correlation time. With cells' edges at zⱼ (in σ from the level)
//! cₘ = Σⱼ Heₘ₋₁(zⱼ)·φ(zⱼ), for every edge is a jump of one step.

mod noise;
mod window;

use std::f64::consts::SQRT_2;

use statrs::function::erf::erfc;

pub use noise::{TrueSigma, true_sigma};
pub use window::{Scatter, mean_half_width};

/// Phases at which a window's error is looked at, from 0 to ½; the other half mirrors it.
const PHASES: usize = 64;

/// Error of the mean and variance of one sample, both in steps (squared), for a
/// level `phase` steps above a grid value under noise of `ratio` steps.
fn rounded_moments(phase: f64, ratio: f64) -> (f64, f64) {
    let reach = (6.0 * ratio + 2.0).ceil() as i64;
    let mass_below = |edge: f64| {
        if ratio > 0.0 {
            0.5 * erfc(-(edge - phase) / (ratio * SQRT_2))
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

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
}
