//! A battery: rest voltage, resistance, and how both move while it is
//! charged and discharged. Written for six cells, 12 V; [`Battery::of`] makes it over to
//! three or twelve.

mod kind;

use crate::assumptions::WARM_RESISTANCE;
use crate::nominal::Nominal;

pub use kind::{BatteryKind, CrankingStandard};

/// All tests for cold-cranking amps are made at this temperature.
pub const CCA_TEMPERATURE_C: f64 = -18.0;
/// Rest voltage of a full battery at −18 °C. A cell loses about 0.2 mV/K, so six
/// lose 0.05 V from 25 °C (from memory).
pub const CCA_REST_V: f64 = 12.6;

/// Assumed battery temperature where none is logged or stated (common practice, no source).
pub const MILD_C: f64 = 25.0;
/// Six cells' rest voltage rises by so much a kelvin (0.2 mV a cell, from memory).
pub const REST_V_PER_K: f64 = 0.0012;
/// A battery this many kelvin colder accepts half the charge at the same voltage (common
/// practice, no source: at 0 °C about a third of that at 25 °C).
const ACCEPTANCE_HALVES_K: f64 = 15.0;

/// Resistance in Ω at −18 °C at the end of the test, by the rating's own definition:
/// (E − end voltage) / CCA.
pub fn resistance_cold_ohm(cca_a: f64, standard: CrankingStandard) -> f64 {
    (CCA_REST_V - standard.end_v()) / cca_a
}

/// Resistance at `temperature_c` over resistance at [`MILD_C`]; dimensionless.
pub fn resistance_over_mild(temperature_c: f64) -> f64 {
    WARM_RESISTANCE.value.powf((temperature_c - MILD_C) / (MILD_C - CCA_TEMPERATURE_C))
}

/// Charge-acceptance resistance at `temperature_c` over that at [`MILD_C`]; dimensionless.
pub fn acceptance_over_mild(temperature_c: f64) -> f64 {
    ((MILD_C - temperature_c) / ACCEPTANCE_HALVES_K).exp2()
}

/// Charge-transfer resistance near no current at `temperature_c` over that at [`MILD_C`];
/// dimensionless. Arrhenius' law with 40 kJ/mol (from memory).
pub fn transfer_over_mild(temperature_c: f64) -> f64 {
    const ACTIVATION_K: f64 = 40e3 / 8.314;
    const ZERO_K: f64 = 273.15;
    (ACTIVATION_K * (1.0 / (temperature_c + ZERO_K) - 1.0 / (MILD_C + ZERO_K))).exp()
}

/// Low end of a resistance whose rating names no standard: it may be DIN's, the lowest that
/// one number may mean, instead of SAE's.
pub fn low_unstated(value: f64, low: f64) -> f64 {
    let share = CrankingStandard::Din.in_sae(1.0);
    value * (-(value / low).ln().hypot(share.ln())).exp()
}

/// Resistance in Ω at `temperature_c` of a battery as good as its label, some seconds into a
/// discharge; `None` unless `cca_a` is a positive number. Amps without a standard are taken as
/// those of SAE.
pub fn resistance_from_cca(
    cca_a: f64,
    standard: Option<CrankingStandard>,
    temperature_c: f64,
) -> Option<f64> {
    if !(cca_a.is_finite() && cca_a > 0.0 && temperature_c.is_finite()) {
        return None;
    }
    let cold_ohm = resistance_cold_ohm(cca_a, standard.unwrap_or(CrankingStandard::Sae));
    let warmth = (temperature_c - CCA_TEMPERATURE_C) / (MILD_C - CCA_TEMPERATURE_C);
    Some(cold_ohm * WARM_RESISTANCE.value.powf(warmth))
}

/// A resistor with a capacitor across it: voltage that builds and fades.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Polarization {
    pub resistance_ohm: f64,
    pub time_constant_s: f64,
}

impl Polarization {
    fn advance(&self, volts: f64, current_a: f64, step_s: f64) -> f64 {
        let end = current_a * self.resistance_ohm;
        end + (volts - end) * (-step_s / self.time_constant_s).exp()
    }
}

