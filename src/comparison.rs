//! The result of a comparison: one value, serialized as `comparison.json`. The page and
//! all files beside it are made from this value alone, and `verify` recomputes it from
//! the logs.

mod prediction;
mod settings;

use serde::{Deserialize, Serialize};

use crate::car::{Acceptance, Job};
use crate::compare::SamePair;
use crate::diagnosis::{BusState, Direction, Envelope, Heat, KeepUp, Severity, Verdict};
use crate::estimate::Estimate;
use crate::log::Source;
use crate::units::Units;

pub use prediction::*;
pub use settings::*;

pub const SCHEMA: &str = "stiffbus.comparison.v1";

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    pub schema: String,
    /// Version of the tool that wrote this.
    pub version: String,
    /// Of all that follows, the seal itself left out: see [`crate::compare::seal`].
    pub seal_sha256: String,
    pub outcome: Outcome,
    pub headline: String,
    /// What is missing for a proof, each with what would show it.
    pub missing: Vec<String>,
    /// Over all the logs taken after the repair.
    pub criteria: Vec<Criterion>,
    pub before: Side,
    /// In the order they were named.
    pub afters: Vec<After>,
    /// Whether the plan's prediction held; `None` where no plan was given.
    #[serde(rename = "foretold", default, skip_serializing_if = "Option::is_none")]
    pub prediction: Option<PredictionCheck>,
    pub picture: Option<ProofPicture>,
    pub acceptance: Acceptance,
    /// Loads that were stated to be the same.
    pub same: Vec<SamePair>,
    pub job: Job,
    pub cautions: Vec<String>,
    /// Units of page, picture and terminal, which `verify` recreates.
    #[serde(default, skip_serializing_if = "Units::is_metric")]
    pub units: Units,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Outcome {
    #[serde(rename = "repair proven")]
    RepairProven,
    #[serde(rename = "improved, not proven")]
    ImprovedNotProven,
    #[serde(rename = "no change")]
    NoChange,
    #[serde(rename = "worse")]
    Worse,
    #[serde(rename = "not comparable")]
    NotComparable,
}

impl Outcome {
    pub fn words(self) -> &'static str {
        match self {
            Outcome::RepairProven => "repair proven",
            Outcome::ImprovedNotProven => "improved, not proven",
            Outcome::NoChange => "no change",
            Outcome::Worse => "worse",
            Outcome::NotComparable => "not comparable",
        }
    }
}

/// One log by itself, as far as the proof needs it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Side {
    /// "before", "after", or "after 2".
    pub name: String,
    pub source: Source,
    /// How the log was read and what was stated of the car.
    pub settings: Settings,
    /// Of the settings alone, so that a change there has a name.
    pub settings_sha256: String,
    pub verdict: Verdict,
    pub findings: Vec<FindingSeen>,
    pub setpoint_v: Option<Estimate>,
    pub rest_voltage_v: Option<Estimate>,
    /// Scatter of one sample while nothing changes.
    pub noise_v: Option<Estimate>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FindingSeen {
    pub id: String,
    pub severity: Severity,
    pub statement: String,
}

/// One log taken after the repair, against the one before it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct After {
    pub side: Side,
    /// By this log alone.
    pub outcome: Outcome,
    pub headline: String,
    pub missing: Vec<String>,
    pub criteria: Vec<Criterion>,
    /// Which load of the one log is which of the other.
    pub same_loads: Vec<SameLoad>,
    pub points: Vec<MatchedPoint>,
    pub unmatched: Vec<Unmatched>,
    /// Assumptions of the comparison that no log shows.
    pub on_trust: Vec<String>,
    /// Amps that alternator and wiring carry more than before, the same loads on:
    /// over the points matched at like or harder conditions where the bus was off
    /// its setpoint before; for a loss at like or easier ones where it is now.
    pub gain_a: Option<Estimate>,
    pub steps: Vec<MatchedStep>,
    pub keep_up: Vec<MatchedKeepUp>,
    /// Noise after less noise before; `None`, with the reason, where the logs
    /// cannot show it.
    pub noise: NoiseChange,
}

impl After {
    /// A sentence about this log, where there are several.
    pub fn named(&self, text: &str) -> String {
        format!("{}: {text}", self.side.name)
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SameLoad {
    pub before: String,
    /// `None` where no load of the later log is this one.
    pub after: Option<String>,
    /// "same name", "same sense (fan)", "stated".
    pub how: String,
}

/// The conditions of the later log, compared with those of the earlier.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Conditions {
    Same,
    /// The later log asked more of the alternator.
    Harder,
    /// It asked less: an improvement here proves nothing.
    Easier,
    /// The logs do not show it.
    Unknown,
}

impl Conditions {
    /// Whether an improvement here is one of the car and not of the day.
    pub fn is_fair(self) -> bool {
        matches!(self, Conditions::Same | Conditions::Harder)
    }

