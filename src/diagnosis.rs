//! What the analysis of one log comes to: one value, serialised as
//! `diagnosis.json`. Every report, and compare, plan and review, are made from
//! this value alone. Times are seconds from the first sample.

use serde::{Deserialize, Serialize};

use crate::estimate::Estimate;
use crate::log::{Column, Note, Source, Span};

pub const SCHEMA: &str = "stiffbus.diagnosis.v1";

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
    /// The voltage the regulator held, at the middle of its drift.
    pub setpoint_v: Option<Estimate>,
    /// Where the setpoint moves over the log.
    pub setpoint_drift: Option<SetpointDrift>,
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

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SetpointDrift {
    /// Volts per minute of holding; negative where the setpoint falls.
    pub per_minute_v: Option<Estimate>,
    /// Volts per °C of the logged temperature named in `against`.
    pub per_degree_v: Option<Estimate>,
    pub against: Option<String>,
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

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BusState {
    Holding,
    Slipping,
    Draining,
}

impl BusState {
    pub fn word(self) -> &'static str {
        match self {
            BusState::Holding => "holding",
            BusState::Slipping => "slipping",
            BusState::Draining => "draining",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OperatingPoint {
    /// Loads on, in the log's column order; "fans 60 %" for part duty; a
    /// detected set is named by its steps ("step 3").
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
    pub state: BusState,
    /// How sure the state is, 0 to 1: the share of the interval of all that
    /// decides it (voltage, setpoint, zero-current voltage) on this side.
    pub state_confidence: f64,
    /// What decided the state, in a few words.
    pub state_how: String,
    pub implied_deficit_a: Option<Estimate>,
    pub regulation_shortfall_a: Option<Estimate>,
    /// What the battery gives by every route that the log allows, best first;
    /// negative where it takes. Only off the setpoint.
    #[serde(default)]
    pub deficit_routes_a: Vec<Estimate>,
    /// Said where a route does not meet the best one.
    #[serde(default)]
    pub routes_disagree: Option<String>,
    /// What the battery gives there, how that is known, what would tell it
    /// better: one or two sentences.
    #[serde(default)]
    pub deficit_told: String,
}

impl OperatingPoint {
    /// Whether the state is as sure as the intervals are; else words about it
    /// must say that it may be another.
    pub fn is_sure(&self) -> bool {
        self.state_confidence >= 0.9
    }
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
    /// Engine speed that this idle lacks: keep-up less idle.
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
    /// Setpoint at the middle of each half, V.
    #[serde(default)]
    pub setpoint_early_v: Option<f64>,
    #[serde(default)]
    pub setpoint_late_v: Option<f64>,
    #[serde(default)]
    pub setpoint_early: Option<Estimate>,
    #[serde(default)]
    pub setpoint_late: Option<Estimate>,
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
    /// Amps that the alternator gives more (less: negative) late than early, the
    /// battery's part taken out; where late the bus is lower and does not hold.
    #[serde(default)]
    pub output_change_a: Option<Estimate>,
    /// What the change says of the alternator's output.
    #[serde(default)]
    pub output: OutputChange,
    /// All of it in one sentence.
    #[serde(default)]
    pub told: String,
}

/// What a pair of the same running, early and late, says of the output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OutputChange {
    /// The bus moved no more than its setpoint, or rose, or late it holds.
    #[default]
    NoneSeen,
    /// The bus is lower, and a battery that stands lower may be all of it.
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
    /// What flows there, where a channel tells.
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
    /// Voltage at which the battery neither gives nor takes, while running.
    pub zero_current_v: Option<Estimate>,
    /// Other routes to the resistance, best first.
    pub routes: Vec<Estimate>,
    /// Said where routes disagree beyond their intervals.
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
    /// Mean over `spans`. Away from full output the machine can give at least this.
    pub amps_a: Estimate,
    /// Mean voltage nearest to the machine: at its post where logged, else at the bus.
    pub at_v: f64,
    #[serde(default)]
    pub at: Option<Estimate>,
    pub seconds: f64,
    pub heat: Heat,
    /// The logged temperature nearest to the machine, and where it is taken.
    pub temperature_c: Option<f64>,
    pub temperature_at: Option<String>,
    pub spans: Vec<Span>,
    /// The bus lies under its setpoint: the machine gives all it has.
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

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum VerdictWord {
    #[serde(rename = "keeps up")]
    KeepsUp,
    #[serde(rename = "keeps up, little in reserve")]
    LittleInReserve,
    #[serde(rename = "falls short at idle")]
    FallsShortAtIdle,
    #[serde(rename = "falls short")]
    FallsShort,
    #[serde(rename = "overcharges")]
    Overcharges,
    #[serde(rename = "not charging")]
    NotCharging,
    #[serde(rename = "cannot tell")]
    CannotTell,
}

impl VerdictWord {
    pub fn words(self) -> &'static str {
        match self {
            VerdictWord::KeepsUp => "keeps up",
            VerdictWord::LittleInReserve => "keeps up, little in reserve",
            VerdictWord::FallsShortAtIdle => "falls short at idle",
            VerdictWord::FallsShort => "falls short",
            VerdictWord::Overcharges => "overcharges",
            VerdictWord::NotCharging => "not charging",
            VerdictWord::CannotTell => "cannot tell",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    pub word: VerdictWord,
    pub headline: String,
    /// What this log cannot tell, each with the reason and what would.
    pub cannot_tell: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    Note,
    Caution,
    Fault,
}

impl Severity {
    pub fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Caution => "caution",
            Severity::Fault => "fault",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    pub start_s: f64,
    pub end_s: f64,
    pub text: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Stable, kebab-case.
    pub id: String,
    pub severity: Severity,
    pub statement: String,
    pub evidence: Vec<Evidence>,
    /// What else could look like this.
    pub alternatives: Vec<String>,
    /// Which test tells them apart: meter, place, load, and the reading that decides.
    pub next_test: String,
}

/// The traces behind the pictures, decimated so that their size does not grow
/// with the log: each bucket keeps its lowest and highest value.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Picture {
    pub voltage: Envelope,
    /// Voltages at taps other than the bus, named by tap.
    pub other_voltages: Vec<NamedEnvelope>,
    pub engine_rpm: Option<Envelope>,
    pub loads: Vec<Lane>,
    /// One window a load step, in the order of `load_steps`.
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
