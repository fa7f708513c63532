//! Reads marks that a person wrote by hand: times at which loads or the engine were switched.

mod align;
mod join;

use std::path::Path;

use chrono::NaiveDateTime;
use polars::prelude::Column as FrameColumn;

use super::dialect;
use super::encoding;
use super::error::{IngestError, Problem, clip};
use super::header;
use super::profile::Words;
use super::request::{Mark, MarkTime, ReadOptions, duty_from_state};
use super::stamp;
use super::vocabulary as vocab;
use crate::log::{Marks, Role};

/// A file with more loads than this is a log, given as marks by mistake.
const MOST_LOADS: usize = 500;
/// A load may have been switched on before the log began, but not longer than this before.
const LONGEST_BEFORE_S: f64 = 3600.0;

/// Time of the first sample on the clocks that marks may use.
#[derive(Debug, Clone, Copy, Default)]
pub struct Start {
    pub wall: Option<NaiveDateTime>,
    /// The log's own clock without a date, in seconds.
    pub clock_s: Option<f64>,
}

/// What is known of the log to which the marks belong.
pub struct MarkedLog {
    pub start: Start,
    pub duration_s: f64,
    pub resolution_v: Option<f64>,
    pub bus: Role,
}

#[derive(Debug, Default)]
pub struct AppliedMarks {
    pub marks: Marks,
    /// Loads that have no column in the file.
    pub added: Vec<String>,
}

/// A mark in seconds from the first sample.
#[derive(Debug, Clone)]
struct PlacedMark {
    at_s: f64,
    mark: Mark,
}

/// All marks: from the marks file, then from `--mark`.
pub fn requested(options: &ReadOptions) -> Result<Vec<Mark>, IngestError> {
    let mut marks = match &options.marks_file {
        Some(file) => read_file(file)?,
        None => Vec::new(),
    };
    marks.extend(options.marks.iter().cloned());
    Ok(marks)
}

/// Adds the marks to `frame` as load columns.
pub fn apply(
    log: &MarkedLog,
    marks: Vec<Mark>,
    frame: &mut Vec<FrameColumn>,
    notices: &mut Vec<String>,
) -> Result<AppliedMarks, Problem> {
    let mut placed = place(marks, log, notices);
    placed.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let (Some(first), Some(last)) = (placed.first(), placed.last()) else {
        return Ok(AppliedMarks::default());
    };
    if first.at_s > log.duration_s || last.at_s < -LONGEST_BEFORE_S {
        return Err(Problem::MarksOutside {
            duration_s: log.duration_s,
            first_s: first.at_s,
            clock: log.start.clock_hint(),
        });
    }
    let outside = |is_outside: &dyn Fn(&PlacedMark) -> bool, what: &str| {
        let count = placed.iter().filter(|mark| is_outside(mark)).count();
        (count > 0).then(|| format!("{count} of {} marks are {what}", placed.len()))
    };
    notices.extend(outside(
        &|mark| mark.at_s > log.duration_s,
        &format!("after the end of the log ({:.1} s) and are not used", log.duration_s),
    ));
    notices.extend(outside(
        &|mark| mark.at_s < 0.0,
        "before the first sample and apply from there on",
    ));
    join::join(log, placed, frame, notices)
}

impl Start {
    /// Says when the first sample was on the log's own clock.
    fn clock_hint(&self) -> String {
        match (self.wall, self.clock_s) {
            (Some(wall), _) => {
                format!(", or on the log's clock, which starts at {}", wall.format("%F %T"))
            }
            (None, Some(s)) => {
                let s = s.max(0.0) as u64;
                let (h, m, s) = (s / 3600, s / 60 % 60, s % 60);
                format!(", or on the log's clock, which starts at {h}:{m:02}:{s:02}")
            }
            (None, None) => "; this log has no clock time".to_owned(),
        }
    }

    /// Time of day of the first sample, in seconds.
    fn of_day_s(&self) -> Option<f64> {
        self.clock_s.or_else(|| {
            let midnight = self.wall?.date().and_hms_opt(0, 0, 0)?;
            Some(self.wall?.signed_duration_since(midnight).num_milliseconds() as f64 / 1000.0)
        })
    }
}

