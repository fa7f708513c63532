//! What is known of the parts of a charging system: battery, regulator, alternator,
//! lines, and how they do with speed and heat.

use serde::{Deserialize, Serialize};

use crate::diagnosis::Heat;
use crate::estimate::Estimate;
use crate::log::Span;

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SetpointDrift {
    /// Volts per minute of holding; negative where the setpoint falls.
    pub per_minute_v: Option<Estimate>,
    /// Volts per °C of the logged temperature named in `against`.
    pub per_degree_v: Option<Estimate>,
    pub against: Option<String>,
}

impl SetpointDrift {
    pub fn with_time(per_minute_v: Estimate) -> SetpointDrift {
        SetpointDrift { per_minute_v: Some(per_minute_v), per_degree_v: None, against: None }
    }
}

/// How the regulator sets the level that it holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Regulation {
    /// All kinds that fit this log; one where it separates them.
    pub possible: Vec<RegulatorKind>,
    pub why: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RegulatorKind {
    /// Nothing moved it in this log.
    Steady,
    TemperatureCompensated,
    /// An engine computer sets the level.
    Commanded,
    /// It holds less the more the alternator delivers.
    Drooping,
    /// It picks up a load over seconds, to protect the idle.
    LoadResponse,
    /// It senses the alternator's post; the loads' current loses volts on the line behind.
    RemoteSensed,
    /// It holds one level: the loads' current lifts the logger's ground.
    LoggerGround,
}

