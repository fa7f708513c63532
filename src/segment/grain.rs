//! How fine the log's bus voltage is: noise, its memory, and resolution.

use crate::segment::{Stretch, indices};
use crate::stats::autocorrelation::integrated_time;
use crate::stats::fit::linear::ordinary;
use crate::stats::quantisation::true_sigma;
use crate::stats::robust::{difference_sigma, median};

/// What one sample of the bus voltage can and cannot show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grain {
    /// Standard deviation of a sample around the level it belongs to.
    pub sigma_v: f64,
    /// The same before rounding to the resolution.
    pub unrounded_sigma_v: f64,
    /// Integrated autocorrelation time of that scatter, in samples: this many
    /// samples tell as much as one independent one.
    pub memory_samples: f64,
    /// Samples behind `sigma_v`, less what fitting took; `memory_samples` of
    /// them tell as much as one independent one.
    pub freedom: f64,
    /// Whether `memory_samples` was seen, or is allowed for.
    pub memory_seen: bool,
    /// Quantisation step, where one is seen.
    pub step_v: Option<f64>,
    /// Typical time between samples.
    pub interval_s: f64,
}

/// Differences between neighbours show less than the whole noise where the
/// noise has memory; until stretches are known the first look allows for it.
const FIRST_LOOK_MEMORY: f64 = 3.0;

/// Noise is read off pieces this long: over longer ones the bus itself bends.
const PIECE_S: f64 = 10.0;
/// … and at least this many samples, so that its memory shows.
const PIECE_SAMPLES: usize = 60;
/// A piece of so many times the usual variance holds a drop-out, a step or a
/// sag that nobody declared.
const TROUBLED: f64 = 4.0;
/// Fewer degrees of freedom than this know the noise no better than the first look.
const LEAST_FREEDOM: f64 = 10.0;

/// What is left around the straight line through a short steady piece.
struct Piece {
    squares: f64,
    freedom: f64,
    memory: Option<f64>,
}

impl Piece {
    fn of(time_s: &[f64], bus_v: &[f64]) -> Option<Piece> {
        if time_s.len() < 8 {
            return None;
        }
        let fit = ordinary(time_s, bus_v).ok()?;
        let residuals: Vec<f64> = time_s.iter().zip(bus_v).map(|(&t, v)| v - fit.at(t)).collect();
        Some(Piece {
            squares: residuals.iter().map(|r| r * r).sum(),
            freedom: residuals.len() as f64 - 2.0,
            memory: (residuals.len() >= PIECE_SAMPLES / 2).then(|| integrated_time(&residuals)),
        })
    }

    fn variance(&self) -> f64 {
        self.squares / self.freedom
    }
}

impl Grain {
    /// From sample differences alone: good before anything is segmented.
    pub fn first_look(time_s: &[f64], bus_v: &[f64], step_v: Option<f64>) -> Grain {
        let interval_s = typical_interval(time_s);
        let sigma_v = difference_sigma(bus_v).max(quantised_sigma(step_v));
        Grain {
            sigma_v,
            unrounded_sigma_v: unrounded(sigma_v, step_v, 1),
            memory_samples: FIRST_LOOK_MEMORY,
            freedom: (bus_v.len() as f64 - 1.0).max(1.0),
            memory_seen: false,
            step_v,
            interval_s,
        }
    }

    /// From the residuals of steady running around short straight lines.
    pub fn refined(&self, time_s: &[f64], bus_v: &[f64], stretches: &[Stretch]) -> Grain {
        let most = ((PIECE_S / self.interval_s) as usize).max(PIECE_SAMPLES);
        let mut pieces: Vec<Piece> = stretches
            .iter()
            .map(|stretch| indices(time_s, stretch.settled))
            .flat_map(|range| {
                let each = range.len().div_ceil(range.len().div_ceil(most).max(1)).max(1);
                range.clone().step_by(each).map(move |k| k..(k + each).min(range.end))
            })
            .filter_map(|range| Piece::of(&time_s[range.clone()], &bus_v[range]))
            .collect();
        if pieces.iter().map(|p| p.freedom).sum::<f64>() < LEAST_FREEDOM {
            return *self;
        }
        let variances: Vec<f64> = pieces.iter().map(Piece::variance).collect();
        // A level on a threshold flickers by half a step either side.
        let flicker = (0.5 * self.step_v.unwrap_or(0.0)).powi(2);
        let most = TROUBLED * median(&variances).max(flicker);
        pieces.retain(|piece| piece.variance() <= most);
        let squares: f64 = pieces.iter().map(|p| p.squares).sum();
        let freedom: f64 = pieces.iter().map(|p| p.freedom).sum();
        let sigma_v = (squares / freedom).sqrt();
        let memories: Vec<f64> = pieces.iter().filter_map(|p| p.memory).collect();
        let memory_samples =
            if memories.is_empty() { self.memory_samples } else { median(&memories).max(1.0) };
        Grain {
            sigma_v,
            unrounded_sigma_v: unrounded(sigma_v, self.step_v, pieces.len()),
            memory_samples,
            freedom,
            memory_seen: self.memory_seen || !memories.is_empty(),
            ..*self
        }
    }

    /// Standard error of the mean of `n` consecutive samples.
    pub fn error_of_mean_v(&self, n: usize) -> f64 {
        self.sigma_v / (n as f64 / self.memory_samples).max(1.0).sqrt()
    }

    /// The least change of level that `n` samples either side can show with
    /// `widths` standard errors, and never less than most of a resolution step.
    pub fn visible_change_v(&self, n: usize, widths: f64) -> f64 {
        let noise_v = widths * std::f64::consts::SQRT_2 * self.error_of_mean_v(n);
        noise_v.max(0.75 * self.step_v.unwrap_or(0.0))
    }

    /// Half the width within which a sample counts as being at a level.
    pub fn band_v(&self) -> f64 {
        (2.0 * self.sigma_v).max(0.5 * self.step_v.unwrap_or(0.0))
    }
}

fn unrounded(sigma_v: f64, step_v: Option<f64>, levels: usize) -> f64 {
    step_v.map_or(sigma_v, |step_v| true_sigma(sigma_v, step_v, levels).sigma)
}

/// The scatter that rounding to a grid alone puts on a level: the standard
/// deviation of a uniform error one step wide.
fn quantised_sigma(step_v: Option<f64>) -> f64 {
    step_v.unwrap_or(0.0) / 12f64.sqrt()
}

pub fn typical_interval(time_s: &[f64]) -> f64 {
    let gaps: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let typical = median(&gaps);
    if typical.is_finite() && typical > 0.0 { typical } else { 1.0 }
}
