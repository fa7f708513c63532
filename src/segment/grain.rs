//! How fine the log's bus voltage is: noise, its memory, and resolution.

use crate::log::{Log, Role};
use crate::nominal::Nominal;
use crate::segment::{Stretch, indices, mean};
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
    /// What one reading of the logger is like, where a sample is the mean of many.
    pub reading: Option<Reading>,
    /// The system's cells, by which fixed voltages go.
    pub nominal: Nominal,
}

/// One reading of the logger behind samples that are means.
///
/// Of any noise whose mean over a sample varies by σ̄², readings scatter about that
/// mean by σ² − σ̄², so σ² is the sum of both; and σ²τ, by which long means are
/// judged, is the same for readings and for means: that gives their memory.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Readings to a sample.
    pub each: f64,
    /// Standard deviation around the level it belongs to.
    pub sigma_v: f64,
    /// The same before rounding to the resolution.
    pub unrounded_sigma_v: f64,
    /// Integrated autocorrelation time, in readings.
    pub memory: f64,
}

/// What is kept of the readings behind samples that are means of so many.
#[derive(Debug, Clone, Copy)]
pub struct Within<'a> {
    pub each: f64,
    /// Mean square of the readings of each sample about it.
    pub squares: &'a [f64],
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
    /// Mean over its samples of what their readings scatter about them.
    within: f64,
}

impl Piece {
    fn of(time_s: &[f64], bus_v: &[f64], within: &[f64]) -> Option<Piece> {
        if time_s.len() < 8 {
            return None;
        }
        let fit = ordinary(time_s, bus_v).ok()?;
        let residuals: Vec<f64> = time_s.iter().zip(bus_v).map(|(&t, v)| v - fit.at(t)).collect();
        Some(Piece {
            squares: residuals.iter().map(|r| r * r).sum(),
            freedom: residuals.len() as f64 - 2.0,
            memory: (residuals.len() >= PIECE_SAMPLES / 2).then(|| integrated_time(&residuals)),
            within: mean(within),
        })
    }

    fn variance(&self) -> f64 {
        self.squares / self.freedom
    }
}

impl<'a> Within<'a> {
    /// Of the channel that holds `role`; `None` where its samples are the logger's own.
    pub fn of(log: &'a Log, role: Role) -> Option<Within<'a>> {
        let finer = log.finer()?;
        Some(Within { each: finer.each as f64, squares: finer.within.get(&role.key())? })
    }
}

impl Grain {
    /// Of the channel that holds `role`, whose samples are rounded to `step_v`, as far
    /// as `stretches` show it.
    pub fn of(log: &Log, role: Role, step_v: Option<f64>, stretches: &[Stretch]) -> Option<Grain> {
        let (time_s, values) = (log.time_s(), log.channel(role)?);
        let within = Within::of(log, role);
        let first = Grain::first_look(time_s, values, step_v).with_readings(within);
        let first = Grain { nominal: log.nominal(), ..first };
        Some(first.refined(time_s, values, within, stretches))
    }

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
            reading: None,
            nominal: Nominal::V12,
        }
    }

    /// With the readings behind its samples, by the middle of what they scatter.
    pub fn with_readings(self, within: Option<Within>) -> Grain {
        let reading = within.map(|w| self.reading(w.each, median(w.squares), 1));
        Grain { reading, ..self }
    }

    fn reading(&self, each: f64, within: f64, levels: usize) -> Reading {
        let within = if within.is_finite() { within } else { 0.0 };
        let sigma_v = (within + self.sigma_v.powi(2)).sqrt();
        let share = if sigma_v > 0.0 { self.sigma_v.powi(2) / sigma_v.powi(2) } else { 1.0 };
        Reading {
            each,
            sigma_v,
            unrounded_sigma_v: unrounded(sigma_v, self.step_v, levels),
            memory: (each * self.memory_samples * share).max(1.0),
        }
    }

    /// What one reading is like: the grain itself where a sample is a reading.
    pub fn of_readings(&self) -> Grain {
        let Some(reading) = self.reading else { return *self };
        Grain {
            sigma_v: reading.sigma_v,
            unrounded_sigma_v: reading.unrounded_sigma_v,
            memory_samples: reading.memory,
            freedom: self.freedom * reading.each,
            interval_s: self.interval_s / reading.each,
            reading: None,
            ..*self
        }
    }

    /// From the residuals of steady running around short straight lines.
    pub fn refined(
        &self,
        time_s: &[f64],
        bus_v: &[f64],
        within: Option<Within>,
        stretches: &[Stretch],
    ) -> Grain {
        let squares = within.map_or(&[][..], |w| w.squares);
        let most = ((PIECE_S / self.interval_s) as usize).max(PIECE_SAMPLES);
        let mut pieces: Vec<Piece> = stretches
            .iter()
            .map(|stretch| indices(time_s, stretch.settled))
            .flat_map(|range| {
                let each = range.len().div_ceil(range.len().div_ceil(most).max(1)).max(1);
                range.clone().step_by(each).map(move |k| k..(k + each).min(range.end))
            })
            .filter_map(|range| {
                let own = squares.get(range.clone()).unwrap_or(&[]);
                Piece::of(&time_s[range.clone()], &bus_v[range], own)
            })
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
        let grain = Grain {
            sigma_v,
            unrounded_sigma_v: unrounded(sigma_v, self.step_v, pieces.len()),
            memory_samples,
            freedom,
            memory_seen: self.memory_seen || !memories.is_empty(),
            ..*self
        };
        let within = mean(&pieces.iter().map(|p| p.within).collect::<Vec<_>>());
        let reading = self.reading.map(|r| grain.reading(r.each, within, pieces.len()));
        Grain { reading, ..grain }
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

    /// `least_v`, or more where noise and rounding alone move a sample so far.
    pub fn beyond_noise_v(&self, least_v: f64) -> f64 {
        least_v.max(8.0 * self.sigma_v + self.step_v.unwrap_or(0.0))
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
