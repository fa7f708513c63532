//! What the pictures are drawn from.

use serde::{Deserialize, Serialize};

/// The traces behind the pictures, decimated so that their size does not grow
/// with the log: each bucket keeps its lowest and highest value.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Picture {
    pub voltage: Envelope,
    /// Voltages at taps other than the bus, named by tap.
    pub other_voltages: Vec<NamedEnvelope>,
    pub engine_rpm: Option<Envelope>,
    pub loads: Vec<Lane>,
    /// One window a load step, in the order of `load_steps`; of a very long log only of
    /// the first ones.
    pub steps: Vec<Envelope>,
    /// Voltage against engine speed in steady running, by load set.
    pub speed: Vec<SpeedCloud>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Envelope {
    /// Start of each bucket; `low` and `high` are the extremes in it. An
    /// undecimated stretch has one sample a bucket. A gap in the log is a
    /// bucket whose `low` and `high` are `None`.
    pub time_s: Vec<f64>,
    pub low: Vec<Option<f64>>,
    pub high: Vec<Option<f64>>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NamedEnvelope {
    pub name: String,
    pub envelope: Envelope,
}

/// When a load was on, as runs of constant duty (0 to 1).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Lane {
    pub load: String,
    pub runs: Vec<LaneRun>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LaneRun {
    pub start_s: f64,
    pub end_s: f64,
    pub duty: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpeedCloud {
    pub loads: Vec<String>,
    pub rpm: Vec<f64>,
    pub voltage_v: Vec<f64>,
}
