//! Errors of reading: the file, what was found in it, and what to do.

use std::io;
use std::path::{Path, PathBuf};

use polars::prelude::PolarsError;
use thiserror::Error;

use crate::format::{is_unprintable, shown};

/// A file that could not be read as a log, and why.
#[derive(Debug, Error)]
#[error("{}{}: {problem}", shown(path), problem.place())]
pub struct IngestError {
    pub path: PathBuf,
    pub problem: Problem,
}

impl IngestError {
    pub(super) fn new(path: &Path, problem: Problem) -> Self {
        IngestError { path: path.to_path_buf(), problem }
    }
}

#[derive(Debug, Error)]
pub enum Problem {
    #[error("no such file. Check the path and its spelling.")]
    NoSuchFile,
    #[error("is a directory. Name the log file inside it.")]
    IsDirectory,
    #[error("cannot be read ({source}). Check that it is readable and not open elsewhere.")]
    Unreadable { source: io::Error },
    #[error("is longer than the limit of {most} bytes. Split it into several logs.")]
    TooLong { most: u64 },
    #[error(
        "is longer than {most} bytes, too long for a log. Export the log as CSV text, one sample per line."
    )]
    LongLine { line: usize, most: usize },
    #[error("the file is empty (0 bytes of text). Export the log again.")]
    Empty,
    #[error("is {what}, not a text file. {advice}.")]
    Container { what: &'static str, advice: &'static str },
    #[error("standard input is not supported. Save the log to a file and name the file.")]
    StandardInput,
    #[error("is not a text file: {seen}. Export the log as CSV text.")]
    NotText { seen: String },
    #[error(
        "no table of numbers was found: {seen}. Export the log as CSV with one sample per line. If numbers contain commas, separate cells with semicolons."
    )]
    NoTable { seen: String },
    #[error(
        "no column could be the bus voltage. Columns found:\n{columns}\nIf one of them is the voltage, use --column voltage=NAME."
    )]
    NoVoltage { columns: String },
    #[error(
        "\"{first}\" and \"{second}\" could both be the {tap} voltage, and neither names nor values decide ({seen}). Choose one: --column voltage.{tap}=\"{first}\" or --column voltage.{tap}=\"{second}\"."
    )]
    TwoVoltages { first: String, second: String, tap: &'static str, seen: String },
    #[error("\"{column}\" has a median of {median_v:.1} V while powered: {why}.")]
    OtherVoltage { column: String, median_v: f64, why: String },
    #[error(
        "\"{column}\" holds whole numbers from {low:.0} to {high:.0} without a unit. These are not volts, but probably raw counts of a {bits}-bit converter. Multiply the column by the volts per count (full-scale volts divided by {}). Write the unit in the header, as in \"battery voltage (V)\". If the reading of {running:.0} was 14.2 V with the engine running, one count is {:.5} V.",
        (1u64 << .bits) - 1,
        14.2 / running
    )]
    RawCounts { column: String, low: f64, high: f64, bits: u32, running: f64 },
    #[error(
        "\"{column}\" reads {level_v:.2} V on every row, although {contradiction}. A constant channel is not a measurement. Check its wiring and its logger settings, then record again. If another column is the voltage, use --column voltage=NAME."
    )]
    FrozenVoltage { column: String, level_v: f64, contradiction: String },
    #[error("only {rows} usable rows, and at least ten are needed{skipped}. Record a longer log.")]
    TooFewRows { rows: usize, skipped: String },
    #[error(
        "no time column among {columns}{seen}. Name it with --column time=NAME, or give the samples per second with --sample-rate HZ."
    )]
    NoTime { columns: String, seen: String },
    #[error("two columns behave like clocks but disagree: {seen}. Choose one: --column time=NAME.")]
    TwoClocks { seen: String },
    #[error(
        "the time column \"{column}\" does not change: it reads \"{seen}\" on every row. Use another column with --column time=NAME, or give the samples per second with --sample-rate HZ."
    )]
    StuckTime { column: String, seen: String },
    #[error(
        "the time column \"{column}\" cannot be read: no cell from line {line} on is a time. Use seconds, h:mm:ss or ISO 8601, or give the samples per second with --sample-rate HZ."
    )]
    UnreadableTime { column: String, line: usize },
    #[error(
        "the log lasts {days:.0} days by its clock ({clock}), more than the limit of {most:.0} days. If the time is in another unit, write it in the header, as in \"time (ms)\". Otherwise split the log."
    )]
    TooManyDays { clock: &'static str, days: f64, most: f64 },
    #[error(
        "--sample-rate {rate} is not valid. Give samples per second above 0, as in --sample-rate 10."
    )]
    BadSampleRate { rate: f64 },
    #[error("no column is called \"{asked}\"{nearest}. The columns are {columns}.")]
    NoSuchColumn { asked: String, nearest: String, columns: String },
    #[error("--column assigns {role} twice: \"{first}\" and \"{second}\". Keep one.")]
    RoleTwice { role: String, first: String, second: String },
    #[error(
        "{seen}. A marks file has three columns: time, load, state, as in 63.2,fans,on or 14:03:10,fans,off. Start a comment with #."
    )]
    MarksFile { line: usize, seen: String },
    #[error(
        "no mark is within this log, which lasts {duration_s:.1} s (the first mark is at {first_s:.1} s). Write marks in seconds from the first sample{clock}."
    )]
    MarksOutside { duration_s: f64, first_s: f64, clock: String },
    #[error(
        "the marks name {loads} loads, more than the limit of {most}. Check that the marks file is not a log."
    )]
    TooManyMarkedLoads { loads: usize, most: usize },
    #[error(
        "the output sheet cannot be read ({source}). Check the path and that it is a readable file."
    )]
    UnreadableSheet { source: io::Error },
    #[error(
        "is not an output sheet: {seen}. An output sheet is a CSV of alternator rpm and amps, one point per line, as in 1500,35."
    )]
    NoSheet { seen: String },
    #[error("found \"{found}\": {advice}.")]
    SheetCell { line: usize, column: String, found: String, advice: String },
    #[error("the table could not be built ({source}).")]
    Table { source: PolarsError },
}

