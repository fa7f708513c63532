//! Kinds of phase, load step and heat band. The contracts use the same types.

use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PhaseKind {
    Rest,
    Cranking,
    Running,
}

impl PhaseKind {
    pub fn word(self) -> &'static str {
        match self {
            PhaseKind::Rest => "rest",
            PhaseKind::Cranking => "cranking",
            PhaseKind::Running => "running",
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Phase {
    pub kind: PhaseKind,
    pub start_s: f64,
    pub end_s: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    On,
    Off,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Origin {
    Declared,
    Detected,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Heat {
    Cold,
    Warm,
    Hot,
    Unknown,
}

impl Heat {
    pub fn word(self) -> &'static str {
        match self {
            Heat::Cold => "cold",
            Heat::Warm => "warm",
            Heat::Hot => "hot",
            Heat::Unknown => "unknown",
        }
    }
}
