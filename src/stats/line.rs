//! A sine in many pieces of noise, with its own phase in each: aliased mains or switching.

use std::f64::consts::TAU;

use super::long_run::{Piece, Shape, dot, remove};
use super::robust::median;

/// A sine; the period is in samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    pub period: f64,
    pub amplitude: f64,
}

/// Frequency step, in periods over the longest piece,
const FINE: f64 = 0.5;
/// and the step to which the strongest is refined.
const FINER: f64 = 0.05;
/// Least power over that of the frequencies around it, with many pieces,
const STANDS_OUT: f64 = 4.0;
/// and in its standard errors, which are 1/√m of it for m pieces.
const ERRORS: f64 = 12.0;
/// Two regressors that explain more than this over chance are not noise,
const NO_NOISE: f64 = 2.5;
/// nor those that exceed chance by this many standard errors.
const NO_NOISE_ERRORS: f64 = 6.0;
/// A piece counts if level and trend leave at least this share of both phases.
const LEAST_LEFT: f64 = 0.3;
/// Frequencies either side that count as around it, without those next to it.
const AROUND: usize = 16;
const BESIDE: usize = 4;

impl Line {
    /// The strongest sine in `pieces` with a period within these limits, if it stands out.
    pub fn in_pieces(pieces: &[Piece], shortest: f64, longest: f64) -> Option<Line> {
        let plain = |piece: &Piece| piece.plain_residuals(&[])?.pop();
        let residuals: Vec<Vec<f64>> = pieces.iter().filter_map(plain).collect();
        let most = residuals.iter().map(Vec::len).max().filter(|n| *n > 0)? as f64;
        let longest = longest.min(most / 2.0);
        let pitch = FINE / most;
        let first = (1.0 / longest / pitch).ceil();
        let last = (1.0 / shortest.max(3.0) / pitch).floor();
        if (last - first).is_nan() || last - first < 2.0 * AROUND as f64 {
            return None;
        }
        let places: Vec<f64> = (0..=(last - first) as usize).map(|k| first + k as f64).collect();
        let power = |turns: f64| residuals.iter().map(|x| power(x, turns)).sum::<f64>();
        let powers: Vec<f64> = places.iter().map(|k| power(k * pitch)).collect();
        let (at, strongest) = powers.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
        let around: Vec<f64> = powers
            .iter()
            .enumerate()
            .filter(|(k, _)| (BESIDE..=AROUND).contains(&k.abs_diff(at)))
            .map(|(_, power)| *power)
            .collect();
        let noise = median(&around);
        let needed = STANDS_OUT.max(1.0 + ERRORS / (residuals.len() as f64).sqrt());
        if strongest.is_nan() || *strongest <= needed * noise {
            return None;
        }
        let steps = (FINE / FINER) as i32;
        let near = (-steps..=steps).map(|k| (places[at] + f64::from(k) * FINER / FINE) * pitch);
        let (turns, _) =
            near.map(|turns| (turns, power(turns))).max_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(Line { period: 1.0 / turns, amplitude: 0.0 }.with_amplitude(pieces))
    }

    /// Level and trend take part of a sine of few turns: its amplitude is that of a joint
    /// fit. A piece's fit of A² holds A²/2 of what they leave of both phases, and 2σ².
    fn with_amplitude(self, pieces: &[Piece]) -> Line {
        let (mut held, mut left) = (0.0, 0.0);
        for piece in pieces {
            let phases = self.regressors(piece.len());
            let Some(mut rest) = piece.plain_residuals(&phases) else { continue };
            let (Some(mut sin), Some(cos), Some(mut readings)) =
                (rest.pop(), rest.pop(), rest.pop())
            else {
                continue;
            };
            let both = dot(&sin, &sin) + dot(&cos, &cos);
            // In less than half a turn a sine is a trend.
            if both < LEAST_LEFT * piece.len() as f64 {
                continue;
            }
            let before = dot(&readings, &readings);
            remove(&mut sin, &cos);
            remove(&mut readings, &cos);
            remove(&mut readings, &sin);
            let after = dot(&readings, &readings);
            held += before - after - 2.0 * after / piece.len() as f64;
            left += both;
        }
        let amplitude = if left > 0.0 { (2.0 * held / left).max(0.0).sqrt() } else { 0.0 };
        Line { amplitude, ..self }
    }

