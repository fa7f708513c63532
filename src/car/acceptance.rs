//! Criteria by which a repair is accepted, agreed before the test.

use serde::{Deserialize, Serialize};

use crate::levels;
use crate::nominal::Nominal;
use crate::segment::kinds::Heat;

/// Criteria stated in a `car.toml`; the others have defaults.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AcceptanceFacts {
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub loads: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hold_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub within_v: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub heat: Option<AskedHeat>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub least_setpoint_v: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub most_setpoint_v: Option<f64>,
}

/// With all loads on at idle, the voltage must stay this close to the setpoint for this time, at
/// this temperature, and the battery must not discharge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Acceptance {
    /// Loads that must be on together, as named in the log before the repair; if empty, all loads
    /// that it used.
    pub loads: Vec<String>,
    /// Duration without a break.
    pub hold_s: f64,
    /// Maximum distance below the setpoint.
    pub within_v: f64,
    pub heat: AskedHeat,
    /// Limits of the setpoint itself.
    pub least_setpoint_v: f64,
    pub most_setpoint_v: f64,
}

/// Defaults of a 12 V system.
impl Default for Acceptance {
    fn default() -> Acceptance {
        AcceptanceFacts::default().of(Nominal::V12)
    }
}

/// Minimum temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum AskedHeat {
    Hot,
    Warm,
    /// Temperature does not matter and need not be logged.
    Any,
}

impl AskedHeat {
    pub fn word(self) -> &'static str {
        match self {
            AskedHeat::Hot => "hot",
            AskedHeat::Warm => "warm",
            AskedHeat::Any => "any",
        }
    }

    pub fn is_met_by(self, heat: Heat) -> bool {
        match self {
            AskedHeat::Hot => heat == Heat::Hot,
            AskedHeat::Warm => matches!(heat, Heat::Warm | Heat::Hot),
            AskedHeat::Any => true,
        }
    }
}

impl AcceptanceFacts {
    /// Adds the defaults of that system.
    pub fn of(&self, nominal: Nominal) -> Acceptance {
        let [least_v, most_v] = levels::ACCEPTED_SETPOINT.map(|level| nominal.volts(level));
        Acceptance {
            loads: self.loads.clone(),
            hold_s: self.hold_s.unwrap_or(60.0),
            within_v: self.within_v.unwrap_or(nominal.volts(levels::ACCEPTED)),
            heat: self.heat.unwrap_or(AskedHeat::Hot),
            least_setpoint_v: self.least_setpoint_v.unwrap_or(least_v),
            most_setpoint_v: self.most_setpoint_v.unwrap_or(most_v),
        }
    }

    /// A key with a value that is impossible for every system the car may have.
    pub fn senseless(&self, nominal: Option<Nominal>) -> Option<(&'static str, String)> {
        let systems = nominal.map_or(Nominal::ALL.to_vec(), |nominal| vec![nominal]);
        let wrong = systems.into_iter().map(|nominal| self.of(nominal).senseless());
        // One possible system is enough. Otherwise the error is that of 12 V.
        let all: Option<Vec<_>> = wrong.collect();
        all.and_then(|wrong| wrong.into_iter().nth(if nominal.is_some() { 0 } else { 1 }))
    }
}

impl Acceptance {
    /// A key with an impossible value, and what is wrong with it.
    pub fn senseless(&self) -> Option<(&'static str, String)> {
        let amounts = [
            ("hold_s", self.hold_s),
            ("within_v", self.within_v),
            ("least_setpoint_v", self.least_setpoint_v),
            ("most_setpoint_v", self.most_setpoint_v),
        ];
        if let Some((name, value)) = amounts.into_iter().find(|(_, v)| !(v.is_finite() && *v > 0.0))
        {
            return Some((name, format!("{name} = {value} is not an amount above 0")));
        }
        (self.least_setpoint_v >= self.most_setpoint_v).then(|| {
            let seen = format!(
                "least_setpoint_v = {} is not below most_setpoint_v = {}",
                self.least_setpoint_v, self.most_setpoint_v
            );
            ("least_setpoint_v", seen)
        })
    }
}
