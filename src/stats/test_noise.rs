//! Noise for unit tests, the same at every run.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

pub fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

/// A standard normal value.
pub fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// White noise.
pub fn white(n: usize, sigma: f64, seed: u64) -> Vec<f64> {
    let mut rng = rng(seed);
    (0..n).map(|_| sigma * normal(&mut rng)).collect()
}

/// A first-order autoregression of unit variance whose neighbors correlate by `rho`.
pub fn first_order(n: usize, rho: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut level = normal(rng);
    let step = |_| {
        level = rho * level + (1.0 - rho * rho).sqrt() * normal(rng);
        level
    };
    (0..n).map(step).collect()
}
