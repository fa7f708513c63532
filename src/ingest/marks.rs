//! Loads that a person marked by hand, joined onto the samples.

use std::path::Path;

use chrono::NaiveDateTime;
use polars::prelude::*;

use super::dialect;
use super::encoding;
use super::error::{IngestError, clip};
use super::header;
use super::number;
use super::profile::Words;
use super::request::{Mark, duty_from_state};
use super::stamp;
use super::vocabulary as say;

/// Where the log's first sample lies on clocks a marks file may use.
#[derive(Debug, Clone, Copy, Default)]
pub struct Start {
    pub wall: Option<NaiveDateTime>,
    /// The log's own text clock at the first sample, where it knows no date.
    pub clock_s: Option<f64>,
}

/// Reads a CSV of time, load and state.
pub fn read_file(path: &Path, start: Start) -> Result<Vec<Mark>, IngestError> {
    let bytes = super::load::load(path)?;
    let decoded = encoding::decode(&bytes)
        .map_err(|seen| IngestError::NoText { path: path.to_path_buf(), seen })?;
    let text = decoded.text;
    let dialect = dialect::sniff(&text);
    let aligned = dialect.align(&text);
    let text = aligned.as_deref().unwrap_or(&text);
    let wrong =
        |line: usize, seen: String| IngestError::MarksFile { path: path.to_path_buf(), line, seen };
    let (mut time, mut load, mut state) = (0usize, 1usize, 2usize);
    let mut marks = Vec::new();
    let mut first = true;
    for row in dialect.rows(text, usize::MAX) {
        let (_, line) = header::start_of(&row, text);
        if header::is_blank(&row) || row.get(0).is_some_and(|cell| cell.starts_with('#')) {
            continue;
        }
        let read_time = |cell: &str| seconds(cell, dialect.decimal, start);
        let cell = |index: usize| row.get(index).unwrap_or("").trim();
        if std::mem::take(&mut first) && read_time(cell(time)).is_none() {
            let find = |words: &[&str]| {
                row.iter().position(|name| Words::of(&header::split_unit(name).0).has(words))
            };
            time = find(say::TIME).unwrap_or(time);
            state = find(&[
                "state", "status", "zustand", "etat", "estado", "stato", "duty", "value", "=on",
                "stan",
            ])
            .unwrap_or(state);
            load = (0..3)
                .find(|&i| i != time && i != state)
                .and_then(|free| find(&["load", "consumer", "verbraucher", "name"]).or(Some(free)))
                .unwrap_or(load);
            continue;
        }
        if row.len() < 3 {
            return Err(wrong(line, format!("{} cells where three are expected", row.len())));
        }
        let at_s = read_time(cell(time))
            .ok_or_else(|| wrong(line, format!("\"{}\" is no time", clip(cell(time)))))?;
        let duty = duty_from_state(cell(state)).ok_or_else(|| {
            wrong(
                line,
                format!(
                    "\"{}\" is no state: write on, off or a duty such as 60%",
                    clip(cell(state))
                ),
            )
        })?;
        if cell(load).is_empty() {
            return Err(wrong(line, "the load has no name".into()));
        }
        marks.push(Mark { at_s, load: cell(load).to_owned(), duty });
    }
    Ok(marks)
}

/// Seconds from the log's first sample.
fn seconds(cell: &str, decimal: u8, start: Start) -> Option<f64> {
    if let Some(value) = number::parse(cell, decimal).or_else(|| number::parse(cell, b'.')) {
        return Some(value);
    }
    let stamp = stamp::parse_any(cell)?;
    if let (Some(wall), Some(first)) = (stamp.wall(), start.wall) {
        return Some(wall.signed_duration_since(first).num_milliseconds() as f64 / 1000.0);
    }
    let clock_s = stamp.clock_s?;
    let first_s = start.clock_s.or_else(|| {
        let midnight = start.wall?.date().and_hms_opt(0, 0, 0)?;
        Some(start.wall?.signed_duration_since(midnight).num_milliseconds() as f64 / 1000.0)
    });
    match first_s {
        // A mark past midnight belongs to the next day.
        Some(first_s) if clock_s < first_s - 43_200.0 => Some(clock_s + 86_400.0 - first_s),
        Some(first_s) => Some(clock_s - first_s),
        None => Some(clock_s),
    }
}

