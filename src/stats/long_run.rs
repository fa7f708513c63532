//! Noise with memory around slowly moving levels, from many short pieces.
//!
//! # Theory
//! The error of a mean depends on the long-run variance σ²τ of the noise, and within a short
//! piece that variance cannot be separated from the movement of the level itself. So the noise
//! is given a shape: part white, the rest a first-order autoregression (together an
//! ARMA(1,1), the noise of a logger with a low-pass filter). Each piece has a level, a trend
//! and other regressors of its own; they are removed by generalized least squares, and the
//! degrees of freedom that this takes are accounted for by the restricted likelihood
//! (Patterson & Thompson, Biometrika 58, 1971; from memory), with the innovations of a
//! Kalman filter (Harvey, *Forecasting, Structural Time Series Models and the Kalman
//! Filter*, 1989; from memory). The long-run variance of a fitted autoregression instead of a
//! window over autocovariances is den Haan & Levin's VARHAC (1997; from memory).
//!
//! Every piece has its own scale about the common one, so its residuals are Student's: a piece
//! that moved for another reason weighs little more than the others. The result is the mean over
//! all shapes, weighted by their likelihood: uncertainty about the shape widens the interval by
//! lowering the degrees of freedom.

mod piece;

use super::robust::median;

pub use piece::{Piece, Residue, Shape};
pub(super) use piece::{dot, remove};

/// Noise of the readings in many pieces.
#[derive(Debug, Clone, PartialEq)]
pub struct PooledNoise {
    pub sigma: f64,
    pub shape: Shape,
    /// Readings less what levels and regressors took.
    pub dof: f64,
    /// Degrees of freedom of σ² itself.
    pub sigma_dof: f64,
    /// Degrees of freedom of the long-run variance σ²τ, for Student's t.
    pub long_run_dof: f64,
    /// How far the pieces agree about σ: degrees of freedom that the pooled variance is worth
    /// against a piece's own (Smyth, *Statistical Applications in Genetics and
    /// Molecular Biology* 3, 2004; from memory). Infinite where they differ by chance only.
    pub agreement: f64,
    /// Which pieces it is pooled from.
    pub kept: Vec<bool>,
}

/// Limits of the search, in samples.
#[derive(Debug, Clone, Copy)]
pub struct SearchLimits {
    /// The longest correlation (to 1/e) that can be separated from a moving level.
    pub longest: f64,
    /// The prior of longer ones falls in proportion.
    pub usual: f64,
    /// A piece with no more variance than this is kept, whatever the others are.
    pub least_usual: f64,
}

/// A piece with more than this many times the usual variance moved for another reason.
const TROUBLED: f64 = 4.0;
/// Degrees of freedom of the prior of a piece's scale about the common one.
const OWN_SCALE: f64 = 10.0;
/// The grid of shapes: correlation times from the shortest on, and white variance over that
/// of the slow part's innovations, which a series shows best, however slow it is.
const SHORTEST_TIME: f64 = 0.3;
const TIME_RATIO: f64 = 2.5;
const MOST_TIMES: f64 = 20.0;
const LEAST_WHITE: f64 = 0.05;
const WHITE_RATIO: f64 = 5.0;
const WHITES: usize = 7;
/// The first pass uses about this many readings, and drops shapes whose log likelihood is lower
/// than the best by more than this.
const FIRST_LOOK: usize = 4096;
const HOPELESS: f64 = -8.0;
/// Logarithm of a variance that consists of rounding errors.
const SILENT: f64 = -80.0;
/// With fewer, Student's t describes the tails of a guess rather than the noise.
const LEAST_DOF: f64 = 3.0;
/// Around a shape that has more than this share of all likelihood the grid is too coarse,
const DECIDED: f64 = 0.2;
/// and is refined this many times.
const FINER_LOOKS: usize = 5;

/// One shape, its prior weight, and the residue of each piece under it.
struct Candidate {
    shape: Shape,
    /// Coordinates on the grid of times and whites; white noise has none.
    place: Option<(f64, f64)>,
    weight: f64,
    residues: Vec<Option<Residue>>,
}

