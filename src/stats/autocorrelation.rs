//! Correlation between neighboring samples.

use super::moments::{count, mean};

/// Lag-1 autocorrelation, Σ(xᵢ−x̄)(xᵢ₊₁−x̄)/Σ(xᵢ−x̄)², as NIST defines it.
///
/// Products that include a NaN are left out, and the sum is not scaled up for them. NaN for a
/// constant and for fewer than two values.
pub fn lag1(x: &[f64]) -> f64 {
    if count(x) < 2 {
        return f64::NAN;
    }
    let center = mean(x);
    let spread = products(x, center, 0);
    // A constant has a spread of this order, because its mean is rounded.
    if spread <= x.len() as f64 * (center * f64::EPSILON).powi(2) {
        return f64::NAN;
    }
    products(x, center, 1) / spread
}

/// Σ(xᵢ−c)(xᵢ₊ₗ−c) over pairs without a NaN.
fn products(x: &[f64], center: f64, lag: usize) -> f64 {
    x.iter()
        .zip(x.iter().skip(lag))
        .map(|(a, b)| (a - center) * (b - center))
        .filter(|p| !p.is_nan())
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::test_noise;

    #[test]
    fn nothing_has_no_correlation() {
        assert!(lag1(&[]).is_nan());
        assert!(lag1(&[1.0]).is_nan());
        assert!(lag1(&[14.4; 9]).is_nan());
    }

    #[test]
    fn nan_breaks_pairs_only() {
        let mut x = test_noise::first_order(50_000, 0.5, &mut test_noise::rng(8));
        for v in x.iter_mut().step_by(1000) {
            *v = f64::NAN;
        }
        assert!((lag1(&x) - 0.5).abs() < 0.02);
    }
}
