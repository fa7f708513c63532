//! The units of a report. The analysis is in SI units throughout. Pages, pictures and
//! terminal text convert its numbers, and the sentences that a diagnosis holds.

mod sentences;
mod shown;

use std::borrow::Cow;

use clap::ValueEnum;
use serde::{Deserialize, Serialize};

use crate::car::cable::{CableRun, Gauge};
use crate::diagnosis::Diagnosis;
use crate::format::{
    DEGREE, FAHRENHEIT, MILLIVOLT_PER_DEGREE, MILLIVOLT_PER_FAHRENHEIT, Unit, number,
};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Units {
    /// °C, m, mm²
    #[default]
    Metric,
    /// °F, ft, AWG first
    Imperial,
}

/// A value with its sentences in the units that its reader asked for; its numbers stay.
pub trait Spoken: Clone {
    fn spoken(&self) -> Cow<'_, Self>;
}

impl Spoken for Diagnosis {
    fn spoken(&self) -> Cow<'_, Diagnosis> {
        match self.units {
            Units::Metric => Cow::Borrowed(self),
            Units::Imperial => Cow::Owned(shown::imperial(self)),
        }
    }
}

impl Units {
    pub fn is_metric(&self) -> bool {
        *self == Units::Metric
    }

    pub fn degree(self) -> Unit {
        match self {
            Units::Metric => DEGREE,
            Units::Imperial => FAHRENHEIT,
        }
    }

    /// A temperature as a number, for what [`Units::degree`] would round.
    pub fn temperature(self, temperature_c: f64) -> f64 {
        match self {
            Units::Metric => temperature_c,
            Units::Imperial => 32.0 + 1.8 * temperature_c,
        }
    }

    pub fn millivolt_per_degree(self) -> Unit {
        match self {
            Units::Metric => MILLIVOLT_PER_DEGREE,
            Units::Imperial => MILLIVOLT_PER_FAHRENHEIT,
        }
    }

    /// "3.2 m" or "10.5 ft".
    pub fn length(self, metres: f64) -> String {
        match self {
            Units::Metric => format!("{metres} m"),
            Units::Imperial => format!("{} ft", number(metres * sentences::FEET_PER_METRE, 1)),
        }
    }

    /// "25 mm²", or by the nearest gauge first: "3 AWG (25 mm²)".
    pub fn gauge(self, gauge: Gauge) -> String {
        match (self, gauge) {
            (Units::Imperial, Gauge::Mm2(area_mm2)) => sentences::nearest_first(area_mm2),
            _ => gauge.to_string(),
        }
    }

    /// "4 AWG over 3.2 m"
    pub fn cable(self, run: &CableRun) -> String {
        match self {
            Units::Metric => run.to_string(),
            Units::Imperial => {
                format!("{} over {}", self.gauge(run.gauge), self.length(run.length_m))
            }
        }
    }
}
