//! The alternator's output curve as the log shows it: its current against its
//! speed while the bus is below its setpoint, when it is at full output. While the bus is held the
//! current is only a lower bound.
//!
//! Short windows ([`windows`]) are grouped by speed and heat, and compared with the datasheet
//! where one is given ([`datasheet`]).

mod datasheet;
mod summary;
mod windows;

use std::collections::BTreeMap;

use crate::analysis::amps::clamp_half_width_a;
use crate::analysis::level::half_width_v;
use crate::analysis::setpoint::Setpoint;
use crate::assumptions::{CLAMP_GAIN, CLAMP_ZERO, PULLEY_RATIO};
use crate::car::Car;
use crate::diagnosis::{Heat, OutputPoint, OutputSeen, OutputSheet, SheetPoint};
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Role, Span};
use crate::physics::alternator::{IDLE_POINT_RPM, OutputCurve};
use crate::segment::{NoiseModel, Segments};
use crate::stats::resolution::quantization_step;
use windows::OutputWindow;

/// Windows with speeds this close make one point.
const SAME_SPEED: f64 = 0.03;
/// At one heat an alternator keeps to its curve within this share, whatever its loads: output
/// further below the highest was held back.
const SAME_OUTPUT: f64 = 0.15;
/// Where its heat differs or is not logged, the share includes the loss by heat
/// (common practice, no source).
const SAME_OUTPUT_ANY_HEAT: f64 = 0.25;
/// A curve rises at least as this power of the typical one's.
const STEEPNESS: f64 = 0.75;
/// More of the time than this held back, and a low bus is no proof.
const MOST_HELD_BACK: f64 = 0.2;

