//! Rest, cranking, running: from engine speed where it is logged, else from
//! what the voltage alone shows.

use crate::diagnosis::{Phase, PhaseKind};
use crate::levels;
use crate::log::{Log, Span};
use crate::nominal::Nominal;
use crate::segment::grain::Grain;
use crate::segment::starter::{self, level_before};
use crate::segment::{index_at, indices};
use crate::stats::robust::{difference_sigma, median, quantile};

/// No engine idles under this, no starter turns one over this (common practice, no source).
pub(super) const RUNNING_RPM: f64 = 400.0;
/// A missing tachometer pulse or two is no stall.
const SHORTEST_STOP_S: f64 = 1.0;

/// The log's phases in time order, without gaps or overlaps.
pub fn phases(log: &Log, grain: &Grain) -> Vec<Phase> {
    let (time_s, bus_v, rpm) = (log.time_s(), log.bus_v(), log.engine_rpm());
    let mut starts = starter::dips(log, grain);
    if let Some(rpm) = rpm {
        starter::add_turns(&mut starts, time_s, bus_v, rpm, grain);
    }
    phases_around(time_s, bus_v, rpm, &starts, log.nominal())
}

fn phases_around(
    time_s: &[f64],
    bus_v: &[f64],
    rpm: Option<&[f64]>,
    dips: &[Span],
    nominal: Nominal,
) -> Vec<Phase> {
    let (Some(&first_s), Some(&last_s)) = (time_s.first(), time_s.last()) else {
        return Vec::new();
    };
    let running = match rpm {
        Some(rpm) if rpm.iter().any(|r| r.is_finite()) => running_by_speed(time_s, rpm),
        _ => running_by_voltage(time_s, bus_v, dips, nominal),
    };
    let mut phases = Vec::new();
    let mut now_s = first_s;
    for run in &running {
        stopped(&mut phases, Span { start_s: now_s, end_s: run.start_s }, dips, true);
        let begin_s = phases.last().map_or(run.start_s, |p: &Phase| p.end_s);
        phases.push(Phase { kind: PhaseKind::Running, start_s: begin_s, end_s: run.end_s });
        now_s = run.end_s;
    }
    stopped(&mut phases, Span { start_s: now_s, end_s: last_s }, dips, false);
    phases
}

/// Appends rest and cranking over `span`, in which the engine does not run.
/// Where it `starts` at the end, the last dip ends the span: the moments
/// between the starter letting go and a steady tachometer belong to running.
fn stopped(phases: &mut Vec<Phase>, span: Span, dips: &[Span], starts: bool) {
    let mut now_s = span.start_s;
    let mut push = |kind, start_s: f64, end_s: f64| {
        if end_s > start_s {
            phases.push(Phase { kind, start_s, end_s });
        }
    };
    for dip in dips.iter().filter(|d| d.end_s > span.start_s && d.start_s < span.end_s) {
        let start_s = dip.start_s.max(now_s);
        let end_s = dip.end_s.min(span.end_s);
        push(PhaseKind::Rest, now_s, start_s);
        push(PhaseKind::Cranking, start_s, end_s);
        now_s = end_s.max(now_s);
    }
    let just_cranked = phases.last().is_some_and(|p| p.kind == PhaseKind::Cranking);
    if !(starts && just_cranked && span.end_s - now_s < 2.0) && span.end_s > now_s {
        phases.push(Phase { kind: PhaseKind::Rest, start_s: now_s, end_s: span.end_s });
    }
}

fn running_by_speed(time_s: &[f64], rpm: &[f64]) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    let mut open: Option<Span> = None;
    let mut last_rpm = f64::NAN;
    for (&t, &r) in time_s.iter().zip(rpm) {
        if r.is_finite() {
            last_rpm = r;
        }
        if last_rpm >= RUNNING_RPM {
            open = Some(Span { start_s: open.map_or(t, |s| s.start_s), end_s: t });
        } else if let Some(span) = open.take() {
            spans.push(span);
        }
    }
    spans.extend(open);
    let mut joined: Vec<Span> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.start_s - last.end_s < SHORTEST_STOP_S => last.end_s = span.end_s,
            _ => joined.push(span),
        }
    }
    joined.retain(|span| span.seconds() >= SHORTEST_STOP_S);
    joined
}

