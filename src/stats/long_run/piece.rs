//! One piece of noise about a level: what generalized least squares leaves of it.

use crate::stats::robust::median;

/// Regressors of a piece beside its level.
pub const MOST_REGRESSORS: usize = 7;
const COLUMNS: usize = MOST_REGRESSORS + 2;

/// Correlation of unit-variance noise: white, but for a share of the variance whose
/// correlation falls by `rho` from sample to sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    pub slow_share: f64,
    pub rho: f64,
}

impl Shape {
    pub const WHITE: Shape = Shape { slow_share: 0.0, rho: 0.0 };

    /// From the integrated autocorrelation time `tau` in samples.
    pub fn of_time(tau: f64, slow_share: f64) -> Shape {
        let slow_share = slow_share.clamp(0.0, 1.0);
        let beyond = (tau - 1.0).max(0.0);
        if beyond == 0.0 || slow_share == 0.0 {
            return Shape::WHITE;
        }
        let rho = if beyond.is_finite() { beyond / (beyond + 2.0 * slow_share) } else { 1.0 };
        Shape { slow_share, rho }
    }

    /// Integrated autocorrelation time in samples.
    pub fn time(self) -> f64 {
        1.0 + 2.0 * self.slow_share * self.rho / (1.0 - self.rho)
    }

    /// n times the variance of the mean of n samples of unit variance: 1 for one sample,
    /// [`Shape::time`] for a long window.
    pub fn mean_time(self, n: f64) -> f64 {
        self.mean_time_of_order(n, 1)
    }

    /// The same of noise with the `order`th power of this correlation.
    pub fn mean_time_of_order(self, n: f64, order: i32) -> f64 {
        let slow = first_order_time(self.rho.powi(order), n);
        1.0 + self.slow_share.powi(order) * (slow - 1.0)
    }
}

/// 1 + 2Σ(1 − k/n)ρᵏ in closed form.
fn first_order_time(rho: f64, n: f64) -> f64 {
    // With an infinite correlation time the window is worth one sample.
    if rho.is_nan() || rho >= 1.0 {
        return n;
    }
    let rest = 1.0 - rho;
    ((1.0 + rho) / rest - 2.0 * rho * (1.0 - rho.powf(n)) / (n * rest * rest)).clamp(1.0, n)
}

/// Successive readings of one level, and regressors that may have moved them.
#[derive(Debug, Clone, Default)]
pub struct Piece {
    readings: Vec<f64>,
    /// Each as long as `readings`.
    regressors: Vec<Vec<f64>>,
}

/// What is left of a piece under a given shape.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residue {
    /// Sum of squares of whitened residuals; over `freedom` an unbiased variance.
    pub squares: f64,
    pub dof: f64,
    /// Part of the restricted log likelihood that depends on the shape alone.
    pub log_determinants: f64,
}

impl Residue {
    pub fn variance(&self) -> f64 {
        self.squares / self.dof
    }
}

impl Piece {
    /// A level and powers of time up to `degree` (at most 3), and `others` such as another
    /// channel over the same samples. NaN readings are gaps; a regressor with one is left out.
    pub fn new(readings: &[f64], degree: usize, others: &[&[f64]]) -> Piece {
        let n = readings.len();
        let place = |k: usize| (2.0 * k as f64 + 1.0) / n as f64 - 1.0;
        // Legendre polynomials: nearly orthogonal, so that no digits are lost.
        let legendre: [fn(f64) -> f64; 3] =
            [|x| x, |x| 1.5 * x * x - 0.5, |x| 2.5 * x * x * x - 1.5 * x];
        let powers = legendre.iter().take(degree).map(|p| (0..n).map(|k| p(place(k))).collect());
        let centered = |other: &&[f64]| {
            let usable = other.len() == n && other.iter().all(|v| v.is_finite());
            let center = other.iter().sum::<f64>() / n as f64;
            usable.then(|| other.iter().map(|v| v - center).collect::<Vec<f64>>())
        };
        let others = others.iter().filter_map(centered);
        let regressors: Vec<Vec<f64>> = powers.chain(others).take(MOST_REGRESSORS).collect();
        let center = median(readings);
        let center = if center.is_finite() { center } else { 0.0 };
        Piece { readings: readings.iter().map(|v| v - center).collect(), regressors }
    }

    pub fn len(&self) -> usize {
        self.readings.len()
    }

