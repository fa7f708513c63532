//! Nonlinear least squares for a handful of parameters.

use super::cholesky::Cholesky;
use super::{FitError, finite_points};
use crate::stats::moments::Sum;

/// A curve with a few parameters and its derivative by each of them.
pub trait Model {
    fn parameters(&self) -> usize;

    /// Value at `x`; `gradient`, one entry a parameter, takes the derivatives.
    fn value(&self, x: f64, parameters: &[f64], gradient: &mut [f64]) -> f64;
}

/// Parameters at the least sum of squares, and how sure they are.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    pub parameters: Vec<f64>,
    /// Standard error of each parameter, for independent errors of equal size.
    pub errors: Vec<f64>,
    /// Covariance of the parameters, by rows.
    pub covariance: Vec<f64>,
    /// Residual sum of squares.
    pub rss: f64,
    /// Residual standard deviation.
    pub sigma: f64,
    pub dof: usize,
}

const MAX_STEPS: usize = 5000;

/// Levenberg–Marquardt from `start`, the damping μI steered by the gain ratio
/// (Nielsen 1999, as in Madsen, Nielsen & Tingleff, *Methods for Non-Linear
/// Least Squares Problems*, 2004).
///
/// Damping is the same for every parameter, not scaled by its column as Marquardt
/// has it: scaled, a rate whose amplitude starts near nothing is thrown to where
/// its exponential is gone (BoxBOD from NIST's first start), and never returns.
/// The scaling that small and large parameters need is done inside the solver.
///
///
/// Points with a number that is not finite are left out. Standard errors are
/// σ²(JᵀJ)⁻¹ at the solution; correlated residuals make them too small by about √τ.
/// Needs more points than parameters.
pub fn least_squares(
    model: &impl Model,
    x: &[f64],
    y: &[f64],
    start: &[f64],
) -> Result<Fit, FitError> {
    let points = finite_points(x, y);
    let size = model.parameters();
    if points.len() <= size {
        return Err(FitError::TooFewPoints { found: points.len(), needed: size + 1 });
    }
    if start.len() != size {
        return Err(FitError::Undetermined);
    }
    let mut at = Normal::at(model, &points, start).ok_or(FitError::Undetermined)?;
    // Points on the curve leave residuals of rounding size, in no direction.
    let rounding: f64 = points.iter().map(|p| (8.0 * f64::EPSILON * p.1).powi(2)).sum();
    let largest = at.diagonal().fold(0.0, f64::max);
    let (mut damping, mut factor) = (1e-3 * largest, 2.0);
    for steps in 0..MAX_STEPS {
        if at.rss <= rounding {
            return at.finish(points.len());
        }
        let Some(step) = at.step(damping) else {
            // Damping makes any finite matrix definite; one that stays singular never will be.
            if !(damping > 0.0 && damping < 1e30 * largest) {
                return Err(FitError::Undetermined);
            }
            damping *= factor;
            factor *= 2.0;
            continue;
        };
        let tried: Vec<f64> = at.parameters.iter().zip(&step).map(|(p, h)| p + h).collect();
        let small = step.iter().zip(&at.parameters).all(|(h, p)| h.abs() <= 1e-11 * p.abs());
        let promised: f64 = step.iter().zip(&at.descent).map(|(h, g)| h * (damping * h + g)).sum();
        match Normal::at(model, &points, &tried).filter(|n| n.rss <= at.rss) {
            Some(next) => {
                let gain = (at.rss - next.rss) / promised.max(f64::MIN_POSITIVE);
                damping *= (1.0 - (2.0 * gain - 1.0).powi(3)).clamp(1.0 / 3.0, 2.0);
                factor = 2.0;
                at = next;
                // A short step proves nothing while the damping makes it short.
                let free = at.diagonal().all(|d| damping <= 1e-6 * d);
                if small && free {
                    return at.finish(points.len());
                }
            }
            // No smaller sum is left within rounding: a minimum if it is flat here.
            None if small && at.slope() < 1e-5 => return at.finish(points.len()),
            None if damping > 1e30 * largest => return Err(FitError::NotSettled { steps }),
            None => {
                damping *= factor;
                factor *= 2.0;
            }
        }
    }
    Err(FitError::NotSettled { steps: MAX_STEPS })
}

/// The normal equations at one set of parameters.
struct Normal {
    parameters: Vec<f64>,
    rss: f64,
    /// JᵀJ by rows.
    curvature: Vec<f64>,
    /// Jᵀ(y − f).
    descent: Vec<f64>,
}

