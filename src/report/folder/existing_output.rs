//! What a folder holds already: which kind of output, and of which logs.

use std::fs;
use std::path::Path;

use serde_json::Value;

use super::ReportError;
use crate::report::format::plain;
use crate::report::product::{Kind, LogRead};

impl LogRead {
    fn in_json(source: &Value) -> Option<LogRead> {
        let word = |key: &str| Some(plain(source.get(key)?.as_str()?));
        Some(LogRead { file: word("file")?, sha256: word("sha256")? })
    }
}

/// What was written into a folder before.
pub struct ExistingOutput {
    pub kind: Kind,
    /// In a proof the log before the repair first.
    logs: Vec<LogRead>,
}

impl ExistingOutput {
    pub fn all_in(dir: &Path) -> Vec<ExistingOutput> {
        [Kind::Report, Kind::Proof, Kind::Plan]
            .into_iter()
            .filter_map(|kind| Self::of(kind, dir))
            .collect()
    }

    /// Only the fields that name the logs are read, so that what an older version
    /// wrote is still known.
    fn of(kind: Kind, dir: &Path) -> Option<ExistingOutput> {
        let bytes = fs::read(dir.join(kind.marker())).ok()?;
        let value: Value = serde_json::from_slice(&bytes).ok()?;
        // Whatever its version.
        let schema = format!("stiffbus.{}.", kind.marker().trim_end_matches(".json"));
        value.get("schema")?.as_str()?.strip_prefix(&schema)?;
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
            // A review guards its own folder.
            Kind::Review => return None,
        };
        Some(ExistingOutput { kind, logs })
    }

    /// The same logs by their hashes, in the same order: names may differ.
    pub fn is_of<'l>(&'l self, logs: &'l [LogRead]) -> bool {
        let hashes = |logs: &'l [LogRead]| logs.iter().map(|log| &log.sha256);
        hashes(&self.logs).eq(hashes(logs))
    }

    /// "old.csv", or "old.csv before, new.csv after".
    pub fn log_names(&self) -> String {
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
            _ => ReportError::OtherLogs { dir, logs: self.log_names() },
        }
    }
}
