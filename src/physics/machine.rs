//! Output of an alternator on its pulleys, at its temperature, into a bus.

use super::alternator::{Derating, OutputCurve};

/// One alternator as installed.
#[derive(Debug, Clone, PartialEq)]
pub struct Machine {
    pub curve: OutputCurve,
    /// Voltage and temperature of the curve's test.
    pub test_v: f64,
    pub test_c: f64,
    /// Alternator speed over engine speed.
    pub ratio: f64,
    /// Output over the curve's when cold: age, spread, a worn rectifier.
    pub share: f64,
    pub derating: Derating,
    /// How the flux of a full field follows the bus that feeds it, flux ∝ U^σ: 0 where
    /// its iron is saturated, 1 where it is not at all.
    pub flux_exponent: f64,
}

impl Machine {
    /// Amps at full field. Beyond its last point the curve is level.
    ///
    /// An ideal alternator's EMF goes with flux and speed, and its reactance with speed:
    ///
    /// ```text
    /// I(n, U) = √((k·n·U^σ)² − U²) / (l·n)
    ///         = (U/U₀)^σ · I(n·(U₀/U)^(1−σ), U₀)
    /// ```
    ///
    /// so a sheet at one voltage U₀ is enough. A saturated alternator delivers less into a
    /// higher bus (see [`as_tested_rpm`](super::alternator::as_tested_rpm)), one whose
    /// field gains by it gives more at speed; about idle the two nearly cancel.
    pub fn available_a(&self, engine_rpm: f64, bus_v: f64, machine_c: f64) -> f64 {
        let (slower, flux) = self.carried(bus_v);
        let read_rpm = engine_rpm * self.ratio * slower;
        self.curve.output(read_rpm).amps_a.max(0.0) * flux * self.heat(machine_c)
    }

    /// Speed at which the sheet is read over the speed, and amps over the sheet's.
    fn carried(&self, bus_v: f64) -> (f64, f64) {
        let ratio = self.test_v / bus_v;
        (ratio.powf(1.0 - self.flux_exponent), ratio.powf(-self.flux_exponent))
    }

    /// Output over the curve's at a temperature of the alternator.
    fn heat(&self, machine_c: f64) -> f64 {
        self.share * self.derating.factor(machine_c) / self.derating.factor(self.test_c)
    }

    /// The lowest engine speed at which it gives `amps_a`; `None` where it never
    /// does.
    pub fn rpm_for(&self, amps_a: f64, bus_v: f64, machine_c: f64) -> Option<f64> {
        if amps_a <= 0.0 {
            return Some(0.0);
        }
        let (slower, flux) = self.carried(bus_v);
        let read_rpm = self.curve.rpm_for(amps_a, flux * self.heat(machine_c))?;
        Some(read_rpm / slower / self.ratio)
    }
}
