//! The setpoint that a plan can rest on.
//!
//! A plan that took for the setpoint a level above which the bus was seen to stand
//! would foretell it for every machine: no regulator lets the bus stand steadily above
//! what it holds.

use crate::analysis::Setpoint;
use crate::car::Car;
use crate::log::Log;
use crate::segment::Segments;

/// `None` where what the analysis has can stand.
pub fn instead(
    log: &Log,
    segments: &Segments,
    setpoint: Option<&Setpoint>,
    car: &Car,
) -> Option<Setpoint> {
    let setpoint = setpoint.filter(|s| car.setpoint_v.is_none() && s.is_known())?;
    let (highest_v, stands_above) = setpoint.stood_above(log, segments);
    stands_above.then(|| Setpoint::common_above(highest_v))
}
