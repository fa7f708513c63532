//! A straight line through points with known errors, robust against outliers.

use super::linear::theil_sen;
use crate::stats::interval::student_quantile;
use crate::stats::robust::median;

/// A point and the standard error of its `y`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighed {
    pub x: f64,
    pub y: f64,
    pub error: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RobustLine {
    pub slope: f64,
    pub intercept: f64,
    pub slope_half_width: f64,
    /// How many times larger than the stated errors the scatter is; at least 1.
    pub scatter: f64,
}

/// Residuals beyond this many standard errors weigh less (Huber, Annals of
/// Mathematical Statistics 35, 1964; 95 % efficient for normal errors).
const HUBER: f64 = 1.345;
const ROUNDS: usize = 30;
/// Fewer points than this cannot show outliers among them.
const LEAST_TO_SCATTER: usize = 4;

/// Huber's line, weighted by the errors, with the interval of its slope at
/// `level`. Where the points scatter more than their errors say, the interval
/// widens with them; where less, the errors are used as stated.
///
/// Points that are not finite or have no positive error are left out. Two points
/// give the line through both.
pub fn robust_line(points: &[Weighed], level: f64) -> Option<RobustLine> {
    let sound = |p: &&Weighed| [p.x, p.y, p.error].iter().all(|v| v.is_finite()) && p.error > 0.0;
    let points: Vec<Weighed> = points.iter().filter(sound).copied().collect();
    let xs: Vec<f64> = points.iter().map(|p| p.x).collect();
    let ys: Vec<f64> = points.iter().map(|p| p.y).collect();
    let (mut intercept, mut slope) = theil_sen(&xs, &ys)?;
    let dof = points.len().checked_sub(2)?;
    let known = points.len() < LEAST_TO_SCATTER;
    let mut scatter = 1.0;
    let mut spread = 0.0;
    for _ in 0..ROUNDS {
        let residual = |p: &Weighed| (p.y - intercept - slope * p.x) / p.error;
        if !known {
            let sizes: Vec<f64> = points.iter().map(|p| residual(p).abs()).collect();
            // Median size of a standard normal, and the two parameters spent.
            let shrunk = (dof as f64 / points.len() as f64).sqrt();
            scatter = (median(&sizes) / 0.6745 / shrunk).max(1.0);
        }
        let weight = |p: &Weighed| {
            let size = residual(p).abs() / scatter;
            let share = if known || size <= HUBER { 1.0 } else { HUBER / size };
            share / (p.error * p.error)
        };
        let weights: Vec<f64> = points.iter().map(weight).collect();
        let total: f64 = weights.iter().sum();
        let mean = |of: fn(&Weighed) -> f64| {
            points.iter().zip(&weights).map(|(p, w)| w * of(p)).sum::<f64>() / total
        };
        let (mx, my) = (mean(|p| p.x), mean(|p| p.y));
        let sum = |of: &dyn Fn(&Weighed) -> f64| -> f64 {
            points.iter().zip(&weights).map(|(p, w)| w * of(p)).sum()
        };
        spread = sum(&|p| (p.x - mx).powi(2));
        if spread.is_nan() || spread <= 0.0 {
            return None;
        }
        let next = sum(&|p| (p.x - mx) * (p.y - my)) / spread;
        let moved = (next - slope).abs() * spread.sqrt();
        (slope, intercept) = (next, my - next * mx);
        if moved < 1e-9 {
            break;
        }
    }
    // A scatter read off few points is itself uncertain.
    let dof = if known || scatter == 1.0 { 1e6 } else { dof as f64 };
    let slope_half_width = student_quantile(level, dof) * scatter / spread.sqrt();
    Some(RobustLine { slope, intercept, slope_half_width, scatter })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(x: f64, y: f64) -> Weighed {
        Weighed { x, y, error: 0.01 }
    }

    /// By hand: x = 0, 10, 20, 30, errors 0.01: Σ(x−15)²/0.01² = 500/1e-4 = 5e6,
    /// so the standard error is 1/√5e6 = 4.472e-4 and 90 % are 1.6449 of it.
    #[test]
    fn points_on_a_line_have_the_interval_of_their_errors() {
        let points: Vec<Weighed> =
            [0.0, 10.0, 20.0, 30.0].map(|x| point(x, 0.05 + 0.004 * x)).to_vec();
        let line = robust_line(&points, 0.90).expect("a line");
        assert!((line.slope - 0.004).abs() < 1e-12 && (line.intercept - 0.05).abs() < 1e-12);
        assert!((line.slope_half_width - 1.6449 * 4.472e-4).abs() < 1e-7, "{line:?}");
        assert_eq!(line.scatter, 1.0);
    }

    #[test]
    fn one_wild_point_in_nine_hardly_turns_it() {
        let mut points: Vec<Weighed> =
            (0..9).map(|k| point(10.0 * f64::from(k), 0.04 * f64::from(k))).collect();
        points[8].y = 3.0;
        let line = robust_line(&points, 0.90).expect("a line");
        assert!((line.slope - 0.004).abs() < 2e-4, "{line:?}");
    }

    #[test]
    fn nothing_is_made_of_nothing() {
        assert!(robust_line(&[], 0.9).is_none());
        assert!(robust_line(&[point(1.0, 1.0)], 0.9).is_none());
        assert!(robust_line(&[point(1.0, 1.0), point(1.0, 2.0)], 0.9).is_none());
        let bad =
            [point(f64::NAN, 1.0), point(1.0, 1.0), Weighed { error: 0.0, ..point(2.0, 2.0) }];
        assert!(robust_line(&bad, 0.9).is_none());
        let two = robust_line(&[point(0.0, 0.0), point(100.0, 0.5)], 0.9).expect("two");
        assert!((two.slope - 0.005).abs() < 1e-12);
    }
}
