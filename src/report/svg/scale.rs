//! How far a voltage axis reaches, so that what matters stays legible.

use crate::diagnosis::{Diagnosis, Envelope, PhaseKind};
use crate::levels;

/// The scale of the bus voltage: what the engine's run and the lines need.
/// Cranking dips and spikes do not stretch it; they are marked where they leave.
pub fn voltage_range(diagnosis: &Diagnosis) -> (f64, f64) {
    let cranked = |t: f64| {
        let mut cranking = diagnosis.phases.iter().filter(|p| p.kind == PhaseKind::Cranking);
        cranking.any(|p| p.start_s - 0.5 <= t && t <= p.end_s + 0.5)
    };
    let envelope = &diagnosis.picture.voltage;
    let buckets = envelope.time_s.iter().zip(envelope.low.iter().zip(&envelope.high));
    let mut values: Vec<f64> = buckets
        .filter(|&(&t, _)| !cranked(t))
        .flat_map(|(_, (low, high))| [*low, *high])
        .flatten()
        .collect();
    if values.is_empty() {
        values.extend(extremes(envelope));
    }
    let (low, high) = readable(values);
    let lines =
        [&diagnosis.setpoint_v, &diagnosis.rest_voltage_v, &diagnosis.battery.zero_current_v];
    let [least_v, most_v] =
        levels::DRAWN_RANGE.map(|level| diagnosis.source.nominal_v.volts(level));
    let values = lines.into_iter().flatten().map(|e| e.value);
    let lines = values.filter(|v| (least_v..=most_v).contains(v));
    let (low, high) =
        lines.fold((low, high), |(low, high), v| (low.min(v - 0.15), high.max(v + 0.15)));
    (low, high)
}

pub fn extremes(envelope: &Envelope) -> Vec<f64> {
    envelope.low.iter().chain(&envelope.high).flatten().copied().collect()
}

/// A range that holds the values, but not the rarest hundredth where that
/// would flatten all the rest, and never so narrow that noise looks like news.
pub fn readable(mut values: Vec<f64>) -> (f64, f64) {
    values.retain(|v| v.is_finite());
    values.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let index = ((values.len().saturating_sub(1)) as f64 * share).round() as usize;
        values.get(index).copied()
    };
    let (Some(least), Some(most), Some(low), Some(high)) = (at(0.0), at(1.0), at(0.01), at(0.99))
    else {
        return (11.5, 15.0);
    };
    let core = (high - low).max(1.0);
    let low = if low - least > core { low - 0.1 * core } else { least };
    let high = if most - high > core { high + 0.1 * core } else { most };
    let pad = 0.06 * (high - low).max(0.5);
    let short = (1.0 - (high - low + 2.0 * pad)).max(0.0) / 2.0;
    (low - pad - short, high + pad + short)
}
