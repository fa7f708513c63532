//! Probability densities.

pub fn normal(x: f64, mean: f64, sd: f64) -> f64 {
    let z = (x - mean) / sd;
    (-0.5 * z * z).exp() / (sd * (2.0 * std::f64::consts::PI).sqrt())
}

/// Of mean 0.
pub fn laplace(x: f64, scale: f64) -> f64 {
    (-x.abs() / scale).exp() / (2.0 * scale)
}

pub fn exponential(x: f64, mean: f64) -> f64 {
    if x < 0.0 { 0.0 } else { (-x / mean).exp() / mean }
}

pub fn uniform(x: f64, low: f64, high: f64) -> f64 {
    if (low..=high).contains(&x) { 1.0 / (high - low) } else { 0.0 }
}
