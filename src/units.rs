//! The units a report speaks in. What is analysed is SI throughout, sentences included;
//! whoever asks for °F, feet and AWG gets them where words and pictures are made of it.

mod sentences;
mod shown;

use std::borrow::Cow;

use clap::ValueEnum;
use serde::{Deserialize, Serialize};

use crate::comparison::Comparison;
use crate::diagnosis::Diagnosis;
use crate::format::{
    DEGREE, FAHRENHEIT, MILLIVOLT_PER_DEGREE, MILLIVOLT_PER_FAHRENHEIT, Unit, number,
};
use crate::plan::Plan;
use crate::review::Review;

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
    fn units(&self) -> Units;
    fn in_imperial(&self) -> Self;

    fn spoken(&self) -> Cow<'_, Self> {
        match self.units() {
            Units::Metric => Cow::Borrowed(self),
            Units::Imperial => Cow::Owned(self.in_imperial()),
        }
    }
}

macro_rules! spoken {
    ($($value:ty, $imperial:path;)*) => {
        $(impl Spoken for $value {
            fn units(&self) -> Units {
                self.units
            }

            fn in_imperial(&self) -> Self {
                $imperial(self)
            }
        })*
    };
}

spoken! {
    Diagnosis, shown::diagnosis;
    Plan, shown::plan;
    Comparison, shown::comparison;
    Review, shown::review;
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

    /// A sentence that quotes no log.
    pub fn sentence(self, text: String) -> String {
        match self {
            Units::Metric => text,
            Units::Imperial => sentences::imperial(&text),
        }
    }
}
