//! What one reading of the logger is like, where the samples are means of many.

use super::{NoiseModel, unrounded};
use crate::log::{Log, Role};
use crate::stats::robust::median;

/// One reading of the logger behind samples that are means.
///
/// If the mean over a sample varies by σ̄², readings scatter about that mean by σ² − σ̄², so σ² is
/// the sum of both. σ²τ, which the error of long means depends on, is the same for readings and
/// for means, which gives the autocorrelation time of readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Readings to a sample.
    pub each: f64,
    /// Standard deviation around the level it belongs to.
    pub sigma_v: f64,
    /// The same before rounding to the resolution.
    pub unrounded_sigma_v: f64,
    /// Integrated autocorrelation time, in readings.
    pub correlation_samples: f64,
    pub slow_share: f64,
}

/// What is kept of the readings behind samples that are means of many.
#[derive(Debug, Clone, Copy)]
pub struct Within<'a> {
    pub each: f64,
    /// Mean square of the readings of each sample about it.
    pub squares: &'a [f64],
}

impl<'a> Within<'a> {
    /// Of the channel that holds `role`; `None` where its samples are the logger's own.
    pub fn of(log: &'a Log, role: Role) -> Option<Within<'a>> {
        let finer = log.raw()?;
        Some(Within { each: finer.each as f64, squares: finer.within.get(&role.key())? })
    }
}

impl NoiseModel {
    /// With the readings behind its samples, by their median scatter.
    pub fn with_readings(self, within: Option<Within>) -> NoiseModel {
        let reading = within.map(|w| self.reading(w.each, median(w.squares), 1));
        NoiseModel { reading, ..self }
    }

    pub(super) fn reading(&self, each: f64, within: f64, levels: usize) -> Reading {
        let within = if within.is_finite() { within } else { 0.0 };
        let sigma_v = (within + self.sigma_v.powi(2)).sqrt();
        let share = if sigma_v > 0.0 { self.sigma_v.powi(2) / sigma_v.powi(2) } else { 1.0 };
        Reading {
            each,
            sigma_v,
            unrounded_sigma_v: unrounded(sigma_v, self.step_v, levels),
            correlation_samples: (each * self.correlation_samples * share).max(1.0),
            slow_share: share * self.slow_share,
        }
    }

    /// The model of one reading: itself where a sample is a reading.
    pub fn of_readings(&self) -> NoiseModel {
        let Some(reading) = self.reading else { return *self };
        NoiseModel {
            sigma_v: reading.sigma_v,
            unrounded_sigma_v: reading.unrounded_sigma_v,
            correlation_samples: reading.correlation_samples,
            slow_share: reading.slow_share,
            dof: self.dof * reading.each,
            interval_s: self.interval_s / reading.each,
            reading: None,
            ..*self
        }
    }
}
