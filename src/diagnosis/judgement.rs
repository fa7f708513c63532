//! The verdict, and the findings behind it.

use serde::{Deserialize, Serialize};

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
    /// Where the bus is short: what more engine speed does with the loads named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub more_speed: Option<MoreSpeed>,
    /// and whether the battery surely discharges with them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub battery_drains: Option<bool>,
    /// Why the car must not be driven, where a finding shows it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub danger: Option<String>,
    /// What this log cannot tell, each with the reason and what would.
    pub cannot_tell: Vec<String>,
}

/// What more engine speed was seen to do for loads that a slow engine does not carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MoreSpeed {
    /// At the highest speed seen the same loads hold.
    Cures,
    /// They are short at speed too.
    DoesNotCure,
    /// At speed it is not sure that they are short.
    Unsure,
    /// They were not seen faster, or engine speed is not logged.
    NotSeen,
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
    /// The likeliest cause, in one sentence.
    #[serde(default)]
    pub cause: String,
    pub statement: String,
    pub evidence: Vec<Evidence>,
    /// What else could look like this.
    pub alternatives: Vec<String>,
    /// [`Self::test`] as one text.
    pub next_test: String,
    #[serde(default)]
    pub test: NextTest,
}

/// The test that separates the causes of a finding.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct NextTest {
    /// Each names meter, place and load.
    pub steps: Vec<String>,
    /// The reading that decides. Empty where nothing is read.
    pub bad_if: String,
}

impl NextTest {
    /// "1. … 2. … Bad if …."
    pub fn text(&self) -> String {
        let numbered = (1..).zip(&self.steps).map(|(number, step)| format!("{number}. {step}"));
        let mut parts: Vec<String> = numbered.collect();
        if !self.bad_if.is_empty() {
            parts.push(format!("Bad if {}.", self.bad_if));
        }
        parts.join(" ")
    }
}

impl Finding {
    pub fn set_test(&mut self, test: NextTest) {
        self.next_test = test.text();
        self.test = test;
    }
}
