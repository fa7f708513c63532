//! Clouds of points around what counts: proposals for adaptive importance
//! sampling in coordinates that are standard normal and independent beforehand
//! (J.-M. Cornuet, J.-M. Marin, A. Mira, C. P. Robert, Adaptive Multiple
//! Importance Sampling, Scand. J. Stat. 39, 2012; from memory).

use rand::Rng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};

/// Tails as heavy as Student's with so many degrees of freedom: a proposal must
/// not be narrower than what it proposes for.
const FREEDOM: f64 = 6.0;

/// Student's distribution in `N` coordinates, or the standard normal one.
#[derive(Debug, Clone)]
pub struct Cloud<const N: usize> {
    mean: [f64; N],
    /// Lower triangle of the spread's Cholesky factor.
    factor: [[f64; N]; N],
    ln_determinant: f64,
    heavy: bool,
}

impl<const N: usize> Cloud<N> {
    /// What is believed beforehand.
    pub fn standard() -> Self {
        let mut factor = [[0.0; N]; N];
        for (i, row) in factor.iter_mut().enumerate() {
            row[i] = 1.0;
        }
        Cloud { mean: [0.0; N], factor, ln_determinant: 0.0, heavy: false }
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
        let mut spread = [[0.0; N]; N];
        for (point, weight) in points.iter().zip(weights).filter(|(_, w)| **w > 0.0) {
            for i in 0..N {
                for j in 0..=i {
                    spread[i][j] += weight / total * (point[i] - mean[i]) * (point[j] - mean[j]);
                }
            }
        }
        for (i, row) in spread.iter_mut().enumerate() {
            for (j, s) in row.iter_mut().enumerate().take(i + 1) {
                *s *= if i == j { 1.0 } else { trust };
            }
        }
        let factor = cholesky(&spread)?;
        let ln_determinant = (0..N).map(|i| factor[i][i].ln()).sum();
        Some(Cloud { mean, factor, ln_determinant, heavy: true })
    }

    pub fn draw(&self, rng: &mut impl Rng) -> [f64; N] {
        let z: [f64; N] = std::array::from_fn(|_| StandardNormal.sample(rng));
        let stretch = match ChiSquared::new(FREEDOM) {
            Ok(chi) if self.heavy => (FREEDOM / chi.sample(rng)).sqrt(),
            _ => 1.0,
        };
        std::array::from_fn(|i| {
            let lies: f64 = (0..=i).map(|j| self.factor[i][j] * z[j]).sum();
            self.mean[i] + stretch * lies
        })
    }

    /// ln of the density, up to a constant that all clouds of one kind share;
    /// both kinds are normalised alike.
    pub fn ln_density(&self, point: &[f64; N]) -> f64 {
        let mut z = [0.0; N];
        for i in 0..N {
            let dot: f64 = (0..i).map(|j| self.factor[i][j] * z[j]).sum();
            z[i] = (point[i] - self.mean[i] - dot) / self.factor[i][i];
        }
        let square: f64 = z.iter().map(|z| z * z).sum();
        let n = N as f64;
        let shape = if self.heavy {
            use statrs::function::gamma::ln_gamma;
            ln_gamma((FREEDOM + n) / 2.0)
                - ln_gamma(FREEDOM / 2.0)
                - n / 2.0 * (FREEDOM / 2.0).ln()
                - (FREEDOM + n) / 2.0 * (square / FREEDOM).ln_1p()
        } else {
            -square / 2.0
        };
        shape - self.ln_determinant
    }
}

fn cholesky<const N: usize>(matrix: &[[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let mut factor = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| factor[i][k] * factor[j][k]).sum();
            let rest = matrix[i][j] - dot;
            if i == j {
                if rest.is_nan() || rest <= 1e-12 {
                    return None;
                }
                factor[i][i] = rest.sqrt();
            } else {
                factor[i][j] = rest / factor[j][j];
            }
        }
    }
    Some(factor)
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
