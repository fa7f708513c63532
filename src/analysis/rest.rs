//! Rest voltage, and the state of charge by it.

use crate::analysis::level::bus_level;
use crate::diagnosis::PhaseKind;
use crate::estimate::{Estimate, Grade, LEVEL};
use crate::levels;
use crate::log::{Log, Span};
use crate::nominal::Nominal;
use crate::physics::battery::BatteryKind;
use crate::segment::{NoiseModel, Segments, index_at, indices};
use crate::stats::interval::student_quantile;
use crate::stats::moments::standard_deviation;
use crate::stats::robust::{median, quantile};

/// The last seconds or samples of rest count: what went before may still be fading.
const WINDOW_S: f64 = 10.0;
const WINDOW_SAMPLES: f64 = 6.0;
/// Less rest than this shows no level, unless a slow logger has this many samples.
const SHORTEST_S: f64 = 2.0;
const LEAST_SAMPLES: usize = 2;
/// Samples of rest that show their own noise,
const OWN_NOISE_SAMPLES: usize = 3;
/// with this autocorrelation time in samples.
const FIRST_LOOK_CORRELATION: f64 = 3.0;
/// The last moment before the starter, or half a sample, may belong to it.
const MARGIN_S: f64 = 0.3;

/// What the battery shows with the engine stopped, before the first start;
/// afterwards the surface charge of driving hides it.
pub fn rest_voltage(log: &Log, segments: &Segments) -> Option<Estimate> {
    let first = segments.phases.first().filter(|p| p.kind == PhaseKind::Rest)?;
    let (end_s, next) = match first_load_s(log, first.start_s) {
        Some(at_s) if at_s < first.end_s => (at_s, "the first load"),
        _ => (first.end_s, "cranking"),
    };
    let interval_s = segments.noise_model.interval_s;
    let window_s = WINDOW_S.max(WINDOW_SAMPLES * interval_s);
    let window = |end_s: f64| Span {
        start_s: (end_s - window_s).max(first.start_s),
        end_s: end_s - (2.0 * interval_s).min(MARGIN_S).max(0.5 * interval_s),
    };
    let whole = Span { start_s: first.start_s, end_s: window(end_s).end_s };
    let (span, next) = match loaded_from_s(log, whole, window(end_s)) {
        Some(at_s) => (window(at_s), "a load"),
        None => (window(end_s), next),
    };
    let inside = indices(log.time_s(), span);
    let (time_s, bus_v) = (&log.time_s()[inside.clone()], &log.bus_v()[inside]);
    let span = quiet(time_s, bus_v, span, &segments.noise_model)?;
    let mut rest = bus_level(log, segments, span)?;
    let samples = &log.bus_v()[indices(log.time_s(), span)];
    if samples.len() >= OWN_NOISE_SAMPLES {
        rest.half_width_v = rest.half_width_v.min(own_half_width_v(samples, &segments.noise_model));
    }
    rest.half_width_v = rest.half_width_v.hypot(drift_v(samples) / 2.0);
    if let Some(step_v) = segments.noise_model.step_v.filter(|step_v| never_moves(samples, *step_v))
    {
        // Noise that does not move the reading does not average its rounding either.
        rest.half_width_v = rest.half_width_v.max(LEVEL * step_v / 2.0);
    }
    // One reading a second or slower is a level by itself, two closer ones are.
    let slow = LEAST_SAMPLES as f64 * interval_s >= SHORTEST_S / 2.0;
    let least = if interval_s >= SHORTEST_S / 2.0 { 1 } else { LEAST_SAMPLES };
    if span.seconds() < SHORTEST_S && !(slow && rest.samples >= least) {
        return None;
    }
    Some(rest.estimate(match rest.samples {
        1 => format!("one reading before {next}"),
        _ => format!("mean of {:.0} s before {next}", span.seconds()),
    }))
}

/// When loads that no channel shows went on before `last`, the end of the rest: well under
/// what the battery held before.
fn loaded_from_s(log: &Log, rest: Span, last: Span) -> Option<f64> {
    let (time_s, bus_v) = (log.time_s(), log.bus_v());
    let loaded_v = log.nominal().volts(levels::REST_LOADED);
    let held_v = quantile(&bus_v[indices(time_s, rest)], 0.8);
    if median(&bus_v[indices(time_s, last)]) > held_v - loaded_v {
        return None;
    }
    let at = indices(time_s, rest).rev().find(|&i| bus_v[i] > held_v - loaded_v / 2.0)?;
    time_s.get(at + 1).copied()
}

