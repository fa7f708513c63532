//! How much neighbouring samples repeat each other, and what that leaves of a sample size.

use super::moments::{count, mean};

/// No lag beyond this is looked at: it bounds the work of one estimate.
const MAX_LAG: usize = 1000;
/// Longer series are judged by [`CHUNKS`] stretches of [`CHUNK`] samples spread evenly over them.
const CHUNKS: usize = 8;
const CHUNK: usize = 25_000;

/// Lag-1 autocorrelation, Σ(xᵢ−x̄)(xᵢ₊₁−x̄)/Σ(xᵢ−x̄)², as NIST defines it.
/// NaN for a constant or fewer than two values.
pub fn lag1(x: &[f64]) -> f64 {
    acf(x, 1)
}

/// Autocorrelation at `lag` samples: Σ(xᵢ−x̄)(xᵢ₊ₗ−x̄)/Σ(xᵢ−x̄)² (Box & Jenkins).
///
/// Products that touch a NaN are left out, and the sum is not scaled up for
/// them. NaN for a constant, for fewer than two values and for a lag that
/// leaves no pair.
pub fn acf(x: &[f64], lag: usize) -> f64 {
    if lag >= x.len() || count(x) < 2 {
        return f64::NAN;
    }
    let centre = mean(x);
    let spread = products(x, centre, 0);
    // Rounding of the mean leaves a constant with a spread of this order.
    if spread <= x.len() as f64 * (centre * f64::EPSILON).powi(2) {
        return f64::NAN;
    }
    products(x, centre, lag) / spread
}

/// Σ(xᵢ−c)(xᵢ₊ₗ−c) over pairs without a NaN.
fn products(x: &[f64], centre: f64, lag: usize) -> f64 {
    x.iter()
        .zip(x.iter().skip(lag))
        .map(|(a, b)| (a - centre) * (b - centre))
        .filter(|p| !p.is_nan())
        .sum()
}

/// Integrated autocorrelation time in samples, τ = 1 + 2Σρₖ: a mean of n samples
/// is as uncertain as one of n/τ independent ones.
///
/// The sum stops by Geyer's initial monotone sequence (Geyer, Statistical
/// Science 7, 1992): sums of neighbouring pairs ρ₂ₖ + ρ₂ₖ₊₁ are added while
/// they stay positive, none counted larger than the one before.
///
/// Never below 1: a series that alternates is not trusted to beat independent
/// samples. Lags stop at a quarter of the series and at 1000 samples, and a
/// series over 200 000 samples is judged by eight stretches of 25 000, so the
/// work is bounded. 1 for a constant, NaN when there is no value.
pub fn integrated_time(x: &[f64]) -> f64 {
    if count(x) == 0 {
        return f64::NAN;
    }
    let chunks = chunks(x);
    let used: Vec<f64> = chunks.iter().flat_map(|c| c.iter().copied()).collect();
    let centre = mean(&used);
    let total = |lag: usize| chunks.iter().map(|c| products(c, centre, lag)).sum::<f64>();
    let spread = total(0);
    if spread.is_nan() || spread <= used.len() as f64 * (centre * f64::EPSILON).powi(2) {
        return 1.0;
    }
    let max_lag = (chunks.first().map_or(0, |c| c.len()) / 4).min(MAX_LAG);
    let (mut tau, mut last, mut lag) = (-1.0, f64::INFINITY, 0);
    while lag <= max_lag {
        let pair = ((total(lag) + total(lag + 1)) / spread).min(last);
        if pair <= 0.0 || pair.is_nan() {
            break;
        }
        tau += 2.0 * pair;
        last = pair;
        lag += 2;
    }
    tau.max(1.0)
}

fn chunks(x: &[f64]) -> Vec<&[f64]> {
    if x.len() <= CHUNKS * CHUNK {
        return vec![x];
    }
    let stride = (x.len() - CHUNK) / (CHUNKS - 1);
    (0..CHUNKS).filter_map(|i| x.get(i * stride..i * stride + CHUNK)).collect()
}

/// Independent samples that `n` samples with integrated time `tau` are worth:
/// n/τ, no more than n and no fewer than 1. NaN for no samples or a NaN `tau`.
pub fn effective_size(n: usize, tau: f64) -> f64 {
    if n == 0 || tau.is_nan() {
        return f64::NAN;
    }
    (n as f64 / tau.max(1.0)).max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn autoregressive(n: usize, phi: f64, seed: u64) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut level = 0.0;
        (0..n)
            .map(|_| {
                let z: f64 = StandardNormal.sample(&mut rng);
                level = phi * level + z;
                level
            })
            .collect()
    }

    #[test]
    fn nothing_has_no_correlation() {
        assert!(lag1(&[]).is_nan());
        assert!(lag1(&[1.0]).is_nan());
        assert!(lag1(&[14.4; 9]).is_nan());
        assert!(acf(&[1.0, 2.0], 2).is_nan());
        assert!(integrated_time(&[]).is_nan());
        assert!(integrated_time(&[f64::NAN]).is_nan());
        assert!(effective_size(0, 1.0).is_nan());
    }

    #[test]
    fn a_constant_counts_every_sample() {
        assert_eq!(integrated_time(&[14.4; 1000]), 1.0);
        assert_eq!(integrated_time(&[2.0]), 1.0);
    }

    #[test]
    fn alternation_is_not_rewarded() {
        let x: Vec<f64> = (0..100).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
        assert_eq!(integrated_time(&x), 1.0);
    }

    #[test]
    fn a_size_stays_between_one_and_n() {
        assert_eq!(effective_size(10, 100.0), 1.0);
        assert_eq!(effective_size(10, 0.1), 10.0);
        assert_eq!(effective_size(10, 2.5), 4.0);
    }

    /// An AR(1) series has τ = (1 + φ)/(1 − φ): sum of the geometric series 1 + 2Σφᵏ.
    #[test]
    fn first_order_autoregression_has_its_known_time() {
        for (phi, n) in [(0.0, 50_000), (0.5, 50_000), (0.9, 150_000), (0.9, 700_000)] {
            let known = (1.0 + phi) / (1.0 - phi);
            let tau = integrated_time(&autoregressive(n, phi, 7));
            assert!((tau / known - 1.0).abs() < 0.10, "φ {phi}: {tau}, known {known}");
        }
    }

    #[test]
    fn nan_breaks_pairs_only() {
        let mut x = autoregressive(50_000, 0.5, 8);
        for v in x.iter_mut().step_by(1000) {
            *v = f64::NAN;
        }
        assert!((lag1(&x) - 0.5).abs() < 0.02);
        assert!((integrated_time(&x) - 3.0).abs() < 0.4);
    }
}
