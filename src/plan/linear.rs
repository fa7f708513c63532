//! One sample from the posterior of a linear Gaussian problem.
//!
//! Prior and log together make a linear Gaussian problem. One sample of its posterior
//! is the solution with data and prior each perturbed by their own error (G. Papandreou, A. Yuille, Gaussian sampling by local
//! perturbations, 2010; from memory).

use crate::plan::calibrate::Rng;
use crate::stats::fit::cholesky::Cholesky;

/// A linear equation: shares of the unknowns, value, standard deviation, and the
/// error that this car's solution is moved by.
pub struct Equation {
    pub shares: Vec<f64>,
    pub value: f64,
    pub sd: f64,
    moved: f64,
}

impl Equation {
    pub fn new(rng: &mut Rng, shares: Vec<f64>, value: f64, sd: f64) -> Equation {
        Equation { shares, value, sd, moved: sd * rng.z() }
    }
}

/// The moved solution, held to what the log says of the setpoint: where the bus
/// holds, the alternator could give at least what loads and battery took. A row that
/// the solution breaks becomes an equation of its own, the worst first.
pub fn within(
    rng: &mut Rng,
    equations: &mut Vec<Equation>,
    holding: &[(Vec<f64>, f64, f64)],
    unknowns: usize,
) -> Option<Vec<f64>> {
    const MOST_HELD: usize = 4;
    let mut taken = vec![false; holding.len()];
    let (mut moved, _) = solve(equations, unknowns, |e| e.value + e.moved)?;
    for _ in 0..MOST_HELD {
        let lacks =
            |(shares, current_a, sd): &(Vec<f64>, f64, f64)| (current_a - dot(shares, &moved)) / sd;
        let worst = holding
            .iter()
            .enumerate()
            .filter(|(k, row)| !taken.get(*k).copied().unwrap_or(true) && lacks(row) > 0.0)
            .max_by(|a, b| lacks(a.1).total_cmp(&lacks(b.1)));
        let Some((k, (shares, current_a, sd))) = worst else { break };
        let moved_by = sd * rng.z().abs();
        equations.push(Equation {
            shares: shares.clone(),
            value: *current_a,
            sd: *sd,
            moved: moved_by,
        });
        if let Some(slot) = taken.get_mut(k) {
            *slot = true;
        }
        (moved, _) = solve(equations, unknowns, |e| e.value + e.moved)?;
    }
    Some(moved)
}

pub fn unit(at: usize, size: usize) -> Vec<f64> {
    (0..size).map(|k| f64::from(u8::from(k == at))).collect()
}

pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Least squares of the equations, each over its standard deviation, and ln of
/// the determinant of their normal matrix.
pub fn solve(
    equations: &[Equation],
    unknowns: usize,
    mut value: impl FnMut(&Equation) -> f64,
) -> Option<(Vec<f64>, f64)> {
    let mut matrix = vec![0.0; unknowns * unknowns];
    let mut right = vec![0.0; unknowns];
    for equation in equations {
        let weight = equation.sd.powi(-2);
        let y = value(equation);
        for (i, a) in equation.shares.iter().enumerate().filter(|(_, a)| **a != 0.0) {
            right[i] += weight * a * y;
            for (j, b) in equation.shares.iter().enumerate() {
                matrix[i * unknowns + j] += weight * a * b;
            }
        }
    }
    let factor = Cholesky::new(&matrix, unknowns)?;
    Some((factor.solve(&right), factor.log_determinant()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: prior x = 2 ± 1, data 2x = 6 ± 1: (2·1 + 2·6)/(1 + 4) = 2.8.
    #[test]
    fn prior_and_data_meet_by_their_weights() {
        let equations = [
            Equation { shares: vec![1.0], value: 2.0, sd: 1.0, moved: 0.0 },
            Equation { shares: vec![2.0], value: 6.0, sd: 1.0, moved: 0.0 },
        ];
        let (x, log_determinant) = solve(&equations, 1, |e| e.value).expect("a solution");
        assert!((x[0] - 2.8).abs() < 1e-12);
        assert!((log_determinant - 5f64.ln()).abs() < 1e-12);
    }
}
