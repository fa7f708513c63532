//! The same operating point early and late: what heat costs.
//!
//! A setpoint that falls as the regulator warms takes the bus down with it and
//! costs no output, so only points that are under their setpoint when warm, or
//! that moved otherwise than the setpoint did, make a pair.

use std::collections::BTreeMap;

use crate::analysis::keep_up::DROOP_V;
use crate::analysis::level::{Level, level};
use crate::analysis::setpoint::Setpoint;
use crate::diagnosis::HeatPair;
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Place, Role, Span};
use crate::segment::points::band;
use crate::segment::speed::differ;
use crate::segment::{Segments, Stretch, indices, mean};

/// Either half of a pair is at least this long,
const LEAST_S: f64 = 4.0;
/// and no longer: over more the bus itself moves.
const MOST_S: f64 = 10.0;
/// The halves lie at least this far apart in time,
const APART_S: f64 = 60.0;
/// or in temperature.
const APART_C: f64 = 10.0;

/// A steady window with what matters to a pair.
struct Window {
    span: Span,
    rpm: Option<f64>,
    level: Level,
    /// Logged temperature and where it is taken.
    temperature: Option<(Place, f64)>,
}

/// One pair for each set of loads and engine-speed band that has one. Empty
/// where no setpoint is known: a fall could then be the regulator's.
pub fn heat(log: &Log, segments: &Segments, setpoint: Option<&Setpoint>) -> Vec<HeatPair> {
    let Some(setpoint) = setpoint.filter(|s| s.is_known()) else { return Vec::new() };
    let mut groups: BTreeMap<(u32, usize, &[String]), Vec<Window>> = BTreeMap::new();
    for stretch in &segments.stretches {
        let low_rpm = stretch.rpm.map_or(0, |rpm| band(rpm).0 as u32);
        let group = groups.entry((low_rpm, stretch.loads.len(), &stretch.loads)).or_default();
        group.extend(windows(log, segments, stretch));
    }
    groups
        .into_iter()
        .filter_map(|((_, _, loads), windows)| pair(setpoint, loads, &windows))
        .collect()
}

/// The first and the last seconds of a stretch, or all of a short one.
fn windows(log: &Log, segments: &Segments, stretch: &Stretch) -> Vec<Window> {
    let Span { start_s, end_s } = stretch.settled;
    let seconds = end_s - start_s;
    let spans = match seconds {
        s if s < LEAST_S => vec![],
        s if s < 2.0 * MOST_S => vec![stretch.settled],
        _ => {
            vec![Span { start_s, end_s: start_s + MOST_S }, Span { start_s: end_s - MOST_S, end_s }]
        }
    };
    spans
        .into_iter()
        .filter_map(|span| {
            let range = indices(log.time_s(), span);
            let channel_mean = |role| {
                let value = mean(log.channel(role)?.get(range.clone())?);
                value.is_finite().then_some(value)
            };
            let temperature = [Place::Alternator, Place::Coolant, Place::Intake, Place::Ambient]
                .into_iter()
                .find_map(|place| Some((place, channel_mean(Role::Temperature(place))?)));
            Some(Window {
                span,
                rpm: channel_mean(Role::EngineRpm),
                level: level(log.time_s(), log.bus_v(), span, &segments.grain)?,
                temperature,
            })
        })
        .collect()
}

fn middle_s(span: Span) -> f64 {
    (span.start_s + span.end_s) / 2.0
}

/// °C that `late` is over `early`, and where both are taken.
fn warmer_c(early: &Window, late: &Window) -> Option<(Place, f64)> {
    let ((place, early_c), (other, late_c)) = (early.temperature?, late.temperature?);
    (place == other).then_some((place, late_c - early_c))
}

