//! What is believed of a battery before its log is looked at: draws of batteries
//! that a car might have, as wide as ignorance is.
//!
//! All ranges are common practice, no source, unless a fact of the car narrows
//! them; each is a median with a factor or a distance either way (90 %).

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::analysis::Z90;
use crate::car::Car;
use crate::estimate::Estimate;
use crate::physics::battery::{
    Battery, BatteryState, Polarisation, rest_voltage_v, state_of_charge,
};

const SEED: u64 = 0x5717_fb05;

/// A rest of half a minute is not the rest voltage of a table: acid still evens
/// out, and the battery warms under the hood.
const REST_DRIFT_V: f64 = 0.05;
/// A battery in a car is never quite full.
const MOST_CHARGE: f64 = 0.98;

/// A battery, and where it stands at the first sample.
#[derive(Debug, Clone)]
pub struct Draw {
    pub battery: Battery,
    pub start: BatteryState,
    /// Volts that its rest voltage lies above the table of flooded batteries:
    /// stronger acid, colder or warmer, a meter that reads off.
    pub offset_v: f64,
}

impl Draw {
    /// [`Battery::current_at`] under the posts' voltage.
    pub fn current_at(&self, volts: f64, state: &BatteryState) -> f64 {
        self.battery.current_at(volts - self.offset_v, state)
    }

    /// Resistance to a change of the posts' voltage, near `volts`.
    pub fn ohm_near(&self, volts: f64, state: &BatteryState) -> f64 {
        self.battery.source_near(volts - self.offset_v, state).1
    }

    /// Voltage at the posts at which neither flows in nor out.
    pub fn zero_current_v(&self, volts: f64, state: &BatteryState) -> f64 {
        self.battery.source_near(volts - self.offset_v, state).0 + self.offset_v
    }
}

/// `count` draws, the same every time. `resistance_ohm`: some seconds into a
/// discharge. `rest_v`: as seen before the start.
pub fn draws(
    count: usize,
    car: &Car,
    resistance_ohm: &Estimate,
    rest_v: Option<&Estimate>,
) -> Vec<Draw> {
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(SEED));
    (0..count).map(|_| draw(&mut dice, car, resistance_ohm, rest_v)).collect()
}

fn draw(dice: &mut Dice, car: &Car, resistance_ohm: &Estimate, rest_v: Option<&Estimate>) -> Draw {
    let capacity_ah = capacity(dice, car);
    let total_ohm = dice.between_factors(resistance_ohm);
    let mut battery = Battery::typical(capacity_ah, total_ohm);
    let ohmic = dice.near(0.5, 0.15);
    let fast = dice.near(0.3, 0.1);
    battery.ohmic_ohm = ohmic * total_ohm;
    battery.transfer_ohm = (1.0 - ohmic - fast).max(0.05) * total_ohm;
    battery.fast =
        Polarisation { resistance_ohm: fast * total_ohm, time_constant_s: dice.factor(3.0, 2.0) };
    battery.slow = Polarisation {
        resistance_ohm: dice.factor(0.65, 1.5) * total_ohm,
        time_constant_s: dice.factor(110.0, 2.0),
    };
    battery.acceptance_ohm_share *= dice.factor(1.0, 2.0);
    battery.surface.most_v = dice.near(0.55, 0.25).max(0.1);
    battery.surface.build_as *= dice.factor(1.0, 2.5);
    battery.surface.strip_as *= strip(dice);
    battery.surface.fade_s *= dice.factor(1.0, 2.5);
    let (charge, surface_v, offset_v) = match rest_v {
        Some(rest) => {
            let seen_v = dice.normal(rest);
            // A battery that stood for hours has none left; one just parked has.
            let parked = dice.0.random_bool(0.5);
            let surface_v = if parked { dice.0.random_range(0.0..0.15_f64) } else { 0.0 };
            let rested_v = seen_v - surface_v;
            // Above the table the voltage says stronger acid, not a fuller battery.
            let charge = if rested_v > rest_voltage_v(MOST_CHARGE) {
                dice.0.random_range(0.55..MOST_CHARGE)
            } else {
                state_of_charge(rested_v).max(0.1)
            };
            let drift_v = dice.near(0.0, REST_DRIFT_V);
            (charge, surface_v, seen_v - surface_v - rest_voltage_v(charge) + drift_v)
        }
        None => {
            let surface_v = battery.surface.most_v * dice.0.random_range(0.1..1.0);
            (dice.0.random_range(0.55..MOST_CHARGE), surface_v, dice.near(0.0, 0.06))
        }
    };
    Draw { battery, start: BatteryState::rested(charge, surface_v), offset_v }
}

/// As stated, else from the cold-cranking amps (8 to 10.5 A a Ah), else any
/// passenger car's.
fn capacity(dice: &mut Dice, car: &Car) -> f64 {
    match (car.battery.capacity_ah, car.battery.cca_a) {
        (Some(stated_ah), _) => dice.factor(stated_ah, 1.15),
        (None, Some(cca_a)) => dice.factor(cca_a / 9.2, 1.2),
        (None, None) => dice.factor(62.0, 1.6),
    }
}

/// Two minutes of headlamps take the surface charge off a car's battery
/// (common practice, no source); porous-electrode models of a battery without
/// grids and straps lose it with a tenth of that charge.
fn strip(dice: &mut Dice) -> f64 {
    const QUICK_SHARE: f64 = 0.08;
    if dice.0.random_bool(QUICK_SHARE) { dice.factor(0.15, 2.5) } else { dice.factor(1.0, 1.7) }
}

struct Dice(ChaCha8Rng);

impl Dice {
    fn z(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    fn near(&mut self, middle: f64, distance: f64) -> f64 {
        middle + distance * self.z() / Z90
    }

    fn factor(&mut self, middle: f64, factor: f64) -> f64 {
        middle * factor.powf(self.z() / Z90)
    }

    fn normal(&mut self, estimate: &Estimate) -> f64 {
        self.near(estimate.value, estimate.half_width())
    }

    /// Positive, each side as wide as its own half of the interval.
    fn between_factors(&mut self, estimate: &Estimate) -> f64 {
        let z = self.z();
        let low = estimate.low.max(estimate.value * 1e-2);
        let side = if z < 0.0 { estimate.value / low } else { estimate.high / estimate.value };
        estimate.value * side.powf(z / Z90)
    }
}