/// By the scatter of the rest itself: an engine that runs unsettles the bus far more.
fn own_half_width_v(bus_v: &[f64], noise_model: &NoiseModel) -> f64 {
    let n = bus_v.len() as f64;
    let dof = n - 1.0;
    let sd_v = standard_deviation(bus_v);
    let memory = FIRST_LOOK_CORRELATION.min(n / 2.0);
    let noise_v = student_quantile(LEVEL, dof) * sd_v * (memory / n).sqrt();
    noise_v.hypot(0.3 * noise_model.step_v.unwrap_or(0.0))
}

/// From the first third of the samples to the last: the battery's charging still fades.
fn drift_v(bus_v: &[f64]) -> f64 {
    let third = bus_v.len().div_ceil(3);
    (median(&bus_v[bus_v.len() - third..]) - median(&bus_v[..third])).abs()
}

/// Nine samples in ten read the same.
fn never_moves(bus_v: &[f64], step_v: f64) -> bool {
    let level_v = median(bus_v);
    let same = bus_v.iter().filter(|v| (**v - level_v).abs() < step_v / 2.0).count();
    10 * same >= 9 * bus_v.len()
}

/// The longest part of `span` in which the bus keeps to its level: a door's lamp, a fuel
/// pump that primes, or a starter that the phases miss is no rest.
fn quiet(time_s: &[f64], bus_v: &[f64], span: Span, noise_model: &NoiseModel) -> Option<Span> {
    let level_v = median(bus_v);
    let near_v = noise_model.beyond_noise_v(noise_model.nominal.volts(levels::QUIET_REST));
    let away = |v: &f64| (v - level_v).abs() > near_v;
    if !bus_v.iter().any(away) {
        return Some(span);
    }
    let samples: Vec<(f64, bool)> =
        time_s.iter().zip(bus_v).map(|(t_s, v)| (*t_s, away(v))).collect();
    samples
        .chunk_by(|a, b| a.1 == b.1)
        .filter(|part| part.iter().all(|(_, away)| !away))
        .filter_map(|part| Some(Span { start_s: part.first()?.0, end_s: part.last()?.0 }))
        .max_by(|a, b| a.seconds().total_cmp(&b.seconds()))
}

/// When the first load's channel switches on, from `start_s`: the end of the rest.
fn first_load_s(log: &Log, start_s: f64) -> Option<f64> {
    const ON: f64 = 0.05;
    let from = index_at(log.time_s(), start_s);
    log.load_names()
        .iter()
        .filter_map(|name| {
            let duty = log.load(name)?;
            (from..duty.len()).find(|&i| duty[i] > ON).map(|i| log.time_s()[i])
        })
        .min_by(f64::total_cmp)
}

/// Per cent, by the common-practice table of its kind at 25 °C.
pub fn state_of_charge(rest_v: &Estimate, kind: BatteryKind, nominal: Nominal) -> Estimate {
    let at = |v: f64| 100.0 * kind.state_of_charge(nominal.as_12_v(v));
    let margin_v = nominal.volts(levels::REST_TABLE_UNSURE).hypot(rest_v.half_width());
    Estimate::new(
        at(rest_v.value),
        at(rest_v.value - margin_v),
        at(rest_v.value + margin_v),
        Grade::Assumed,
        format!("common-practice table, {}, 25 °C, hours after charging", kind.name()),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten seconds at 20 Hz with a little noise; `bent` says how far from rest a moment is.
    fn quiet_part(bent: impl Fn(f64) -> f64) -> Option<Span> {
        let time_s: Vec<f64> = (0..=200).map(|i| f64::from(i) / 20.0).collect();
        let noise = |i: usize| if i.is_multiple_of(2) { 0.003 } else { -0.003 };
        let bus_v: Vec<f64> =
            time_s.iter().enumerate().map(|(i, t_s)| 12.9 + bent(*t_s) + noise(i)).collect();
        let noise_model = NoiseModel::first_look(&time_s, &bus_v, None);
        quiet(&time_s, &bus_v, Span { start_s: 0.0, end_s: 10.0 }, &noise_model)
    }

    #[test]
    fn all_of_a_quiet_rest_counts() {
        let whole = Span { start_s: 0.0, end_s: 10.0 };
        assert_eq!(quiet_part(|_| 0.0), Some(whole));
        // A surface charge that fades.
        assert_eq!(quiet_part(|t_s| -0.002 * t_s), Some(whole));
    }

    #[test]
    fn a_starter_or_a_lamp_at_the_end_is_no_rest() {
        let part = quiet_part(|t_s| if t_s > 8.99 { -0.6 } else { 0.0 }).expect("nine seconds");
        assert!(part.start_s == 0.0 && (8.9..9.0).contains(&part.end_s), "{part:?}");
        let part = quiet_part(|t_s| if (2.0..4.0).contains(&t_s) { -0.06 } else { 0.0 });
        let part = part.expect("six seconds");
        assert!((3.99..4.1).contains(&part.start_s) && part.end_s == 10.0, "{part:?}");
    }
}
