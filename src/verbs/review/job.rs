//! One log of many: read, diagnosed, reported, and what it came to.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::fs::{self, Metadata};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use chrono::NaiveDateTime;
use serde::Serialize;

use crate::car::Car;
use crate::format::{plain, shown};
use crate::ingest::{self, IngestError, Mark, Problem, ReadOptions, Sheet, Stated, word_of};
use crate::nominal::Nominal;
use crate::report::{Overwrite, write_folder};
use crate::review::find::{LogFile, is_prose};
use crate::review::{Failure, LogResult, summary};
use crate::units::Units;
use crate::verbs::named::{hash_of_text, safe_name, stem_of};
use crate::verbs::recorded::sha256_of;
use crate::verbs::review::ReviewArgs;
use crate::verbs::review::state::{Entry, State};
use crate::verbs::review::worker_pool::guarded;
use crate::{diagnose, json};

/// What came of one file.
pub enum Done {
    Row {
        started: Option<NaiveDateTime>,
        result: LogResult,
    },
    /// It is not a log, for this reason.
    NoLog(&'static str),
    /// Byte for byte the log at this place of the list.
    Copy(usize),
}

impl Done {
    pub fn none() -> Done {
        Done::NoLog("not there")
    }

    fn failed(reason: String, our_fault: bool) -> Done {
        let result = LogResult::Failed(Failure { reason, our_fault });
        Done::Row { started: None, result }
    }

    /// For the progress line.
    pub fn word(&self) -> String {
        match self {
            Done::Row { result: LogResult::Read(summary), .. } => {
                summary.verdict.words().to_owned()
            }
            Done::Row { result: LogResult::Failed(failure), .. } => {
                let first = failure.reason.lines().next().unwrap_or("");
                format!("could not be read: {first}")
            }
            Done::Row { result: LogResult::SameAs(log), .. } => format!("same file as {log}"),
            Done::NoLog(reason) => format!("left out: {reason}"),
            Done::Copy(_) => "same file as another".to_owned(),
        }
    }
}

pub struct Work<'a> {
    pub args: &'a ReviewArgs,
    pub state: &'a State,
    pub root: &'a Path,
    /// Said once, however many logs it is true of.
    pub said: Mutex<BTreeSet<String>>,
}

type Trouble = Box<dyn std::error::Error>;

impl Work<'_> {
    /// Whatever happens to it, it is a row.
    pub fn one(&self, log: &LogFile, report: &str) -> Done {
        match guarded(|| self.entry(log, report)) {
            Ok(Ok(Entry { started, summary, .. })) => {
                Done::Row { started, result: LogResult::Read(Box::new(summary)) }
            }
            Ok(Err(trouble)) => match self.other_than_log(log, trouble.as_ref()) {
                Some(reason) => Done::NoLog(reason),
                None => Done::failed(self.short_reason(log, &trouble.to_string()), false),
            },
            Err(broke) => Done::failed(
                format!(
                    "stiffbus itself failed on this log ({}). The log is not at fault: keep it, and \
                     report this to the maintainer of stiffbus.",
                    plain(&broke)
                ),
                true,
            ),
        }
    }

    fn entry(&self, log: &LogFile, report: &str) -> Result<Entry, Trouble> {
        let mut car = self.args.car.car(&log.path)?;
        let options = self.args.read.options(&car)?;
        let units = self.args.shown.units;
        if self.args.resume
            && let Some(entry) = self.state.standing(report)
            && entry.fingerprint
                == fingerprint(&log.path, &sha256_of(&log.path)?, &car, &options, units)?
        {
            return Ok(entry);
        }
        // Before the log's own names go into it: the car as it was stated.
        let stated = car.clone();
        if let Some(useless) = self.args.car.useless_conditions(&car) {
            self.say(useless);
        }
        let read = ingest::read(&log.path, &options)?;
        for unknown in self.args.car.unknown_loads(&mut car, &read) {
            self.say(format!("{}: {unknown}", plain(&log.relative_path)));
        }
        let mut diagnosis = diagnose(&read, &car)?;
        diagnosis.units = units;
        let fingerprint =
            fingerprint(&log.path, &diagnosis.source.sha256, &stated, &options, units)?;
        let written = write_folder(&diagnosis, &self.state.folder_of(report), Overwrite::Force)?;
        let entry = Entry::new(
            fingerprint,
            diagnosis.source.started_at,
            summary(&diagnosis, &State::relative_folder_of(report)),
        );
        Ok(self.state.keep(report, entry, &written.files)?)
    }

    fn say(&self, text: String) {
        self.said.lock().unwrap_or_else(PoisonError::into_inner).insert(text);
    }

    /// What lies beside logs, looks like one by its ending, and is obviously something else.
    /// A log that is broken stays a row.
    fn other_than_log(
        &self,
        log: &LogFile,
        trouble: &(dyn std::error::Error + 'static),
    ) -> Option<&'static str> {
        let trouble = &trouble.downcast_ref::<IngestError>().filter(|_| !log.named)?.problem;
        if matches!(trouble, Problem::Empty) {
            return Some("empty file");
        }
        let holds_no_log = matches!(
            trouble,
            Problem::NoVoltage { .. }
                | Problem::NoTime { .. }
                | Problem::NoTable { .. }
                | Problem::TooFewRows { .. }
        );
        if !holds_no_log {
            return None;
        }
        if Sheet::read(&log.path, Stated::default()).is_ok() {
            return Some("an alternator's output sheet");
        }
        // Of a log that was cut short the second column is a number, and no load's name.
        let named = |mark: &Mark| mark.load.chars().any(char::is_alphabetic);
        let marks = ingest::read_marks(&log.path).unwrap_or_default();
        if !marks.is_empty() && marks.iter().all(named) {
            return Some("marks; name the file with --marks for the log it belongs to");
        }
        is_prose(&log.path).then_some("text, not a table")
    }

    /// The reason without the log's own path before it: the row has that. Other paths
    /// as seen from the reviewed folder.
    fn short_reason(&self, log: &LogFile, reason: &str) -> String {
        let own = format!("{}: ", shown(&log.path));
        let reason = reason.strip_prefix(&own).unwrap_or(reason);
        let root = format!("{}{}", shown(self.root), std::path::MAIN_SEPARATOR);
        let lines: Vec<String> = reason.replace(&root, "").lines().map(plain).collect();
        lines.join("\n")
    }
}

