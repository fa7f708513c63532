//! Why a log could not be read: the file, what was seen in it, and what to do.

use std::path::{Path, PathBuf};

use polars::prelude::PolarsError;
use thiserror::Error;

use super::request::RequestError;
use crate::format::{is_unprintable, shown};

#[derive(Debug, Error)]
pub enum IngestError {
    #[error("{}: no such file. Check the path and its spelling.", shown(.path))]
    NoSuchFile { path: PathBuf },
    #[error("{}: is a directory. Name the log file inside it.", shown(.path))]
    IsDirectory { path: PathBuf },
    #[error("{}: cannot be read ({source}). Check that it is readable and not open elsewhere.", shown(.path))]
    Unreadable { path: PathBuf, source: std::io::Error },
    #[error("{}: is longer than {most} bytes, more than a log is read of. Cut it into several logs.", shown(.path))]
    TooLong { path: PathBuf, most: u64 },
    #[error("{}, line {line}: runs on for more than {most} bytes without an end, and no line of a log does. Export the log as CSV text, one sample a line.", shown(.path))]
    LongLine { path: PathBuf, line: usize, most: usize },
    #[error("{}: the file is empty (0 bytes of text). Export the log again.", shown(.path))]
    Empty { path: PathBuf },
    #[error("{}: is {what}, not a text file. {advice}.", shown(.path))]
    Container { path: PathBuf, what: &'static str, advice: &'static str },
    #[error("-: standard input is not read. Save the log to a file and name that.")]
    StandardInput,
    #[error("{}: is not a text file: {seen}. Export the log as CSV text.", shown(.path))]
    NoText { path: PathBuf, seen: String },
    #[error("{}: no table of numbers was found: {seen}. Export the log as CSV with one sample a line, with semicolons between cells where numbers hold commas.", shown(.path))]
    NoTable { path: PathBuf, seen: String },
    #[error(
        "{}: no column could be the bus voltage. Columns seen:\n{columns}\nIf one of them is the voltage, say so: --column voltage=NAME.",
        shown(.path)
    )]
    NoVoltage { path: PathBuf, columns: String },
    #[error(
        "{}: \"{first}\" and \"{second}\" could both be the {tap} voltage, and nothing in their names or values shows which ({seen}). Say so: --column voltage.{tap}=\"{first}\" or --column voltage.{tap}=\"{second}\".",
        shown(.path)
    )]
    TwoVoltages { path: PathBuf, first: String, second: String, tap: &'static str, seen: String },
    #[error(
        "{}: \"{column}\" has a median of {median_v:.1} V while powered: {why}.",
        shown(.path)
    )]
    OtherVoltage { path: PathBuf, column: String, median_v: f64, why: String },
    #[error(
        "{}: \"{column}\" holds whole numbers of {low:.0} to {high:.0} without a unit: the counts of a converter of {bits} bits, or volts in another scale, and not volts. Multiply the column by the volts of one count (the volts of full scale, divided by {}) and write the unit in the header, as in \"battery voltage (V)\". If {running:.0} was an engine running at 14.2 V, one count is {volts_per_count:.5} V.",
        shown(.path),
        (1u64 << .bits) - 1
    )]
    RawCounts {
        path: PathBuf,
        column: String,
        low: f64,
        high: f64,
        bits: u32,
        running: f64,
        volts_per_count: f64,
    },
    #[error(
        "{}: \"{column}\" reads {level_v:.2} V on every row, although {moved}: a channel that stands still is not a measurement. Check its wiring and the logger's setting for it, and record again. If another column is the voltage: --column voltage=NAME.",
        shown(.path)
    )]
    FrozenVoltage { path: PathBuf, column: String, level_v: f64, moved: String },
    #[error("{}: {rows} usable rows, and fewer than ten are not enough{skipped}. Record a longer log.", shown(.path))]
    TooFewRows { path: PathBuf, rows: usize, skipped: String },
    #[error(
        "{}: no time column among {columns}{seen}. Name it with --column time=NAME, or give the samples per second with --sample-rate HZ.",
        shown(.path)
    )]
    NoTime { path: PathBuf, columns: String, seen: String },
    #[error(
        "{}: two columns run like clocks and disagree: {seen}. Choose one: --column time=NAME.",
        shown(.path)
    )]
    TwoClocks { path: PathBuf, seen: String },
    #[error(
        "{}: the time column \"{column}\" does not move: it reads \"{seen}\" on every row. Name another with --column time=NAME, or give the samples per second with --sample-rate HZ.",
        shown(.path)
    )]
    StuckTime { path: PathBuf, column: String, seen: String },
    #[error(
        "{}: the time column \"{column}\" cannot be read: no cell from line {line} on is a time. Use seconds, h:mm:ss, ISO 8601, or give the samples per second with --sample-rate HZ.",
        shown(.path)
    )]
    UnreadableTime { path: PathBuf, column: String, line: usize },
    #[error("{}: by its {clock} the log lasts {days:.0} days, and no more than {most:.0} are read. If the time column counts in another unit, name it in the header, as in \"time (ms)\"; else cut the log.", shown(.path))]
    TooManyDays { path: PathBuf, clock: &'static str, days: f64, most: f64 },
    #[error("{}: --sample-rate {rate} is not a rate. Give samples per second, above 0, as in --sample-rate 10.", shown(.path))]
    BadSampleRate { path: PathBuf, rate: f64 },
    #[error("{}: no column is called \"{asked}\"{nearest}. The columns are {columns}.", shown(.path))]
    NoSuchColumn { path: PathBuf, asked: String, nearest: String, columns: String },
    #[error("{}: --column asks for {role} twice: \"{first}\" and \"{second}\". Keep one.", shown(.path))]
    RoleTwice { path: PathBuf, role: String, first: String, second: String },
    #[error("{}: {request}", shown(.path))]
    Request { path: PathBuf, request: RequestError },
    #[error("{}, line {line}: {seen}. A marks file has three columns: time, load, state, as in 63.2,fans,on or 14:03:10,fans,off. Put # before a comment.", shown(.path))]
    MarksFile { path: PathBuf, line: usize, seen: String },
    #[error(
        "{}: no mark names a time in this log, which lasts {duration_s:.1} s (the first mark is at {first_s:.1} s). Write marks in seconds from the first sample{clock}.",
        shown(.path)
    )]
    MarksOutside { path: PathBuf, duration_s: f64, first_s: f64, clock: String },
    #[error("{}: the marks name {loads} loads, and at most {most} are read. Check that the marks file is not a log.", shown(.path))]
    TooManyMarkedLoads { path: PathBuf, loads: usize, most: usize },
    #[error("{}: the table could not be put together ({source}).", shown(.path))]
    Table { path: PathBuf, source: PolarsError },
}

