//! Exponential rises and recoveries.
//!
//! Rates are per unit of x. Given the rates, the remaining parameters are linear
//! and follow exactly; so a search without a starting point looks over a grid of
//! rates only (the idea of variable projection, Golub & Pereyra, SIAM J. Numer.
//! Anal. 10, 1973) and leaves the rest to Levenberg–Marquardt.

use super::cholesky::Cholesky;
use super::least_squares::{Fit, Model, least_squares};
use super::{FitError, finite_points};

/// y = b₁(1 − e^(−b₂x)).
pub struct Rise;

impl Model for Rise {
    fn parameters(&self) -> usize {
        2
    }

    fn value(&self, x: f64, b: &[f64], gradient: &mut [f64]) -> f64 {
        let decay = (-b[1] * x).exp();
        gradient[0] = -(-b[1] * x).exp_m1();
        gradient[1] = b[0] * x * decay;
        b[0] * gradient[0]
    }
}

/// y = b₁ + b₂e^(−b₃x).
pub struct OffsetDecay;

impl Model for OffsetDecay {
    fn parameters(&self) -> usize {
        3
    }

    fn value(&self, x: f64, b: &[f64], gradient: &mut [f64]) -> f64 {
        let decay = (-b[2] * x).exp();
        gradient.copy_from_slice(&[1.0, decay, -b[1] * x * decay]);
        b[0] + b[1] * decay
    }
}

/// y = b₁ + b₂e^(−b₄x) + b₃e^(−b₅x).
pub struct OffsetTwoDecays;

impl Model for OffsetTwoDecays {
    fn parameters(&self) -> usize {
        5
    }

    fn value(&self, x: f64, b: &[f64], gradient: &mut [f64]) -> f64 {
        let (one, two) = ((-b[3] * x).exp(), (-b[4] * x).exp());
        gradient.copy_from_slice(&[1.0, one, two, -b[1] * x * one, -b[2] * x * two]);
        b[0] + b[1] * one + b[2] * two
    }
}

/// Fits [`Rise`]: parameters amplitude and rate.
pub fn fit_rise(x: &[f64], y: &[f64], start: Option<[f64; 2]>) -> Result<Fit, FitError> {
    match start {
        Some(start) => least_squares(&Rise, x, y, &start),
        None => from_grid(&Rise, x, y, 1, |rates, x| vec![-(-rates[0] * x).exp_m1()]),
    }
}

/// Fits [`OffsetDecay`]: parameters offset, amplitude, rate.
pub fn fit_decay(x: &[f64], y: &[f64], start: Option<[f64; 3]>) -> Result<Fit, FitError> {
    match start {
        Some(start) => least_squares(&OffsetDecay, x, y, &start),
        None => from_grid(&OffsetDecay, x, y, 1, |rates, x| vec![1.0, (-rates[0] * x).exp()]),
    }
}

/// Fits [`OffsetTwoDecays`]: parameters offset, two amplitudes, two rates.
pub fn fit_two_decays(x: &[f64], y: &[f64], start: Option<[f64; 5]>) -> Result<Fit, FitError> {
    match start {
        Some(start) => least_squares(&OffsetTwoDecays, x, y, &start),
        None => from_grid(&OffsetTwoDecays, x, y, 2, |rates, x| {
            vec![1.0, (-rates[0] * x).exp(), (-rates[1] * x).exp()]
        }),
    }
}

/// Rates tried, from a tenth of one per span to one per closest spacing.
const RATES: usize = 24;
/// Points the grid is judged on.
const JUDGED: usize = 1000;
/// Grid minima followed to the end.
const FOLLOWED: usize = 3;

/// Levenberg–Marquardt from the best few rates of a grid; the least sum of squares wins.
fn from_grid(
    model: &impl Model,
    x: &[f64],
    y: &[f64],
    rates: usize,
    basis: impl Fn(&[f64], f64) -> Vec<f64>,
) -> Result<Fit, FitError> {
    let points = finite_points(x, y);
    let size = model.parameters();
    if points.len() <= size {
        return Err(FitError::TooFewPoints { found: points.len(), needed: size + 1 });
    }
    let (least, most) = points
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, m), p| (l.min(p.1), m.max(p.1)));
    // A constant fits every rate, with an amplitude of rounding size.
    if most - least <= 1e-12 * least.abs().max(most.abs()) {
        return Err(FitError::Undetermined);
    }
    let judged: Vec<(f64, f64)> =
        points.iter().copied().step_by(points.len().div_ceil(JUDGED)).collect();
    let mut starts: Vec<(f64, Vec<f64>)> = rate_grid(&points, rates)
        .into_iter()
        .filter_map(|rates| {
            let (linear, rss) = linear_part(&judged, |x| basis(&rates, x))?;
            Some((rss, linear.into_iter().chain(rates).collect()))
        })
        .collect();
    starts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let fits = starts.iter().take(FOLLOWED).map(|(_, s)| least_squares(model, x, y, s));
    let mut best: Result<Fit, FitError> = Err(FitError::Undetermined);
    for fit in fits {
        best = match (best, fit) {
            (Ok(a), Ok(b)) => Ok(if b.rss < a.rss { b } else { a }),
            (Ok(a), Err(_)) => Ok(a),
            (Err(_), other) => other,
        };
    }
    best
}

