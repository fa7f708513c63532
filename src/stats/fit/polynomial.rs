//! What a low polynomial leaves over in evenly spaced samples.

/// Sum of squared residuals of `y` around its best polynomial of `degree` 0, 1
/// or 2 in the sample number, in the square of the data's unit.
///
/// Discrete orthogonal (Gram) polynomials: with i counted from the middle,
/// p₀ = 1, p₁ = i, p₂ = i² − (n² − 1)/12, of squared norms n, n(n² − 1)/12 and
/// n(n² − 1)(n² − 4)/180, each explains its own share. Fewer samples than
/// coefficients leave nothing over. A NaN in `y` gives NaN.
pub fn residual_squares(y: &[f64], degree: usize) -> f64 {
    let n = y.len() as f64;
    if y.len() <= degree + 1 {
        return 0.0;
    }
    let center = y.iter().sum::<f64>() / n;
    let middle = (n - 1.0) / 2.0;
    let curve = (n * n - 1.0) / 12.0;
    let (mut squares, mut first, mut second) = (0.0, 0.0, 0.0);
    for (k, value) in y.iter().enumerate() {
        let (i, d) = (k as f64 - middle, value - center);
        squares += d * d;
        first += i * d;
        second += (i * i - curve) * d;
    }
    if degree >= 1 {
        squares -= first * first / (n * (n * n - 1.0) / 12.0);
    }
    if degree >= 2 {
        squares -= second * second / (n * (n * n - 1.0) * (n * n - 4.0) / 180.0);
    }
    if squares.is_nan() { squares } else { squares.max(0.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_degree_leaves_nothing_of_its_own_curve() {
        let curve = |c: [f64; 3]| -> Vec<f64> {
            (0..9).map(f64::from).map(|x| c[0] + c[1] * x + c[2] * x * x).collect()
        };
        assert!(residual_squares(&curve([3.0, 0.0, 0.0]), 0) < 1e-18);
        assert!(residual_squares(&curve([3.0, -0.7, 0.0]), 1) < 1e-18);
        assert!(residual_squares(&curve([3.0, -0.7, 0.2]), 2) < 1e-18);
        assert!(residual_squares(&curve([3.0, -0.7, 0.2]), 1) > 0.1);
    }

    /// By hand: 0, 1, 0 has mean ⅓, squares 2/3, no slope.
    #[test]
    fn a_tent_by_hand() {
        assert!((residual_squares(&[0.0, 1.0, 0.0], 1) - 2.0 / 3.0).abs() < 1e-12);
        assert_eq!(residual_squares(&[0.0, 1.0, 0.0], 2), 0.0);
        assert_eq!(residual_squares(&[], 1), 0.0);
    }
}