impl Normal {
    /// `None` where the model is not finite.
    fn at(model: &impl Model, points: &[(f64, f64)], parameters: &[f64]) -> Option<Self> {
        let size = parameters.len();
        let mut gradient = vec![0.0; size];
        let mut curvature = vec![0.0; size * size];
        let mut descent = vec![Sum::default(); size];
        let mut rss = Sum::default();
        for &(x, y) in points {
            let miss = y - model.value(x, parameters, &mut gradient);
            rss.add(miss * miss);
            for i in 0..size {
                descent[i].add(gradient[i] * miss);
                for j in 0..=i {
                    curvature[i * size + j] += gradient[i] * gradient[j];
                }
            }
        }
        for i in 0..size {
            for j in 0..i {
                curvature[j * size + i] = curvature[i * size + j];
            }
        }
        let descent: Vec<f64> = descent.into_iter().map(Sum::value).collect();
        let finite =
            rss.value().is_finite() && curvature.iter().chain(&descent).all(|v| v.is_finite());
        finite.then(|| Normal {
            parameters: parameters.to_vec(),
            rss: rss.value(),
            curvature,
            descent,
        })
    }

    fn diagonal(&self) -> impl Iterator<Item = f64> + '_ {
        self.curvature.iter().copied().step_by(self.parameters.len() + 1)
    }

    fn step(&self, damping: f64) -> Option<Vec<f64>> {
        let size = self.parameters.len();
        let mut damped = self.curvature.clone();
        for entry in damped.iter_mut().step_by(size + 1) {
            *entry += damping;
        }
        Cholesky::new(&damped, size).map(|c| c.solve(&self.descent))
    }

    /// Largest cosine between the residuals and a column of the Jacobian.
    fn slope(&self) -> f64 {
        self.descent
            .iter()
            .zip(self.diagonal())
            .map(|(g, d)| g.abs() / (d * self.rss).sqrt())
            .fold(0.0, f64::max)
    }

    fn finish(self, points: usize) -> Result<Fit, FitError> {
        let size = self.parameters.len();
        let dof = points - size;
        let variance = self.rss / dof as f64;
        let covariance: Vec<f64> = Cholesky::new(&self.curvature, size)
            .ok_or(FitError::Undetermined)?
            .inverse()
            .iter()
            .map(|c| c * variance)
            .collect();
        let errors = (0..size).map(|i| covariance[i * size + i].max(0.0).sqrt()).collect();
        Ok(Fit {
            parameters: self.parameters,
            errors,
            covariance,
            rss: self.rss,
            sigma: variance.sqrt(),
            dof,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Line;
    impl Model for Line {
        fn parameters(&self) -> usize {
            2
        }
        fn value(&self, x: f64, p: &[f64], gradient: &mut [f64]) -> f64 {
            gradient.copy_from_slice(&[1.0, x]);
            p[0] + p[1] * x
        }
    }

    #[test]
    fn too_few_points_are_told() {
        let few = least_squares(&Line, &[1.0, 2.0, f64::NAN], &[1.0, 2.0, 3.0], &[0.0, 0.0]);
        assert_eq!(few, Err(FitError::TooFewPoints { found: 2, needed: 3 }));
        assert!(least_squares(&Line, &[], &[], &[0.0, 0.0]).is_err());
    }

    #[test]
    fn what_cannot_be_told_apart_is_told() {
        let same = least_squares(&Line, &[2.0; 5], &[1.0, 2.0, 3.0, 4.0, 5.0], &[0.0, 0.0]);
        assert_eq!(same, Err(FitError::Undetermined));
        assert!(least_squares(&Line, &[1.0, 2.0, 3.0], &[1.0; 3], &[f64::NAN, 0.0]).is_err());
        assert!(least_squares(&Line, &[1.0, 2.0, 3.0], &[1.0; 3], &[0.0]).is_err());
    }

    /// Against the closed form of a straight line.
    #[test]
    fn a_line_comes_out_as_in_closed_form() {
        let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.2, 6.8, 9.1]);
        let fit = least_squares(&Line, &x, &y, &[0.0, 0.0]);
        let line = super::super::linear::ordinary(&x, &y);
        let (Ok(fit), Ok(line)) = (fit, line) else { panic!("no fit") };
        assert!((fit.parameters[1] - line.slope).abs() < 1e-9);
        assert!((fit.parameters[0] - line.intercept).abs() < 1e-9);
        assert!((fit.errors[1] - line.slope_error()).abs() < 1e-9);
        assert_eq!(fit.dof, line.dof);
    }

    #[test]
    fn points_on_the_curve_fit_without_residual() {
        let fit = least_squares(&Line, &[0.0, 1.0, 2.0], &[5.0, 5.0, 5.0], &[5.0, 0.0]);
        assert!(fit.is_ok_and(|f| f.rss == 0.0 && f.sigma == 0.0));
    }
}