/// Reads a CSV of time, load and state.
pub fn read_file(path: &Path) -> Result<Vec<Mark>, IngestError> {
    let at = |problem| IngestError::new(path, problem);
    let bytes = super::load::load(path).map_err(at)?;
    let decoded = encoding::decode(&bytes).map_err(|seen| at(Problem::NotText { seen }))?;
    let text = decoded.text;
    let dialect = dialect::sniff(&text);
    let aligned = dialect.align(&text);
    let text = aligned.as_deref().unwrap_or(&text);
    let wrong = |line: usize, seen: String| at(Problem::MarksFile { line, seen });
    let mut columns = Columns { time: 0, load: 1, state: 2 };
    let mut marks = Vec::new();
    let mut first = true;
    for row in dialect.rows(text, usize::MAX) {
        let (_, line) = header::start_of(&row, text);
        if header::is_blank(&row) || row.get(0).is_some_and(|cell| cell.starts_with('#')) {
            continue;
        }
        let read_time = |cell: &str| MarkTime::read(cell, dialect.decimal);
        let cell = |index: usize| row.get(index).unwrap_or("").trim();
        if std::mem::take(&mut first)
            && let Some(named) = Columns::named_in(&row)
        {
            columns = named;
            continue;
        }
        if row.len() < 3 {
            let text: Vec<&str> = row.iter().map(str::trim).collect();
            // A line in the form of `--mark`.
            if let Ok(mark) = text.join(",").parse::<Mark>() {
                marks.push(mark);
                continue;
            }
            return Err(wrong(line, format!("\"{}\" is not a mark", clip(&text.join(" ")))));
        }
        let time = cell(columns.time);
        let at = read_time(time)
            .ok_or_else(|| wrong(line, format!("\"{}\" is not a time", clip(time))))?;
        let state = cell(columns.state);
        let duty = duty_from_state(state).ok_or_else(|| {
            let seen = clip(state);
            wrong(line, format!("\"{seen}\" is not a state: write on, off or a duty such as 60%"))
        })?;
        let load = cell(columns.load);
        if load.is_empty() {
            return Err(wrong(line, "the load has no name".into()));
        }
        marks.push(Mark { at, load: load.to_owned(), duty });
    }
    Ok(marks)
}

struct Columns {
    time: usize,
    load: usize,
    state: usize,
}

impl Columns {
    /// `None` if `row` is not a header: a sentence may contain a word such as "time".
    fn named_in(row: &csv::StringRecord) -> Option<Columns> {
        const LONGEST_NAME: usize = 2;
        let is_name = |cell: &str| {
            let words = header::split_unit(cell).0.split_whitespace().count();
            (1..=LONGEST_NAME).contains(&words) && MarkTime::read(cell, b'.').is_none()
        };
        if row.len() < 2 || !row.iter().all(is_name) {
            return None;
        }
        let find = |words: &str| {
            row.iter().position(|name| Words::of(&header::split_unit(name).0).has(words))
        };
        let time = find(vocab::TIME)?;
        const STATE: &str = "state, status, zustand, etat, estado, stato, duty, value, =on, stan";
        let state =
            find(STATE).filter(|&state| state != time).unwrap_or(if time == 2 { 0 } else { 2 });
        let load = (0..3)
            .find(|&i| i != time && i != state)
            .and_then(|free| find("load, consumer, verbraucher, name").or(Some(free)))?;
        Some(Columns { time, load, state })
    }
}

/// How times without a date are interpreted.
#[derive(Debug, Clone, Copy, PartialEq)]
enum TimeReading {
    /// On the log's own clock; `12:34` is hours and minutes.
    HoursMinutes,
    /// On the log's own clock; `12:34` is minutes and seconds.
    MinutesSeconds,
    /// From the first sample.
    Elapsed,
}

/// Converts marks to seconds from the first sample. They may be written as time of day or as time
/// since the log began: the first interpretation that lies within the log is used for all.
fn place(marks: Vec<Mark>, log: &MarkedLog, notices: &mut Vec<String>) -> Vec<PlacedMark> {
    use TimeReading::{Elapsed, HoursMinutes, MinutesSeconds};
    let readings: &[TimeReading] = match (log.start.wall, log.start.clock_s) {
        (Some(_), _) => &[HoursMinutes, Elapsed],
        (None, Some(_)) => &[MinutesSeconds, HoursMinutes, Elapsed],
        (None, None) => &[Elapsed],
    };
    let clocks: Vec<&str> = marks
        .iter()
        .filter_map(|mark| match &mark.at {
            MarkTime::Clock(text) => Some(text.as_str()),
            MarkTime::Seconds(_) => None,
        })
        .collect();
    let lies_within = |reading: &&TimeReading| {
        clocks.iter().any(|text| {
            seconds(text, log.start, **reading).is_some_and(|s| (0.0..=log.duration_s).contains(&s))
        })
    };
    let usual = readings.first().copied().unwrap_or(Elapsed);
    let reading = readings.iter().find(lies_within).copied().unwrap_or(usual);
    if reading == Elapsed && usual != Elapsed {
        notices.push("clock times of marks are read as time since the first sample".to_owned());
    }
    let place = |mark: Mark| {
        let at_s = match &mark.at {
            MarkTime::Seconds(at_s) => *at_s,
            MarkTime::Clock(text) => seconds(text, log.start, reading)?,
        };
        at_s.is_finite().then_some(PlacedMark { at_s, mark })
    };
    marks.into_iter().filter_map(place).collect()
}

fn seconds(text: &str, start: Start, reading: TimeReading) -> Option<f64> {
    let stamp = stamp::parse_any(text)?;
    if let (Some(wall), Some(first)) = (stamp.wall(), start.wall) {
        return Some(wall.signed_duration_since(first).num_milliseconds() as f64 / 1000.0);
    }
    let mut clock_s = stamp.clock_s.unwrap_or(0.0);
    if stamp.fields == 2 && reading == TimeReading::HoursMinutes {
        clock_s *= 60.0;
    }
    match start.of_day_s().filter(|_| reading != TimeReading::Elapsed) {
        // A mark after midnight belongs to the next day.
        Some(first_s) if clock_s < first_s - 43_200.0 => Some(clock_s + 86_400.0 - first_s),
        Some(first_s) => Some(clock_s - first_s),
        None => Some(clock_s),
    }
}
