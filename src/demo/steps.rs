//! The load steps of a simulated log, and their effect on the bus without noise.

use super::car::CarModel;
use super::electrics::effective_s;
use super::logger::{Logger, Shows};
use super::script::Script;
use super::truth::StepTruth;
use crate::diagnosis::Direction;

/// The baseline is the mean of this time before a step,
const BASELINE_S: f64 = 1.0;
/// the trough or peak is within this time after it,
const EXTREME_S: f64 = 3.0;
/// and the settled voltage is the mean of this time before the next event.
const SETTLED_S: f64 = 2.0;

/// Every load step that takes effect within the log, by its electrical time.
pub fn true_steps(
    car: &CarModel,
    script: &Script,
    logger: &Logger,
    time_s: &[f64],
    bus_v: &[f64],
) -> Vec<StepTruth> {
    let end_s = time_s.last().copied().unwrap_or(0.0);
    let mut duty = vec![0.0; car.loads.len()];
    let mut switches: Vec<_> =
        script.switches.iter().filter(|switch| switch.load < car.loads.len()).collect();
    switches.sort_by(|a, b| effective_s(a).total_cmp(&effective_s(b)));
    let mut events: Vec<f64> = switches.iter().map(|switch| effective_s(switch)).collect();
    events.extend(script.engine.iter().map(|change| change.at_s));
    let within = |from_s: f64, to_s: f64| {
        let first = time_s.partition_point(|&t| t < from_s);
        let last = time_s.partition_point(|&t| t < to_s).max(first);
        &bus_v[first..last]
    };

    let mut steps = Vec::new();
    for switch in switches {
        let load = &car.loads[switch.load];
        let change = switch.duty - std::mem::replace(&mut duty[switch.load], switch.duty);
        let at_s = effective_s(switch);
        if change == 0.0 || at_s > end_s {
            continue;
        }
        let until_s = events.iter().copied().filter(|&t| t > at_s).fold(end_s, f64::min);
        let direction = if change > 0.0 { Direction::On } else { Direction::Off };
        let after = within(at_s, until_s.min(at_s + EXTREME_S));
        let extreme_v = match direction {
            Direction::On => after.iter().copied().reduce(f64::min),
            Direction::Off => after.iter().copied().reduce(f64::max),
        };
        steps.push(StepTruth {
            at_s,
            declared_at_s: switch.at_s,
            until_s,
            load: load.name.clone(),
            direction,
            declared: logger.channels.iter().any(|c| c.shows == Shows::Load(switch.load)),
            amps_a: change * load.reference_a,
            baseline_v: mean(within(at_s - BASELINE_S, at_s)),
            extreme_v,
            settled_v: mean(within((until_s - SETTLED_S).max(at_s), until_s)),
        });
    }
    steps
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}