    /// Whether a loss here is one of the car: where the later log asked for more,
    /// a lower bus is no fault of the repair.
    pub fn is_no_harder(self) -> bool {
        matches!(self, Conditions::Same | Conditions::Easier)
    }

    pub fn word(self) -> &'static str {
        match self {
            Conditions::Same => "same",
            Conditions::Harder => "harder",
            Conditions::Easier => "easier",
            Conditions::Unknown => "unknown",
        }
    }
}

/// The same loads in the same speed band, in both logs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatchedPoint {
    /// As the earlier log names them.
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    pub conditions: Conditions,
    /// What differs: "after is cooler (warm, hot before)"; empty for the same.
    pub conditions_how: String,
    pub before: PointSide,
    pub after: PointSide,
    /// Bus voltage after less before.
    pub change_v: Estimate,
    /// Welch's test of that change.
    pub test: ChangeTest,
    /// Amps that alternator and wiring carry more than before.
    pub gain_a: Option<Estimate>,
    pub standing: PointOutcome,
}

/// What a matched point shows of the repair.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum PointOutcome {
    #[serde(rename = "better")]
    Better,
    #[serde(rename = "worse")]
    Worse,
    /// No more than charge, warmth and noise explain.
    #[serde(rename = "no clear change")]
    NoClearChange,
}

impl PointOutcome {
    pub fn words(self) -> &'static str {
        match self {
            PointOutcome::Better => "better",
            PointOutcome::Worse => "worse",
            PointOutcome::NoClearChange => "no clear change",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointSide {
    pub rpm: Option<f64>,
    pub heat: Heat,
    pub seconds: f64,
    pub voltage_v: Estimate,
    pub state: BusState,
    /// Whether the state is as sure as the intervals are.
    pub is_sure: bool,
    pub under_setpoint_v: Option<Estimate>,
    pub implied_deficit_a: Option<Estimate>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChangeTest {
    /// Welch–Satterthwaite degrees of freedom, by effective sample sizes.
    pub degrees_of_freedom: f64,
    /// Two-sided: how often logs without any change differ as much.
    pub p: f64,
}

/// Which of two logs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum When {
    Before,
    After,
}

impl When {
    pub fn word(self) -> &'static str {
        match self {
            When::Before => "before",
            When::After => "after",
        }
    }
}

/// A point of one log that has no match in the other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Unmatched {
    /// The log that has it.
    pub of: When,
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    pub heat: Heat,
    pub seconds: f64,
    pub state: BusState,
    pub why: String,
}

/// The same switching in both logs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatchedStep {
    pub load: String,
    pub direction: Direction,
    /// Loads on after the step, as the earlier log names them.
    pub loads_after: Vec<String>,
    pub before: StepSide,
    pub after: StepSide,
    /// Sag after less sag before.
    pub sag_change_v: Estimate,
    pub shift_change_v: Estimate,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StepSide {
    /// As that log's own report numbers it.
    pub number: usize,
    pub at_s: f64,
    pub sag_v: Estimate,
    pub shift_v: Estimate,
    /// `None` if it never recovered.
    pub recovery_s: Option<Estimate>,
    pub rpm: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatchedKeepUp {
    pub loads: Vec<String>,
    pub before: KeepUp,
    pub after: KeepUp,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoiseChange {
    pub change_v: Option<Estimate>,
    pub told: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Reading {
    #[serde(rename = "pass")]
    Pass,
    #[serde(rename = "fail")]
    Fail,
    #[serde(rename = "not shown")]
    NotShown,
}

impl Reading {
    pub fn words(self) -> &'static str {
        match self {
            Reading::Pass => "pass",
            Reading::Fail => "fail",
            Reading::NotShown => "not shown",
        }
    }
}

/// One criterion, and what the logs show of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Criterion {
    /// Stable, kebab-case.
    pub id: String,
    /// What is asked.
    pub asked: String,
    /// What the log before the repair says of the same.
    pub before: Reading,
    pub before_seen: String,
    pub after: Reading,
    pub after_seen: String,
}

impl Criterion {
    /// What a proof still needs: "the bus holds 14 V: fail, 12.1 V". `None` where it passes.
    pub fn left_open(&self) -> Option<String> {
        let Criterion { asked, after, after_seen, .. } = self;
        (*after != Reading::Pass).then(|| format!("{asked}: {}, {after_seen}", after.words()))
    }
}

/// All logs around one load step, each shifted so that the step is at 0 s.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProofPicture {
    /// "all of fan, AC and blower on", with where in each log.
    pub aligned_at: String,
    pub from_s: f64,
    pub to_s: f64,
    /// Before first.
    pub traces: Vec<ProofTrace>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProofTrace {
    pub name: String,
    pub file: String,
    /// Where the step is in that log.
    pub at_s: f64,
    /// Times from the step.
    pub voltage: Envelope,
    pub setpoint_v: Option<Estimate>,
    /// Below it the battery discharges.
    pub zero_current_v: Option<Estimate>,
    /// Steady volts under those loads at idle in that log.
    pub settled_v: Option<Estimate>,
}
