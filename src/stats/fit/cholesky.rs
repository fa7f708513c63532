//! Small symmetric positive definite systems.

/// Cholesky factor of a matrix that was first scaled to a unit diagonal, which
/// spares parameters of very different size their digits.
pub struct Cholesky {
    size: usize,
    /// Lower triangle by rows.
    factor: Vec<f64>,
    scale: Vec<f64>,
}

impl Cholesky {
    /// Factors the `size`×`size` matrix given by rows. `None` where it is not
    /// positive definite to working precision.
    pub fn new(matrix: &[f64], size: usize) -> Option<Self> {
        if matrix.len() != size * size {
            return None;
        }
        let scale: Vec<f64> = (0..size).map(|i| matrix[i * size + i].sqrt()).collect();
        if scale.iter().any(|s| !(*s > 0.0 && s.is_finite())) {
            return None;
        }
        let mut factor = vec![0.0; size * size];
        for i in 0..size {
            for j in 0..=i {
                let dot: f64 = (0..j).map(|k| factor[i * size + k] * factor[j * size + k]).sum();
                let rest = matrix[i * size + j] / (scale[i] * scale[j]) - dot;
                if i == j {
                    // A unit diagonal that cancels to this is rounding only.
                    if rest.is_nan() || rest <= 4.0 * size as f64 * f64::EPSILON {
                        return None;
                    }
                    factor[i * size + i] = rest.sqrt();
                } else {
                    factor[i * size + j] = rest / factor[j * size + j];
                }
            }
        }
        Some(Cholesky { size, factor, scale })
    }

    /// Natural logarithm of the matrix's determinant.
    pub fn log_determinant(&self) -> f64 {
        let diagonal =
            (0..self.size).map(|i| (self.factor[i * self.size + i] * self.scale[i]).ln());
        2.0 * diagonal.sum::<f64>()
    }

    /// L·z, with L·Lᵀ the matrix: independent standard normal numbers into ones that
    /// have it for their covariance.
    pub fn spread(&self, z: &[f64]) -> Vec<f64> {
        let row = |i: usize| -> f64 {
            (0..=i).zip(z).map(|(j, z)| self.factor[i * self.size + j] * z).sum()
        };
        self.scale.iter().enumerate().map(|(i, scale)| scale * row(i)).collect()
    }

    /// The other way: L⁻¹·`x`. A missing tail of `x` counts as 0.
    pub fn whiten(&self, x: &[f64]) -> Vec<f64> {
        let n = self.size;
        let mut z: Vec<f64> = self
            .scale
            .iter()
            .enumerate()
            .map(|(i, s)| x.get(i).copied().unwrap_or(0.0) / s)
            .collect();
        for i in 0..n {
            let dot: f64 = (0..i).map(|k| self.factor[i * n + k] * z[k]).sum();
            z[i] = (z[i] - dot) / self.factor[i * n + i];
        }
        z
    }

    /// Solution of matrix · z = `right`. A missing tail of `right` counts as 0.
    pub fn solve(&self, right: &[f64]) -> Vec<f64> {
        let n = self.size;
        let mut z = self.whiten(right);
        for i in (0..n).rev() {
            let dot: f64 = (i + 1..n).map(|k| self.factor[k * n + i] * z[k]).sum();
            z[i] = (z[i] - dot) / self.factor[i * n + i];
        }
        z.iter().zip(&self.scale).map(|(v, s)| v / s).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_positive_definite_has_no_factor() {
        assert!(Cholesky::new(&[1.0, 2.0, 2.0, 1.0], 2).is_none());
        assert!(Cholesky::new(&[1.0, 1.0, 1.0, 1.0], 2).is_none());
        assert!(Cholesky::new(&[f64::NAN], 1).is_none());
        assert!(Cholesky::new(&[1.0], 2).is_none());
    }

    #[test]
    fn the_solution_undoes_the_matrix() {
        let matrix = [4e12, 2e6, 1e-3, 2e6, 10.0, 1e-9, 1e-3, 1e-9, 1e-18];
        let factor = Cholesky::new(&matrix, 3).expect("a factor");
        for j in 0..3 {
            let mut unit = [0.0; 3];
            unit[j] = 1.0;
            let column = factor.solve(&unit);
            for (i, row) in matrix.chunks(3).enumerate() {
                let product: f64 = row.iter().zip(&column).map(|(a, x)| a * x).sum();
                let size = (matrix[i * 3 + i] / matrix[j * 3 + j]).sqrt();
                let known = if i == j { 1.0 } else { 0.0 };
                assert!((product - known).abs() < 1e-9 * size.max(1.0), "{i} {j}: {product}");
            }
        }
    }
}