/// Without a tachometer: an engine that was cranked and then charges runs; a
/// log that never shows cranking runs wherever it charges at all.
fn running_by_voltage(time_s: &[f64], bus_v: &[f64], dips: &[Span], nominal: Nominal) -> Vec<Span> {
    let charged_v = nominal.volts(levels::CHARGED);
    let rise_v = nominal.volts(levels::CHARGE_RISE);
    let last_s = time_s.last().copied().unwrap_or(0.0);
    let mut runs = Vec::new();
    let mut started_by_dip = false;
    for (k, dip) in dips.iter().enumerate() {
        let until_s = dips.get(k + 1).map_or(last_s, |next| next.start_s);
        let before_v =
            level_before(time_s, bus_v, index_at(time_s, dip.start_s)).unwrap_or(charged_v);
        let after = indices(time_s, Span { start_s: dip.end_s, end_s: until_s });
        // An overloaded alternator lifts the bus for a small part of the log only.
        if quantile(&bus_v[after], 0.97) > (before_v + rise_v).min(charged_v) {
            runs.push(Span { start_s: dip.end_s, end_s: until_s });
            started_by_dip = true;
        }
    }
    if started_by_dip {
        let first_dip = &dips[0];
        let before = indices(time_s, Span { start_s: 0.0, end_s: first_dip.start_s });
        if median(&bus_v[before.clone()]) > charged_v {
            runs.insert(0, Span { start_s: time_s[before.start], end_s: first_dip.start_s });
        }
    } else if quantile(bus_v, 0.9) > charged_v {
        let start = quiet_start(time_s, bus_v, nominal);
        runs.push(Span { start_s: time_s[start], end_s: last_s });
    }
    runs
}

/// First sample after a quiet, uncharged beginning. A slow logger misses the
/// starter's dip; an engine that runs is told from one that rests by the
/// ripple and hunting that only a running one puts on the bus.
fn quiet_start(time_s: &[f64], bus_v: &[f64], nominal: Nominal) -> usize {
    let charged_v = nominal.volts(levels::CHARGED);
    let Some(rise) = bus_v.iter().position(|&v| v > charged_v) else { return 0 };
    let (before, after) = bus_v.split_at(rise);
    let long_enough = rise >= 8 && time_s[rise] - time_s[0] >= 3.0;
    let rises = median(after) - median(before) > nominal.volts(levels::SLOW_CHARGE_RISE);
    let quiet = difference_sigma(before) < 0.5 * difference_sigma(after);
    if long_enough && rises && quiet { rise } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(phases: &[Phase]) -> Vec<PhaseKind> {
        phases.iter().map(|p| p.kind).collect()
    }

    fn phases(time_s: &[f64], bus_v: &[f64]) -> Vec<Phase> {
        let grain = Grain::first_look(time_s, bus_v, None);
        let dips = starter::dips_in(time_s, bus_v, &grain);
        phases_around(time_s, bus_v, None, &dips, Nominal::V12)
    }

    fn trace(levels: &[(f64, f64)]) -> (Vec<f64>, Vec<f64>) {
        let mut time_s = Vec::new();
        let mut bus_v = Vec::new();
        for &(seconds, volts) in levels {
            for _ in 0..(seconds * 20.0) as usize {
                let i = time_s.len();
                time_s.push(i as f64 / 20.0);
                bus_v.push(volts + if i % 2 == 0 { 0.004 } else { -0.004 });
            }
        }
        (time_s, bus_v)
    }

    #[test]
    fn a_dip_then_a_rise_is_a_start() {
        let (time_s, bus_v) = trace(&[(10.0, 12.6), (1.0, 10.4), (30.0, 14.2)]);
        let phases = phases(&time_s, &bus_v);
        assert_eq!(kinds(&phases), [PhaseKind::Rest, PhaseKind::Cranking, PhaseKind::Running]);
        assert!((phases[1].start_s - 10.0).abs() < 0.11 && (phases[1].end_s - 11.0).abs() < 0.11);
    }

    #[test]
    fn a_dip_without_a_rise_is_a_failed_start() {
        let (time_s, bus_v) = trace(&[(10.0, 12.4), (3.0, 9.0), (20.0, 12.2)]);
        let phases = phases(&time_s, &bus_v);
        assert_eq!(kinds(&phases), [PhaseKind::Rest, PhaseKind::Cranking, PhaseKind::Rest]);
    }

    #[test]
    fn a_log_that_only_charges_runs_from_its_first_sample() {
        let (time_s, bus_v) = trace(&[(30.0, 14.2), (30.0, 12.4)]);
        assert_eq!(kinds(&phases(&time_s, &bus_v)), [PhaseKind::Running]);
    }

    #[test]
    fn a_resting_log_does_not_run() {
        let (time_s, bus_v) = trace(&[(60.0, 12.6)]);
        assert_eq!(kinds(&phases(&time_s, &bus_v)), [PhaseKind::Rest]);
    }
}
