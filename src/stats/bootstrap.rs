//! Intervals for statistics that have no formula, from resampled blocks of the series.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::interval::Interval;
use super::robust::quantile;

/// Percentile interval of `statistic` by the moving-block bootstrap (Künsch,
/// Annals of Statistics 17, 1989): blocks of `block` neighbouring samples are
/// drawn with replacement until the length of `x` is reached, so correlation
/// shorter than a block is kept.
///
/// `block` of a few integrated autocorrelation times is right; 1 is the plain
/// bootstrap. The same `seed` gives the same interval. NaN samples travel with
/// their block, so `statistic` must ignore them. Resamples whose statistic is
/// NaN are left out. `None` for no data, no resamples, or a level outside (0, 1).
pub fn block_bootstrap(
    x: &[f64],
    block: usize,
    resamples: usize,
    level: f64,
    seed: u64,
    statistic: impl Fn(&[f64]) -> f64,
) -> Option<Interval> {
    if x.is_empty() || resamples == 0 || !(level > 0.0 && level < 1.0) {
        return None;
    }
    let block = block.clamp(1, x.len());
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut sample = Vec::with_capacity(x.len() + block);
    let mut found = Vec::with_capacity(resamples);
    for _ in 0..resamples {
        sample.clear();
        while sample.len() < x.len() {
            let start = rng.random_range(0..=x.len() - block);
            sample.extend(x.iter().skip(start).take(block));
        }
        sample.truncate(x.len());
        found.push(statistic(&sample));
    }
    let tail = (1.0 - level) / 2.0;
    let (low, high) = (quantile(&found, tail), quantile(&found, 1.0 - tail));
    (!low.is_nan()).then(|| Interval { value: statistic(x), low, high })
}

#[cfg(test)]
mod tests {
    use super::super::moments::mean;
    use super::*;
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn no_data_has_no_interval() {
        assert_eq!(block_bootstrap(&[], 3, 100, 0.9, 1, mean), None);
        assert_eq!(block_bootstrap(&[1.0], 3, 0, 0.9, 1, mean), None);
        assert_eq!(block_bootstrap(&[1.0], 3, 10, 1.0, 1, mean), None);
        assert_eq!(block_bootstrap(&[f64::NAN; 4], 3, 10, 0.9, 1, mean), None);
    }

    #[test]
    fn a_constant_is_certain() {
        let interval = block_bootstrap(&[2.0; 20], 4, 50, 0.9, 1, mean);
        assert_eq!(interval, Some(Interval { value: 2.0, low: 2.0, high: 2.0 }));
        assert_eq!(block_bootstrap(&[2.0], 9, 50, 0.9, 1, mean).map(|i| i.high), Some(2.0));
    }

    #[test]
    fn the_seed_decides() {
        let x: Vec<f64> = (0..50).map(|i| ((i * 37) % 11) as f64).collect();
        let run = |seed| block_bootstrap(&x, 5, 200, 0.9, seed, mean);
        assert_eq!(run(3), run(3));
        assert_ne!(run(3), run(4));
    }

    /// The mean of an AR(1) series with φ = 0.8 has standard error σ√(τ/n), τ = 9.
    #[test]
    fn blocks_keep_the_correlation() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let n = 4000;
        let mut level = 0.0;
        let x: Vec<f64> = (0..n)
            .map(|_| {
                let z: f64 = StandardNormal.sample(&mut rng);
                level = 0.8 * level + z * 0.6;
                level
            })
            .collect();
        let expected = 1.6449 * (9.0 / n as f64).sqrt();
        let width =
            |block| block_bootstrap(&x, block, 2000, 0.9, 6, mean).map(Interval::half_width);
        let blocks = width(90).unwrap_or(f64::NAN);
        assert!((blocks / expected - 1.0).abs() < 0.2, "{blocks} {expected}");
        assert!(width(1).is_some_and(|plain| plain < 0.5 * expected));
    }
}
