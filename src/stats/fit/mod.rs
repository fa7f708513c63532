//! Curves through points, with standard errors.

pub mod cholesky;
pub mod linear;
pub mod polynomial;
pub mod robust_line;

/// The points both of whose numbers are finite; `x` and `y` are paired up to the shorter.
fn finite_points(x: &[f64], y: &[f64]) -> Vec<(f64, f64)> {
    x.iter()
        .copied()
        .zip(y.iter().copied())
        .filter(|(a, b)| a.is_finite() && b.is_finite())
        .collect()
}
