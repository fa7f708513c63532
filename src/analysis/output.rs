//! The alternator's output curve as the log shows it: its current against its
//! speed while the bus lies under its setpoint, for then the machine gives all
//! it has. While the bus is held the current only says "at least".
//!
//! Cut into short windows ([`windows`]), gathered by speed and heat, and held
//! against the machine's sheet where one is given ([`against`]).

mod against;
mod told;
mod windows;

use crate::analysis::level::half_width_v;
use crate::analysis::setpoint::Setpoint;
use crate::car::Car;
use crate::diagnosis::{Heat, OutputPoint, OutputSeen, OutputSheet, SheetPoint};
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Role, Span};
use crate::segment::{Grain, Segments};
use crate::stats::resolution::quantisation_step;
use windows::Window;

/// A clamp or shunt is seldom zeroed better than this, and seldom true to better
/// than this share: 90 % each (common practice, no source).
pub const CLAMP_ZERO_A: f64 = 0.5;
pub const CLAMP_GAIN: f64 = 0.015;
/// Windows whose speeds lie this close make one point.
const SAME_SPEED: f64 = 0.03;
/// One machine at one speed and heat gives the same to within this share,
/// whatever its loads: what lies further under the most was held back.
const SAME_OUTPUT: f64 = 0.15;
/// … and where its heat is not logged, to within what heat takes (common
/// practice, no source).
const SAME_OUTPUT_ANY_HEAT: f64 = 0.25;

/// `None` where alternator current is not logged, or never in steady running.
pub fn output(
    log: &Log,
    segments: &Segments,
    setpoint: Option<&Setpoint>,
    car: &Car,
) -> Option<OutputSeen> {
    let amps_a = log.channel(Role::AlternatorCurrent)?;
    let time_s = log.time_s();
    let grain = Grain::first_look(time_s, amps_a, quantisation_step(amps_a)).refined(
        time_s,
        amps_a,
        &segments.stretches,
    );
    let mut windows = windows::windows(log, segments, setpoint, &grain, car);
    hold_back(&mut windows, &grain);
    let sheet = car.alternator.sheet.as_ref();
    let mut points: Vec<OutputPoint> = gathered(&windows)
        .iter()
        .filter_map(|members| point(members, &grain))
        .map(|mut point| {
            if let Some(sheet) = sheet {
                let logged = log.channel(Role::AlternatorRpm).is_some();
                against::hold_against(sheet, &mut point, logged);
            }
            point
        })
        .collect();
    points.sort_by(|a, b| {
        let speed = |p: &OutputPoint| p.alternator_rpm.or(p.engine_rpm).unwrap_or(0.0);
        b.full_output.cmp(&a.full_output).then(speed(a).total_cmp(&speed(b)))
    });
    if points.is_empty() {
        return None;
    }
    let standing = against::standing(&points);
    let statement = told::statement(&points, sheet.is_some(), standing, log);
    let sheet = sheet.map(|sheet| OutputSheet {
        file: sheet.file.clone(),
        test_v: sheet.test_v.clone(),
        test_c: sheet.test_c.clone(),
        points: sheet
            .points
            .iter()
            .map(|&(alternator_rpm, amps_a)| SheetPoint { alternator_rpm, amps_a })
            .collect(),
    });
    Some(OutputSeen { points, sheet, standing, statement })
}

