//! What a plan foretold of the repair, and what the later logs show of it.

use serde::{Deserialize, Serialize};

use crate::comparison::{Conditions, InputFile};
use crate::diagnosis::{BusState, Heat, KeepUp};
use crate::estimate::Estimate;

/// One candidate of a plan against every log taken after it was fitted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Foretold {
    /// The plan's file.
    pub plan: InputFile,
    /// The candidate, as the plan names it.
    pub fitted: String,
    /// What was stated of it; `None`: the plan's only candidate, or its best.
    pub stated: Option<String>,
    /// "stated", "the plan's only candidate", "the plan's best of 3; say which with --fitted".
    pub fitted_how: String,
    /// What the plan called it: "carries it".
    pub promised: String,
    /// Over all the later logs.
    pub kept: Kept,
    pub headline: String,
    /// In the order of the comparison's.
    pub afters: Vec<ForetoldAfter>,
}

/// What became of a prediction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Kept {
    #[serde(rename = "cannot tell")]
    CannotTell,
    #[serde(rename = "better than foretold")]
    Better,
    #[serde(rename = "held")]
    Held,
    #[serde(rename = "worse")]
    Worse,
}

impl Kept {
    pub fn words(self) -> &'static str {
        match self {
            Kept::CannotTell => "cannot tell",
            Kept::Better => "better than predicted",
            Kept::Held => "held",
            Kept::Worse => "worse",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ForetoldAfter {
    /// Of its side: "after", "after 2".
    pub name: String,
    pub kept: Kept,
    pub headline: String,
    /// The matched points that the plan tells of, in their order.
    pub points: Vec<ForetoldPoint>,
    pub keep_up: Vec<ForetoldKeepUp>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ForetoldPoint {
    /// As the earlier log names them.
    pub loads: Vec<String>,
    pub rpm_low: Option<f64>,
    pub rpm_high: Option<f64>,
    /// Of the later log, beside those that the plan foretold for.
    pub conditions: Conditions,
    pub heat: Heat,
    pub seconds: f64,
    pub predicted_v: Estimate,
    pub seen_v: Estimate,
    pub predicted_state: BusState,
    /// How sure the plan was of that, 0 to 1.
    pub predicted_share: f64,
    pub seen_state: BusState,
    pub kept: Kept,
    pub why: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ForetoldKeepUp {
    pub loads: Vec<String>,
    /// Hot; `None`: at no speed of its curve.
    pub predicted_rpm: Option<Estimate>,
    pub seen: KeepUp,
    pub kept: Kept,
    pub why: String,
}
