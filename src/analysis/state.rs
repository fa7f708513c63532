//! Holding, at its limit or draining: the bus state of every operating point, with
//! the amps that go with it.

use crate::analysis::battery::BatteryModel;
use crate::analysis::control::{Control, Weighed};
use crate::analysis::current_estimators::{self, PointContext};
use crate::analysis::deficit::{self, Amps};
use crate::analysis::level::{bus_level, half_width_v, visits_half_width_v};
use crate::analysis::setpoint::Setpoint;
use crate::assumptions::LOGGER_CALIBRATION;
use crate::car::Car;
use crate::diagnosis::{BusState, OperatingPoint, Scatter};
use crate::estimate::{Estimate, Grade, Z90};
use crate::format::AMP;
use crate::log::{Log, Role};
use crate::parallel::flat_shared;
use crate::segment::{Point, Segments};

/// The battery drains from even odds on;
const DRAINING_LIKELY: f64 = 0.5;
/// where the regulator is in control, this likely.
const DRAINING_REGULATED: f64 = 0.65;
/// With this probability of being charged, a battery is recharging, whatever the voltage.
const CHARGING_LIKELY: f64 = 0.8;
/// A regulator is taken to be in control from here on.
const IN_CONTROL: f64 = 0.5;

pub fn operating_points(
    log: &Log,
    segments: &Segments,
    setpoint: Option<&Setpoint>,
    battery: &BatteryModel,
    control: &Control,
    car: &Car,
) -> Vec<OperatingPoint> {
    let of = |point: &Point| {
        let weighed = control.of_point(point);
        operating_point(log, segments, point, setpoint, battery, &weighed, car)
    };
    flat_shared(&segments.points, 1, |point| Some(of(point)))
}

fn operating_point(
    log: &Log,
    segments: &Segments,
    point: &Point,
    setpoint: Option<&Setpoint>,
    battery: &BatteryModel,
    weighed: &Weighed,
    car: &Car,
) -> OperatingPoint {
    let voltage_v = voltage(log, segments, point);
    let setpoint_v = setpoint.map(|s| s.over(&point.spans));
    let under_v = setpoint.map(|s| under_setpoint(log, segments, s, point));
    let logged = point.mean_of(Role::BatteryCurrent).map(current_estimators::measured);
    let there_v = setpoint_v.as_ref().map(|s| s.value);
    let implied = deficit::of_point(point, voltage_v.value, there_v, battery, log.nominal());
    let charged_v = log.nominal().volts(car.battery.kind.unwrap_or_default().charged());
    let call = match &logged {
        Some(given) => by_current(given, weighed),
        None => by_voltage(&voltage_v, &implied, weighed, charged_v),
    };
    let short_probability =
        short_probability(&voltage_v, &implied, logged.as_ref(), weighed, charged_v);
    let implied_deficit_a = match (call.state, &logged) {
        (_, Some(given)) => given.at_least(0.0),
        (BusState::Holding, None) => deficit::zero(Grade::Inferred, "the regulator is in control"),
        (BusState::Limited, None) => {
            Estimate { value: 0.0, low: 0.0, ..implied.implied_deficit_a.clone() }
        }
        (BusState::Draining, None) => implied.implied_deficit_a.clone(),
    };
    let seen = PointContext { log, segments, car, battery, point, voltage_v: voltage_v.value };
    let battery_gives_a = logged.clone().unwrap_or_else(|| implied.given_a.clone());
    let deficit_routes_a: Vec<Estimate> = match call.state {
        BusState::Holding => Vec::new(),
        _ => [
            logged,
            Some(implied.given_a),
            current_estimators::by_load_budget(&seen),
            current_estimators::by_slope(&seen),
        ]
        .into_iter()
        .flatten()
        .collect(),
    };
    let regulation_shortfall_a = match call.state {
        BusState::Holding => Some(deficit::zero(Grade::Inferred, "the regulator is in control")),
        _ => implied.regulation_shortfall_a,
    };
    OperatingPoint {
        loads: point.loads.clone(),
        rpm_low: point.band_rpm.map(|b| b.0),
        rpm_high: point.band_rpm.map(|b| b.1).filter(|high| high.is_finite()),
        rpm: point.rpm,
        heat: point.heat,
        seconds: point.seconds,
        spans: point.spans.clone(),
        scatter: scatter_of(segments, point, &voltage_v),
        voltage_v,
        under_setpoint_v: under_v,
        state: call.state,
        regulated_probability: Some(weighed.regulated),
        short_probability: Some(short_probability),
        state_confidence: call.confidence,
        state_how: call.how,
        deficit_told: current_estimators::sentence(point, call.state, Some(&implied_deficit_a)),
        implied_deficit_a: Some(implied_deficit_a),
        regulation_shortfall_a,
        battery_gives_a: Some(battery_gives_a),
        routes_disagree: current_estimators::disagreement(&deficit_routes_a),
        deficit_routes_a,
    }
}

/// What of the voltage's interval its samples explain, and what they do not.
fn scatter_of(segments: &Segments, point: &Point, voltage_v: &Estimate) -> Scatter {
    let noise_model = &segments.noise_model;
    let effective_samples = (point.samples as f64 / noise_model.correlation_samples).max(1.0);
    let whole_v = voltage_v.half_width() / Z90;
    let averaged_v = noise_model.sigma_v / effective_samples.sqrt();
    let shared_v = (whole_v.powi(2) - averaged_v.powi(2)).max(0.0).sqrt();
    Scatter { samples: point.samples, effective_samples, sigma_v: noise_model.sigma_v, shared_v }
}

