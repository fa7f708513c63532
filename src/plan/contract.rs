//! The result of planning: one value, serialized as `plan.json`.

use serde::{Deserialize, Serialize};

use crate::diagnosis::{BusState, Envelope, Heat, Verdict};
use crate::estimate::Estimate;
use crate::log::Source;
use crate::units::Units;

pub const SCHEMA: &str = "stiffbus.plan.v1";

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    pub schema: String,
    pub version: String,
    pub source: Source,
    pub verdict: Verdict,
    /// What to fit, in one or two sentences.
    pub headline: String,
    /// How well the fitted cars reproduce the log, before they predict anything.
    pub reproduction: Reproduction,
    pub ledger: Vec<LedgerItem>,
    /// All items together at the setpoint.
    pub continuous_a: Estimate,
    pub intermittent_a: Estimate,
    /// The alternator that is there, replayed like the others.
    pub present: Proposal,
    /// Best first.
    pub candidates: Vec<Proposal>,
    pub wiring: Option<Wiring>,
    /// Assumptions, each with what would replace it.
    pub assumed: Vec<String>,
    pub cautions: Vec<String>,
    pub replay: ReplayPicture,
    /// Units of the page and the terminal; not part of the plan.
    #[serde(skip)]
    pub units: Units,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reproduction {
    /// Root mean square of replayed less logged voltage while running.
    pub rms_v: f64,
    /// Nine in ten moments are nearer than this.
    pub within_v: f64,
    /// Share of the running in which the log lies in the replay's 90 % band.
    pub covered_share: f64,
    /// Steady pieces at full output that the alternator is held to.
    pub full_output_pieces: usize,
    pub told: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LedgerItem {
    pub load: String,
    /// As it went in: stated, or as such loads commonly draw, at 13.5 V.
    pub entered_a: Estimate,
    /// As the log and all else leave it, at the setpoint.
    pub at_setpoint_a: Estimate,
    pub continuous: bool,
}

/// One alternator on its pulleys.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proposal {
    pub name: String,
    /// The curve's file; `None` for the current alternator and has no sheet.
    pub sheet: Option<String>,
    pub ratio: Estimate,
    pub standing: Suitability,
    /// The reason for its standing, in a sentence.
    pub why: String,
    /// By load set at idle, the heaviest first.
    pub margins: Vec<Margin>,
    pub points: Vec<PredictedPoint>,
    pub keep_up: Vec<PredictedKeepUp>,
    pub speeds: Speeds,
    /// Smallest and largest ratio that serve; `None` where none does.
    pub ratios: Option<RatioRange>,
    /// What the alternator makes at most, cold, as its sheet has it.
    pub most_a: Estimate,
    /// Said where a speed lies beyond the sheet.
    pub beyond_sheet: Option<String>,
    /// Capacity against engine speed, hot: value and band.
    pub capacity: Vec<CapacityPoint>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Suitability {
    /// Every set of loads at hot idle is carried, and that is sure.
    #[serde(rename = "carries it")]
    Carries,
    /// As likely as not, or more.
    #[serde(rename = "may carry it")]
    May,
    #[serde(rename = "falls short")]
    FallsShort,
    /// It would turn faster than it may.
    #[serde(rename = "turns too fast")]
    TooFast,
}

impl Suitability {
    pub fn words(self) -> &'static str {
        match self {
            Suitability::Carries => "carries it",
            Suitability::May => "may carry it",
            Suitability::FallsShort => "falls short",
            Suitability::TooFast => "turns too fast",
        }
    }
}

/// At idle, the alternator soaked, the battery charged and at the setpoint.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Margin {
    pub loads: Vec<String>,
    pub engine_rpm: f64,
    pub heat: Heat,
    pub needed_a: Estimate,
    pub available_a: Estimate,
    /// Available less needed.
    pub margin_a: Estimate,
    /// How likely it is enough, 0 to 1.
    pub enough_share: f64,
}

/// An operating point of the log, with this alternator instead.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PredictedPoint {
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    pub heat: Heat,
    pub seconds: f64,
    pub logged_v: Estimate,
    pub logged_state: BusState,
    pub predicted_v: Estimate,
    /// `false`: no voltage can be predicted, only that it lies in that range; see
    /// [`LOOSE_PREDICTION`](crate::levels::LOOSE_PREDICTION).
    #[serde(default = "voltage_is_known")]
    pub voltage_is_told: bool,
    pub state: BusState,
    /// How sure the state is, 0 to 1.
    pub state_share: f64,
    /// The battery discharge there; 0 unless draining.
    pub deficit_a: Estimate,
    pub margin_a: Estimate,
}

fn voltage_is_known() -> bool {
    true
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PredictedKeepUp {
    pub loads: Vec<String>,
    /// `None`: at no speed of the curve.
    pub rpm: Option<Estimate>,
    /// How likely it is that no speed of the curve carries it, 0 to 1.
    pub never_share: f64,
    pub told: String,
}

/// Alternator rpm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Speeds {
    pub at_idle_rpm: Estimate,
    pub at_cruise_rpm: Estimate,
    pub at_redline_rpm: Estimate,
    pub limit_rpm: f64,
    /// Of the engine.
    pub idle_rpm: f64,
    pub cruise_rpm: f64,
    pub redline_rpm: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RatioRange {
    pub smallest: f64,
    /// By the alternator's speed at redline.
    pub largest: f64,
    pub told: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CapacityPoint {
    pub engine_rpm: f64,
    pub value_a: f64,
    pub low_a: f64,
    pub high_a: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Wiring {
    /// For which alternator.
    pub machine: String,
    /// What flows at most at an operating point of this log.
    pub flows_a: Estimate,
    /// What the alternator can make for hours into a flat battery.
    pub most_a: Estimate,
    pub feed_m: f64,
    pub ground_m: f64,
    pub air_c: f64,
    pub insulation_c: f64,
    pub drop_limit_v: f64,
    pub ground_limit_v: f64,
    pub rows: Vec<CableRow>,
    /// Index among `rows`; `None` where none serves.
    pub feed: Option<usize>,
    pub ground: Option<usize>,
    /// The stated cables, among `rows`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stated_feed: Option<usize>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stated_ground: Option<usize>,
    pub fuse_a: Option<f64>,
    pub told: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CableRow {
    pub gauge: String,
    pub area_mm2: f64,
    /// At working temperature and what flows.
    pub feed_drop_v: f64,
    pub ground_drop_v: f64,
    /// Ampacity by heat.
    pub bears_a: f64,
    pub feed_serves: bool,
    pub ground_serves: bool,
    pub why: String,
}

/// The logged trace, the same reproduced, and with the best candidate.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ReplayPicture {
    pub logged: Envelope,
    /// Replayed with the current alternator: middle and band.
    pub present: Band,
    pub best: Option<NamedBand>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Band {
    pub time_s: Vec<f64>,
    pub low_v: Vec<f64>,
    pub middle_v: Vec<f64>,
    pub high_v: Vec<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NamedBand {
    pub name: String,
    pub band: Band,
}
