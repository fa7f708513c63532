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
    /// Every channel, for whoever looks closer.
    #[serde(default)]
    pub samples: Samples,
}

/// Every channel sample by sample; of a long log in buckets of equally many samples, each
/// with its lowest and highest. Series are texts of differences between whole steps,
/// as [`encode`](crate::picture::encode) writes them.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Samples {
    /// 1 where every sample is here.
    pub bucket_samples: usize,
    pub ticks_per_s: u32,
    /// Time of the first sample of each bucket, in ticks.
    pub time: String,
    /// The bus voltage first.
    pub channels: Vec<Channel>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Channel {
    /// As the file names its column.
    pub name: String,
    /// [`Role::word`](crate::log::Role::word).
    pub role: String,
    /// The tap of a voltage or the place of a temperature.
    pub tap: Option<String>,
    /// Of a load, whose values are duties from 0 to 1, none.
    pub unit: String,
    pub steps_per_unit: u32,
    /// The samples, or the lowest of each bucket.
    pub low: String,
    /// The highest of each bucket, and how many ticks after the bucket's first
    /// sample lowest and highest were seen.
    pub high: Option<String>,
    pub low_after: Option<String>,
    pub high_after: Option<String>,
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