/// For each log the first of the list that is byte for byte the same, if it is another.
pub fn copies(logs: &[LogFile]) -> Vec<Option<usize>> {
    let mut sizes: HashMap<u64, Vec<usize>> = HashMap::new();
    for (k, log) in logs.iter().enumerate() {
        if let Some(found) = fs::metadata(&log.path).ok().filter(Metadata::is_file) {
            sizes.entry(found.len()).or_default().push(k);
        }
    }
    let mut copies = vec![None; logs.len()];
    // Only files of one length are worth hashing.
    for alike in sizes.into_values().filter(|alike| alike.len() > 1) {
        let mut firsts: HashMap<String, usize> = HashMap::new();
        for k in alike {
            let Some(Ok(sha256)) = logs.get(k).map(|log| sha256_of(&log.path)) else { continue };
            let first = *firsts.entry(sha256).or_insert(k);
            if let Some(copy) = copies.get_mut(k).filter(|_| first != k) {
                *copy = Some(first);
            }
        }
    }
    copies
}

/// All that a report hangs on, hashed: the tool, the log, what was stated of it and
/// of the car, and the files named there.
fn fingerprint(
    log: &Path,
    sha256: &str,
    car: &Car,
    options: &ReadOptions,
    units: Units,
) -> std::io::Result<String> {
    #[derive(Serialize)]
    struct Settings<'a> {
        version: &'static str,
        file: String,
        sha256: &'a str,
        columns: Vec<String>,
        sample_rate_hz: Option<f64>,
        nominal: Option<Nominal>,
        marks: Vec<String>,
        marks_file: Option<String>,
        curve: Option<(String, String)>,
        car: Car,
        units: Units,
    }
    let name = |path: &Path| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let curve = car.alternator.curve.as_deref();
    let curve = curve.map(|path| Ok::<_, std::io::Error>((name(path), sha256_of(path)?)));
    let mut stated = car.clone();
    stated.alternator.curve = None;
    let settings = Settings {
        version: env!("CARGO_PKG_VERSION"),
        file: name(log),
        sha256,
        columns: options
            .columns
            .iter()
            .map(|request| format!("{}={}", word_of(request.role), request.name))
            .collect(),
        sample_rate_hz: options.sample_rate_hz,
        nominal: options.nominal,
        marks: options.marks.iter().map(ToString::to_string).collect(),
        marks_file: options.marks_file.as_deref().map(sha256_of).transpose()?,
        curve: curve.transpose()?,
        car: stated,
        units,
    };
    Ok(hash_of_text(&json::text(&settings)))
}

/// A folder name for the report of each log, no two alike on any file system: by the
/// log's path without its ending, in characters that need no care in a shell or link.
pub fn report_names(logs: &[LogFile]) -> Vec<String> {
    let mut taken: HashSet<String> = HashSet::new();
    logs.iter()
        .map(|log| {
            let name = log.relative_path.rsplit('/').next().unwrap_or(&log.relative_path);
            let ending = name.len() - stem_of(name).len();
            let stem = log
                .relative_path
                .get(..log.relative_path.len() - ending)
                .unwrap_or(&log.relative_path);
            let numbered = (2..).map(|n| format!("{}-{n}", safe_name(&log.relative_path)));
            let wishes =
                [safe_name(stem), safe_name(&log.relative_path)].into_iter().chain(numbered);
            let free = wishes.into_iter().find(|wish| taken.insert(wish.to_lowercase()));
            free.unwrap_or_else(|| hash_of_text(&log.relative_path))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(paths: &[&str]) -> Vec<String> {
        let log = |told: &&str| LogFile {
            path: told.into(),
            relative_path: (*told).to_owned(),
            named: false,
            vehicle: None,
        };
        report_names(&paths.iter().map(log).collect::<Vec<_>>())
    }

    #[test]
    fn reports_have_names_that_no_file_system_confuses() {
        assert_eq!(
            names(&["a.csv", "A.txt", "b/a.csv", "b_a.csv", "../x y.csv", ".csv", "..."]),
            ["a", "A.txt", "b_a", "b_a.csv", "_x_y", "csv", "log"]
        );
        let long = "ä".repeat(300);
        let two = names(&[&format!("{long}1.csv"), &format!("{long}2.csv")]);
        assert!(two[0] != two[1] && two.iter().all(|name| name.len() < 120), "{two:?}");
    }
}
