//! Derives the expected verdict from the physics, and the speeds at which loads are carried.

use std::collections::BTreeMap;

use super::car::CarModel;
use super::electrics::steady_bus;
use super::truth::{KeepUpTruth, Samples};
use crate::diagnosis::{BusState, VerdictWord};
use crate::levels;
use crate::physics::battery::Battery;

/// A running bus above this is overcharging (common practice, no source).
const OVERCHARGE_V: f64 = 15.0;
/// A line with a larger drop keeps the battery below the setpoint.
const LOST_V: f64 = 0.3;
/// A shortage of less than this in total does not count.
const FAILING_S: f64 = 8.0;
/// With no more charging current than this at its limit, the battery gets almost no charge.
const NO_CHARGE_A: f64 = 2.0;
/// Below this engine speed the engine idles.
const IDLE_BAND_RPM: f64 = 1500.0;
/// Samples this close to the highest speed count as that speed.
const TOP_BAND_RPM: f64 = 150.0;

/// Information that the truth does not contain.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TrueSegments {
    /// Whether the engine runs and nothing has changed for a while.
    pub steady: Vec<bool>,
    /// Duty of each load in percent.
    pub sets: Vec<Vec<u8>>,
}

/// State of the car at the end of its log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct End {
    pub setpoint_v: f64,
    pub derating: f64,
    pub state_of_charge: f64,
}

pub struct Judged {
    pub verdict: VerdictWord,
    pub keep_up: Vec<KeepUpTruth>,
}

#[derive(Default)]
struct SetTotals {
    top_rpm: f64,
    failing_s: f64,
    limited_s: f64,
    top_s: f64,
    top_failing_s: f64,
    idle_s: f64,
    idle_vs: f64,
    idle_deficit_as: f64,
}

impl SetTotals {
    fn idle_mean(&self, sum: f64) -> Option<f64> {
        (self.idle_s > 0.0).then(|| sum / self.idle_s)
    }
}

/// Evaluates steady running by set of loads.
pub fn judge(
    car: &CarModel,
    time_s: &[f64],
    samples: &Samples,
    seen: &TrueSegments,
    end: End,
) -> Judged {
    let steady: Vec<usize> = (1..time_s.len()).filter(|&i| seen.steady[i]).collect();
    let mut totals: BTreeMap<&[u8], SetTotals> = BTreeMap::new();
    for &i in &steady {
        let own = totals.entry(&seen.sets[i]).or_default();
        own.top_rpm = own.top_rpm.max(samples.engine_rpm[i]);
    }
    for &i in &steady {
        let own = totals.entry(&seen.sets[i]).or_default();
        let (seconds, rpm) = (time_s[i] - time_s[i - 1], samples.engine_rpm[i]);
        let failing_s = if failing(samples, i) { seconds } else { 0.0 };
        own.failing_s += failing_s;
        if samples.state[i] != BusState::Holding {
            own.limited_s += seconds;
        }
        if rpm > own.top_rpm - TOP_BAND_RPM {
            own.top_s += seconds;
            own.top_failing_s += failing_s;
        }
        if rpm < IDLE_BAND_RPM {
            own.idle_s += seconds;
            own.idle_vs += seconds * samples.bus_v[i];
            own.idle_deficit_as += seconds * samples.implied_deficit_a[i];
        }
    }
    let keep_up: Vec<KeepUpTruth> =
        totals.iter().map(|(set, own)| keep_up(car, set, own, end)).collect();
    let verdict = word(samples, seen, &totals);
    Judged { verdict, keep_up }
}

fn failing(samples: &Samples, i: usize) -> bool {
    match samples.state[i] {
        BusState::Holding => false,
        BusState::Draining => true,
        BusState::Limited => {
            samples.bus_v[i] < levels::CHARGED.at_12_v() && samples.battery_a[i] < NO_CHARGE_A
        }
    }
}

fn word(
    samples: &Samples,
    seen: &TrueSegments,
    totals: &BTreeMap<&[u8], SetTotals>,
) -> VerdictWord {
    let running = || (0..samples.bus_v.len()).filter(|&i| seen.steady[i]);
    let count = running().count();
    if count == 0 {
        return VerdictWord::CannotTell;
    }
    if running().all(|i| samples.alternator_a[i] < 1.0) {
        return VerdictWord::NotCharging;
    }
    let high = running().filter(|&i| samples.bus_v[i] > OVERCHARGE_V).count();
    if high * 2 > count {
        return VerdictWord::Overcharges;
    }
    let failing: Vec<&SetTotals> = totals.values().filter(|t| t.failing_s > FAILING_S).collect();
    let at_speed = |t: &&&SetTotals| t.top_rpm > IDLE_BAND_RPM && t.top_failing_s > 0.5 * t.top_s;
    if failing.iter().any(|t| at_speed(&t)) {
        return VerdictWord::FallsShort;
    }
    if !failing.is_empty() {
        return VerdictWord::FallsShortAtIdle;
    }
    let limited = totals.values().any(|t| t.limited_s > FAILING_S);
    if limited { VerdictWord::LittleInReserve } else { VerdictWord::KeepsUp }
}

fn keep_up(car: &CarModel, set: &[u8], own: &SetTotals, end: End) -> KeepUpTruth {
    let (battery_v, battery_ohm) = held_battery(&car.battery, end.state_of_charge);
    let with_charge = steady_bus(car, set, battery_v, battery_ohm);
    // A battery at the setpoint draws no current.
    let no_charge = steady_bus(car, set, end.setpoint_v, 1e6);
    let held = with_charge.holding(end.setpoint_v, car.sense);
    let needed_a = held.alternator_a;
    let drop_too_large = held.battery_v < end.setpoint_v - LOST_V;
    let uncharged_a = no_charge.holding(end.setpoint_v, car.sense).alternator_a;
    let engine_rpm = |amps: f64| {
        let rpm = car.curve.rpm_for(amps, end.derating).filter(|_| !drop_too_large);
        rpm.map(|rpm| rpm / car.pulley_ratio)
    };
    let loads = car.loads.iter().zip(set).filter(|(_, percent)| **percent > 0);
    let idle_up: f64 =
        loads.clone().map(|(load, &p)| load.idle_up_rpm * f64::from(p) / 100.0).sum();
    let idle_rpm = car.idle.hot_rpm + idle_up - car.idle.residual_rpm_per_a * needed_a;
    KeepUpTruth {
        loads: loads
            .map(|(load, &percent)| match percent {
                100 => load.name.clone(),
                part => format!("{} {part} %", load.name),
            })
            .collect(),
        needed_a,
        idle_output_a: car.curve.output(idle_rpm * car.pulley_ratio).amps_a * end.derating,
        rpm: engine_rpm(needed_a),
        rpm_no_charge: engine_rpm(uncharged_a),
        idle_s: own.idle_s,
        idle_bus_v: own.idle_mean(own.idle_vs),
        idle_deficit_a: own.idle_mean(own.idle_deficit_as),
    }
}

/// Voltage and resistance of a battery held at the setpoint for a long time.
fn held_battery(battery: &Battery, state_of_charge: f64) -> (f64, f64) {
    let volts = battery.kind.rest_voltage_v(state_of_charge) + battery.surface.most_v;
    let ohm = battery.ohmic_ohm
        + battery.acceptance_ohm(state_of_charge)
        + battery.fast.resistance_ohm
        + battery.slow.resistance_ohm;
    (volts, ohm)
}
