//! Which pulleys would do: the smallest ratio that carries the loads at idle, and
//! the largest that the alternator's speed at redline allows.

use crate::estimate::Grade;
use crate::format::{RATIO, RPM};
use crate::physics::machine::Machine;
use crate::physics::pulley::USUAL_RATIOS;
use crate::plan::Asked;
use crate::plan::contract::RatioRange;
use crate::plan::margin::margin;
use crate::plan::replay::{CarSample, Replay};
use crate::plan::sets::LoadSet;

/// Ratios are looked at in these steps.
const STEP: f64 = 0.05;
const FIRST: f64 = 1.5;
const LAST: f64 = 4.5;
/// So likely has it to be enough.
pub const SURE: f64 = 0.975;

pub fn ratios(
    trials: &[CarSample],
    machines: &[Machine],
    ends: &[Replay],
    sets: &[LoadSet],
    asked: &Asked,
) -> Option<RatioRange> {
    let largest = asked.limit_rpm / asked.redline_rpm;
    let enough = |ratio: f64| {
        let geared: Vec<Machine> =
            machines.iter().map(|m| Machine { ratio, ..m.clone() }).collect();
        !sets.is_empty()
            && sets
                .iter()
                .all(|set| margin(trials, &geared, ends, set, Grade::Assumed).enough_share >= SURE)
    };
    let steps = ((LAST - FIRST) / STEP).round() as usize;
    let smallest = (0..=steps).map(|k| FIRST + STEP * k as f64).find(|ratio| enough(*ratio))?;
    if smallest > largest {
        return None;
    }
    let limit =
        format!("{} at a redline of {}", RPM.of(asked.limit_rpm), RPM.of(asked.redline_rpm));
    let wrap = if smallest > *USUAL_RATIOS.end() {
        " Above 3 to 1 a small pulley has little belt round it: expect slip unless an idler adds \
         wrap (common practice)."
    } else {
        ""
    };
    let told = format!(
        "From {} it carries the loads at hot idle; {} is the most that its limit of {limit} \
         allows.{wrap}",
        RATIO.of(smallest),
        RATIO.of(largest)
    );
    Some(RatioRange { smallest, largest, told })
}
