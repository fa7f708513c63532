//! What a consumer draws at a given voltage, and just after it is switched on.

use super::REFERENCE_V;

/// How a consumer's current follows the voltage (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LoadKind {
    /// Filaments: current grows with about the root of the voltage, as they heat up.
    Lamp,
    /// Heaters and motors: current in proportion to voltage.
    Resistive,
    /// Drivers with a switching supply: constant power, so current falls as voltage rises.
    Electronic,
}

impl LoadKind {
    /// The exponent k in amps = reference amps × (V / 13.5)^k.
    pub fn exponent(self) -> f64 {
        match self {
            LoadKind::Lamp => 0.5,
            LoadKind::Resistive => 1.0,
            LoadKind::Electronic => -1.0,
        }
    }
}

/// Below this many volts a switching supply browns out: its current then falls
/// with the voltage, or no bus could be solved (our choice).
const BROWN_OUT_V: f64 = 8.0;

/// The loads that hang on one node, as amps at 13.5 V of each kind.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Draw {
    pub lamp_a: f64,
    pub resistive_a: f64,
    pub electronic_a: f64,
}

impl Draw {
    pub fn add(&mut self, kind: LoadKind, reference_a: f64) {
        match kind {
            LoadKind::Lamp => self.lamp_a += reference_a,
            LoadKind::Resistive => self.resistive_a += reference_a,
            LoadKind::Electronic => self.electronic_a += reference_a,
        }
    }

    /// Amps drawn at `volts`; none at or below 0 V.
    pub fn amps(&self, volts: f64) -> f64 {
        if volts <= 0.0 {
            return 0.0;
        }
        let ratio = volts / REFERENCE_V;
        let electronic = if volts >= BROWN_OUT_V {
            REFERENCE_V / volts
        } else {
            REFERENCE_V / BROWN_OUT_V * (volts / BROWN_OUT_V)
        };
        self.lamp_a * ratio.sqrt() + self.resistive_a * ratio + self.electronic_a * electronic
    }
}

/// The rush of current while a motor comes up to speed: `factor` times the
/// running current at first, fading with `time_constant_s`. Common practice, no
/// source: 2 to 4 times, gone in 0.2 to 0.6 s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inrush {
    pub factor: f64,
    pub time_constant_s: f64,
}

impl Inrush {
    /// A consumer without one.
    pub const NONE: Inrush = Inrush { factor: 1.0, time_constant_s: 1.0 };
}
