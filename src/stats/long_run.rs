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
mod tests {
    use super::*;
    use crate::stats::fit::cholesky::Cholesky;
    use crate::stats::moments::mean;
    use crate::stats::quantization::{Scatter, mean_half_width};
    use crate::stats::test_noise::{self, rng};
    use rand::RngExt;
    use rand_chacha::ChaCha8Rng;

    const LIMITS: SearchLimits = SearchLimits { longest: 100.0, usual: 20.0, least_usual: 0.0 };

    fn noise(shape: Shape, n: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let mut normal = || test_noise::normal(rng);
        let mut slow = normal();
        (0..n)
            .map(|_| {
                slow = shape.rho * slow + (1.0 - shape.rho * shape.rho).sqrt() * normal();
                shape.slow_share.sqrt() * slow + (1.0 - shape.slow_share).sqrt() * normal()
            })
            .collect()
    }

    /// Against the sum over all pairs: Σᵢⱼ ρ(|i − j|)/n.
    #[test]
    fn the_mean_of_a_window_is_as_uncertain_as_its_pairs_say() {
        for shape in [Shape::WHITE, Shape { slow_share: 0.6, rho: 0.9 }] {
            for n in [1usize, 2, 17] {
                let pair = |i: usize, j: usize| match i.abs_diff(j) {
                    0 => 1.0,
                    lag => shape.slow_share * shape.rho.powi(lag as i32),
                };
                let pairs = (0..n).flat_map(|i| (0..n).map(move |j| (i, j)));
                let known = pairs.map(|(i, j)| pair(i, j)).sum::<f64>() / n as f64;
                assert!((shape.mean_time(n as f64) - known).abs() < 1e-9, "{shape:?} {n}");
            }
            let again = Shape::of_time(shape.time(), shape.slow_share);
            assert!((again.rho - shape.rho).abs() < 1e-12);
        }
    }

    /// The innovations' way is that of the dense covariance: y'V⁻¹y and |V|, of two readings
    /// about a level, by hand: (y₂ − y₁)²/(2(1 − aρ)).
    #[test]
    fn two_readings_differ_by_their_correlation() {
        let shape = Shape { slow_share: 0.5, rho: 0.8 };
        let residue = Piece::new(&[14.0, 14.3], 0, &[]).residue(shape).expect("a residue");
        assert_eq!(residue.dof, 1.0);
        assert!((residue.squares - 0.09 / (2.0 * (1.0 - 0.4))).abs() < 1e-12);
        let dense = Cholesky::new(&[1.0, 0.4, 0.4, 1.0], 2).expect("a covariance");
        // 1'V⁻¹1 = 2/(1 + aρ).
        let known = -0.5 * (dense.log_determinant() + (2.0f64 / 1.4).ln());
        assert!((residue.log_determinants - known).abs() < 1e-9);
    }

    #[test]
    fn a_gap_takes_a_reading_and_nothing_else() {
        let mut rng = rng(3);
        let shape = Shape { slow_share: 0.8, rho: 0.7 };
        let mut x = noise(shape, 400, &mut rng);
        let whole = Piece::new(&x, 2, &[]).residue(shape).expect("a residue");
        x[100] = f64::NAN;
        let holed = Piece::new(&x, 2, &[]).residue(shape).expect("a residue");
        assert_eq!(holed.dof, whole.dof - 1.0);
        assert!((holed.variance() / whole.variance() - 1.0).abs() < 0.02);
    }

    /// One log after another: fourteen pieces of 8 to 40 s that settle from a level to
    /// another, ten samples a second. How often does the mean of 5 s lie in its interval?
    fn coverage(shape: Shape, settling: f64, seed: u64) -> f64 {
        let mut rng = rng(seed);
        let (mut held, mut all) = (0, 0);
        for _ in 0..40 {
            let raw: Vec<(Vec<f64>, Vec<f64>)> = (0..14)
                .map(|_| {
                    let n = rng.random_range(80..400);
                    let height = test_noise::normal(&mut rng);
                    let (height, time) = (settling * height, rng.random_range(80.0..180.0));
                    let level: Vec<f64> =
                        (0..n).map(|k| height * (-f64::from(k) / time).exp()).collect();
                    let noise = noise(shape, level.len(), &mut rng);
                    let readings = level.iter().zip(noise).map(|(l, e)| l + e).collect();
                    (level, readings)
                })
                .collect();
            let pieces: Vec<Piece> = raw
                .iter()
                .map(|(_, readings)| Piece::new(readings, 2 + readings.len() / 200, &[]))
                .collect();
            let found = PooledNoise::of(&pieces, &LIMITS).expect("noise");
            let scatter =
                Scatter { sigma: found.sigma, shape: found.shape, dof: found.long_run_dof };
            let half = mean_half_width(50, &scatter, None, 0.9);
            for (level, readings) in &raw {
                let from = level.len() - 50;
                held += usize::from((mean(&readings[from..]) - mean(&level[from..])).abs() <= half);
                all += 1;
            }
        }
        f64::from(held as u32) / f64::from(all)
    }