impl RegulatorKind {
    /// For people.
    pub fn label(self) -> &'static str {
        match self {
            RegulatorKind::Steady => "steady: nothing moved it in this log",
            RegulatorKind::TemperatureCompensated => "temperature-compensated",
            RegulatorKind::Commanded => "commanded by an engine computer",
            RegulatorKind::Drooping => "drooping with output",
            RegulatorKind::LoadResponse => "with load response: takes up loads slowly",
            RegulatorKind::RemoteSensed => "sensed at the alternator, behind its line",
            RegulatorKind::LoggerGround => "steady, behind a logger ground that loads share",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cranking {
    pub lowest_v: f64,
    #[serde(default)]
    pub lowest: Option<Estimate>,
    pub at_s: f64,
    pub duration_s: f64,
    #[serde(default)]
    pub duration: Option<Estimate>,
    /// Seconds from the end of cranking until the bus first held its setpoint.
    pub return_to_setpoint_s: Option<f64>,
    #[serde(default)]
    pub return_to_setpoint: Option<Estimate>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Bound {
    Within,
    BelowSeen,
    AboveSeen,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeepUp {
    pub loads: Vec<String>,
    pub rpm: Option<Estimate>,
    pub bound: Bound,
    pub seen_low_rpm: f64,
    pub seen_high_rpm: f64,
    /// Steady idle seen with these loads, where it slips.
    #[serde(default)]
    pub idle_rpm: Option<f64>,
    /// Engine speed that this idle needs in addition: keep-up less idle.
    #[serde(default)]
    pub missing_rpm: Option<Estimate>,
    /// How much faster the alternator would have to turn at this idle.
    #[serde(default)]
    pub ratio_factor: Option<Estimate>,
    /// That times the stated ratio of the pulleys.
    #[serde(default)]
    pub pulley_ratio: Option<Estimate>,
    /// All of it in one sentence.
    #[serde(default)]
    pub told: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeatPair {
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    pub early: Span,
    pub late: Span,
    pub early_v: Estimate,
    pub late_v: Estimate,
    pub change_v: Estimate,
    pub per_minute_v: Option<Estimate>,
    pub per_degree_v: Option<Estimate>,
    /// Setpoint at the middle of each half.
    pub setpoint_early_v: Estimate,
    pub setpoint_late_v: Estimate,
    /// Logged temperature of each half, °C, and where it is taken.
    #[serde(default)]
    pub early_c: Option<f64>,
    #[serde(default)]
    pub late_c: Option<f64>,
    #[serde(default)]
    pub temperature: Option<String>,
    /// Whether late the bus is still at its setpoint.
    #[serde(default)]
    pub holds_late: bool,
    /// Mean engine speed of both halves.
    #[serde(default)]
    pub rpm: Option<f64>,
    /// Amps that the alternator delivers more (less: negative) late than early, the
    /// battery's part taken out; where late the bus is lower and does not hold.
    #[serde(default)]
    pub output_change_a: Option<Estimate>,
    /// What the change shows of the alternator's output.
    #[serde(default)]
    pub output: OutputChange,
    /// All of it in one sentence.
    #[serde(default)]
    pub told: String,
}

/// What a pair of the same running, early and late, shows of the output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OutputChange {
    /// The bus moved no more than its setpoint, or rose, or late it holds.
    #[default]
    NoneSeen,
    /// The bus is lower, and a lower battery may explain all of it.
    BatteryToo,
    /// The bus is lower, and so may be the engine speed.
    SpeedToo,
    /// The bus is lower than setpoint and battery explain.
    Less,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineDrop {
    pub from: String,
    pub to: String,
    pub side: Side,
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    pub drop_v: Estimate,
    /// Current there, where a channel shows it.
    pub current_a: Option<Estimate>,
    /// Of the whole way, from all its points together.
    pub resistance_ohm: Option<Estimate>,
    /// What gauge and length say that the cable has.
    pub cable_ohm: Option<Estimate>,
    /// Resistance beyond what the cable explains.
    pub excess_ohm: Option<Estimate>,
    /// What that says of the way, or what would tell more: the same for all
    /// points of a way and side.
    pub told: String,
}

/// Which part of the circuit between two taps lost the volts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// There and back: supply and ground together.
    Loop,
    Supply,
    Ground,
}

impl Side {
    /// "supply and ground side", "supply side", "ground side".
    pub fn words(self) -> &'static str {
        match self {
            Side::Loop => "supply and ground side",
            Side::Supply => "supply side",
            Side::Ground => "ground side",
        }
    }

    pub fn word(self) -> &'static str {
        match self {
            Side::Loop => "loop",
            Side::Supply => "supply",
            Side::Ground => "ground",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Battery {
    pub resistance_ohm: Estimate,
    /// Voltage at which the battery neither discharges nor charges, while running.
    pub zero_current_v: Option<Estimate>,
    /// Other estimates of the resistance, best first.
    pub routes: Vec<Estimate>,
    /// States where estimates disagree beyond their intervals.
    pub disagreement: Option<String>,
}

/// The alternator's output curve as the log shows it, and as its sheet has it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputSeen {
    /// Those at full output first, each group by rising speed.
    pub points: Vec<OutputPoint>,
    pub sheet: Option<OutputSheet>,
    /// How the points at full output stand to the sheet; `None` where none can
    /// be held against it.
    pub standing: Option<SheetStanding>,
    /// All of it in a few sentences.
    pub statement: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputPoint {
    /// Logged, or engine speed × the stated pulley ratio.
    pub alternator_rpm: Option<f64>,
    pub engine_rpm: Option<f64>,
    /// Mean over `spans`. Away from full output the alternator can deliver at least this.
    pub amps_a: Estimate,
    /// Mean voltage nearest to the alternator: at its post where logged, else at the bus.
    pub at_v: Estimate,
    pub seconds: f64,
    pub heat: Heat,
    /// The logged temperature nearest to the alternator, and where it is measured.
    pub temperature_c: Option<f64>,
    pub temperature_at: Option<String>,
    pub spans: Vec<Span>,
    /// The bus is below its setpoint: the alternator is at full output.
    pub full_output: bool,
    /// The sheet at this speed, carried to `at_v` and this heat; `None` beyond
    /// the sheet's points.
    pub sheet_a: Option<Estimate>,
    /// `amps_a` over `sheet_a`; only at full output.
    pub share_of_sheet: Option<Estimate>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputSheet {
    pub file: String,
    pub test_v: Estimate,
    pub test_c: Estimate,
    pub points: Vec<SheetPoint>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SheetPoint {
    pub alternator_rpm: f64,
    pub amps_a: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SheetStanding {
    /// Under it by more than the intervals explain.
    Below,
    Meets,
    /// Low, and within the intervals.
    NotSure,
}

/// What the log cost the battery.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BatteryUse {
    /// Given over the whole log, the start included; what it took back is left aside.
    pub taken_ah: Estimate,
    /// At the operating point that drains most, from where the log ends.
    pub lasts_h: Option<Estimate>,
    pub told: String,
}
