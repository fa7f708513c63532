//! What a plan predicted, and what the later logs show.

use serde::{Deserialize, Serialize};

use crate::comparison::{Conditions, InputFile};
use crate::diagnosis::{BusState, Heat, KeepUp};
use crate::estimate::Estimate;

/// One candidate of a plan against every log taken after it was fitted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PredictionCheck {
    /// The plan's file.
    pub plan: InputFile,
    /// The candidate, as the plan names it.
    pub fitted: String,
    /// What was stated of it; `None`: the plan's only candidate, or its best.
    pub stated: Option<String>,
    /// "stated", "the plan's only candidate", "the plan's best of 3; say which with --fitted".
    pub fitted_how: String,
    /// The plan's verdict on it: "carries it".
    pub promised: String,
    /// Over all the later logs.
    pub kept: PredictionResult,
    pub headline: String,
    /// In the order of the comparison's.
    pub afters: Vec<PredictionOfLog>,
}

/// The result of checking a prediction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum PredictionResult {
    #[serde(rename = "cannot tell")]
    CannotTell,
    #[serde(rename = "better than foretold")]
    Better,
    #[serde(rename = "held")]
    Held,
    #[serde(rename = "worse")]
    Worse,
}

impl PredictionResult {
    pub fn words(self) -> &'static str {
        match self {
            PredictionResult::CannotTell => "cannot tell",
            PredictionResult::Better => "better than predicted",
            PredictionResult::Held => "held",
            PredictionResult::Worse => "worse",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PredictionOfLog {
    /// Of its side: "after", "after 2".
    pub name: String,
    pub kept: PredictionResult,
    pub headline: String,
    /// The matched points that the plan predicted, in their order.
    pub points: Vec<PointPrediction>,
    pub keep_up: Vec<KeepUpPrediction>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointPrediction {
    /// As the earlier log names them.
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    /// Of the later log, compared with those of the prediction.
    pub conditions: Conditions,
    pub heat: Heat,
    pub seconds: f64,
    pub predicted_v: Estimate,
    pub seen_v: Estimate,
    pub predicted_state: BusState,
    /// How sure the plan was of that, 0 to 1.
    pub predicted_share: f64,
    pub seen_state: BusState,
    pub kept: PredictionResult,
    pub why: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeepUpPrediction {
    pub loads: Vec<String>,
    /// Hot; `None`: at no speed of its curve.
    pub predicted_rpm: Option<Estimate>,
    pub seen: KeepUp,
    pub kept: PredictionResult,
    pub why: String,
}