/// A low bus proves full output only where nothing is lost on the way to the
/// tap: a regulator that reads its own post holds that while the battery starves.
/// Such a machine gives itself away, for its current follows the loads. Windows
/// well under the most at their speed and heat were held back, and then the most
/// needs another set of loads to agree with it.
fn hold_back(windows: &mut [Window], grain: &Grain) {
    let near = |a: &Window, b: &Window| {
        a.heat == b.heat && (a.speed() - b.speed()).abs() <= SAME_SPEED * a.speed().max(b.speed())
    };
    let least_share = |w: &Window| match w.heat {
        Heat::Unknown => 1.0 - SAME_OUTPUT_ANY_HEAT,
        _ => 1.0 - SAME_OUTPUT,
    };
    let unsure_a = |w: &Window| half_width_v(w.samples, grain) + w.lag_a + CLAMP_ZERO_A;
    let under = |low: &Window, high: &Window| {
        low.amps_a + unsure_a(low) < least_share(low) * (high.amps_a - unsure_a(high))
    };
    let full: Vec<Window> = windows.iter().filter(|w| w.full).cloned().collect();
    for window in windows.iter_mut().filter(|w| w.full) {
        let peers = || full.iter().filter(|other| near(window, other));
        let held_back = peers().any(|other| under(window, other));
        let follows_load = peers().any(|other| under(other, window));
        let agreed = peers().any(|other| {
            other.loads != window.loads && !under(other, window) && !under(window, other)
        });
        window.full = !held_back && (!follows_load || agreed);
    }
}

/// Windows of one state, heat and speed.
fn gathered(windows: &[Window]) -> Vec<Vec<&Window>> {
    let mut order: Vec<&Window> = windows.iter().collect();
    order.sort_by(|a, b| {
        let key = |w: &Window| (w.full, w.heat);
        key(a).cmp(&key(b)).then(a.speed().total_cmp(&b.speed()))
    });
    let mut groups: Vec<Vec<&Window>> = Vec::new();
    for window in order {
        let joins = groups.last().and_then(|group| group.first()).is_some_and(|first| {
            (first.full, first.heat) == (window.full, window.heat)
                && window.speed() <= first.speed() * (1.0 + SAME_SPEED)
        });
        match groups.last_mut() {
            Some(group) if joins => group.push(window),
            _ => groups.push(vec![window]),
        }
    }
    groups
}

/// At full output the mean of all members; else the one that gave most, for a
/// lower bound is worth what the highest is.
fn point(members: &[&Window], grain: &Grain) -> Option<OutputPoint> {
    let first = members.first()?;
    let most = members.iter().max_by(|a, b| a.amps_a.total_cmp(&b.amps_a))?;
    let members = if first.full { members } else { std::slice::from_ref(most) };
    let samples: usize = members.iter().map(|w| w.samples).sum();
    let average = |of: &dyn Fn(&Window) -> f64| {
        members.iter().map(|w| w.samples as f64 * of(w)).sum::<f64>() / samples as f64
    };
    let told = |of: &dyn Fn(&Window) -> Option<f64>| {
        let value = average(&|w| of(w).unwrap_or(f64::NAN));
        value.is_finite().then_some(value)
    };
    let amps_a = average(&|w| w.amps_a);
    let read_a = half_width_v(samples, grain);
    let half_width_a = [read_a, average(&|w| w.lag_a), CLAMP_ZERO_A, CLAMP_GAIN * amps_a]
        .into_iter()
        .fold(0.0, f64::hypot);
    let how = format!(
        "mean of {samples} samples of logged alternator current; the clamp taken as true to {CLAMP_ZERO_A} A and {:.1} %",
        100.0 * CLAMP_GAIN
    );
    let spans = joined(members.iter().map(|w| w.span).collect());
    Some(OutputPoint {
        alternator_rpm: told(&|w| w.alternator_rpm),
        engine_rpm: told(&|w| w.engine_rpm),
        amps_a: Estimate::around(amps_a, half_width_a, Grade::Measured, how),
        at_v: average(&|w| w.at_v),
        seconds: spans.iter().map(|s| s.seconds()).sum(),
        heat: first.heat,
        temperature_c: told(&|w| w.temperature.map(|(_, c)| c)),
        temperature_at: first.temperature.map(|(place, _)| place.word().to_owned()),
        spans,
        full_output: first.full,
        sheet_a: None,
        share_of_sheet: None,
    })
}

/// In time order, windows that follow on each other as one span.
fn joined(mut spans: Vec<Span>) -> Vec<Span> {
    spans.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let mut joined: Vec<Span> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.start_s - last.end_s < 1e-6 => last.end_s = span.end_s,
            _ => joined.push(span),
        }
    }
    joined
}
