//! The result of a review of many logs: one value, serialized as `review.json`. The
//! page, the pictures and the terminal's table are drawn from it alone.
//!
//! Units end the names of fields. Paths are written with `/` between folders. What is
//! not known is `None` (`null`). Names bind; fields may be added.

use chrono::NaiveDateTime;
use serde::{Deserialize, Serialize};

use crate::diagnosis::{Bound, BusState, Heat, Severity, VerdictWord};
use crate::estimate::Estimate;
use crate::units::Units;

pub const SCHEMA: &str = "stiffbus.review.v1";

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Review {
    pub schema: String,
    /// Version of the tool that wrote this.
    pub version: String,
    /// The whole review in a sentence.
    pub headline: String,
    /// Every log once, the worst first: see [`super::order`].
    pub rows: Vec<Row>,
    /// The car with the worst log first.
    pub cars: Vec<CarDay>,
    /// How many of `rows` are [`LogResult::Read`].
    pub analysed: usize,
    /// How many of `rows` are [`LogResult::Failed`].
    pub failed: usize,
    /// How many of `rows` are [`LogResult::SameAs`] and count for nothing.
    #[serde(default)]
    pub copies: usize,
    /// What lay in the folders and was not read as a log.
    #[serde(default)]
    pub left_out: Vec<LeftOut>,
    /// Safety words that belong under every review.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// Units of page and terminal; not part of the result.
    #[serde(skip)]
    pub units: Units,
}

/// All logs of one car.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CarDay {
    /// As `Row::car`; no two are alike.
    pub name: String,
    pub grouped_by: GroupedBy,
    /// Indices into `Review::rows`, in the order of time: see [`super::order`].
    pub rows: Vec<usize>,
    /// The same running seen again over the day, that with the deepest voltage first.
    pub soak: Vec<Soak>,
    /// Reasons to doubt that these logs are of one car, and what settles it.
    #[serde(default)]
    pub doubts: Vec<String>,
}

/// How it is known that these logs are of one car.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GroupedBy {
    /// They lie in one folder.
    #[default]
    Folder,
    /// They lie in one folder and their names begin alike: see [`super::names`].
    Name,
    /// `[job] vehicle` of the `car.toml` beside them.
    CarFile,
    /// Their paths match `--car-pattern`.
    Pattern,
}

impl GroupedBy {
    pub fn words(self) -> &'static str {
        match self {
            GroupedBy::Folder => "by folder",
            GroupedBy::Name => "by name",
            GroupedBy::CarFile => "by car.toml",
            GroupedBy::Pattern => "by --car-pattern",
        }
    }
}

/// One log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Its path from the reviewed folder.
    pub log: String,
    pub car: String,
    /// Clock of the first sample, if the log has one.
    pub started: Option<NaiveDateTime>,
    /// Its place among the logs of its car in the order of time, from 1.
    pub order: usize,
    pub result: LogResult,
}

impl Row {
    /// What the log says; `None` where it could not be read.
    pub fn summary(&self) -> Option<&Summary> {
        match &self.result {
            LogResult::Read(summary) => Some(summary),
            LogResult::Failed(_) | LogResult::SameAs(_) => None,
        }
    }

    pub fn is_copy(&self) -> bool {
        matches!(self.result, LogResult::SameAs(_))
    }
}

impl Review {
    /// How many logs there are; a file that is there twice is one.
    pub fn logs(&self) -> usize {
        self.analysed + self.failed
    }