/// Adds or extends load columns of `frame` (with `time_s`) by the marks. A
/// column's own values stand until its first mark. Returns the names added.
pub fn join(
    path: &Path,
    mut frame: DataFrame,
    marks: &[Mark],
    load_key: impl Fn(&str) -> String,
    notices: &mut Vec<String>,
) -> Result<(DataFrame, Vec<String>), IngestError> {
    let table = |source: PolarsError| IngestError::Table { path: path.to_path_buf(), source };
    let duration_s = frame
        .column("time_s")
        .and_then(|c| Ok(c.f64()?.get(frame.height().saturating_sub(1)).unwrap_or(0.0)))
        .map_err(table)?;
    if let Some(first) = marks.iter().map(|mark| mark.at_s).min_by(f64::total_cmp)
        && first > duration_s
    {
        return Err(IngestError::MarksOutside {
            path: path.to_path_buf(),
            duration_s,
            first_s: first,
        });
    }
    let late = marks.iter().filter(|mark| mark.at_s > duration_s).count();
    if late > 0 {
        notices.push(format!(
            "{late} of {} marks lie after the end of the log ({duration_s:.1} s)",
            marks.len()
        ));
    }
    let mut added = Vec::new();
    let mut done: Vec<String> = Vec::new();
    for mark in marks {
        let known = mark.load.to_lowercase();
        if done.contains(&known) {
            continue;
        }
        done.push(known.clone());
        let mut own: Vec<&Mark> =
            marks.iter().filter(|other| other.load.to_lowercase() == known).collect();
        own.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let existing = frame
            .get_column_names()
            .iter()
            .map(|name| name.to_string())
            .find(|name| name.to_lowercase() == load_key(&mark.load).to_lowercase());
        let states = DataFrame::new_infer_height(vec![
            Column::new("time_s".into(), own.iter().map(|m| m.at_s).collect::<Vec<f64>>()),
            Column::new("marked".into(), own.iter().map(|m| m.duty).collect::<Vec<f64>>()),
        ])
        .map_err(table)?;
        // Before a first "on" the load was off; before a first "off" it was on.
        let before = if own.first().is_some_and(|first| first.duty > 0.0) { 0.0 } else { 1.0 };
        let key = existing.clone().unwrap_or_else(|| load_key(&mark.load));
        let fallback = match &existing {
            Some(name) => col(name.as_str()),
            None => lit(before),
        };
        let options =
            AsOfOptions { strategy: AsofStrategy::Backward, allow_eq: true, ..Default::default() };
        frame = frame
            .lazy()
            .join_builder()
            .with(states.lazy())
            .left_on([col("time_s")])
            .right_on([col("time_s")])
            .how(JoinType::AsOf(Box::new(options)))
            .finish()
            .with_column(col("marked").fill_null(fallback).alias(key.as_str()))
            .drop(cols(["marked"]))
            .collect()
            .map_err(table)?;
        if existing.is_none() {
            added.push(mark.load.clone());
            let word = if before > 0.0 { "on" } else { "off" };
            notices.push(format!(
                "\"{}\" is taken as {word} before its first mark at {:.1} s",
                clip(&mark.load),
                own.first().map_or(0.0, |m| m.at_s)
            ));
        } else {
            notices.push(format!(
                "marks overrule the column \"{}\" from {:.1} s on",
                clip(&mark.load),
                own.first().map_or(0.0, |m| m.at_s)
            ));
        }
    }
    Ok((frame, added))
}
