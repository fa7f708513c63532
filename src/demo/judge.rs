//! The verdict that the physics call for, and the speeds at which loads are carried.

use std::collections::BTreeMap;

use super::car::CarModel;
use super::electrics::steady_bus;
use super::truth::{KeepUpTruth, Samples};
use crate::diagnosis::{BusState, VerdictWord};
use crate::levels;
use crate::physics::battery::Battery;

/// Common practice, no source: above this a running bus is over-charging.
const OVERCHARGE_V: f64 = 15.0;
/// A line that loses more than this keeps the battery from the setpoint.
const LOST_V: f64 = 0.3;
/// Failing for no longer than this in all is a few seconds.
const FAILING_S: f64 = 8.0;
/// A battery that takes no more than this at its limit gets almost no charge.
const NO_CHARGE_A: f64 = 2.0;
/// Below this the engine idles.
const IDLE_BAND_RPM: f64 = 1500.0;
/// Samples this near the highest speed seen speak for it.
const TOP_BAND_RPM: f64 = 150.0;

/// What the judge needs and the truth does not tell.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TrueSegments {
    /// Running, with nothing changed for a while.
    pub steady: Vec<bool>,
    /// Loads on, as per cents of duty.
    pub sets: Vec<Vec<u8>>,
}

/// The car at the end of its log.
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
struct Tally {
    top_rpm: f64,
    failing_s: f64,
    limited_s: f64,
    top_s: f64,
    top_failing_s: f64,
    idle_s: f64,
    idle_vs: f64,
    idle_deficit_as: f64,
}

impl Tally {
    fn idle_mean(&self, sum: f64) -> Option<f64> {
        (self.idle_s > 0.0).then(|| sum / self.idle_s)
    }
}

/// Weighs the steady running of every set of loads.
pub fn judge(
    car: &CarModel,
    time_s: &[f64],
    samples: &Samples,
    seen: &TrueSegments,
    end: End,
) -> Judged {
    let steady: Vec<usize> = (1..time_s.len()).filter(|&i| seen.steady[i]).collect();
    let mut tallies: BTreeMap<&[u8], Tally> = BTreeMap::new();
    for &i in &steady {
        let tally = tallies.entry(&seen.sets[i]).or_default();
        tally.top_rpm = tally.top_rpm.max(samples.engine_rpm[i]);
    }
    for &i in &steady {
        let tally = tallies.entry(&seen.sets[i]).or_default();
        let (seconds, rpm) = (time_s[i] - time_s[i - 1], samples.engine_rpm[i]);
        let failing_s = if failing(samples, i) { seconds } else { 0.0 };
        tally.failing_s += failing_s;
        if samples.state[i] != BusState::Holding {
            tally.limited_s += seconds;
        }
        if rpm > tally.top_rpm - TOP_BAND_RPM {
            tally.top_s += seconds;
            tally.top_failing_s += failing_s;
        }
        if rpm < IDLE_BAND_RPM {
            tally.idle_s += seconds;
            tally.idle_vs += seconds * samples.bus_v[i];
            tally.idle_deficit_as += seconds * samples.implied_deficit_a[i];
        }
    }
    let keep_up: Vec<KeepUpTruth> =
        tallies.iter().map(|(set, tally)| keep_up(car, set, tally, end)).collect();
    let verdict = word(samples, seen, &tallies);
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

fn word(samples: &Samples, seen: &TrueSegments, tallies: &BTreeMap<&[u8], Tally>) -> VerdictWord {
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
    let failing: Vec<&Tally> = tallies.values().filter(|t| t.failing_s > FAILING_S).collect();
    let at_speed = |t: &&&Tally| t.top_rpm > IDLE_BAND_RPM && t.top_failing_s > 0.5 * t.top_s;
    if failing.iter().any(|t| at_speed(&t)) {
        return VerdictWord::FallsShort;
    }
    if !failing.is_empty() {
        return VerdictWord::FallsShortAtIdle;
    }
    let limited = tallies.values().any(|t| t.limited_s > FAILING_S);
    if limited { VerdictWord::LittleInReserve } else { VerdictWord::KeepsUp }
}

fn keep_up(car: &CarModel, set: &[u8], tally: &Tally, end: End) -> KeepUpTruth {
    let (battery_v, battery_ohm) = full_of_surface_charge(&car.battery, end.state_of_charge);
    let with_charge = steady_bus(car, set, battery_v, battery_ohm);
    // A battery that stands at the setpoint takes nothing.
    let no_charge = steady_bus(car, set, end.setpoint_v, 1e6);
    let held = with_charge.holding(end.setpoint_v, car.sense);
    let needed_a = held.alternator_a;
    let lost_on_the_way = held.battery_v < end.setpoint_v - LOST_V;
    let bare_a = no_charge.holding(end.setpoint_v, car.sense).alternator_a;
    let engine_rpm = |amps: f64| {
        let rpm = car.curve.rpm_for(amps, end.derating).filter(|_| !lost_on_the_way);
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
        rpm_no_charge: engine_rpm(bare_a),
        idle_s: tally.idle_s,
        idle_bus_v: tally.idle_mean(tally.idle_vs),
        idle_deficit_a: tally.idle_mean(tally.idle_deficit_as),
    }
}

/// Voltage and resistance of a battery long held at a setpoint.
fn full_of_surface_charge(battery: &Battery, state_of_charge: f64) -> (f64, f64) {
    let volts = battery.kind.rest_voltage_v(state_of_charge) + battery.surface.most_v;
    let ohm = battery.ohmic_ohm
        + battery.acceptance_ohm(state_of_charge)
        + battery.fast.resistance_ohm
        + battery.slow.resistance_ohm;
    (volts, ohm)
}
