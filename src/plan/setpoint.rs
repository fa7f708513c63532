//! The setpoint that a plan can rest on.
//!
//! A machine that is short all through a log has levels that the bus comes back to,
//! and none of them is the setpoint: no regulator lets the bus stand steadily above
//! what it holds. A plan that took such a level for the setpoint would foretell it
//! for every machine.

use crate::analysis::Setpoint;
use crate::analysis::level::level;
use crate::car::Car;
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Role, Tap};
use crate::segment::Segments;

/// Steadily further above what is held than this, it is not what is held: twice the
/// droop of a regulator.
const ABOVE_V: f64 = 0.12;
/// A shorter stretch proves no level.
const SHORTEST_S: f64 = 3.0;

/// `None` where what the analysis has can stand.
pub fn instead(
    log: &Log,
    segments: &Segments,
    setpoint: Option<&Setpoint>,
    car: &Car,
) -> Option<Setpoint> {
    let setpoint = setpoint?;
    if car.setpoint_v.is_some() {
        return None;
    }
    let mut highest_v = f64::NEG_INFINITY;
    let mut stands_above = false;
    for stretch in segments.stretches.iter().filter(|s| s.settled.seconds() >= SHORTEST_S) {
        let span = stretch.settled;
        let Some(seen) = level(log.time_s(), log.bus_v(), span, &segments.grain) else { continue };
        let sure_v = seen.mean_v - seen.half_width_v;
        highest_v = highest_v.max(sure_v);
        stands_above |= sure_v > setpoint.at((span.start_s + span.end_s) / 2.0) + ABOVE_V;
    }
    let common = Setpoint::common();
    if stands_above || !setpoint.is_known() {
        return Some(above(&common, highest_v));
    }
    // Inferred, and not from the machine's own post: the highest level, at one load
    // and speed. As likely as not the machine was short there too.
    let at_one_point = setpoint.estimate.grade == Grade::Inferred
        && log.channel(Role::Voltage(Tap::Alternator)).is_none();
    at_one_point.then(|| {
        let high = setpoint.estimate.high.max(common.estimate.high);
        let estimate = Estimate { high, ..setpoint.estimate.clone() };
        Setpoint { estimate, ..setpoint.clone() }
    })
}

/// The same, knowing that the bus stood at `seen_v`.
fn above(common: &Setpoint, seen_v: f64) -> Setpoint {
    let Estimate { value, low, high, .. } = common.estimate;
    let low = low.max(seen_v);
    let high = high.max(low + ABOVE_V);
    let value = if value > low { value } else { (low + high) / 2.0 };
    let how = "common practice: the log shows no level that a regulator holds";
    let estimate = Estimate::new(value, low, high, Grade::Assumed, how);
    Setpoint { estimate, ..common.clone() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_common_setpoint_is_not_below_what_was_seen() {
        let common = Setpoint::common();
        assert_eq!(above(&common, 13.2).estimate.value, common.estimate.value);
        let high = above(&common, 14.6).estimate;
        assert_eq!(high.low, 14.6);
        assert!(high.value > 14.6 && high.value < high.high);
    }
}
