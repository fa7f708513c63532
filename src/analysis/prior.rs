//! What is believed of a battery before its log is looked at: draws of batteries
//! that a car might have, as wide as ignorance is.
//!
//! All ranges are common practice, no source, unless a fact of the car narrows
//! them; each is a median with a factor or a distance either way (90 %). Volts and ohms are
//! those of six cells; the battery is made over to the log's own cells in the end.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::analysis::Z90;
use crate::car::Car;
use crate::estimate::Estimate;
use crate::nominal::Nominal;
use crate::physics::battery::{
    Battery, BatteryState, CrankingStandard, MILD_C, Polarisation, REST_V_PER_K,
    acceptance_over_mild, transfer_over_mild,
};

/// A rest of half a minute is not the rest voltage of a table: acid still evens
/// out, and the battery warms under the hood.
const REST_DRIFT_V: f64 = 0.05;
/// Surface charge that a battery parked a while ago may have left.
const PARKED_V: f64 = 0.15;
/// Batteries of one kind rest so far from its table at the same charge; those with mats rest
/// up to 0.35 V higher than the flooded ones that are assumed, and this share is believed to
/// be such (the share was chosen on traces of `tests/outside/data/pybamm`).
const ACID_V: f64 = 0.05;
const STRONG_ACID_V: f64 = 0.35;
const STRONG_SHARE: f64 = 0.3;
/// A battery in a car is never quite full.
const MOST_CHARGE: f64 = 0.98;

/// A battery, and where it stands at the first sample.
#[derive(Debug, Clone)]
pub struct Draw {
    pub battery: Battery,
    pub start: BatteryState,
    /// Volts that its rest voltage lies above the table of its kind:
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

/// Coordinates of a battery that this one could be: each standard normal and
/// independent of the others before the log is looked at.
pub const COORDINATES: usize = 17;
pub type Place = [f64; COORDINATES];

/// What is believed of the battery beforehand.
pub struct Prior<'a> {
    pub car: &'a Car,
    pub nominal: Nominal,
    /// Of the battery, stated or logged.
    pub temperature_c: Option<f64>,
    /// Some seconds into a discharge, at that temperature.
    pub resistance_ohm: &'a Estimate,
    /// As seen before the start.
    pub rest_v: Option<&'a Estimate>,
}

impl Prior<'_> {
    /// The battery at a place of the belief.
    pub fn at(&self, place: &Place) -> Draw {
        let [
            size,
            resistance,
            ohmic,
            fast,
            quick,
            slow,
            tardy,
            acceptance,
            most,
            build,
            strips,
            fade,
            parked,
            off,
            charged,
            slowing,
            acid,
        ] = *place;
        let total_ohm = self.nominal.as_12_v(between_factors(resistance, self.resistance_ohm));
        let kind = self.car.battery.kind.unwrap_or_default();
        let mut battery = Battery::typical(self.capacity_ah(size), total_ohm).of_kind(kind);
        let ohmic = near(ohmic, 0.5, 0.15);
        let fast = near(fast, 0.3, 0.1);
        battery.ohmic_ohm = ohmic * total_ohm;
        battery.transfer_ohm = (1.0 - ohmic - fast).max(0.05) * total_ohm;
        battery.fast = Polarisation {
            resistance_ohm: fast * total_ohm,
            time_constant_s: factor(quick, 3.0, 2.0),
        };
        battery.slow = Polarisation {
            resistance_ohm: slow_share(slow) * total_ohm,
            time_constant_s: factor(tardy, 110.0, 2.0),
        };
        let temperature_c = self.temperature_c.unwrap_or(MILD_C);
        let warmer_v = REST_V_PER_K * (temperature_c - MILD_C);
        battery.acceptance_ohm_share *= acceptance_over_mild(temperature_c) * hunger(acceptance);
        // Hundreds of amps, which labels speak of, outrun a reaction that the cold slows.
        let slowed = transfer_over_mild(temperature_c).max(1.0);
        battery.transfer_ohm *= slowed.powf(share(slowing));
        battery.surface.most_v = near(most, 0.55, 0.25).max(0.1) * kind.surface_share();
        battery.surface.build_as *= factor(build, 1.0, 2.5);
        battery.surface.strip_as *= strip(strips);
        battery.surface.fade_s *= factor(fade, 1.0, 2.5);
        let any_charge = 0.55 + (MOST_CHARGE - 0.55) * share(charged);
        let (charge, surface_v, offset_v) = match self.rest_v {
            Some(rest) => {
                // A battery that stood for hours has none left; one just parked has.
                let surface_v = PARKED_V * (2.0 * share(parked) - 1.0).max(0.0);
                let rested_v = self.nominal.as_12_v(rest.value) - surface_v - warmer_v;
                // Above the table the voltage says stronger acid, not a fuller battery.
                let acid_v = self.acid_v(acid);
                let charge = if rested_v - acid_v > kind.rest_voltage_v(MOST_CHARGE) {
                    any_charge
                } else {
                    kind.state_of_charge(rested_v - acid_v).max(0.1)
                };
                let drift_v =
                    near(off, 0.0, REST_DRIFT_V.hypot(self.nominal.as_12_v(rest.half_width())));
                (charge, surface_v, rested_v - kind.rest_voltage_v(charge) + drift_v + warmer_v)
            }
            None => {
                let surface_v = battery.surface.most_v * (0.1 + 0.9 * share(parked));
                (any_charge, surface_v, near(off, warmer_v, 0.06))
            }
        };
        let volts = |of_12_v| self.nominal.from_12_v(of_12_v);
        Draw {
            battery: battery.of(self.nominal),
            start: BatteryState::rested(charge, volts(surface_v)),
            offset_v: volts(offset_v),
        }
    }

    /// Rest voltage over the table of its kind at the same charge: acid is a little stronger or
    /// weaker, and where nobody said the kind it may be one that is mixed stronger.
    fn acid_v(&self, acid: f64) -> f64 {
        let even = |z: f64| near(z, 0.0, ACID_V);
        match self.car.battery.kind {
            Some(_) => even(acid),
            None => mixed(acid, STRONG_SHARE, |z| STRONG_ACID_V * share(z), even),
        }
    }

    /// As stated, else from the cold-cranking amps (8 to 10.5 A of SAE J537 a Ah), else any
    /// passenger car's.
    fn capacity_ah(&self, size: f64) -> f64 {
        let facts = &self.car.battery;
        let standard = facts.cca_standard.unwrap_or(CrankingStandard::Sae);
        match (facts.capacity_ah, facts.cca_a) {
            (Some(stated_ah), _) => factor(size, stated_ah, 1.15),
            (None, Some(cca_a)) => factor(size, standard.in_sae(cca_a) / 9.2, 1.2),
            (None, None) => factor(size, 62.0, 1.6),
        }
    }
}

