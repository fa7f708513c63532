//! Prior of a car battery's parameters and of its state at the first sample.
//!
//! A point of latent standard normal coordinates is mapped to a battery by the ranges of
//! [`crate::assumptions`], unless a fact of the car narrows them. Volts and ohms are those of six cells and are converted to the
//! log's nominal voltage at the end.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::assumptions::{
    ACCEPTANCE, ACID, CAPACITY, CAPACITY_BY_CRANKING, CRANKING_PER_AH, EASY_ACCEPTANCE, EASY_STRIP,
    FAST_SHARE, FAST_TIME, OHMIC_SHARE, REST_DRIFT, SLOW_SHARE, SLOW_SHARE_OF_THIN_PLATES,
    SLOW_TIME, STATED_CAPACITY, SURFACE_BUILD, SURFACE_CHARGE, SURFACE_FADE, SURFACE_STRIP,
    UNSEEN_REST,
};
use crate::car::Car;
use crate::estimate::{Estimate, Z90};
use crate::nominal::Nominal;
use crate::physics::battery::{
    Battery, BatteryState, CrankingStandard, MILD_C, Polarization, REST_V_PER_K,
    acceptance_over_mild, transfer_over_mild,
};

/// Most surface charge left on a battery that was parked a while ago.
const PARKED_V: f64 = 0.15;
/// Where the kind is not stated, flooded is assumed, and with this probability the battery is a
/// sealed one that rests up to 0.35 V higher (chosen on traces of `tests/outside/data/pybamm`).
const STRONG_SHARE: f64 = 0.3;
const STRONG_ACID_V: f64 = 0.35;
/// A battery in a car is never completely full.
const MOST_CHARGE: f64 = 0.98;

/// One sample of the battery's parameters and of its state at the first log sample.
#[derive(Debug, Clone)]
pub struct ParameterSample {
    pub battery: Battery,
    pub start: BatteryState,
    /// Rest voltage above the table of its kind: stronger acid, temperature, meter error.
    pub offset_v: f64,
}