impl Problem {
    /// Whether the user can solve it by saying what the columns mean.
    pub fn is_about_columns(&self) -> bool {
        matches!(
            self,
            Problem::NoVoltage { .. }
                | Problem::TwoVoltages { .. }
                | Problem::RawCounts { .. }
                | Problem::FrozenVoltage { .. }
                | Problem::NoTime { .. }
                | Problem::TwoClocks { .. }
                | Problem::StuckTime { .. }
                | Problem::UnreadableTime { .. }
                | Problem::NoSuchColumn { .. }
                | Problem::RoleTwice { .. }
                | Problem::BadSampleRate { .. }
        )
    }

    /// The place in the file, for the start of the message.
    fn place(&self) -> String {
        match self {
            Problem::LongLine { line, .. } | Problem::MarksFile { line, .. } => {
                format!(", line {line}")
            }
            Problem::SheetCell { line, column, .. } => {
                format!(", line {line}, column \"{column}\"")
            }
            _ => String::new(),
        }
    }
}

impl From<io::Error> for Problem {
    fn from(source: io::Error) -> Self {
        match source.kind() {
            io::ErrorKind::NotFound => Problem::NoSuchFile,
            io::ErrorKind::IsADirectory => Problem::IsDirectory,
            _ => Problem::Unreadable { source },
        }
    }
}

/// Names in quotes with commas between; at most twenty.
pub(super) fn list(names: &[String]) -> String {
    const SHOWN: usize = 20;
    let mut text = names
        .iter()
        .take(SHOWN)
        .map(|name| format!("\"{}\"", clip(name)))
        .collect::<Vec<_>>()
        .join(", ");
    if names.len() > SHOWN {
        text.push_str(&format!(" and {} more", names.len() - SHOWN));
    }
    text
}

/// At most forty characters of a cell, without control characters.
pub(super) fn clip(text: &str) -> String {
    const SHOWN: usize = 40;
    let mut clipped: String =
        text.chars().take(SHOWN).map(|c| if is_unprintable(c) { ' ' } else { c }).collect();
    if text.chars().nth(SHOWN).is_some() {
        clipped.push('…');
    }
    clipped
}