/// The first window against the last that is far enough from it.
fn pair(setpoint: &Setpoint, loads: &[String], windows: &[Window]) -> Option<HeatPair> {
    let early = windows.first()?;
    let late = windows.iter().rev().find(|late| {
        let later = late.span.start_s >= early.span.end_s;
        let apart = late.span.start_s - early.span.end_s >= APART_S;
        let warmer = warmer_c(early, late).is_some_and(|(_, c)| c.abs() >= APART_C);
        let same_speed = match (early.rpm, late.rpm) {
            (Some(a), Some(b)) => !differ(a, b),
            _ => true,
        };
        later && same_speed && (apart || warmer)
    })?;
    let (early_s, late_s) = (middle_s(early.span), middle_s(late.span));
    let drift_v = setpoint.at(late_s) - setpoint.at(early_s);
    let half_width_v = late.level.half_width_v.hypot(early.level.half_width_v);
    let change_v = late.level.mean_v - early.level.mean_v;
    let beyond_v = change_v - drift_v;
    let drift_unsure_v = setpoint
        .drift_per_minute
        .as_ref()
        .map_or(0.0, |drift| drift.half_width() * (late_s - early_s) / 60.0);
    let under_v = setpoint.at(late_s) - late.level.mean_v;
    let slips = under_v > DROOP_V + setpoint.estimate.half_width().max(late.level.half_width_v);
    let moved = beyond_v.abs() > DROOP_V + half_width_v.hypot(drift_unsure_v);
    if !(slips || moved) {
        return None;
    }
    let how = format!(
        "late less early, same loads; the setpoint's own drift is {drift_v:+.2} V of it, {}",
        if slips { "and late the bus does not hold" } else { "and the bus holds late" }
    );
    let change = Estimate::around(change_v, half_width_v, Grade::Measured, how);
    let per = |by: f64, how: String| {
        let (a, b) = (change.low / by, change.high / by);
        Estimate::new(change.value / by, a.min(b), a.max(b), Grade::Measured, how)
    };
    let minutes = (late_s - early_s) / 60.0;
    let per_degree_v = warmer_c(early, late)
        .filter(|(_, c)| c.abs() >= APART_C)
        .map(|(place, c)| per(c, format!("against the logged {} temperature", place.word())));
    let edges = early.rpm.map(band);
    Some(HeatPair {
        loads: loads.to_vec(),
        rpm_low: edges.map(|b| b.0),
        rpm_high: edges.map(|b| b.1).filter(|high| high.is_finite()),
        early: early.span,
        late: late.span,
        early_v: early.level.estimate("mean of the early seconds"),
        late_v: late.level.estimate("mean of the late seconds"),
        per_minute_v: (minutes >= 1.0).then(|| per(minutes, format!("over {minutes:.1} minutes"))),
        per_degree_v,
        change_v: change,
        setpoint_early_v: None,
        setpoint_late_v: None,
        early_c: None,
        late_c: None,
        temperature: None,
        holds_late: !slips,
        output: Default::default(),
        told: String::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn window(start_s: f64, mean_v: f64, coolant_c: f64) -> Window {
        Window {
            span: Span { start_s, end_s: start_s + 10.0 },
            rpm: Some(850.0),
            level: Level { mean_v, half_width_v: 0.01, samples: 100 },
            temperature: Some((Place::Coolant, coolant_c)),
        }
    }

    /// 14.4 V at the start, 0.1 V less after ten minutes.
    fn drifting() -> Setpoint {
        Setpoint {
            estimate: Estimate::around(14.4, 0.02, Grade::Measured, ""),
            middle_s: 0.0,
            drift_v_per_s: -0.1 / 600.0,
            drift_per_minute: None,
        }
    }

    #[test]
    fn a_bus_that_sinks_under_its_setpoint_is_told_with_its_rate() {
        let windows = [window(0.0, 14.3, 60.0), window(600.0, 13.3, 95.0)];
        let Some(pair) = pair(&drifting(), &[], &windows) else { panic!("no pair") };
        assert!((pair.change_v.value + 1.0).abs() < 1e-9);
        assert!(pair.per_minute_v.is_some_and(|rate| (rate.value + 0.1).abs() < 1e-9));
        assert!(pair.per_degree_v.is_some_and(|rate| (rate.value + 1.0 / 35.0).abs() < 1e-9
            && rate.low < rate.value
            && rate.value < rate.high));
    }

    #[test]
    fn a_setpoint_that_drifts_costs_no_output() {
        let windows = [window(0.0, 14.4, 60.0), window(600.0, 14.3, 95.0)];
        assert!(pair(&drifting(), &[], &windows).is_none());
    }

    #[test]
    fn windows_close_in_time_and_heat_are_no_pair() {
        let windows = [window(0.0, 14.3, 90.0), window(30.0, 13.3, 91.0)];
        assert!(pair(&drifting(), &[], &windows).is_none());
    }
}