    pub fn is_empty(&self) -> bool {
        self.readings.is_empty()
    }

    /// Least-squares residuals of the readings, and then of each of `others`, about level and
    /// regressors; `None` where a reading is missing.
    pub fn plain_residuals(&self, others: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
        self.readings.iter().all(|v| v.is_finite()).then_some(())?;
        // Gram-Schmidt: each column orthogonal to those before it.
        let mut columns: Vec<Vec<f64>> = Vec::new();
        let mut rest: Vec<Vec<f64>> =
            std::iter::once(&self.readings).chain(others).cloned().collect();
        let level = vec![1.0; self.readings.len()];
        for regressor in std::iter::once(&level).chain(&self.regressors) {
            let mut column = regressor.clone();
            let whole = dot(&column, &column);
            columns.iter().for_each(|before| remove(&mut column, before));
            if dot(&column, &column) > 1e-9 * whole {
                rest.iter_mut().for_each(|rest| remove(rest, &column));
                columns.push(column);
            }
        }
        Some(rest)
    }

    /// `None` where level and regressors use up all degrees of freedom.
    pub fn residue(&self, shape: Shape) -> Option<Residue> {
        let (a, rho) = (shape.slow_share, shape.rho);
        let columns = self.regressors.len() + 2;
        // Level, regressors, and the readings last.
        let mut means = [0.0; COLUMNS];
        let mut products = [[0.0; COLUMNS]; COLUMNS];
        let mut row = [1.0; COLUMNS];
        let (mut uncertain, mut gain, mut spread) = (a, 0.0, 0.0);
        let (mut steady, mut log_spread) = (false, 0.0);
        let (mut logs, mut known) = (0.0, 0usize);
        for (k, &reading) in self.readings.iter().enumerate() {
            if !reading.is_finite() {
                means.iter_mut().take(columns).for_each(|m| *m *= rho);
                uncertain = rho * rho * uncertain + a * (1.0 - rho * rho);
                steady = false;
                continue;
            }
            for (x, regressor) in row[1..].iter_mut().zip(&self.regressors) {
                *x = regressor[k];
            }
            row[columns - 1] = reading;
            if !steady {
                spread = uncertain + 1.0 - a;
                gain = uncertain / spread;
                log_spread = spread.ln();
                let next = rho * rho * uncertain * (1.0 - gain) + a * (1.0 - rho * rho);
                steady = (next - uncertain).abs() < 1e-9 * spread;
                uncertain = next;
            }
            logs += log_spread;
            known += 1;
            let mut errors = [0.0; COLUMNS];
            for ((e, m), x) in errors.iter_mut().zip(&mut means).zip(&row).take(columns) {
                *e = x - *m;
                *m = rho * (*m + gain * *e);
            }
            for i in 0..columns {
                let scaled = errors[i] / spread;
                for j in i..columns {
                    products[i][j] += scaled * errors[j];
                }
            }
        }
        let (mut log_determinant, mut used) = (0.0, 0usize);
        for i in 0..columns - 1 {
            let pivot = products[i][i];
            // A column that the ones before it explain adds nothing.
            let own = if i == 0 { 0.0 } else { 1e-9 * self.square_of(i - 1) };
            if pivot.is_nan() || pivot <= own {
                continue;
            }
            used += 1;
            log_determinant += pivot.ln();
            let row = products[i];
            for (j, other) in products.iter_mut().enumerate().skip(i + 1) {
                let share = row[j] / pivot;
                let from_here = other.iter_mut().zip(&row).skip(j);
                from_here.for_each(|(value, own)| *value -= share * own);
            }
        }
        let dof = known.checked_sub(used).filter(|f| *f > 0)? as f64;
        let squares = products[columns - 1][columns - 1].max(0.0);
        let log_determinants = -0.5 * (logs + log_determinant);
        let sound = squares.is_finite() && log_determinants.is_finite();
        sound.then_some(Residue { squares, dof, log_determinants })
    }

    fn square_of(&self, regressor: usize) -> f64 {
        self.regressors.get(regressor).map_or(0.0, |r| r.iter().map(|x| x * x).sum())
    }
}

pub(in crate::stats) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Removes from `x` its projection on `column`.
pub(in crate::stats) fn remove(x: &mut [f64], column: &[f64]) {
    let share = dot(x, column) / dot(column, column);
    x.iter_mut().zip(column).for_each(|(x, c)| *x -= share * c);
}
