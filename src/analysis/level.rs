//! The level of the bus over a stretch of time, and how well it is known.

use crate::estimate::{Estimate, Grade, LEVEL};
use crate::levels;
use crate::log::{Log, Role, Span};
use crate::nominal::Nominal;
use crate::segment::{NoiseModel, Segments, indices, mean};
use crate::stats::interval::student_quantile;
use crate::stats::quantization::mean_half_width;

/// A mean with its 90 % half-width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    pub mean_v: f64,
    pub half_width_v: f64,
    pub samples: usize,
}

/// Mean voltage over `span`; noise with its autocorrelation and the resolution widen the interval.
/// `None` where the span has no sample.
pub fn level(
    time_s: &[f64],
    values_v: &[f64],
    span: Span,
    noise_model: &NoiseModel,
) -> Option<Level> {
    let window = &values_v[indices(time_s, span)];
    let mean_v = mean(window);
    mean_v.is_finite().then(|| Level {
        mean_v,
        half_width_v: half_width_v(window.len(), &noise_model.of_window(window)),
        samples: window.len(),
    })
}

/// [`level`] of the bus.
pub fn bus_level(log: &Log, segments: &Segments, span: Span) -> Option<Level> {
    level(log.time_s(), log.bus_v(), span, &segments.noise_model)
}

/// Mean of the finite values of a channel over `span`; `None` where it is not logged or has none.
pub fn channel_mean(log: &Log, role: Role, span: Span) -> Option<f64> {
    let values = log.channel(role)?.get(indices(log.time_s(), span))?;
    Some(mean(values)).filter(|mean| mean.is_finite())
}

/// 90 % half-width of the mean of `samples` consecutive samples.
pub fn half_width_v(samples: usize, noise_model: &NoiseModel) -> f64 {
    let each = noise_model.reading.map_or(1.0, |r| r.each);
    let readings = (samples as f64 * each) as usize;
    let noise_v = mean_half_width(readings, &noise_model.scatter(), noise_model.step_v, LEVEL);
    // Nine tenths of a sine's values lie within sin(0.9·π/2) of its amplitude.
    let beat_v = noise_model.beat.map_or(0.0, |beat| beat.of_mean(samples as f64));
    noise_v.hypot(beat_v * (LEVEL * std::f64::consts::FRAC_PI_2).sin())
}

/// 90 % half-width of a mean over visits, from how they differ; 0 for one visit.
///
/// Two or three visits hardly show a spread of their own, so it is pooled with the usual one,
/// which counts as [`USUAL_VISITS`] more of them.
pub fn visits_half_width_v(visits_v: &[f64], middle_v: f64, nominal: Nominal) -> f64 {
    let own = visits_v.len() as f64 - 1.0;
    if own < 1.0 {
        return 0.0;
    }
    let squares: f64 = visits_v.iter().map(|v| (v - middle_v).powi(2)).sum();
    let dof = own + USUAL_VISITS;
    let usual_v = nominal.volts(levels::VISITS_SPREAD);
    let variance = (squares + USUAL_VISITS * usual_v * usual_v) / dof;
    student_quantile(LEVEL, dof) * (variance / (own + 1.0)).sqrt()
}

/// Visits that the usual spread counts as.
const USUAL_VISITS: f64 = 1.0;

impl Level {
    pub fn estimate(&self, how: impl Into<String>) -> Estimate {
        Estimate::around(self.mean_v, self.half_width_v, Grade::Measured, how)
    }

    /// `self` minus `other`, their errors being independent.
    pub fn minus(&self, other: &Level, how: impl Into<String>) -> Estimate {
        let half_width_v = self.half_width_v.hypot(other.half_width_v);
        Estimate::around(self.mean_v - other.mean_v, half_width_v, Grade::Measured, how)
    }
}
