//! Facts about the car that no log tells: from `car.toml` beside the log, or from flags.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Everything a person may state. All of it is optional: the tool runs on none.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Car {
    /// Role word to column name, as `--column role=NAME`; see [`crate::ingest::RoleRequest`].
    pub columns: BTreeMap<String, Names>,
    pub battery: BatteryFacts,
    pub alternator: AlternatorFacts,
    /// Amps of each load, by the load's name.
    pub loads_a: BTreeMap<String, f64>,
    pub starter_a: Option<f64>,
    /// The regulator's setpoint, where a sheet tells it.
    pub setpoint_v: Option<f64>,
}

/// One column name or several (loads).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Names {
    One(String),
    Many(Vec<String>),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BatteryKind {
    Flooded,
    Agm,
    Gel,
}

#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BatteryFacts {
    /// Cold-cranking amps by SAE J537.
    pub cca_a: Option<f64>,
    pub capacity_ah: Option<f64>,
    pub kind: Option<BatteryKind>,
}

#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AlternatorFacts {
    pub rated_a: Option<f64>,
    /// Alternator speed over engine speed.
    pub pulley_ratio: Option<f64>,
}
