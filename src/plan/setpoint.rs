//! The setpoint that a plan can rest on.
//!
//! A plan that took for the setpoint a level that the bus was seen to exceed
//! would predict it for every alternator: no regulator lets the bus stay above
//! what it holds.

use crate::analysis::Setpoint;
use crate::car::Car;
use crate::estimate::Z90;
use crate::levels;
use crate::log::Log;
use crate::nominal::Nominal;
use crate::plan::calibrate::Rng;
use crate::plan::replay::COLD_C;
use crate::segment::Segments;

/// What one car's regulator holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CarSetpoint {
    /// So far from the line that the log shows.
    OffLine(f64),
    /// The log shows none: at 25 °C, and less by so much a degree.
    Own { cold_v: f64, per_degree_v: f64 },
}

impl CarSetpoint {
    pub fn at(&self, line_v: f64, machine_c: f64) -> f64 {
        match self {
            CarSetpoint::OffLine(off_v) => line_v + off_v,
            CarSetpoint::Own { cold_v, per_degree_v } => {
                cold_v - per_degree_v * (machine_c - COLD_C)
            }
        }
    }

    /// Near what the log shows, each side as wide as its own half of the interval: a
    /// regulator droops with load and drifts with its own heat.
    pub fn shown(rng: &mut Rng, setpoint: &Setpoint, nominal: Nominal) -> CarSetpoint {
        let z = rng.z();
        let Setpoint { estimate, .. } = setpoint;
        let side_v = match z < 0.0 {
            true => estimate.value - estimate.low,
            false => estimate.high - estimate.value,
        };
        CarSetpoint::OffLine(z / Z90 * side_v.hypot(nominal.volts(levels::DROOP)))
    }

    /// One that this car's could be whose log shows none, and how much it counts. Half
    /// of them are drawn about the highest level that the bus was at, with the
    /// alternator's heat there, so that enough are if that is what was held.
    pub fn unshown(
        rng: &mut Rng,
        highest: Option<(f64, f64)>,
        nominal: Nominal,
    ) -> (CarSetpoint, f64) {
        let [common_v, common_half_v] = levels::PLAN_SETPOINT.map(|level| nominal.volts(level));
        let common_sd_v = common_half_v / Z90;
        let held_sd_v = nominal.volts(levels::PLAN_HELD);
        let per_degree_v = rng.within(0.0..nominal.volts(levels::PLAN_SETPOINT_PER_C));
        let lost_v = |machine_c: f64| per_degree_v * (machine_c - COLD_C);
        let about = highest.map(|(volts, machine_c)| volts + lost_v(machine_c));
        let by_level = rng.within(0.0..1.0) < 0.5;
        let z = rng.z();
        let cold_v = match about {
            Some(about_v) if by_level => about_v + held_sd_v * z,
            _ => common_v + common_sd_v * z,
        };
        let density =
            |middle_v: f64, sd_v: f64| (-0.5 * ((cold_v - middle_v) / sd_v).powi(2)).exp() / sd_v;
        let believed = density(common_v, common_sd_v);
        let counts = match about {
            Some(about_v) => believed / (0.5 * believed + 0.5 * density(about_v, held_sd_v)),
            None => 1.0,
        };
        (CarSetpoint::Own { cold_v, per_degree_v }, counts)
    }
}

/// How badly a level so far under this setpoint fits it if it is held: −2 ln of its
/// density.
pub fn held_misfit(under_v: f64, nominal: Nominal) -> f64 {
    let held_sd_v = nominal.volts(levels::PLAN_HELD);
    (under_v.max(0.0) / held_sd_v).powi(2) + 2.0 * held_sd_v.ln()
}

/// Weight of a setpoint that a level exceeds: no regulator allows that.
pub fn allows(under_v: f64, nominal: Nominal) -> f64 {
    (-0.5 * (under_v.min(0.0) / nominal.volts(levels::PLAN_HELD)).powi(2)).exp()
}

/// `None` if the setpoint of the analysis can be used.
pub fn instead(
    log: &Log,
    segments: &Segments,
    setpoint: Option<&Setpoint>,
    car: &Car,
) -> Option<Setpoint> {
    let setpoint = setpoint.filter(|s| car.setpoint_v.is_none() && s.is_known())?;
    let (highest_v, stands_above) = setpoint.stood_above(log, segments);
    stands_above.then(|| Setpoint::common_above(highest_v, log.nominal()))
}
