//! Clouds of points around what counts: proposals for adaptive importance
//! sampling in coordinates that are standard normal and independent beforehand
//! (J.-M. Cornuet, J.-M. Marin, A. Mira, C. P. Robert, Adaptive Multiple
//! Importance Sampling, Scand. J. Stat. 39, 2012; from memory).

use rand::Rng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use statrs::function::gamma::ln_gamma;

use super::fit::cholesky::Cholesky;

/// Tails as heavy as Student's with so many degrees of freedom: a proposal must
/// not be narrower than what it proposes for.
const FREEDOM: f64 = 6.0;

/// Student's distribution in `N` coordinates, or the standard normal one.
pub struct Cloud<const N: usize> {
    mean: [f64; N],
    /// Of the spread; the standard one has none.
    around: Option<Cholesky>,
}

impl<const N: usize> Cloud<N> {
    /// What is believed beforehand.
    pub fn standard() -> Self {
        Cloud { mean: [0.0; N], around: None }
    }

    /// Around `points` as they weigh. Correlations count for `trust` of what they
    /// look, as few points overstate them. `None` where the points do not span
    /// the space.
    pub fn around(points: &[[f64; N]], weights: &[f64], trust: f64) -> Option<Self> {
        let total: f64 = weights.iter().sum();
        let mut mean = [0.0; N];
        for (point, weight) in points.iter().zip(weights) {
            for (sum, x) in mean.iter_mut().zip(point) {
                *sum += weight / total * x;
            }
        }
        let mut spread = vec![0.0; N * N];
        for (point, weight) in points.iter().zip(weights).filter(|(_, w)| **w > 0.0) {
            for i in 0..N {
                for j in 0..N {
                    let counts = if i == j { 1.0 } else { trust };
                    let product = (point[i] - mean[i]) * (point[j] - mean[j]);
                    spread[i * N + j] += counts * weight / total * product;
                }
            }
        }
        Some(Cloud { mean, around: Some(Cholesky::new(&spread, N)?) })
    }

    pub fn draw(&self, rng: &mut impl Rng) -> [f64; N] {
        let z: [f64; N] = std::array::from_fn(|_| StandardNormal.sample(rng));
        let Some(around) = &self.around else { return z };
        // A chi-squared number of degrees of freedom that are given is always to be had.
        let stretch =
            ChiSquared::new(FREEDOM).map_or(1.0, |chi| (FREEDOM / chi.sample(rng)).sqrt());
        let lies = around.spread(&z);
        std::array::from_fn(|i| self.mean[i] + stretch * lies[i])
    }

    /// ln of the density, up to a constant that all clouds of one kind share;
    /// both kinds are normalised alike.
    pub fn ln_density(&self, point: &[f64; N]) -> f64 {
        let off: [f64; N] = std::array::from_fn(|i| point[i] - self.mean[i]);
        let square = |z: &[f64]| z.iter().map(|z| z * z).sum::<f64>();
        let Some(around) = &self.around else { return -square(&off) / 2.0 };
        let (n, whole) = (N as f64, FREEDOM + N as f64);
        ln_gamma(whole / 2.0)
            - ln_gamma(FREEDOM / 2.0)
            - n / 2.0 * (FREEDOM / 2.0).ln()
            - whole / 2.0 * (square(&around.whiten(&off)) / FREEDOM).ln_1p()
            - around.log_determinant() / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    /// Importance weights bring the standard normal back from a cloud that lies
    /// elsewhere: its mean 0 and its variance 1.
    #[test]
    fn a_cloud_elsewhere_still_tells_of_the_standard_one() {
        let corners = [[0.5, 0.0], [1.5, 1.0], [-0.5, 1.0], [0.5, -1.0], [-1.0, -1.0]];
        let cloud = Cloud::around(&corners, &[1.0; 5], 0.95).unwrap();
        let standard = Cloud::<2>::standard();
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let (mut weights, mut sums, mut squares) = (0.0, [0.0; 2], [0.0; 2]);
        for _ in 0..40_000 {
            let point = cloud.draw(&mut rng);
            let weight = (standard.ln_density(&point) - cloud.ln_density(&point)).exp();
            weights += weight;
            for i in 0..2 {
                sums[i] += weight * point[i];
                squares[i] += weight * point[i] * point[i];
            }
        }
        // Both densities are normalised alike, so the weights average 1.
        assert!((weights / 40_000.0 - 1.0).abs() < 0.05, "{weights}");
        for i in 0..2 {
            assert!((sums[i] / weights).abs() < 0.05 && (squares[i] / weights - 1.0).abs() < 0.1);
        }
    }

    #[test]
    fn points_on_a_line_make_no_cloud() {
        let line = [[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]];
        assert!(Cloud::around(&line, &[1.0; 3], 1.0).is_none());
        assert!(Cloud::around(&line, &[0.0; 3], 1.0).is_none());
    }
}
