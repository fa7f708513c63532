//! What stands in a folder already: whose report, or whose proof.

use std::fmt;
use std::fs;
use std::path::Path;

use serde_json::Value;

use super::ReportError;
use crate::log::Source;
use crate::report::format::plain;
use crate::report::{plan, proof};

/// Written where the log has two taps or a ground tap.
pub const LINE_DROP_FILE: &str = "line_drop.csv";
/// Every file of a report but the plots of its steps.
const REPORT_FILES: [&str; 11] = [
    "report.html",
    "diagnosis.json",
    "trace.svg",
    "speed.svg",
    "output.svg",
    "deficit.svg",
    "heat.svg",
    "load_steps.csv",
    "operating_points.csv",
    LINE_DROP_FILE,
    "output_curve.csv",
];

/// What a folder is written for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The diagnosis of one log.
    Report,
    /// Logs from before and after a repair held against each other.
    Proof,
    /// What would fix a car, from one log of it.
    Plan,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(match self {
            Kind::Report => "report",
            Kind::Proof => "proof",
            Kind::Plan => "plan",
        })
    }
}

impl Kind {
    /// The file by which a folder of this kind is known.
    pub fn marker(self) -> &'static str {
        match self {
            Kind::Report => "diagnosis.json",
            Kind::Proof => proof::COMPARISON_FILE,
            Kind::Plan => plan::PLAN_FILE,
        }
    }

    /// What the marker's schema begins with, whatever its version.
    fn schema(self) -> &'static str {
        match self {
            Kind::Report => "stiffbus.diagnosis.",
            Kind::Proof => "stiffbus.comparison.",
            Kind::Plan => "stiffbus.plan.",
        }
    }

    /// Whether `name` is a file that is written into folders of this kind.
    pub fn writes(self, name: &str) -> bool {
        let step = name.strip_prefix("step-").and_then(|rest| rest.strip_suffix(".svg"));
        let is_step = step.is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()));
        match self {
            Kind::Report => is_step || REPORT_FILES.contains(&name),
            Kind::Proof => proof::FILES.contains(&name),
            Kind::Plan => plan::FILES.contains(&name),
        }
    }
}

/// A log by its name and hash.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogRead {
    file: String,
    sha256: String,
}

impl LogRead {
    pub fn of(source: &Source) -> LogRead {
        LogRead { file: source.file.clone(), sha256: source.sha256.clone() }
    }

    fn in_json(source: &Value) -> Option<LogRead> {
        let word = |key: &str| Some(plain(source.get(key)?.as_str()?));
        Some(LogRead { file: word("file")?, sha256: word("sha256")? })
    }
}

/// What was written into a folder before.
pub struct Standing {
    pub kind: Kind,
    /// In a proof the log before the repair first.
    logs: Vec<LogRead>,
}

impl Standing {
    pub fn all_in(dir: &Path) -> Vec<Standing> {
        [Kind::Report, Kind::Proof, Kind::Plan]
            .into_iter()
            .filter_map(|kind| Self::of(kind, dir))
            .collect()
    }

    /// Only the fields that name the logs are read, so that what an older version
    /// wrote is still known.
    fn of(kind: Kind, dir: &Path) -> Option<Standing> {
        let bytes = fs::read(dir.join(kind.marker())).ok()?;
        let value: Value = serde_json::from_slice(&bytes).ok()?;
        value.get("schema")?.as_str()?.strip_prefix(kind.schema())?;
        let logs = match kind {
            Kind::Report | Kind::Plan => vec![LogRead::in_json(value.get("source")?)?],
            Kind::Proof => {
                let before = value.get("before")?.get("source");
                let afters = value.get("afters")?.as_array()?.iter();
                let afters = afters.map(|after| after.get("side")?.get("source"));
                [before]
                    .into_iter()
                    .chain(afters)
                    .map(|source| LogRead::in_json(source?))
                    .collect::<Option<_>>()?
            }
        };
        Some(Standing { kind, logs })
    }

    /// The same logs by their hashes, in the same order: names may differ.
    pub fn is_of(&self, logs: &[LogRead]) -> bool {
        let hashes = |logs: &[LogRead]| logs.iter().map(|l| l.sha256.clone()).collect::<Vec<_>>();
        hashes(&self.logs) == hashes(logs)
    }

    /// "old.csv", or "old.csv before, new.csv after".
    pub fn told(&self) -> String {
        match self.logs.as_slice() {
            [] => String::new(),
            [only] => only.file.clone(),
            [before, afters @ ..] => {
                let afters: Vec<&str> = afters.iter().map(|log| log.file.as_str()).collect();
                format!("{} before, {} after", before.file, afters.join(" and "))
            }
        }
    }

    /// Why it may not be replaced by what is made of other logs.
    pub fn of_others(&self, dir: String) -> ReportError {
        match (self.kind, self.logs.first()) {
            (Kind::Report, Some(log)) => {
                let LogRead { file, sha256 } = log.clone();
                ReportError::AnotherLog { dir, file, sha256 }
            }
            _ => ReportError::OtherLogs { dir, logs: self.told() },
        }
    }
}