impl Candidate {
    /// Of the usual pieces, each with a scale of its own about the common one.
    fn log_likelihood(&self, kept: &[bool], telling: &[bool]) -> f64 {
        let used = || {
            let marked = self.residues.iter().zip(kept.iter().zip(telling));
            marked
                .filter(|(_, (kept, telling))| **kept && **telling)
                .filter_map(|(r, _)| r.as_ref())
        };
        let (squares, dof) = used().fold((0.0, 0.0), |(s, f), r| (s + r.squares, f + r.dof));
        let common = OWN_SCALE * (squares / dof).max(f64::MIN_POSITIVE);
        used()
            .map(|r| {
                let scaled = (common + r.squares) / common;
                r.log_determinants - 0.5 * (r.dof * common.ln() + (OWN_SCALE + r.dof) * scaled.ln())
            })
            .sum()
    }
}

impl PooledNoise {
    /// `None` where the pieces have no degrees of freedom.
    pub fn of(pieces: &[Piece], search: &SearchLimits) -> Option<PooledNoise> {
        let candidate = |pieces: &[Piece], place: Option<(f64, f64)>, cell: f64| {
            let shape = place.map_or(Shape::WHITE, shape_at);
            let time = place.map_or(0.0, |(t, _)| time_at(t));
            let residues = pieces.iter().map(|piece| piece.residue(shape)).collect();
            Candidate { shape, place, weight: cell * (search.usual / time).min(1.0), residues }
        };
        let white = candidate(pieces, None, 1.0);
        let mut kept: Vec<bool> = white.residues.iter().map(Option::is_some).collect();
        let variance = |r: &Option<Residue>| r.as_ref().map_or(f64::NAN, Residue::variance);
        let telling: Vec<bool> = white.residues.iter().map(|r| variance(r) > 0.0).collect();
        kept.contains(&true).then_some(())?;
        let mut all = vec![white];
        if !telling.contains(&true) {
            return Some(pooled(&all, kept, &telling));
        }
        for place in promising(pieces, search, candidate) {
            all.push(candidate(pieces, Some(place), 1.0));
        }
        // Where the pieces are usual ones, by the best shape so far.
        for _ in 0..2 {
            let (best, _) = best(&all, &kept, &telling)?;
            let variances: Vec<f64> = best.residues.iter().map(variance).collect();
            let most = (TROUBLED * median(&variances)).max(search.least_usual);
            kept = variances.iter().map(|v| *v <= most).collect();
        }
        let mut pitch = 1.0;
        for _ in 0..FINER_LOOKS {
            let (first, share) = best(&all, &kept, &telling)?;
            let Some((t, w)) = first.place.filter(|_| share > DECIDED) else { break };
            pitch /= 2.0;
            let cell = pitch * pitch;
            all.retain(|c| c.place != Some((t, w)));
            for at_time in [t - pitch, t, t + pitch] {
                for at_white in [w - pitch, w, w + pitch] {
                    let place = Some((at_time, at_white));
                    if !all.iter().any(|c| c.place == place) {
                        all.push(candidate(pieces, place, cell));
                    }
                }
            }
        }
        let noise = pooled(&all, kept, &telling);
        (noise.sigma.is_finite() && noise.shape.time().is_finite()).then_some(noise)
    }
}

fn time_at(place: f64) -> f64 {
    SHORTEST_TIME * TIME_RATIO.powf(place)
}

fn shape_at((time, white): (f64, f64)) -> Shape {
    let rho = (-1.0 / time_at(time)).exp();
    let white = LEAST_WHITE * WHITE_RATIO.powf(white);
    Shape { slow_share: 1.0 / (1.0 + white * (1.0 - rho * rho)), rho }
}

/// Grid points that a part of the pieces does not rule out.
fn promising(
    pieces: &[Piece],
    search: &SearchLimits,
    candidate: impl Fn(&[Piece], Option<(f64, f64)>, f64) -> Candidate,
) -> Vec<(f64, f64)> {
    let readings: usize = pieces.iter().map(Piece::len).sum();
    let stride = readings.div_ceil(FIRST_LOOK).max(1);
    let some: Vec<Piece> = pieces.iter().step_by(stride).cloned().collect();
    let times = (search.longest / SHORTEST_TIME).ln() / TIME_RATIO.ln();
    let times = if times.is_nan() { 0.0 } else { times.clamp(0.0, MOST_TIMES) } as usize;
    let places = (0..=times).flat_map(|t| (0..WHITES).map(move |w| (t as f64, w as f64)));
    let looks: Vec<Candidate> = places.map(|place| candidate(&some, Some(place), 1.0)).collect();
    let kept = vec![true; some.len()];
    let moves = |r: &Option<Residue>| r.as_ref().is_some_and(|r| r.squares > 0.0);
    let telling: Vec<bool> =
        looks.first().map_or(Vec::new(), |look| look.residues.iter().map(moves).collect());
    let values: Vec<f64> = looks.iter().map(|c| c.log_likelihood(&kept, &telling)).collect();
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let hopeful = looks.iter().zip(values).filter(|(_, v)| v - most > HOPELESS);
    hopeful.filter_map(|(look, _)| look.place).collect()
}