/// An equivalent circuit: rest voltage and surface charge, an ohmic part, a
/// double layer across an uneven charge transfer (easier out than in), and two
/// polarizations, of seconds and of minutes (Randles' circuit and its usual
/// extension; the numbers are common practice, no source).
#[derive(Debug, Clone, PartialEq)]
pub struct Battery {
    pub nominal: Nominal,
    pub kind: BatteryKind,
    pub capacity_ah: f64,
    pub ohmic_ohm: f64,
    /// Charge transfer while discharging.
    pub transfer_ohm: f64,
    /// Charge transfer while charging, per share of charge missing: the fuller, the lower the
    /// current at a voltage. See [`Battery::acceptance_ohm`].
    pub acceptance_ohm_share: f64,
    pub double_layer_f: f64,
    pub fast: Polarization,
    pub slow: Polarization,
    pub surface: SurfaceCharge,
}

/// Open-circuit voltage above the rest voltage, left by charging: 0.3 to 0.8 V
/// at most, gone in minutes, sooner when current is drawn (common practice, no
/// source).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurfaceCharge {
    pub most_v: f64,
    /// Charge in A·s that brings it to 1 − 1/e of its most.
    pub build_as: f64,
    /// Discharge in A·s that takes it to 1/e.
    pub strip_as: f64,
    /// Fading with no current.
    pub fade_s: f64,
}

impl SurfaceCharge {
    fn built_v(&self, surface_v: f64, current_a: f64, step_s: f64) -> f64 {
        let left = (-current_a * step_s / self.build_as).exp();
        self.most_v + (surface_v - self.most_v) * left - surface_v * step_s / self.fade_s
    }
}

/// What moves in a battery. Volts are signed as charging current makes them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BatteryState {
    /// 0 to 1.
    pub state_of_charge: f64,
    pub surface_v: f64,
    pub double_layer_v: f64,
    pub fast_v: f64,
    pub slow_v: f64,
}

impl BatteryState {
    pub fn rested(state_of_charge: f64, surface_v: f64) -> Self {
        BatteryState { state_of_charge, surface_v, double_layer_v: 0.0, fast_v: 0.0, slow_v: 0.0 }
    }
}

impl Battery {
    /// A battery of common proportions whose resistance some seconds into a
    /// discharge is `resistance_ohm` (common practice, no source: half of it
    /// ohmic, the rest shared by transfer and the fast polarization; the slow
    /// one adds two thirds of it over minutes).
    pub fn typical(capacity_ah: f64, resistance_ohm: f64) -> Self {
        let size = capacity_ah / 60.0;
        Battery {
            nominal: Nominal::V12,
            kind: BatteryKind::Flooded,
            capacity_ah,
            ohmic_ohm: 0.5 * resistance_ohm,
            transfer_ohm: 0.2 * resistance_ohm,
            acceptance_ohm_share: 0.016 / size,
            double_layer_f: 15.0 * size,
            fast: Polarization { resistance_ohm: 0.3 * resistance_ohm, time_constant_s: 3.0 },
            slow: Polarization { resistance_ohm: 0.65 * resistance_ohm, time_constant_s: 110.0 },
            surface: SurfaceCharge {
                most_v: 0.6,
                build_as: 600.0 * size,
                strip_as: 1100.0 * size,
                fade_s: 900.0,
            },
        }
    }

    /// The same size of another kind.
    pub fn of_kind(mut self, kind: BatteryKind) -> Self {
        self.kind = kind;
        self.acceptance_ohm_share *= kind.acceptance_share();
        self.surface.most_v *= kind.surface_share();
        self
    }

    /// This battery of six cells with as many as `nominal` has: each cell carries the same
    /// current at the same voltage of its own.
    pub fn of(&self, nominal: Nominal) -> Self {
        let over = nominal.over_12_v();
        let part = |p: Polarization| Polarization { resistance_ohm: p.resistance_ohm * over, ..p };
        Battery {
            nominal,
            ohmic_ohm: self.ohmic_ohm * over,
            transfer_ohm: self.transfer_ohm * over,
            acceptance_ohm_share: self.acceptance_ohm_share * over,
            double_layer_f: self.double_layer_f / over,
            fast: part(self.fast),
            slow: part(self.slow),
            surface: SurfaceCharge { most_v: self.surface.most_v * over, ..self.surface },
            ..*self
        }
    }