/// Rates, or ascending pairs of them, spread evenly in their logarithm.
fn rate_grid(points: &[(f64, f64)], rates: usize) -> Vec<Vec<f64>> {
    let mut xs: Vec<f64> = points.iter().map(|p| p.0).collect();
    xs.sort_by(f64::total_cmp);
    xs.dedup();
    let (Some(first), Some(last)) = (xs.first(), xs.last()) else { return Vec::new() };
    let span = last - first;
    if !(span > 0.0 && span.is_finite()) {
        return Vec::new();
    }
    let slowest = 0.1 / span;
    let fastest = (xs.len() as f64 / span).max(10.0 / span);
    let rate = |i: usize| slowest * (fastest / slowest).powf(i as f64 / (RATES - 1) as f64);
    match rates {
        1 => (0..RATES).map(|i| vec![rate(i)]).collect(),
        _ => (0..RATES)
            .flat_map(|i| (i + 1..RATES).map(move |j| (i, j)))
            .map(|(i, j)| vec![rate(i), rate(j)])
            .collect(),
    }
}

/// Linear least squares on the given functions: coefficients and sum of squares.
fn linear_part(points: &[(f64, f64)], basis: impl Fn(f64) -> Vec<f64>) -> Option<(Vec<f64>, f64)> {
    let rows: Vec<Vec<f64>> = points.iter().map(|p| basis(p.0)).collect();
    let size = rows.first()?.len();
    let mut matrix = vec![0.0; size * size];
    let mut right = vec![0.0; size];
    for (row, (_, y)) in rows.iter().zip(points) {
        for (i, a) in row.iter().enumerate() {
            right[i] += a * y;
            for (j, b) in row.iter().enumerate() {
                matrix[i * size + j] += a * b;
            }
        }
    }
    let solution = Cholesky::new(&matrix, size)?.solve(&right);
    let rss: f64 = rows
        .iter()
        .zip(points)
        .map(|(row, (_, y))| {
            let fitted: f64 = row.iter().zip(&solution).map(|(a, c)| a * c).sum();
            (y - fitted) * (y - fitted)
        })
        .sum();
    rss.is_finite().then_some((solution, rss))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(n: usize) -> Vec<f64> {
        (0..n).map(|i| i as f64 * 0.1).collect()
    }

    fn parameters(fit: Result<Fit, FitError>) -> Vec<f64> {
        fit.map(|f| f.parameters).unwrap_or_default()
    }

    fn near(found: &[f64], known: &[f64]) {
        assert_eq!(found.len(), known.len(), "no fit");
        for (f, k) in found.iter().zip(known) {
            assert!((f / k - 1.0).abs() < 1e-6, "{found:?} {known:?}");
        }
    }

    #[test]
    fn too_few_points_are_told() {
        assert!(matches!(fit_rise(&[], &[], None), Err(FitError::TooFewPoints { .. })));
        assert!(matches!(
            fit_decay(&[0.0, 1.0, 2.0], &[1.0; 3], None),
            Err(FitError::TooFewPoints { .. })
        ));
        assert!(matches!(
            fit_two_decays(&[0.0; 5], &[1.0; 5], Some([1.0; 5])),
            Err(FitError::TooFewPoints { .. })
        ));
    }

    #[test]
    fn a_constant_has_no_rate() {
        assert!(fit_decay(&grid(50), &[14.4; 50], None).is_err());
        assert!(fit_decay(&[1.0; 50], &[14.4; 50], None).is_err());
    }

    /// Curves drawn from known parameters come back without a starting point.
    #[test]
    fn known_curves_come_back() {
        let x = grid(200);
        let rise: Vec<f64> = x.iter().map(|x| 2.5 * (1.0 - (-0.7 * x).exp())).collect();
        near(&parameters(fit_rise(&x, &rise, None)), &[2.5, 0.7]);
        let decay: Vec<f64> = x.iter().map(|x| 14.2 - 0.8 * (-1.3 * x).exp()).collect();
        near(&parameters(fit_decay(&x, &decay, None)), &[14.2, -0.8, 1.3]);
        let two: Vec<f64> =
            x.iter().map(|x| 14.2 - 0.8 * (-0.2 * x).exp() - 0.5 * (-3.0 * x).exp()).collect();
        near(&parameters(fit_two_decays(&x, &two, None)), &[14.2, -0.8, -0.5, 0.2, 3.0]);
    }
}
