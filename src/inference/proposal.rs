//! Proposal distribution of the adaptive importance sampling (J.-M. Cornuet, J.-M. Marin,
//! A. Mira, C. P. Robert, Adaptive Multiple Importance Sampling, Scand. J. Stat. 39, 2012; from
//! memory), in latent coordinates with an independent standard normal prior.

use rand::Rng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use statrs::function::gamma::ln_gamma;

use crate::stats::fit::cholesky::Cholesky;

/// Degrees of freedom: the tails of a proposal must be heavier than those of its target.
const DEGREES_OF_FREEDOM: f64 = 6.0;

/// Multivariate Student t distribution in `N` coordinates, or the standard normal one.
pub struct StudentTProposal<const N: usize> {
    mean: [f64; N],
    /// Cholesky factor of the scale matrix; `None` for the standard normal.
    scale: Option<Cholesky>,
}

impl<const N: usize> StudentTProposal<N> {
    /// The prior itself.
    pub fn standard() -> Self {
        StudentTProposal { mean: [0.0; N], scale: None }
    }

    /// Fitted to weighted `points`, off-diagonal covariances times `shrinkage`. `None` where
    /// the points do not span the space.
    pub fn fitted(points: &[[f64; N]], weights: &[f64], shrinkage: f64) -> Option<Self> {
        let total: f64 = weights.iter().sum();
        let mut mean = [0.0; N];
        for (point, weight) in points.iter().zip(weights) {
            for (sum, x) in mean.iter_mut().zip(point) {
                *sum += weight / total * x;
            }
        }
        let mut covariance = vec![0.0; N * N];
        for (point, weight) in points.iter().zip(weights).filter(|(_, w)| **w > 0.0) {
            for i in 0..N {
                for j in 0..N {
                    let factor = if i == j { 1.0 } else { shrinkage };
                    let product = (point[i] - mean[i]) * (point[j] - mean[j]);
                    covariance[i * N + j] += factor * weight / total * product;
                }
            }
        }
        Some(StudentTProposal { mean, scale: Some(Cholesky::new(&covariance, N)?) })
    }

    pub fn draw(&self, rng: &mut impl Rng) -> [f64; N] {
        let z: [f64; N] = std::array::from_fn(|_| StandardNormal.sample(rng));
        let Some(scale) = &self.scale else { return z };
        // The distribution exists for any positive number of degrees of freedom.
        let stretch = ChiSquared::new(DEGREES_OF_FREEDOM)
            .map_or(1.0, |chi| (DEGREES_OF_FREEDOM / chi.sample(rng)).sqrt());
        let offset = scale.spread(&z);
        std::array::from_fn(|i| self.mean[i] + stretch * offset[i])
    }

    /// ln of the density, up to a constant that both kinds share.
    pub fn ln_density(&self, point: &[f64; N]) -> f64 {
        let off: [f64; N] = std::array::from_fn(|i| point[i] - self.mean[i]);
        let square = |z: &[f64]| z.iter().map(|z| z * z).sum::<f64>();
        let Some(scale) = &self.scale else { return -square(&off) / 2.0 };
        let (n, whole) = (N as f64, DEGREES_OF_FREEDOM + N as f64);
        ln_gamma(whole / 2.0)
            - ln_gamma(DEGREES_OF_FREEDOM / 2.0)
            - n / 2.0 * (DEGREES_OF_FREEDOM / 2.0).ln()
            - whole / 2.0 * (square(&scale.whiten(&off)) / DEGREES_OF_FREEDOM).ln_1p()
            - scale.log_determinant() / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    /// Importance weights bring the standard normal back from a proposal that lies
    /// elsewhere: its mean 0 and its variance 1.
    #[test]
    fn a_proposal_elsewhere_still_integrates_the_standard_normal() {
        let corners = [[0.5, 0.0], [1.5, 1.0], [-0.5, 1.0], [0.5, -1.0], [-1.0, -1.0]];
        let proposal = StudentTProposal::fitted(&corners, &[1.0; 5], 0.95).unwrap();
        let standard = StudentTProposal::<2>::standard();
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let (mut weights, mut sums, mut squares) = (0.0, [0.0; 2], [0.0; 2]);
        for _ in 0..40_000 {
            let point = proposal.draw(&mut rng);
            let weight = (standard.ln_density(&point) - proposal.ln_density(&point)).exp();
            weights += weight;
            for i in 0..2 {
                sums[i] += weight * point[i];
                squares[i] += weight * point[i] * point[i];
            }
        }
        // Both densities are normalized alike, so the weights average 1.
        assert!((weights / 40_000.0 - 1.0).abs() < 0.05, "{weights}");
        for i in 0..2 {
            assert!((sums[i] / weights).abs() < 0.05 && (squares[i] / weights - 1.0).abs() < 0.1);
        }
    }

    #[test]
    fn points_on_a_line_make_no_cloud() {
        let line = [[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]];
        assert!(StudentTProposal::fitted(&line, &[1.0; 3], 1.0).is_none());
        assert!(StudentTProposal::fitted(&line, &[0.0; 3], 1.0).is_none());
    }
}
