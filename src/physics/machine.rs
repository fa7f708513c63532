//! An alternator on its pulleys, in its heat, against a bus: what it can give.

use super::alternator::{Derating, OutputCurve, as_tested_rpm};

/// One machine as it is fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct Machine {
    pub curve: OutputCurve,
    /// Voltage and temperature of the curve's test.
    pub test_v: f64,
    pub test_c: f64,
    /// Alternator speed over engine speed.
    pub ratio: f64,
    /// Output over the curve's, the machine cold: age, spread, a tired rectifier.
    pub share: f64,
    pub derating: Derating,
    /// 0: its current does not mind the bus voltage; 1: as an ideal machine's,
    /// see [`as_tested_rpm`].
    pub voltage_share: f64,
}

impl Machine {
    /// Amps at full field. Beyond its last point the curve is level.
    pub fn available_a(&self, engine_rpm: f64, bus_v: f64, machine_c: f64) -> f64 {
        let rpm = engine_rpm * self.ratio;
        let tested = as_tested_rpm(rpm, bus_v, self.test_v);
        let read_rpm = rpm + self.voltage_share * (tested - rpm);
        self.curve.output(read_rpm).amps_a.max(0.0) * self.heat(machine_c)
    }

    /// Output over the curve's at a temperature of the machine.
    fn heat(&self, machine_c: f64) -> f64 {
        self.share * self.derating.factor(machine_c) / self.derating.factor(self.test_c)
    }

    /// The lowest engine speed at which it gives `amps_a`; `None` where it never
    /// does.
    pub fn rpm_for(&self, amps_a: f64, bus_v: f64, machine_c: f64) -> Option<f64> {
        if amps_a <= 0.0 {
            return Some(0.0);
        }
        let read_rpm = self.curve.rpm_for(amps_a, self.heat(machine_c))?;
        let carried = 1.0 + self.voltage_share * (self.test_v / bus_v - 1.0);
        Some(read_rpm / carried / self.ratio)
    }
}
