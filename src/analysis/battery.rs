//! What stands between the bus and the battery's own voltage: its resistance,
//! and the voltage at which it neither gives nor takes.

use crate::analysis::level::level;
use crate::analysis::step_response::{baseline_span, settled_span};
use crate::car::Car;
use crate::diagnosis::Origin;
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Role};
use crate::physics::battery::resistance_from_cca;
use crate::segment::{Segments, Step};
use crate::stats::fit::linear::ordinary;

/// A passenger-car battery some seconds to minutes into a discharge
/// (common practice, no source).
const COMMON_RESISTANCE_OHM: (f64, f64, f64) = (0.011, 0.004, 0.030);
/// Polarisation adds to the resistance that the rating's first 30 s know:
/// over minutes up to as much again (common practice, no source).
const POLARISATION_SHARE: (f64, f64) = (1.35, 2.0);
/// Rest voltage of a battery nobody saw at rest (common practice, no source).
const COMMON_REST_V: (f64, f64, f64) = (12.55, 12.2, 12.75);
/// What charging leaves on top of the rest voltage for some minutes
/// (common practice, no source).
const SURFACE_CHARGE_V: (f64, f64, f64) = (0.35, 0.05, 0.7);

#[derive(Debug, Clone, PartialEq)]
pub struct BatteryModel {
    pub resistance_ohm: Estimate,
    /// Every route to the resistance that this log and car allow, best first.
    pub routes: Vec<Estimate>,
    /// Said where routes disagree beyond their intervals.
    pub disagreement: Option<String>,
    /// Voltage at which the battery neither gives nor takes, while running.
    pub zero_current_v: Estimate,
}

pub fn model(log: &Log, segments: &Segments, car: &Car, rest_v: Option<&Estimate>) -> BatteryModel {
    let zero_current_v = zero_current(rest_v);
    let routes: Vec<Estimate> = [
        by_current(log, segments),
        by_known_load(log, segments, car, &zero_current_v),
        car.battery.cca_a.and_then(by_rating),
        Some(common()),
    ]
    .into_iter()
    .flatten()
    .collect();
    let best = routes[0].clone();
    let disagreement = routes[1..]
        .iter()
        .find(|other| other.high < best.low || other.low > best.high)
        .map(|other| {
            format!(
                "battery resistance {} says {:.1} to {:.1} mΩ, {} says {:.1} to {:.1} mΩ",
                best.how,
                1e3 * best.low,
                1e3 * best.high,
                other.how,
                1e3 * other.low,
                1e3 * other.high
            )
        });
    BatteryModel { resistance_ohm: best, routes, disagreement, zero_current_v }
}

/// Rest voltage plus what is left of the surface charge: a battery just taken
/// off the setpoint holds 13 V and more for a while though it is giving amps.
fn zero_current(rest_v: Option<&Estimate>) -> Estimate {
    let (surface_v, least_v, most_v) = SURFACE_CHARGE_V;
    match rest_v {
        Some(rest) => Estimate::new(
            rest.value + surface_v,
            rest.low + least_v,
            rest.high + most_v,
            Grade::Inferred,
            "rest voltage seen before the start, plus the surface charge that charging leaves",
        ),
        None => Estimate::new(
            COMMON_REST_V.0 + surface_v,
            COMMON_REST_V.1 + least_v,
            COMMON_REST_V.2 + most_v,
            Grade::Assumed,
            "a battery at large, no rest seen in this log",
        ),
    }
}

/// Slope of bus voltage on battery current over the stretches that drain.
fn by_current(log: &Log, segments: &Segments) -> Option<Estimate> {
    let current = log.channel(Role::BatteryCurrent)?;
    let (mut amps, mut volts) = (Vec::new(), Vec::new());
    for stretch in &segments.stretches {
        let v = level(log.time_s(), log.bus_v(), stretch.settled, &segments.grain)?;
        let a = level(log.time_s(), current, stretch.settled, &segments.grain)
            .filter(|a| a.mean_v < -1.0);
        if let Some(a) = a {
            amps.push(a.mean_v);
            volts.push(v.mean_v);
        }
    }
    let fit = ordinary(&amps, &volts).ok().filter(|fit| fit.dof >= 1 && fit.slope > 0.0)?;
    let half = 1.645 * fit.slope_error() * (1.0 + 2.0 / fit.dof as f64);
    (half < fit.slope).then(|| {
        let how = "slope of voltage on logged battery current while draining";
        Estimate::around(fit.slope, half, Grade::Measured, how)
    })
}

/// A load of stated amps, switched while the battery drains before and after:
/// the battery alone answers.
fn by_known_load(
    log: &Log,
    segments: &Segments,
    car: &Car,
    zero_current_v: &Estimate,
) -> Option<Estimate> {
    let shifts: Vec<(f64, f64)> = segments
        .steps
        .iter()
        .filter(|step| step.origin == Origin::Declared && step.answered)
        .filter_map(|step| {
            let amps_a = known_amps(step, car)?;
            let read = |span| level(log.time_s(), log.bus_v(), span, &segments.grain);
            let before = read(baseline_span(step, segments.grain.interval_s))?;
            let after = read(settled_span(step, segments.grain.interval_s))?;
            let drains = before.mean_v.max(after.mean_v) < zero_current_v.low;
            let shift_v = (before.mean_v - after.mean_v).abs();
            let half_v = before.half_width_v.hypot(after.half_width_v);
            (drains && shift_v > half_v).then_some((shift_v / amps_a, half_v / amps_a))
        })
        .collect();
    let count = shifts.len() as f64;
    if shifts.is_empty() {
        return None;
    }
    let mean_ohm = shifts.iter().map(|s| s.0).sum::<f64>() / count;
    let read_ohm = shifts.iter().map(|s| s.1 * s.1).sum::<f64>().sqrt() / count;
    // Amps on a label and the polarisation still building: a third either way.
    let half_ohm = read_ohm.hypot(0.33 * mean_ohm);
    let how = "a load of stated amps switched while draining";
    Some(Estimate::around(mean_ohm, half_ohm, Grade::Inferred, how))
}

fn known_amps(step: &Step, car: &Car) -> Option<f64> {
    let names = step.load.as_deref()?;
    let amps_a: Option<f64> = names.split(" + ").map(|name| car.loads_a.get(name).copied()).sum();
    amps_a.map(|a| a * step.duty_change.unwrap_or(1.0).abs()).filter(|a| *a > 0.5)
}

fn by_rating(cca_a: f64) -> Option<Estimate> {
    let rated = resistance_from_cca(cca_a, 25.0)?;
    let (typical, most) = POLARISATION_SHARE;
    Some(Estimate::new(
        typical * rated.value,
        0.8 * rated.low,
        most * rated.high,
        Grade::Assumed,
        format!("from {cca_a:.0} A cold-cranking (SAE J537) at 25 °C, minutes into a discharge"),
    ))
}

fn common() -> Estimate {
    let (value, low, high) = COMMON_RESISTANCE_OHM;
    Estimate::new(value, low, high, Grade::Assumed, "a passenger-car battery at large")
}