    /// Whether noise of this shape cannot explain that much of a sine: `without` are the
    /// `pieces` with both phases among their regressors. What two more regressors take of
    /// each, over what they leave, is 1 by chance.
    pub fn is_no_noise(pieces: &[Piece], without: &[Piece], shape: Shape) -> bool {
        let (mut taken, mut by, mut squares, mut dof) = (0.0, 0.0, 0.0, 0.0);
        for (with, without) in pieces.iter().zip(without) {
            let (Some(a), Some(b)) = (with.residue(shape), without.residue(shape)) else {
                continue;
            };
            taken += a.squares - b.squares;
            by += a.dof - b.dof;
            squares += b.squares;
            dof += b.dof;
        }
        let times = (taken / by) / (squares / dof);
        by >= 6.0 && times > NO_NOISE.max(1.0 + NO_NOISE_ERRORS * (2.0 / by).sqrt())
    }

    /// Its two phases over `n` samples, to be removed from a piece.
    pub fn regressors(self, n: usize) -> [Vec<f64>; 2] {
        let at = |k: usize| TAU * k as f64 / self.period;
        [(0..n).map(|k| at(k).cos()).collect(), (0..n).map(|k| at(k).sin()).collect()]
    }

    /// Amplitude of a mean of `n` samples.
    pub fn of_mean(self, n: f64) -> f64 {
        let half = TAU / self.period / 2.0;
        let left = (n * half).sin() / (n * half.sin());
        if left.is_finite() { self.amplitude * left.abs().min(1.0) } else { self.amplitude }
    }
}

/// |Σ x e^{iωk}|²/n at this many turns per sample.
fn power(x: &[f64], turns: f64) -> f64 {
    let (step_sin, step_cos) = (TAU * turns).sin_cos();
    let (mut sin, mut cos) = (0.0, 1.0);
    let (mut real, mut imaginary) = (0.0, 0.0);
    for &value in x {
        real += value * cos;
        imaginary += value * sin;
        (sin, cos) = (sin * step_cos + cos * step_sin, cos * step_cos - sin * step_sin);
    }
    (real * real + imaginary * imaginary) / x.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::long_run::{PooledNoise, SearchLimits};
    use crate::stats::test_noise::{first_order, rng};
    use rand::RngExt;

    /// The line in such pieces, if it is none of their noise.
    fn line(amplitude: f64, period: f64, rho: f64, seed: u64) -> Option<Line> {
        let raw = pieces(amplitude, period, rho, seed);
        let make = |line: Option<Line>| -> Vec<Piece> {
            let one = |x: &Vec<f64>| {
                let phases = line.map(|line| line.regressors(x.len()));
                let phases: Vec<&[f64]> = phases.iter().flatten().map(Vec::as_slice).collect();
                Piece::new(x, 2, &phases)
            };
            raw.iter().map(one).collect()
        };
        let whole = make(None);
        let line = Line::in_pieces(&whole, 10.0, 200.0)?;
        let search = SearchLimits { longest: 100.0, usual: 20.0, least_usual: 0.0 };
        let noise = PooledNoise::of(&whole, &search)?;
        Line::is_no_noise(&whole, &make(Some(line)), noise.shape).then_some(line)
    }

    fn pieces(amplitude: f64, period: f64, rho: f64, seed: u64) -> Vec<Vec<f64>> {
        let mut rng = rng(seed);
        (0..15)
            .map(|_| {
                let n = rng.random_range(100..400usize);
                let phase = rng.random_range(0.0..TAU);
                let noise = first_order(n, rho, &mut rng).into_iter().enumerate();
                let sine = |k: usize| amplitude * (TAU * k as f64 / period + phase).sin();
                noise.map(|(k, slow)| slow + sine(k)).collect()
            })
            .collect()
    }

    #[test]
    fn a_sine_in_the_noise_is_found() {
        for (seed, period) in [(1, 17.3), (2, 60.0), (3, 95.0)] {
            let line = line(1.4, period, 0.0, seed).expect("it");
            assert!((line.period / period - 1.0).abs() < 0.02, "{line:?} {period}");
            assert!((line.amplitude / 1.4 - 1.0).abs() < 0.12, "{line:?} {period}");
        }
    }

    #[test]
    fn noise_with_a_memory_is_no_sine() {
        let found = (0..60)
            .filter(|seed| {
                let rho = [0.0, 0.7, 0.9, 0.97][*seed as usize % 4];
                line(0.0, 50.0, rho, 100 + seed).is_some()
            })
            .count();
        assert!(found <= 1, "{found} of 60");
    }

    #[test]
    fn a_mean_over_whole_turns_has_nothing_left() {
        let line = Line { period: 20.0, amplitude: 1.0 };
        assert!(line.of_mean(40.0) < 1e-9);
        assert!((line.of_mean(1.0) - 1.0).abs() < 1e-9);
        // Half a turn: 2/π of it, nearly.
        assert!((line.of_mean(10.0) - 2.0 / std::f64::consts::PI).abs() < 0.01);
    }
}