    /// A battery `size` times as large: through the same voltages it carries `size` times
    /// the current.
    pub fn scaled(&self, size: f64) -> Self {
        let part = |p: Polarization| Polarization { resistance_ohm: p.resistance_ohm / size, ..p };
        Battery {
            capacity_ah: self.capacity_ah * size,
            ohmic_ohm: self.ohmic_ohm / size,
            transfer_ohm: self.transfer_ohm / size,
            acceptance_ohm_share: self.acceptance_ohm_share / size,
            double_layer_f: self.double_layer_f * size,
            fast: part(self.fast),
            slow: part(self.slow),
            surface: SurfaceCharge {
                build_as: self.surface.build_as * size,
                strip_as: self.surface.strip_as * size,
                ..self.surface
            },
            ..*self
        }
    }

    /// Resistance in Ω that a discharge meets after some seconds.
    pub fn seconds_ohm(&self) -> f64 {
        self.ohmic_ohm + self.transfer_ohm + self.fast.resistance_ohm
    }

    /// Charge-transfer resistance in Ω while charging: rises as the battery fills.
    pub fn acceptance_ohm(&self, state_of_charge: f64) -> f64 {
        self.acceptance_ohm_share / (1.0 - state_of_charge.clamp(0.0, 1.0) + 0.01)
    }

    /// Open-circuit voltage once every polarization has faded, V.
    pub fn open_circuit_v(&self, state: &BatteryState) -> f64 {
        self.nominal.from_12_v(self.kind.rest_voltage_v(state.state_of_charge)) + state.surface_v
    }

    /// Voltage behind [`Battery::ohmic_ohm`]: what a step of current meets.
    pub fn inner_v(&self, state: &BatteryState) -> f64 {
        self.open_circuit_v(state) + state.double_layer_v + state.fast_v + state.slow_v
    }

    /// The current in A that a hold at `volts` comes to within a second or two,
    /// before polarization and surface charge change. Positive: charging.
    pub fn current_at(&self, volts: f64, state: &BatteryState) -> f64 {
        let (source_v, source_ohm) = self.source_near(volts, state);
        (volts - source_v) / source_ohm
    }

    /// The voltage in V and resistance in Ω of the source that the battery is,
    /// near `volts` and within a second or two.
    pub fn source_near(&self, volts: f64, state: &BatteryState) -> (f64, f64) {
        let source_v = self.open_circuit_v(state) + state.fast_v + state.slow_v;
        let branch = self.branch_ohm(volts - source_v, state.state_of_charge);
        (source_v, self.ohmic_ohm + branch)
    }

    /// Current in A through the charge transfer: what flows on once the double
    /// layer's own current is over. Positive: charging.
    pub fn transfer_a(&self, state: &BatteryState) -> f64 {
        state.double_layer_v / self.branch_ohm(state.double_layer_v, state.state_of_charge)
    }

    fn branch_ohm(&self, push_v: f64, state_of_charge: f64) -> f64 {
        if push_v > 0.0 { self.acceptance_ohm(state_of_charge) } else { self.transfer_ohm }
    }