/// The most likely shape, and its share of all likelihood.
fn best<'a>(all: &'a [Candidate], kept: &[bool], telling: &[bool]) -> Option<(&'a Candidate, f64)> {
    let value = |c: &Candidate| c.log_likelihood(kept, telling) + c.weight.ln();
    let values: Vec<f64> = all.iter().map(value).collect();
    let (best, most) = all.iter().zip(&values).max_by(|a, b| a.1.total_cmp(b.1))?;
    Some((best, 1.0 / values.iter().map(|v| (v - most).exp()).sum::<f64>()))
}

/// The mean over all shapes, of logarithms because the uncertainty is by factors.
fn pooled(all: &[Candidate], kept: Vec<bool>, telling: &[bool]) -> PooledNoise {
    let values: Vec<f64> =
        all.iter().map(|c| c.log_likelihood(&kept, telling) + c.weight.ln()).collect();
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (mut total, mut dof, mut share) = (0.0, 0.0, 0.0);
    let (mut logs, mut squares_of_logs) = ([0.0; 2], [0.0; 2]);
    for (candidate, value) in all.iter().zip(&values) {
        let weight = (value - most).exp();
        let used = candidate.residues.iter().zip(&kept).filter(|(_, kept)| **kept);
        let (squares, own_dof) = used
            .filter_map(|(residue, _)| residue.as_ref())
            .fold((0.0, 0.0), |(s, f), r| (s + r.squares, f + r.dof));
        let variance = (squares / own_dof).max(f64::MIN_POSITIVE);
        total += weight;
        dof += weight * own_dof;
        share += weight * candidate.shape.slow_share;
        let log = variance.ln();
        for (k, log) in [log, log + candidate.shape.time().ln()].into_iter().enumerate() {
            logs[k] += weight * log;
            squares_of_logs[k] += weight * log * log;
        }
    }
    let (dof, share) = (dof / total, share / total);
    let [log_variance, log_run] = logs.map(|log| log / total);
    // The logarithm of χ²/ν varies by some 2/ν.
    let worth = |square: f64, log: f64| {
        let spread = (square / total - log * log).max(0.0) + 2.0 / dof;
        (2.0 / spread).min(dof).max(LEAST_DOF.min(dof))
    };
    PooledNoise {
        sigma: if log_variance > SILENT { (log_variance / 2.0).exp() } else { 0.0 },
        shape: Shape::of_time((log_run - log_variance).exp(), share),
        dof,
        sigma_dof: worth(squares_of_logs[0], log_variance),
        long_run_dof: worth(squares_of_logs[1], log_run),
        agreement: agreement(all, &values, telling),
        kept,
    }
}

/// From the spread of the logarithms of the pieces' variances, beyond that of chance.
fn agreement(all: &[Candidate], values: &[f64], telling: &[bool]) -> f64 {
    let best = all.iter().zip(values).max_by(|a, b| a.1.total_cmp(b.1)).map(|(c, _)| c);
    let residues: Vec<&Residue> = best
        .into_iter()
        .flat_map(|c| c.residues.iter().zip(telling).filter(|(_, telling)| **telling))
        .filter_map(|(residue, _)| residue.as_ref())
        .filter(|residue| residue.squares > 0.0)
        .collect();
    if residues.len() < 3 {
        return f64::INFINITY;
    }
    // The logarithm of χ²/ν lies 1/ν low and varies by ψ′(ν/2) ≈ 2/ν + 2/ν².
    let logs: Vec<f64> = residues.iter().map(|r| r.variance().ln() + 1.0 / r.dof).collect();
    let center = median(&logs);
    let n = logs.len() as f64;
    let beyond = logs
        .iter()
        .zip(&residues)
        .map(|(log, r)| (log - center).powi(2).min(4.0) - 2.0 / r.dof - 2.0 / r.dof.powi(2))
        .sum::<f64>()
        / (n - 1.0);
    // ψ′(x) ≈ 1/x + 1/(2x²), solved for x = ν/2.
    if beyond > 1e-3 { (1.0 + (1.0 + 2.0 * beyond).sqrt()) / beyond } else { f64::INFINITY }
}

#[cfg(test)]
mod tests;
