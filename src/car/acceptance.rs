//! What was agreed to count as repaired, before anybody looked.

use serde::{Deserialize, Serialize};

use crate::diagnosis::Heat;

/// All loads on together at idle have to be carried this long, this hot, this near
/// to the setpoint, and the battery must never give.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Acceptance {
    /// Loads that have to be on together, as the log before the repair names
    /// them; none named: every load that it used.
    pub loads: Vec<String>,
    /// How long without a break.
    pub hold_s: f64,
    /// No further than this under the setpoint.
    pub within_v: f64,
    pub heat: AskedHeat,
    /// The setpoint itself has to lie between these.
    pub least_setpoint_v: f64,
    pub most_setpoint_v: f64,
}

/// Common practice, no source: a warm regulator holds 13.8 to 14.7 V, a soaked
/// one somewhat less, and above 15.0 V a battery is over-charged.
impl Default for Acceptance {
    fn default() -> Acceptance {
        Acceptance {
            loads: Vec::new(),
            hold_s: 60.0,
            within_v: 0.2,
            heat: AskedHeat::Hot,
            least_setpoint_v: 13.5,
            most_setpoint_v: 15.0,
        }
    }
}

/// At least this hot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum AskedHeat {
    Hot,
    Warm,
    /// Heat is not asked for, nor that it is logged.
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

impl Acceptance {
    /// A key whose value cannot be asked for, and what is wrong with it.
    pub fn senseless(&self) -> Option<(&'static str, String)> {
        let amounts = [
            ("hold_s", self.hold_s),
            ("within_v", self.within_v),
            ("least_setpoint_v", self.least_setpoint_v),
            ("most_setpoint_v", self.most_setpoint_v),
        ];
        if let Some((name, value)) = amounts.into_iter().find(|(_, v)| !(v.is_finite() && *v > 0.0))
        {
            return Some((name, format!("{name} = {value} is no amount above 0")));
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