    /// Goes on in equal steps, long against the double layer.
    pub fn paced(&self, step_s: f64) -> Paced<'_> {
        let kept = |time_constant_s: f64| (-step_s / time_constant_s).exp();
        Paced {
            battery: self,
            charged_per_a: step_s / 3600.0 / self.capacity_ah,
            built_per_a: step_s / self.surface.build_as,
            stripped_per_a: step_s / self.surface.strip_as,
            surface_faded: step_s / self.surface.fade_s,
            fast_kept: kept(self.fast.time_constant_s),
            slow_kept: kept(self.slow.time_constant_s),
            surface_kept: kept(self.surface.fade_s),
        }
    }

    /// The state after `step_s` of `current_a` (positive: charging). Steps of 10
    /// ms or less follow the double layer.
    pub fn advance(&self, state: &BatteryState, current_a: f64, step_s: f64) -> BatteryState {
        let charge = state.state_of_charge + current_a * step_s / 3600.0 / self.capacity_ah;
        let branch = self.branch_ohm(state.double_layer_v, state.state_of_charge);
        let layer =
            Polarization { resistance_ohm: branch, time_constant_s: branch * self.double_layer_f };
        let surface = &self.surface;
        let next_surface = if current_a > 0.0 {
            surface.built_v(state.surface_v, current_a, step_s)
        } else {
            state.surface_v
                * (current_a * step_s / surface.strip_as - step_s / surface.fade_s).exp()
        };
        BatteryState {
            state_of_charge: charge.clamp(0.0, 1.0),
            surface_v: next_surface.max(0.0),
            double_layer_v: layer.advance(state.double_layer_v, current_a, step_s),
            fast_v: self.fast.advance(state.fast_v, current_a, step_s),
            slow_v: self.slow.advance(state.slow_v, current_a, step_s),
        }
    }
}

/// eˣ; near zero, where a step's exponents lie, by the first seven terms of its series in a
/// fraction of the time: x⁷/5040 short.
fn exp(x: f64) -> f64 {
    const NEAR: f64 = 0.1;
    if x.abs() > NEAR {
        return x.exp();
    }
    [6.0, 5.0, 4.0, 3.0, 2.0, 1.0].iter().fold(1.0, |sum, n| 1.0 + sum * x * (1.0 / n))
}

/// [`Battery::advance`] in equal steps, with their common factors computed once. The double layer
/// is assumed to be settled.
pub struct Paced<'a> {
    battery: &'a Battery,
    /// Changes by one ampere in one step: of the charge, and of the surface charge up and down.
    charged_per_a: f64,
    built_per_a: f64,
    stripped_per_a: f64,
    surface_faded: f64,
    fast_kept: f64,
    slow_kept: f64,
    surface_kept: f64,
}

impl Paced<'_> {
    /// The state after one step of `current_a` (positive: charging).
    pub fn advance(&self, state: &BatteryState, current_a: f64) -> BatteryState {
        let Battery { fast, slow, surface, .. } = self.battery;
        let charge = state.state_of_charge + current_a * self.charged_per_a;
        let surface_v = if current_a > 0.0 {
            let left = exp(-current_a * self.built_per_a);
            let built_v = surface.most_v + (state.surface_v - surface.most_v) * left;
            built_v - state.surface_v * self.surface_faded
        } else if state.surface_v > 0.0 {
            state.surface_v * exp(current_a * self.stripped_per_a) * self.surface_kept
        } else {
            0.0
        };
        let moved = |part: &Polarization, volts: f64, kept: f64| {
            let end_v = current_a * part.resistance_ohm;
            end_v + (volts - end_v) * kept
        };
        let branch = self.battery.branch_ohm(current_a, state.state_of_charge);
        BatteryState {
            state_of_charge: charge.clamp(0.0, 1.0),
            surface_v: surface_v.max(0.0),
            double_layer_v: current_a * branch,
            fast_v: moved(fast, state.fast_v, self.fast_kept),
            slow_v: moved(slow, state.slow_v, self.slow_kept),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rule of thumb that ten kelvin double a reaction rate holds for some 50 kJ/mol; with
    /// 40 kJ/mol it is a factor of 1.75 from 15 to 25 °C (by hand, R = 8.314 J/(mol K)).
    #[test]
    fn charge_transfer_is_slower_in_the_cold() {
        assert_eq!(transfer_over_mild(MILD_C), 1.0);
        assert!((transfer_over_mild(15.0) - 1.750).abs() < 0.002);
    }

    /// The standard library's is right to the last place or two.
    #[test]
    fn the_quick_exponential_is_as_near_as_its_remainder_says() {
        for k in -3000..=3000 {
            let x = f64::from(k) * 1e-4;
            let most = if x.abs() > 0.1 { 0.0 } else { 1.2 * x.abs().powi(7) / 5040.0 + 4e-16 };
            assert!((exp(x) - x.exp()).abs() <= most, "{x}");
        }
        assert_eq!(exp(0.0), 1.0);
    }
}
