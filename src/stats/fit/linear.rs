//! Straight lines.

use super::finite_points;
use crate::stats::moments::Sum;
use crate::stats::robust::median;

/// y = intercept + slope·x by ordinary least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineFit {
    pub intercept: f64,
    pub slope: f64,
    /// Of (intercept, slope), for independent errors of equal size; correlated
    /// ones make it too small by about their integrated time.
    pub covariance: [[f64; 2]; 2],
    /// Residual standard deviation; NaN for two points.
    pub sigma: f64,
    /// Points less two.
    pub dof: usize,
}

impl LineFit {
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }

    pub fn slope_error(&self) -> f64 {
        self.covariance[1][1].sqrt()
    }
}

/// Ordinary least squares about the means, so that a large offset costs no digits.
///
/// Points with a number that is not finite are left out. Two points give a line without errors
/// (NaN); fewer, or points of one `x`, none.
pub fn ordinary(x: &[f64], y: &[f64]) -> Option<LineFit> {
    let points = finite_points(x, y);
    let dof = points.len().checked_sub(2)?;
    let n = points.len() as f64;
    let sum = |f: &dyn Fn(f64, f64) -> f64| {
        let mut sum = Sum::default();
        points.iter().for_each(|&(a, b)| sum.add(f(a, b)));
        sum.value()
    };
    let (mx, my) = (sum(&|a, _| a) / n, sum(&|_, b| b) / n);
    let sxx = sum(&|a, _| (a - mx) * (a - mx));
    let largest = points.iter().fold(0.0f64, |m, p| m.max(p.0.abs()));
    if sxx <= n * (largest * f64::EPSILON).powi(2) {
        return None;
    }
    let slope = sum(&|a, b| (a - mx) * (b - my)) / sxx;
    let rss = sum(&|a, b| ((b - my) - slope * (a - mx)).powi(2));
    let variance = if dof == 0 { f64::NAN } else { rss / dof as f64 };
    let cross = -mx * variance / sxx;
    Some(LineFit {
        intercept: my - slope * mx,
        slope,
        covariance: [[variance * (1.0 / n + mx * mx / sxx), cross], [cross, variance / sxx]],
        sigma: variance.sqrt(),
        dof,
    })
}

/// Pairs looked at: all of them up to about 700 points.
const PAIRS: usize = 250_000;

/// Median of the slopes between pairs of points, and median(y) − slope·median(x)
/// (Theil 1950; Sen, JASA 63, 1968): up to 29 % outliers cannot move it.
///
/// Up to about 700 points every pair counts. Beyond, pairs at least half the
/// series apart in `x` are taken evenly, the ones that know most of the slope, so
/// the work is linear and the answer the same every time. Pairs of equal `x` tell
/// nothing.
pub fn theil_sen(x: &[f64], y: &[f64]) -> Option<(f64, f64)> {
    let mut points = finite_points(x, y);
    let n = points.len();
    if n < 2 {
        return None;
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let slope_of = |a: &(f64, f64), b: &(f64, f64)| {
        (b.0 > a.0).then(|| (b.1 - a.1) / (b.0 - a.0)).filter(|s| s.is_finite())
    };
    let slopes: Vec<f64> = if n * (n - 1) / 2 <= PAIRS {
        points
            .iter()
            .enumerate()
            .flat_map(|(i, a)| points.iter().skip(i + 1).filter_map(move |b| slope_of(a, b)))
            .collect()
    } else {
        let stride = n.div_ceil(PAIRS / 8).max(1);
        (0..16)
            .flat_map(|k| {
                let apart = n / 2 + k * (n / 2) / 16;
                points.iter().zip(points.iter().skip(apart)).step_by(stride)
            })
            .filter_map(|(a, b)| slope_of(a, b))
            .collect()
    };
    let slope = median(&slopes);
    if slope.is_nan() {
        return None;
    }
    let xs: Vec<f64> = points.iter().map(|p| p.0).collect();
    let ys: Vec<f64> = points.iter().map(|p| p.1).collect();
    Some((median(&ys) - slope * median(&xs), slope))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_few_points_or_an_upright_line_have_no_fit() {
        assert_eq!(ordinary(&[1.0], &[1.0]), None);
        assert_eq!(theil_sen(&[], &[]), None);
        assert_eq!(ordinary(&[14.4; 9], &[1.0; 9]), None);
        assert_eq!(theil_sen(&[2.0, 2.0], &[1.0, 3.0]), None);
    }

    #[test]
    fn two_points_make_a_line_without_errors() {
        let line = ordinary(&[0.0, 2.0, f64::NAN], &[1.0, 5.0, 9.0]);
        assert!(
            line.is_some_and(|l| l.slope == 2.0 && l.at(1.0) == 3.0 && l.slope_error().is_nan())
        );
    }

    #[test]
    fn wild_points_do_not_turn_the_robust_line() {
        for n in [200usize, 5000] {
            let x: Vec<f64> = (0..n).map(|i| i as f64).collect();
            let y: Vec<f64> =
                (0..n).map(|i| if i % 7 == 0 { 900.0 } else { 14.0 - 0.002 * i as f64 }).collect();
            let found = theil_sen(&x, &y);
            assert!(found.is_some_and(|(_, s)| (s + 0.002).abs() < 1e-9), "{n}: {found:?}");
        }
    }
}
