//! Amps in reserve at idle, and the engine speed from which a set of loads is carried.

use crate::diagnosis::Heat;
use crate::estimate::{Estimate, Grade, Z90};
use crate::format::RPM;
use crate::physics::machine::Machine;
use crate::plan::contract::{CapacityPoint, Margin, PredictedKeepUp};
use crate::plan::replay::{CarSample, Replay};
use crate::plan::scene::Scene;
use crate::plan::sets::LoadSet;

/// A chance under this is not worth a word.
const UNLIKELY: f64 = 0.05;

/// 90 % interval of values that all count alike.
pub fn spread(values: &[f64], grade: Grade, how: &str) -> Estimate {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    sorted.sort_by(f64::total_cmp);
    let at = |p: f64| {
        let k = (p * (sorted.len().max(1) - 1) as f64).round() as usize;
        sorted.get(k).copied().unwrap_or(f64::NAN)
    };
    Estimate::new(at(0.5), at(0.05), at(0.95), grade, how)
}

pub fn share(values: &[f64], holds: impl Fn(f64) -> bool) -> f64 {
    let counted: Vec<&f64> = values.iter().filter(|v| !v.is_nan()).collect();
    counted.iter().filter(|v| holds(***v)).count() as f64 / counted.len().max(1) as f64
}

/// Amps that holding the setpoint takes once the battery is as full of surface
/// charge as it gets and its polarisation has come to rest:
///
/// ```text
/// I = (U − E) / (R_ohmic + R_acceptance + R_fast + R_slow)
/// ```
pub fn needed_a(trial: &CarSample, set: &LoadSet, end: &Replay) -> f64 {
    let setpoint_v = trial.setpoint_v(set.setpoint_v, trial.soaked_c());
    let taken_a = end.end.map_or(0.0, |mut state| {
        let battery = &trial.battery.battery;
        state.surface_v = battery.surface.most_v;
        let push_v = setpoint_v - trial.battery.offset_v - battery.open_circuit_v(&state);
        let ohm = battery.ohmic_ohm
            + battery.acceptance_ohm(state.state_of_charge)
            + battery.fast.resistance_ohm
            + battery.slow.resistance_ohm;
        push_v / ohm
    });
    trial.loads_at(&set.duty, setpoint_v) + trial.takes * taken_a.max(0.0)
}

pub fn margin(
    trials: &[CarSample],
    machines: &[Machine],
    ends: &[Replay],
    set: &LoadSet,
    grade: Grade,
) -> Margin {
    let (mut needed, mut available, mut margins) = (Vec::new(), Vec::new(), Vec::new());
    for ((trial, machine), end) in trials.iter().zip(machines).zip(ends) {
        let needs_a = needed_a(trial, set, end);
        let setpoint_v = trial.setpoint_v(set.setpoint_v, trial.soaked_c());
        let has_a = machine.available_a(set.engine_rpm, setpoint_v, trial.soaked_c());
        needed.push(needs_a);
        available.push(has_a);
        margins.push(has_a - needs_a);
    }
    Margin {
        loads: set.loads.clone(),
        engine_rpm: set.engine_rpm,
        heat: Heat::Hot,
        needed_a: spread(&needed, grade, "loads and a charged battery at the setpoint"),
        available_a: spread(&available, Grade::Assumed, "curve, heat and spread of alternators"),
        margin_a: spread(&margins, Grade::Assumed, "available less needed"),
        enough_share: share(&margins, |m| m >= 0.0),
    }
}

/// The engine speed from which the set is carried.
pub fn keep_up(
    trials: &[CarSample],
    machines: &[Machine],
    ends: &[Replay],
    set: &LoadSet,
) -> PredictedKeepUp {
    let mut top_rpm: f64 = 0.0;
    let speeds: Vec<f64> = trials
        .iter()
        .zip(machines)
        .zip(ends)
        .map(|((trial, machine), end)| {
            top_rpm = top_rpm.max(machine.curve.speeds_rpm().1 / machine.ratio);
            let needs_a = needed_a(trial, set, end);
            let setpoint_v = trial.setpoint_v(set.setpoint_v, trial.soaked_c());
            machine.rpm_for(needs_a, setpoint_v, trial.soaked_c()).unwrap_or(f64::INFINITY)
        })
        .collect();
    let never_share = share(&speeds, f64::is_infinite);
    let Estimate { value, low, high, grade, how } =
        spread(&speeds, Grade::Assumed, "where the alternator's curve meets the loads");
    let idle = RPM.of(set.engine_rpm);
    let (rpm, told) = if !value.is_finite() {
        (None, "at no speed of its curve".to_owned())
    } else {
        let told = if high <= set.engine_rpm {
            format!("below the idle of {idle}")
        } else if low > set.engine_rpm {
            format!("above the idle of {idle}")
        } else {
            format!("about the idle of {idle}")
        };
        let chance = match never_share {
            share if share >= UNLIKELY => {
                format!("; with a probability of {:.0} % at no speed of its curve", 100.0 * share)
            }
            _ => String::new(),
        };
        // Beyond the curve's end it is not known a speed.
        let high = if high.is_finite() { high } else { top_rpm.max(value) };
        (Some(Estimate { value, low, high, grade, how }), told + &chance)
    };
    PredictedKeepUp { loads: set.loads.clone(), rpm, never_share, told }
}

/// Hot output against engine speed, value and 90 % band.
pub fn capacity(
    trials: &[CarSample],
    machines: &[Machine],
    set: &LoadSet,
    top_rpm: f64,
) -> Vec<CapacityPoint> {
    const STEPS: usize = 48;
    let first_rpm = 400.0;
    (0..=STEPS)
        .map(|k| {
            let engine_rpm = first_rpm + (top_rpm - first_rpm) * k as f64 / STEPS as f64;
            let amps: Vec<f64> = trials
                .iter()
                .zip(machines)
                .map(|(trial, machine)| {
                    let setpoint_v = trial.setpoint_v(set.setpoint_v, trial.soaked_c());
                    machine.available_a(engine_rpm, setpoint_v, trial.soaked_c())
                })
                .collect();
            let Estimate { value, low, high, .. } = spread(&amps, Grade::Assumed, "");
            CapacityPoint { engine_rpm, value_a: value, low_a: low, high_a: high }
        })
        .collect()
}

/// How many standard deviations the margin is from none.
pub fn sureness(margin: &Margin) -> f64 {
    margin.margin_a.value / (margin.margin_a.half_width() / Z90).max(1e-9)
}

/// Means over the moments of an operating point.
pub fn mean_over(values: &[f64], scene: &Scene, spans: &[crate::log::Span]) -> f64 {
    let (mut sum, mut count) = (0.0, 0usize);
    for span in spans {
        for value in values.get(scene.within(*span)).unwrap_or(&[]) {
            if value.is_finite() {
                sum += value;
                count += 1;
            }
        }
    }
    if count == 0 { f64::NAN } else { sum / count as f64 }
}