/// `None` where alternator current is not logged, or never in steady running.
pub fn output(
    log: &Log,
    segments: &Segments,
    setpoint: Option<&Setpoint>,
    car: &Car,
) -> Option<OutputSeen> {
    let step_a = quantization_step(log.as_sampled().channel(Role::AlternatorCurrent)?);
    let noise_model = NoiseModel::of(log, Role::AlternatorCurrent, step_a, &segments.stretches)?;
    let mut windows = windows::windows(log, segments, setpoint, &noise_model, car);
    let follows_loads = hold_back(&mut windows, &noise_model);
    let sheet = car.alternator.sheet.as_ref();
    let mut points: Vec<OutputPoint> = gathered(&windows)
        .iter()
        .filter_map(|members| point(members, &noise_model))
        .map(|mut point| {
            if let Some(sheet) = sheet {
                let logged = log.channel(Role::AlternatorRpm).is_some();
                datasheet::compare(sheet, &mut point, logged, log.nominal());
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
    let standing = datasheet::standing(&points);
    let statement = summary::statement(&points, sheet.is_some(), standing, follows_loads, log);
    let sheet = sheet.map(|sheet| OutputSheet {
        file: sheet.file.clone(),
        test_v: sheet.tested_v(log.nominal()),
        test_c: sheet.test_c.clone(),
        points: sheet
            .points
            .iter()
            .map(|&(alternator_rpm, amps_a)| SheetPoint { alternator_rpm, amps_a })
            .collect(),
    });
    Some(OutputSeen { points, sheet, standing, statement })
}

/// A low bus shows full output only where nothing is lost before the tap: a regulator that reads
/// its own post holds that while the battery is not charged. The current then follows the loads
/// and not the speed. Windows well below what slower ones promise were held back; if they are
/// many, a low bus shows nothing in this log, and all windows are lower bounds. Returns whether
/// that is so.
fn hold_back(windows: &mut [OutputWindow], noise_model: &NoiseModel) -> bool {
    let shape = OutputCurve::typical(1.0);
    // Per share of a typical curve; real curves rise less or more steeply.
    let per_shape = |window: &OutputWindow, amps_a: f64| {
        let rpm = match window.alternator_rpm {
            Some(rpm) => rpm,
            None => PULLEY_RATIO.value * window.engine_rpm.unwrap_or(0.0),
        };
        let share = shape.as_ref().map_or(1.0, |c| c.output(rpm.max(IDLE_POINT_RPM)).amps_a);
        amps_a / share.powf(STEEPNESS)
    };
    let zero_a = CLAMP_ZERO.half_width();
    let unsure_a = |w: &OutputWindow| half_width_v(w.samples, noise_model) + w.lag_a + zero_a;
    let mut order: Vec<usize> = (0..windows.len()).filter(|&k| windows[k].full).collect();
    order.sort_by(|&a, &b| windows[a].speed().total_cmp(&windows[b].speed()));
    let mut most: BTreeMap<Heat, f64> = BTreeMap::new();
    let mut ahead = order.iter().peekable();
    let (mut held_back, mut held_s, mut all_s) = (Vec::new(), 0.0, 0.0);
    for &k in &order {
        let window = &windows[k];
        let reach = window.speed() * (1.0 + SAME_SPEED);
        while let Some(&j) = ahead.next_if(|&&j| windows[j].speed() <= reach) {
            let other = &windows[j];
            let promise = per_shape(other, other.amps_a - unsure_a(other));
            let known = most.entry(other.heat).or_insert(promise);
            *known = known.max(promise);
        }
        let gives = per_shape(window, window.amps_a + unsure_a(window));
        let well_under = most.iter().any(|(&heat, &promise)| {
            let alike = heat == window.heat && heat != Heat::Unknown;
            let lost = if alike { SAME_OUTPUT } else { SAME_OUTPUT_ANY_HEAT };
            gives < (1.0 - lost) * promise
        });
        all_s += window.span.seconds();
        if well_under {
            held_s += window.span.seconds();
            held_back.push(k);
        }
    }
    let proves_nothing = held_s > MOST_HELD_BACK * all_s;
    for k in if proves_nothing { order } else { held_back } {
        windows[k].full = false;
    }
    proves_nothing
}

/// Windows of one state, heat and speed.
fn gathered(windows: &[OutputWindow]) -> Vec<Vec<&OutputWindow>> {
    let mut order: Vec<&OutputWindow> = windows.iter().collect();
    order.sort_by(|a, b| {
        let key = |w: &OutputWindow| (w.full, w.heat);
        key(a).cmp(&key(b)).then(a.speed().total_cmp(&b.speed()))
    });
    let mut groups: Vec<Vec<&OutputWindow>> = Vec::new();
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

/// At full output the mean of all members, else the highest, because the highest lower bound
/// counts.
fn point(members: &[&OutputWindow], noise_model: &NoiseModel) -> Option<OutputPoint> {
    let first = members.first()?;
    let most = members.iter().max_by(|a, b| a.amps_a.total_cmp(&b.amps_a))?;
    let members = if first.full { members } else { std::slice::from_ref(most) };
    let samples: usize = members.iter().map(|w| w.samples).sum();
    let average = |of: &dyn Fn(&OutputWindow) -> f64| {
        members.iter().map(|w| w.samples as f64 * of(w)).sum::<f64>() / samples as f64
    };
    let told = |of: &dyn Fn(&OutputWindow) -> Option<f64>| {
        let value = average(&|w| of(w).unwrap_or(f64::NAN));
        value.is_finite().then_some(value)
    };
    let amps_a = average(&|w| w.amps_a);
    let read_a = half_width_v(samples, noise_model);
    let half_width_a = read_a.hypot(average(&|w| w.lag_a)).hypot(clamp_half_width_a(amps_a));
    let how = format!(
        "mean of {samples} samples of logged alternator current; the clamp taken as true to {} A and {:.0} %",
        CLAMP_ZERO.half_width(),
        100.0 * CLAMP_GAIN.half_width()
    );
    let at_v = average(&|w| w.at_v);
    let at_how = format!("mean of {samples} samples nearest to the alternator");
    let spans = joined(members.iter().map(|w| w.span).collect());
    Some(OutputPoint {
        alternator_rpm: told(&|w| w.alternator_rpm),
        engine_rpm: told(&|w| w.engine_rpm),
        amps_a: Estimate::around(amps_a, half_width_a, Grade::Measured, how),
        at_v: Estimate::around(at_v, half_width_v(samples, noise_model), Grade::Measured, at_how),
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

/// Spans in time order, adjacent ones joined.
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
