//! A number that carries how far it may be off and how it is known.

use serde::{Deserialize, Serialize};

use crate::stats::weighted::weighted_quantiles;

/// All interval estimates cover their truth this often.
pub const LEVEL: f64 = 0.90;
/// Half of such an interval, in standard deviations of a normal distribution.
pub const Z90: f64 = 1.645;

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
    #[serde(deserialize_with = "crate::json::or_nan")]
    pub value: f64,
    #[serde(deserialize_with = "crate::json::or_lowest")]
    pub low: f64,
    #[serde(deserialize_with = "crate::json::or_highest")]
    pub high: f64,
    pub grade: Grade,
    /// A few words: what it was computed from.
    pub how: String,
}

impl Estimate {
    pub fn new(value: f64, low: f64, high: f64, grade: Grade, how: impl Into<String>) -> Self {
        Estimate { value, low, high, grade, how: how.into() }
    }

    /// A symmetric interval.
    pub fn around(value: f64, half_width: f64, grade: Grade, how: impl Into<String>) -> Self {
        Self::new(value, value - half_width, value + half_width, grade, how)
    }

    /// Median and 90 % interval of weighted samples.
    pub fn of_samples(
        samples: &[f64],
        weights: &[f64],
        grade: Grade,
        how: impl Into<String>,
    ) -> Self {
        let [value, low, high] = weighted_quantiles(samples, weights, [0.5, 0.05, 0.95]);
        Self::new(value, low, high, grade, how)
    }

    /// The other way round: a change stated as a loss.
    pub fn negated(&self) -> Estimate {
        Estimate { value: -self.value, low: -self.high, high: -self.low, ..self.clone() }
    }

    /// The same, further up.
    pub fn shifted(&self, by: f64) -> Estimate {
        let Estimate { value, low, high, .. } = *self;
        Estimate { value: value + by, low: low + by, high: high + by, ..self.clone() }
    }

    /// Of a quantity that cannot be less than `least`.
    pub fn at_least(&self, least: f64) -> Estimate {
        let Estimate { value, low, high, .. } = *self;
        let [value, low, high] = [value, low, high].map(|x| x.max(least));
        Estimate { value, low, high, ..self.clone() }
    }

    /// `self` less `other`, whose errors have nothing to do with each other: each side as wide
    /// as theirs are together.
    pub fn less(&self, other: &Estimate, how: impl Into<String>) -> Estimate {
        let value = self.value - other.value;
        let below = (self.value - self.low).hypot(other.high - other.value);
        let above = (self.high - self.value).hypot(other.value - other.low);
        let grade = self.grade.max(other.grade);
        Self::new(value, value - below, value + above, grade, how)
    }

    pub fn half_width(&self) -> f64 {
        (self.high - self.low) / 2.0
    }

    pub fn contains(&self, truth: f64) -> bool {
        self.low <= truth && truth <= self.high
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 20 (14 to 30) less 2 (0 to 5) is 18, down by √(6² + 3²), up by √(10² + 2²).
    #[test]
    fn a_difference_keeps_its_sides_apart() {
        let more = Estimate::new(20.0, 14.0, 30.0, Grade::Measured, "");
        let fewer = Estimate::new(2.0, 0.0, 5.0, Grade::Inferred, "");
        let left = more.less(&fewer, "left");
        assert_eq!((left.value, left.grade, left.how.as_str()), (18.0, Grade::Inferred, "left"));
        assert!((left.low - (18.0 - 45f64.sqrt())).abs() < 1e-12);
        assert!((left.high - (18.0 + 104f64.sqrt())).abs() < 1e-12);
    }
}
