//! A number that carries how far it may be off and how it is known.

use serde::{Deserialize, Deserializer, Serialize};

/// How a number is known, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Grade {
    /// Read off a channel of the log.
    Measured,
    /// Follows from other channels and a stated fact about the car.
    Inferred,
    /// Rests on a common value nobody checked on this car.
    Assumed,
}

impl Grade {
    pub fn word(self) -> &'static str {
        match self {
            Grade::Measured => "measured",
            Grade::Inferred => "inferred",
            Grade::Assumed => "assumed",
        }
    }
}

/// A value with its 90 % interval (`low` to `high`), in the unit its field's name ends with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    #[serde(deserialize_with = "or_unknown")]
    pub value: f64,
    #[serde(deserialize_with = "or_unbounded_below")]
    pub low: f64,
    #[serde(deserialize_with = "or_unbounded_above")]
    pub high: f64,
    pub grade: Grade,
    /// A few words: what it was computed from.
    pub how: String,
}

/// JSON knows neither NaN nor infinity: what is unknown or without limit is `null`
/// there, and has to be read again.
fn or_unknown<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or(f64::NAN))
}

fn or_unbounded_below<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or(f64::NEG_INFINITY))
}

fn or_unbounded_above<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or(f64::INFINITY))
}

impl Estimate {
    pub fn new(value: f64, low: f64, high: f64, grade: Grade, how: impl Into<String>) -> Self {
        Estimate { value, low, high, grade, how: how.into() }
    }

    /// A symmetric interval.
    pub fn around(value: f64, half_width: f64, grade: Grade, how: impl Into<String>) -> Self {
        Self::new(value, value - half_width, value + half_width, grade, how)
    }

    /// The other way round: a change told as a loss.
    pub fn negated(&self) -> Estimate {
        Estimate { value: -self.value, low: -self.high, high: -self.low, ..self.clone() }
    }

    pub fn half_width(&self) -> f64 {
        (self.high - self.low) / 2.0
    }

    pub fn contains(&self, truth: f64) -> bool {
        self.low <= truth && truth <= self.high
    }
}