    /// How many cars there are logs of.
    pub fn counted_cars(&self) -> usize {
        let has_log = |car: &&CarDay| {
            car.rows.iter().any(|&k| self.rows.get(k).is_some_and(|row| !row.is_copy()))
        };
        self.cars.iter().filter(has_log).count()
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LogResult {
    Read(Box<Summary>),
    Failed(Failure),
    /// Byte for byte the log of this path, as `Row::log`.
    SameAs(String),
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Failure {
    /// What is wrong and what to do, in words for the person reading.
    pub reason: String,
    /// The tool failed, not the log: worth reporting to its maintainer.
    #[serde(default)]
    pub our_fault: bool,
}

/// The result of one log in short; its own report has all of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    pub sha256: String,
    /// The log's report folder, from the folder that `index.html` is in. It holds
    /// `report.html`.
    pub report: String,
    pub rows_read: usize,
    pub rows_skipped: usize,
    pub duration_s: f64,
    pub verdict: VerdictWord,
    /// One sentence.
    pub headline: String,
    /// The voltage the regulator held.
    pub setpoint_v: Option<Estimate>,
    /// The operating point in the worst state; among equals the one with the largest
    /// deficit, then the one farthest under the setpoint.
    pub worst: Option<WorstPoint>,
    /// The lowest voltage that the bus came to rest at while the engine ran.
    pub lowest: Option<LowestHeld>,
    /// The largest implied deficit of any operating point; 0 where none drains.
    pub deficit_a: Option<Estimate>,
    /// The set of loads that asks for the most speed.
    pub keep_up: Option<KeepUpSpeed>,
    /// The running that lost the most volts to heat; `None` where none lost any.
    pub heat_loss: Option<HeatLoss>,
    /// The worst first.
    pub findings: Vec<FindingMark>,
    pub quality: Quality,
    pub sketch: Sketch,
    /// What the soak curve is made of: the operating points whose loads the log
    /// names, in the order of time. Empty in a whole [`Review`], whose curves hold them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub points: Vec<SoakPoint>,
}

/// An operating point, in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WorstPoint {
    pub loads: Vec<String>,
    /// The band of engine speed; `None` if it is not logged.
    pub rpm_low: Option<f64>,
    /// `None` too in the highest band, which has no upper edge.
    pub rpm_high: Option<f64>,
    /// Median engine speed seen.
    pub rpm: Option<f64>,
    pub heat: Heat,
    pub voltage_v: Estimate,
    pub under_setpoint_v: Option<Estimate>,
    pub state: BusState,
    /// 0 to 1; under 0.9 words about the state must say that it may be another.
    pub state_confidence: f64,
    pub implied_deficit_a: Option<Estimate>,
    pub seconds: f64,
    /// When it was first seen.
    pub at_s: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LowestHeld {
    pub voltage_v: Estimate,
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    /// Median engine speed seen.
    pub rpm: Option<f64>,
    pub heat: Heat,
    /// When it was first seen.
    pub at_s: f64,
    /// For how long in all.
    pub seconds: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeepUpSpeed {
    pub loads: Vec<String>,
    /// Engine speed; `None` where only `bound` is known.
    pub rpm: Option<Estimate>,
    pub bound: Bound,
    pub seen_low_rpm: f64,
    pub seen_high_rpm: f64,
    pub told: String,
}

/// The same running, early and late in one log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeatLoss {
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    /// Volts lost from early to late: positive. Some of it may be the setpoint's own drift.
    pub lost_v: Estimate,
    pub lost_per_minute_v: Option<Estimate>,
    pub told: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingMark {
    /// Stable, kebab-case.
    pub id: String,
    pub severity: Severity,
    pub statement: String,
}

/// How good the recording is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Quality {
    /// Each a few words ("3 rows skipped", "2 gaps, 4.1 s", "engine speed not
    /// logged"), the weightiest first; empty where there is nothing to say.
    pub remarks: Vec<String>,
    pub bad_cells: usize,
    pub gaps: usize,
    pub gaps_s: f64,
    /// Median time between samples.
    pub sample_interval_s: f64,
    /// Quantization step of the bus voltage; `None` where finer than its noise.
    pub resolution_v: Option<f64>,
    /// Roles that no column holds: `engine_rpm`, `load`, `temperature`.
    pub missing: Vec<String>,
    /// Names of the columns that were used, in the order of the file.
    #[serde(default)]
    pub columns: Vec<String>,
}

/// The bus voltage for a thumbnail: at most [`Sketch::MOST_COLUMNS`] columns of equal
/// width from the first sample to the last. The three lists are of one length.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Sketch {
    pub duration_s: f64,
    /// Lowest and highest voltage in each column, to the millivolt; `None` in a gap.
    pub low_v: Vec<Option<f64>>,
    pub high_v: Vec<Option<f64>>,
    /// The worst state of the bus in each column; `None` where it was not settled.
    pub state: Vec<Option<BusState>>,
}

impl Sketch {
    pub const MOST_COLUMNS: usize = 120;
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SoakPoint {
    pub loads: Vec<String>,
    /// False if no column shows what is on: `loads` is empty and may be wrong.
    #[serde(default)]
    pub loads_logged: bool,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    /// Median engine speed seen.
    pub rpm: Option<f64>,
    pub heat: Heat,
    pub at_s: f64,
    pub seconds: f64,
    pub voltage_v: Estimate,
    pub under_setpoint_v: Option<Estimate>,
    pub state: BusState,
    pub state_confidence: f64,
}

/// The soak curve: the same loads in the same speed band, log after log of one car.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Soak {
    pub loads: Vec<String>,
    /// False if no column shows what is on: `loads` is empty and may be wrong.
    #[serde(default)]
    pub loads_logged: bool,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    /// In the order of time; from two logs at least.
    pub readings: Vec<SoakReading>,
    /// Last reading less the first.
    pub overall_v: Estimate,
    /// All of it in one sentence.
    pub told: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SoakReading {
    /// As `Row::log`.
    pub log: String,
    /// As `Row::started` and `Row::order`.
    pub started: Option<NaiveDateTime>,
    pub order: usize,
    /// When in that log it was first seen.
    pub at_s: f64,
    pub seconds: f64,
    pub heat: Heat,
    pub rpm: Option<f64>,
    pub voltage_v: Estimate,
    pub under_setpoint_v: Option<Estimate>,
    pub state: BusState,
    /// 0 to 1; under 0.9 words about the state must say that it may be another.
    pub state_confidence: f64,
    /// This voltage less that of the reading before; `None` at the first.
    pub change_v: Option<Estimate>,
}

/// Files and folders that were not read as logs, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeftOut {
    pub reason: String,
    pub count: usize,
    /// The first of them, sorted, from the reviewed folder.
    pub first: Vec<String>,
}
