//! What a diagnosis, a proof, a plan and a review have in common: each is one value, and
//! its files and its summary for the terminal are made from that value alone.

use std::fmt;
use std::path::Path;

use serde::Serialize;

use super::{diagnosis, plan, proof, review};

/// A value that is written as a folder of files.
pub trait Product: Serialize {
    const KIND: Kind;

    /// The logs it was made from; in a proof the log before the repair first.
    fn logs(&self) -> Vec<LogRead>;

    /// Name and text of every file, the page first. The same value gives the same bytes.
    fn files(&self) -> Vec<(String, String)>;

    /// Text of at most `width` columns a line, ending in a newline. `dir` is the folder
    /// that holds the files.
    fn terminal(&self, dir: Option<&Path>, width: usize) -> String;
}

/// Of files that are made only where there is something to show, those that were made.
pub fn made<const N: usize>(files: [(&str, Option<String>); N]) -> Vec<(String, String)> {
    files.into_iter().filter_map(|(name, text)| Some((name.to_owned(), text?))).collect()
}

/// A log by its name and hash.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogRead {
    pub file: String,
    pub sha256: String,
}

impl LogRead {
    pub fn of(source: &crate::log::Source) -> LogRead {
        LogRead { file: source.file.clone(), sha256: source.sha256.clone() }
    }
}

/// What a folder is written for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The diagnosis of one log.
    Report,
    /// Logs from before and after a repair, compared.
    Proof,
    /// What would fix a car, from one log of it.
    Plan,
    /// Many logs in short.
    Review,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(match self {
            Kind::Report => "report",
            Kind::Proof => "proof",
            Kind::Plan => "plan",
            Kind::Review => "review",
        })
    }
}

impl Kind {
    /// The file to open in a browser.
    pub fn page(self) -> &'static str {
        match self {
            Kind::Report => "report.html",
            Kind::Proof => "proof.html",
            Kind::Plan => "plan.html",
            Kind::Review => "index.html",
        }
    }

    /// The JSON file that identifies a folder of this kind.
    pub fn marker(self) -> &'static str {
        match self {
            Kind::Report => "diagnosis.json",
            Kind::Proof => "comparison.json",
            Kind::Plan => "plan.json",
            Kind::Review => "review.json",
        }
    }

    /// The files beside page and marker that are not numbered.
    fn others(self) -> &'static [&'static str] {
        match self {
            Kind::Report => &diagnosis::OTHER_FILES,
            Kind::Proof => &proof::OTHER_FILES,
            Kind::Plan => &plan::OTHER_FILES,
            Kind::Review => review::TABLE_FILES.as_flattened(),
        }
    }

    /// Whether `name` is a file that is written into folders of this kind.
    pub fn writes(self, name: &str) -> bool {
        let step = name.strip_prefix("step-").and_then(|rest| rest.strip_suffix(".svg"));
        let is_step = step.is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()));
        name == self.page()
            || name == self.marker()
            || self.others().contains(&name)
            || (self == Kind::Report && is_step)
    }
}