impl ParameterSample {
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

/// Latent coordinates, independent and standard normal under the prior.
pub const LATENT_DIMENSIONS: usize = 17;
pub type LatentPoint = [f64; LATENT_DIMENSIONS];

/// What is known of the battery before the log's running phases are used.
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
    /// The battery at a latent point.
    pub fn at(&self, point: &LatentPoint) -> ParameterSample {
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
            drift,
            charged,
            activation,
            acid,
        ] = *point;
        let total_ohm = self.nominal.as_12_v(between_factors(resistance, self.resistance_ohm));
        let kind = self.car.battery.kind.unwrap_or_default();
        let mut battery = Battery::typical(self.capacity_ah(size), total_ohm).of_kind(kind);
        let ohmic = OHMIC_SHARE.at(ohmic);
        let fast = FAST_SHARE.at(fast);
        battery.ohmic_ohm = ohmic * total_ohm;
        battery.transfer_ohm = (1.0 - ohmic - fast).max(0.05) * total_ohm;
        battery.fast =
            Polarization { resistance_ohm: fast * total_ohm, time_constant_s: FAST_TIME.at(quick) };
        battery.slow = Polarization {
            resistance_ohm: slow_share(slow) * total_ohm,
            time_constant_s: SLOW_TIME.at(tardy),
        };
        let temperature_c = self.temperature_c.unwrap_or(MILD_C);
        let warmer_v = REST_V_PER_K * (temperature_c - MILD_C);
        battery.acceptance_ohm_share *=
            acceptance_over_mild(temperature_c) * acceptance_factor(acceptance);
        // A cold-cranking rating is at hundreds of amps, where charge transfer matters less.
        let slower = transfer_over_mild(temperature_c).max(1.0);
        battery.transfer_ohm *= slower.powf(share(activation));
        battery.surface.most_v = SURFACE_CHARGE.at(most).max(0.1) * kind.surface_share();
        battery.surface.build_as *= SURFACE_BUILD.at(build);
        battery.surface.strip_as *= strip_factor(strips);
        battery.surface.fade_s *= SURFACE_FADE.at(fade);
        let any_charge = 0.55 + (MOST_CHARGE - 0.55) * share(charged);
        let (charge, surface_v, offset_v) = match self.rest_v {
            Some(rest) => {
                // Surface charge is gone after hours, and not after minutes.
                let surface_v = PARKED_V * (2.0 * share(parked) - 1.0).max(0.0);
                let rested_v = self.nominal.as_12_v(rest.value) - surface_v - warmer_v;
                // A voltage above the table means stronger acid, not a fuller battery.
                let acid_v = self.acid_v(acid);
                let charge = if rested_v - acid_v > kind.rest_voltage_v(MOST_CHARGE) {
                    any_charge
                } else {
                    kind.state_of_charge(rested_v - acid_v).max(0.1)
                };
                let unsure_v = self.nominal.as_12_v(rest.half_width());
                let drift_v = REST_DRIFT.half_width().hypot(unsure_v) * drift / Z90;
                (charge, surface_v, rested_v - kind.rest_voltage_v(charge) + drift_v + warmer_v)
            }
            None => {
                let surface_v = battery.surface.most_v * (0.1 + 0.9 * share(parked));
                (any_charge, surface_v, warmer_v + UNSEEN_REST.at(drift))
            }
        };
        let volts = |of_12_v| self.nominal.from_12_v(of_12_v);
        ParameterSample {
            battery: battery.of(self.nominal),
            start: BatteryState::rested(charge, volts(surface_v)),
            offset_v: volts(offset_v),
        }
    }

    /// Rest voltage above the table of its kind at the same state of charge.
    fn acid_v(&self, acid: f64) -> f64 {
        let usual = |z: f64| ACID.at(z);
        match self.car.battery.kind {
            Some(_) => usual(acid),
            None => mixture(acid, STRONG_SHARE, |z| STRONG_ACID_V * share(z), usual),
        }
    }

    /// As stated, else from the cold-cranking amps (8 to 10.5 A of SAE J537 per Ah), else of any
    /// passenger car.
    fn capacity_ah(&self, size: f64) -> f64 {
        let facts = &self.car.battery;
        let standard = facts.cca_standard.unwrap_or(CrankingStandard::Sae);
        match (facts.capacity_ah, facts.cca_a) {
            (Some(stated_ah), _) => STATED_CAPACITY.times(stated_ah, size),
            (None, Some(cca_a)) => {
                CAPACITY_BY_CRANKING.times(standard.in_sae(cca_a) / CRANKING_PER_AH.value, size)
            }
            (None, None) => CAPACITY.at(size),
        }
    }
}

/// Acceptance resistance relative to the usual one (the probability of the few was chosen on
/// traces of `tests/outside/data/pybamm`).
fn acceptance_factor(z: f64) -> f64 {
    mixture(z, 0.25, |z| EASY_ACCEPTANCE.at(z), |z| ACCEPTANCE.at(z))
}

/// Charge that removes the surface charge, relative to two minutes of headlamps.
fn strip_factor(z: f64) -> f64 {
    mixture(z, 0.08, |z| EASY_STRIP.at(z), |z| SURFACE_STRIP.at(z))
}

/// Slow polarization relative to the resistance after a few seconds (the probability of thin
/// plates was chosen on traces of `tests/outside/data/pybamm`).
fn slow_share(z: f64) -> f64 {
    mixture(z, 0.15, |z| SLOW_SHARE_OF_THIN_PLATES.at(z), |z| SLOW_SHARE.at(z))
}

/// A mixture of two priors by one coordinate: its lowest `share_of_few` map to the first.
fn mixture(z: f64, share_of_few: f64, few: impl Fn(f64) -> f64, most: impl Fn(f64) -> f64) -> f64 {
    let part = share(z);
    if part < share_of_few {
        few(normal_at(part / share_of_few))
    } else {
        most(normal_at((part - share_of_few) / (1.0 - share_of_few)))
    }
}

/// Standard normal cumulative distribution.
fn share(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

fn normal_at(share: f64) -> f64 {
    Normal::standard().inverse_cdf(share.clamp(1e-9, 1.0 - 1e-9))
}

/// Log-normal, with the estimate's own factor on each side.
fn between_factors(z: f64, estimate: &Estimate) -> f64 {
    let low = estimate.low.max(estimate.value * 1e-2);
    let side = if z < 0.0 { estimate.value / low } else { estimate.high / estimate.value };
    estimate.value * side.powf(z / Z90)
}