/// Acceptance resistance over the usual one: some batteries take several times as much, those
/// with mats and thin plates above all (common practice, no source; the share of these was
/// chosen on traces of `tests/outside/data/pybamm`).
fn hunger(z: f64) -> f64 {
    mixed(z, 0.25, |z| factor(z, 0.25, 2.5), |z| factor(z, 1.0, 2.0))
}

/// Two minutes of headlamps take the surface charge off a car's battery
/// (common practice, no source); porous-electrode models of a battery without
/// grids and straps lose it with a tenth of that charge.
fn strip(z: f64) -> f64 {
    mixed(z, 0.08, |z| factor(z, 0.15, 2.5), |z| factor(z, 1.0, 1.7))
}

/// Slow polarisation over the resistance of some seconds: about two thirds; near zero for
/// thin plates and warm acid (common practice, no source; the share of these was chosen on
/// traces of `tests/outside/data/pybamm`).
fn slow_share(z: f64) -> f64 {
    mixed(z, 0.15, |z| factor(z, 0.1, 3.0), |z| factor(z, 0.65, 1.5))
}

/// One of two beliefs by a single coordinate: its lowest `share_of_few` are the first's.
fn mixed(z: f64, share_of_few: f64, few: impl Fn(f64) -> f64, most: impl Fn(f64) -> f64) -> f64 {
    let part = share(z);
    if part < share_of_few {
        few(normal_at(part / share_of_few))
    } else {
        most(normal_at((part - share_of_few) / (1.0 - share_of_few)))
    }
}

/// `z` of a standard normal quantity as the share of the quantity below it.
fn share(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

fn normal_at(share: f64) -> f64 {
    Normal::standard().inverse_cdf(share.clamp(1e-9, 1.0 - 1e-9))
}

fn near(z: f64, middle: f64, distance: f64) -> f64 {
    middle + distance * z / Z90
}

fn factor(z: f64, middle: f64, factor: f64) -> f64 {
    middle * factor.powf(z / Z90)
}

/// Positive, each side as wide as its own half of the interval.
fn between_factors(z: f64, estimate: &Estimate) -> f64 {
    let low = estimate.low.max(estimate.value * 1e-2);
    let side = if z < 0.0 { estimate.value / low } else { estimate.high / estimate.value };
    estimate.value * side.powf(z / Z90)
}