    #[test]
    fn ninety_per_cent_is_ninety_per_cent_at_every_memory() {
        for (k, (share, samples)) in [
            (0.0, 1.0),
            (1.0, 3.0),
            (0.3, 10.0),
            (1.0, 10.0),
            (0.5, 20.0),
            (1.0, 20.0),
            (1.0, 40.0),
        ]
        .into_iter()
        .enumerate()
        {
            let shape = Shape { slow_share: share, rho: (-1.0f64 / samples).exp() };
            for settling in [0.0, 8.0] {
                let c = coverage(shape, settling, 500 + k as u64);
                assert!((0.87..=0.975).contains(&c), "{share} for {samples}, {settling}: {c}");
            }
        }
    }

    #[test]
    fn what_moved_for_another_reason_is_left_out() {
        let mut rng = rng(9);
        let mut raw: Vec<Vec<f64>> = (0..10).map(|_| noise(Shape::WHITE, 100, &mut rng)).collect();
        raw[3][50..].iter_mut().for_each(|v| *v += 20.0);
        let pieces: Vec<Piece> = raw.iter().map(|x| Piece::new(x, 1, &[])).collect();
        let found = PooledNoise::of(&pieces, &LIMITS).expect("noise");
        assert_eq!(found.kept.iter().filter(|kept| !**kept).count(), 1);
        assert!(!found.kept[3] && (found.sigma - 1.0).abs() < 0.1, "{found:?}");
        assert!(found.shape.time() < 1.3, "{found:?}");
    }

    #[test]
    fn another_channel_is_no_noise() {
        let mut rng = rng(10);
        let slow = Shape { slow_share: 1.0, rho: 0.98 };
        let pieces: Vec<Piece> = (0..10)
            .map(|_| {
                let other = noise(slow, 200, &mut rng);
                let own = noise(Shape::WHITE, 200, &mut rng);
                let readings: Vec<f64> = own.iter().zip(&other).map(|(e, o)| e + 5.0 * o).collect();
                Piece::new(&readings, 1, &[&other])
            })
            .collect();
        let found = PooledNoise::of(&pieces, &LIMITS).expect("noise");
        assert!((found.sigma - 1.0).abs() < 0.06 && found.shape.time() < 1.3, "{found:?}");
    }

    #[test]
    fn pieces_that_differ_agree_less() {
        let mut rng = rng(11);
        let mut pieces = |spread: f64| -> Vec<Piece> {
            (0..30)
                .map(|k| {
                    let by = if k % 2 == 0 { 1.0 } else { spread };
                    let x: Vec<f64> =
                        noise(Shape::WHITE, 100, &mut rng).iter().map(|e| by * e).collect();
                    Piece::new(&x, 1, &[])
                })
                .collect()
        };
        let alike = PooledNoise::of(&pieces(1.0), &LIMITS).expect("noise");
        assert!(alike.agreement > 60.0, "{alike:?}");
        let apart = PooledNoise::of(&pieces(1.8), &LIMITS).expect("noise");
        assert!(apart.agreement < 15.0, "{apart:?}");
    }

    #[test]
    fn nothing_to_see_says_so() {
        assert_eq!(PooledNoise::of(&[], &LIMITS), None);
        assert_eq!(PooledNoise::of(&[Piece::new(&[14.0], 0, &[])], &LIMITS), None);
        let flat = PooledNoise::of(&[Piece::new(&[14.0; 50], 1, &[])], &LIMITS).expect("noise");
        assert_eq!((flat.sigma, flat.shape), (0.0, Shape::WHITE));
    }
}
