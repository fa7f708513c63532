//! From volts to amps: what the battery gives, and what the alternator lacks.
//!
//! Draining, the bus sits at E − I·R, so the battery gives I = (E − V) / R.
//! Everything in that is uncertain; it is propagated by drawing all of it
//! together, seeded, so that the same log gives the same digits.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::analysis::battery::BatteryModel;
use crate::estimate::{Estimate, Grade};
use crate::stats::robust::quantile;

const DRAWS: usize = 2000;
const SEED: u64 = 0x5717_fb05;
/// Half of a 90 % interval in standard deviations of a normal distribution.
const Z90: f64 = 1.645;
/// Charging, a battery takes so much less per volt the fuller it is
/// (common practice, no source): value and 90 % range.
const ACCEPTANCE_OHM: (f64, f64, f64) = (0.04, 0.012, 0.15);
/// Loads draw more as the voltage rises: lamps about V^0.5, motors about V,
/// electronic drivers about 1/V, so a set of them lies between
/// (common practice, no source); amps of the set over amps of the deficit are
/// not known, so this is per volt for a set of some tens of amps.
const LOAD_GROWTH_A_PER_V: (f64, f64, f64) = (2.5, 0.0, 7.0);

/// Amps at one operating point.
#[derive(Debug, Clone, PartialEq)]
pub struct Amps {
    pub implied_deficit_a: Estimate,
    pub regulation_shortfall_a: Option<Estimate>,
    /// Share of the draws in which the battery gives.
    pub draining_share: f64,
}

/// What the voltage at one operating point implies. `setpoint_v` as it stands
/// at the time of the point.
pub fn from_voltage(
    voltage_v: &Estimate,
    setpoint_v: Option<&Estimate>,
    battery: &BatteryModel,
) -> Amps {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut deficit_a = Vec::with_capacity(DRAWS);
    let mut shortfall_a = Vec::with_capacity(DRAWS);
    for _ in 0..DRAWS {
        let bus_v = normal(&mut rng, voltage_v);
        let zero_v = normal(&mut rng, &battery.zero_current_v);
        let resistance_ohm = lognormal(&mut rng, &battery.resistance_ohm);
        let given_a = ((zero_v - bus_v) / resistance_ohm).max(0.0);
        deficit_a.push(given_a);
        let acceptance_ohm = lognormal(&mut rng, &assumed(ACCEPTANCE_OHM));
        let growth = normal(&mut rng, &assumed(LOAD_GROWTH_A_PER_V)).max(0.0);
        if let Some(setpoint_v) = setpoint_v {
            let held_v = normal(&mut rng, setpoint_v);
            let taken_a = ((held_v - bus_v.max(zero_v)) / acceptance_ohm).max(0.0);
            shortfall_a.push(given_a + taken_a + growth * (held_v - bus_v).max(0.0));
        }
    }
    let draining_share = deficit_a.iter().filter(|a| **a > 0.0).count() as f64 / DRAWS as f64;
    // The log cannot do better than its weakest ingredient.
    let grade = battery.resistance_ohm.grade.max(battery.zero_current_v.grade);
    let how = format!("zero-current voltage less bus voltage, over {}", battery.resistance_ohm.how);
    Amps {
        implied_deficit_a: spread(&deficit_a, grade, &how),
        regulation_shortfall_a: setpoint_v.map(|_| {
            spread(
                &shortfall_a,
                Grade::Assumed,
                "deficit, charge current and load growth up to the setpoint",
            )
        }),
        draining_share,
    }
}

/// Nothing is missing.
pub fn none(grade: Grade, how: &str) -> Estimate {
    Estimate::new(0.0, 0.0, 0.0, grade, how)
}

fn spread(draws: &[f64], grade: Grade, how: &str) -> Estimate {
    let at = |p: f64| quantile(draws, p);
    Estimate::new(at(0.5), at(0.05), at(0.95), grade, how)
}

fn assumed((value, low, high): (f64, f64, f64)) -> Estimate {
    Estimate::new(value, low, high, Grade::Assumed, "")
}

/// A draw whose median and 90 % range are the estimate's, each side its own width.
fn normal(rng: &mut ChaCha8Rng, estimate: &Estimate) -> f64 {
    let z: f64 = StandardNormal.sample(rng);
    let side = if z < 0.0 { estimate.value - estimate.low } else { estimate.high - estimate.value };
    estimate.value + z / Z90 * side
}

/// The same for a quantity that cannot be negative.
fn lognormal(rng: &mut ChaCha8Rng, estimate: &Estimate) -> f64 {
    let z: f64 = StandardNormal.sample(rng);
    let low = estimate.low.max(estimate.value * 1e-2);
    let side =
        if z < 0.0 { (estimate.value / low).ln() } else { (estimate.high / estimate.value).ln() };
    estimate.value * (z / Z90 * side).exp()
}
