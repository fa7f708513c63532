//! What the analysis of one log comes to: one value, serialised as
//! `diagnosis.json`. Every report, and compare, plan and review, are made from
//! this value alone. Times are seconds from the first sample.

mod judgement;
mod picture;
mod system;

use serde::{Deserialize, Serialize};

use crate::estimate::Estimate;
use crate::json;
use crate::log::{Column, Note, Source, Span};
use crate::units::Units;

pub use crate::segment::kinds::{Direction, Heat, Origin, Phase, PhaseKind};
pub use judgement::*;
pub use picture::*;
pub use system::*;

pub const SCHEMA: &str = "stiffbus.diagnosis.v2";

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Diagnosis {
    pub schema: String,
    /// Version of the tool that wrote this.
    pub version: String,
    pub source: Source,
    pub columns: Vec<Column>,
    pub notes: Vec<Note>,
    pub noise: Noise,
    pub phases: Vec<Phase>,
    /// Rests in which the engine may have run without the battery being charged; a mark settles it.
    #[serde(default)]
    pub doubtful_stops: Vec<Span>,
    /// The voltage the regulator held, at the middle of its drift.
    pub setpoint_v: Option<Estimate>,
    /// The setpoint over time, as far as the log shows it.
    #[serde(default)]
    pub setpoint_track: Vec<SetpointAt>,
    /// Where the setpoint moves over the log.
    pub setpoint_drift: Option<SetpointDrift>,
    /// What moves the setpoint; `None` with few held levels or a DC generator.
    #[serde(default)]
    pub regulation: Option<Regulation>,
    pub rest_voltage_v: Option<Estimate>,
    /// 0 to 100, from the rest voltage by common practice.
    pub state_of_charge_percent: Option<Estimate>,
    pub cranking: Option<Cranking>,
    pub load_steps: Vec<LoadStep>,
    pub operating_points: Vec<OperatingPoint>,
    pub keep_up: Vec<KeepUp>,
    pub heat: Vec<HeatPair>,
    pub line_drop: Vec<LineDrop>,
    pub battery: Battery,
    #[serde(default)]
    pub battery_use: Option<BatteryUse>,
    /// What the alternator gave, where its current is logged.
    pub output: Option<OutputSeen>,
    pub verdict: Verdict,
    pub findings: Vec<Finding>,
    /// Safety words that belong under every report of this log.
    pub cautions: Vec<String>,
    pub picture: Picture,
    /// Units of the reports; not part of the findings.
    #[serde(skip)]
    pub units: Units,
}

/// The setpoint at a moment. The interval widens away from levels that were held.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SetpointAt {
    pub at_s: f64,
    pub level_v: Estimate,
}

/// The bus voltage's own scatter while nothing changes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// Standard deviation within steady stretches.
    pub sigma_v: f64,
    /// The same with its interval, as beside every plain number read off the log.
    #[serde(default)]
    pub sigma: Option<Estimate>,
    /// Integrated autocorrelation time: samples closer than this tell little new.
    pub correlation_time_s: f64,
    #[serde(default)]
    pub correlation_time: Option<Estimate>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoadStep {
    /// From 1, in time order: the number plots and tables share.
    pub number: usize,
    pub at_s: f64,
    /// Until the next step, speed change or phase end.
    pub until_s: f64,
    pub load: Option<String>,
    pub direction: Direction,
    /// Change of duty, 0 to 1; `None` where only the voltage shows the step.
    pub duty_change: Option<f64>,
    pub origin: Origin,
    /// How long after the declared edge the voltage answered.
    pub lag_s: Option<f64>,
    #[serde(default)]
    pub lag: Option<Estimate>,
    /// False where the declared edge moved the voltage less than the noise shows.
    pub answered: bool,
    /// Where `baseline_v` and `settled_v` are read.
    pub baseline_span: Span,
    pub settled_span: Span,
    pub baseline_v: Estimate,
    pub trough_v: f64,
    pub trough_at_s: f64,
    pub trough: Estimate,
    pub sag_v: Estimate,
    pub settled_v: Estimate,
    pub shift_v: Estimate,
    pub recovery_s: Option<f64>,
    pub recovery: Option<Estimate>,
    pub recovered_share: Option<f64>,
    #[serde(default)]
    pub recovered: Option<Estimate>,
    pub rpm_before: Option<f64>,
    pub rpm_after: Option<f64>,
    /// Loads on after the step.
    pub loads_after: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BusState {
    /// The regulator is in control, at any level.
    Holding,
    /// The alternator delivers all it can, and the battery still charges.
    Limited,
    /// The battery discharges.
    Draining,
}

impl BusState {
    pub fn word(self) -> &'static str {
        match self {
            BusState::Holding => "holding",
            BusState::Limited => "limited",
            BusState::Draining => "draining",
        }
    }

    /// For people.
    pub fn label(self) -> &'static str {
        match self {
            BusState::Limited => "at its limit",
            BusState::Holding | BusState::Draining => self.word(),
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OperatingPoint {
    /// Loads on, in the log's column order; "fans 60 %" for part duty; a
    /// load that only the voltage shows is "load A (0.4 V drop at 41 s)".
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    /// Median engine speed seen.
    pub rpm: Option<f64>,
    pub heat: Heat,
    pub seconds: f64,
    /// The stretches that make up this point.
    pub spans: Vec<Span>,
    pub voltage_v: Estimate,
    /// How the samples behind `voltage_v` scatter.
    #[serde(default)]
    pub scatter: Scatter,
    /// Volts under the setpoint as it stood at each visit.
    #[serde(default)]
    pub under_setpoint_v: Option<Estimate>,
    pub state: BusState,
    /// How likely the regulator was in control there, 0 to 1, by how the voltage answered
    /// to speed and loads, and by its level.
    #[serde(default)]
    pub regulated_probability: Option<f64>,
    /// How likely the battery discharges there, or gets almost no charge from an alternator
    /// at its limit.
    #[serde(default)]
    pub short_probability: Option<f64>,
    /// How likely the state is, 0 to 1.
    pub state_confidence: f64,
    /// What decided the state, in a few words.
    pub state_how: String,
    pub implied_deficit_a: Option<Estimate>,
    pub regulation_shortfall_a: Option<Estimate>,
    /// Battery discharge, whatever the state; negative while charging.
    #[serde(default)]
    pub battery_gives_a: Option<Estimate>,
    /// Battery discharge by every estimate that the log allows, best first; negative while
    /// charging. Only off the setpoint.
    #[serde(default)]
    pub deficit_routes_a: Vec<Estimate>,
    /// States where an estimate disagrees with the best one.
    #[serde(default)]
    pub routes_disagree: Option<String>,
    /// Battery discharge there, how it is known, and what would measure it better: one or two
    /// sentences.
    #[serde(default)]
    pub deficit_told: String,
}

/// What a difference of two means needs to know of each.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Scatter {
    pub samples: usize,
    /// Effective number of independent samples.
    #[serde(deserialize_with = "json::or_nan")]
    pub effective_samples: f64,
    /// Standard deviation of one sample, resolution included.
    #[serde(deserialize_with = "json::or_nan")]
    pub sigma_v: f64,
    /// Standard error of the mean by what no number of samples averages out:
    /// the resolution, and how visits differ.
    #[serde(deserialize_with = "json::or_nan")]
    pub shared_v: f64,
}

/// From this confidence on a state is as sure as the intervals are; under it words
/// about the state must say that it may be another.
pub const SURE: f64 = 0.9;

impl OperatingPoint {
    pub fn is_sure(&self) -> bool {
        self.state_confidence >= SURE
    }
}
