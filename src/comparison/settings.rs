//! How a log was read and what was stated of its car, so that it can be done again.

use serde::{Deserialize, Serialize};

use crate::car::Car;
use crate::nominal::Nominal;

#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// The log; its hash is its [`crate::log::Source`]'s.
    pub path: String,
    /// ROLE=NAME, as `car.toml` and flags gave them, those that win last.
    pub columns: Vec<String>,
    pub sample_rate_hz: Option<f64>,
    /// Of the system, where it was stated.
    pub nominal_v: Option<Nominal>,
    pub marks: Option<InputFile>,
    /// The alternator's output sheet.
    pub curve: Option<InputFile>,
    /// Facts about the car, but for its columns, its sheet's path, job and acceptance.
    pub car: Car,
}

/// A file that was read; its path from the report's folder.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InputFile {
    pub path: String,
    pub sha256: String,
}