/// Volts below the setpoint, each visit compared with the setpoint of its time.
fn under_setpoint(log: &Log, segments: &Segments, setpoint: &Setpoint, point: &Point) -> Estimate {
    let visits: Vec<(f64, f64)> = point
        .spans
        .iter()
        .filter_map(|span| {
            let level = bus_level(log, segments, *span)?;
            let there_v = setpoint.at(span.middle_s());
            Some((span.seconds(), there_v - level.mean_v))
        })
        .collect();
    let seconds: f64 = visits.iter().map(|v| v.0).sum();
    let value = visits.iter().map(|v| v.0 * v.1).sum::<f64>() / seconds;
    let read_v = half_width_v(point.samples, &segments.noise_model);
    let scatter_v =
        visits_half_width_v(&visits.iter().map(|v| v.1).collect::<Vec<_>>(), value, log.nominal());
    // Each visit is compared with the setpoint of its time: the volts as if it had not moved.
    let held = setpoint.over(&point.spans);
    let volts_v = held.value - value;
    let volts = Estimate::around(volts_v, read_v.hypot(scatter_v), Grade::Measured, "");
    held.less(&volts, "setpoint less voltage")
}

/// Mean over the point; where it was visited more than once, the visits'
/// scatter counts as much as the samples'.
fn voltage(log: &Log, segments: &Segments, point: &Point) -> Estimate {
    let read_v = half_width_v(point.samples, &segments.noise_model);
    let visits: Vec<f64> = point
        .spans
        .iter()
        .filter_map(|span| bus_level(log, segments, *span))
        .map(|level| level.mean_v)
        .collect();
    let scatter_v = visits_half_width_v(&visits, point.mean_v, log.nominal());
    let of = match log.each() {
        1 => String::new(),
        each => format!(" of {each} readings each"),
    };
    let how = format!("mean of {} samples{of} in {:.0} s", point.samples, point.seconds);
    Estimate::around(point.mean_v, read_v.hypot(scatter_v), Grade::Measured, how)
}

/// How likely a point falls short: the battery discharges, or the alternator is at its
/// limit at a voltage at which the battery gets almost no charge.
fn short_probability(
    voltage_v: &Estimate,
    implied: &Amps,
    logged: Option<&Estimate>,
    weighed: &Weighed,
    charged_v: f64,
) -> f64 {
    let limited = 1.0 - weighed.regulated;
    // No logger's calibration is known better.
    let read_v = voltage_v.half_width().max(LOGGER_CALIBRATION.half_width());
    let low = share_below(charged_v, voltage_v.value, read_v);
    if let Some(given) = logged {
        let drains = 1.0 - share_below(deficit::DRAINING_A, given.value, given.half_width());
        let starves = 1.0 - share_below(-deficit::CHARGING_A, given.value, given.half_width());
        return (drains * (low + (1.0 - low) * limited)).max(limited * low * starves);
    }
    let charges = implied.charging_share >= CHARGING_LIKELY;
    let starves = if charges { 0.0 } else { limited * low };
    // Where the regulator is in control at a level that charges, a discharge of surface charge is
    // no shortage.
    let drains = implied.draining_share * (low + (1.0 - low) * limited);
    drains.max(starves).clamp(0.0, 1.0)
}

struct Call {
    state: BusState,
    confidence: f64,
    how: String,
}

fn by_current(given: &Estimate, weighed: &Weighed) -> Call {
    let drains = 1.0 - share_below(deficit::DRAINING_A, given.value, given.half_width());
    let (state, confidence) = if given.value > deficit::DRAINING_A {
        (BusState::Draining, drains)
    } else {
        regulated_or_not(weighed)
    };
    let amps = |e: &Estimate| AMP.with_range(e);
    let how = if given.value < 0.0 {
        format!("logged current: the battery charges at {}", amps(&given.negated()))
    } else {
        format!("logged current: the battery discharges at {}", amps(given))
    };
    Call { state, confidence, how: format!("{how}; {}", weighed.how()) }
}

fn regulated_or_not(weighed: &Weighed) -> (BusState, f64) {
    match weighed.regulated {
        sure if sure >= IN_CONTROL => (BusState::Holding, sure),
        sure => (BusState::Limited, 1.0 - sure),
    }
}

/// After a higher level a battery may discharge for a while although the regulator is in control:
/// that is no shortage as long as it will charge again at this level.
fn by_voltage(voltage_v: &Estimate, implied: &Amps, weighed: &Weighed, charged_v: f64) -> Call {
    let (zero, draining_share) = (&implied.zero_current_v, implied.draining_share);
    let controlled = weighed.regulated >= IN_CONTROL;
    let likely = if controlled { DRAINING_REGULATED } else { DRAINING_LIKELY };
    let charged = controlled && voltage_v.value >= charged_v;
    let (state, confidence) = if draining_share >= likely && !charged {
        (BusState::Draining, draining_share)
    } else {
        let (state, sure) = regulated_or_not(weighed);
        let drains = if charged { 0.0 } else { draining_share };
        (state, sure * (1.0 - drains))
    };
    let side = match state {
        BusState::Draining => "near or below",
        _ if voltage_v.value > zero.value => "above",
        _ => "near",
    };
    let how = format!(
        "{}; {side} the battery's zero-current voltage of {:.2} V ({:.2} to {:.2} V, {})",
        weighed.how(),
        zero.value,
        zero.low,
        zero.high,
        zero.grade.word()
    );
    Call { state, confidence, how }
}

/// P(`x` < `limit`) for a normal `x` around `center` with this 90 % half-width.
fn share_below(limit: f64, center: f64, half_width: f64) -> f64 {
    use statrs::distribution::{ContinuousCDF, Normal};
    match Normal::new(center, (half_width / Z90).max(1e-6)) {
        Ok(normal) => normal.cdf(limit),
        Err(_) => f64::from(u8::from(center < limit)),
    }
}