impl IngestError {
    /// Whether a person who tells what the columns mean may get the log read.
    pub fn is_about_columns(&self) -> bool {
        matches!(
            self,
            IngestError::NoVoltage { .. }
                | IngestError::TwoVoltages { .. }
                | IngestError::RawCounts { .. }
                | IngestError::FrozenVoltage { .. }
                | IngestError::NoTime { .. }
                | IngestError::TwoClocks { .. }
                | IngestError::StuckTime { .. }
                | IngestError::UnreadableTime { .. }
                | IngestError::NoSuchColumn { .. }
                | IngestError::RoleTwice { .. }
                | IngestError::BadSampleRate { .. }
        )
    }

    pub(super) fn from_io(path: &Path, source: std::io::Error) -> Self {
        let path = path.to_path_buf();
        match source.kind() {
            std::io::ErrorKind::NotFound => IngestError::NoSuchFile { path },
            std::io::ErrorKind::IsADirectory => IngestError::IsDirectory { path },
            _ => IngestError::Unreadable { path, source },
        }
    }
}

/// Names in quotes with commas between, at most twenty.
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

/// At most forty characters of a cell, none of which a terminal obeys: cells come from anywhere.
pub(super) fn clip(text: &str) -> String {
    const SHOWN: usize = 40;
    let mut clipped: String =
        text.chars().take(SHOWN).map(|c| if is_unprintable(c) { ' ' } else { c }).collect();
    if text.chars().nth(SHOWN).is_some() {
        clipped.push('…');
    }
    clipped
}
