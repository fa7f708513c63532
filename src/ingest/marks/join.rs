//! Converts marks to load columns.

use std::collections::HashMap;

use polars::prelude::Column as FrameColumn;

use super::align::{self, Change, Trace};
use super::{AppliedMarks, MOST_LOADS, MarkedLog, PlacedMark};
use crate::ingest::error::{Problem, clip};
use crate::ingest::{frame_column, frame_values};
use crate::log::{Log, Marks, MovedMark, Role, Span};

/// Notices of one kind that are listed individually.
const MOST_LISTED: usize = 10;
/// A smaller change of duty is not a switch.
const LEAST_DUTY_CHANGE: f64 = 0.08;

/// One load with its marks in order of time.
struct MarkedLoad {
    /// As written in the first mark.
    name: String,
    /// Index of its column in the frame, if the file has one.
    column: Option<usize>,
    /// Duty before the first mark.
    duty_before: f64,
    /// Index of each mark, and the duty from then on.
    states: Vec<(usize, f64)>,
}

/// Adds or extends load columns of `frame` by the marks, which are in order of time. The values of
/// a column are kept up to its first mark.
pub fn join(
    log: &MarkedLog,
    mut placed: Vec<PlacedMark>,
    frame: &mut Vec<FrameColumn>,
    notices: &mut Vec<String>,
) -> Result<AppliedMarks, Problem> {
    let loads = marked_loads(&placed, frame);
    if loads.len() > MOST_LOADS {
        return Err(Problem::TooManyMarkedLoads { loads: loads.len(), most: MOST_LOADS });
    }
    let rpm_logged = slice(frame, &Role::EngineRpm.key()).iter().any(|rpm| rpm.is_finite());
    let moved = move_to_responses(log, &loads, &mut placed, rpm_logged, frame, notices);
    let time_s = slice(frame, "time_s").to_vec();
    report_all_loads(&placed, &loads, &time_s, frame, notices);
    let mut applied = AppliedMarks {
        marks: Marks { engine_running: engine(&placed, rpm_logged, log, notices), moved },
        added: Vec::new(),
    };
    let mut sentences: Vec<String> = Vec::new();
    for load in loads {
        let Some(first) = load.states.first().and_then(|(mark, _)| placed.get(*mark)) else {
            continue;
        };
        let name = clip(&load.name);
        match load.column {
            None => {
                let word = if load.duty_before > 0.0 { "on" } else { "off" };
                sentences.push(format!(
                    "\"{name}\" is assumed to be {word} before its first mark at {:.1} s",
                    first.at_s
                ));
            }
            Some(_) => sentences
                .push(format!("marks replace the column \"{name}\" from {:.1} s on", first.at_s)),
        }
        let own = load.column.and_then(|index| frame.get(index)).map(frame_values);
        let duty = duties(&load, &placed, &time_s, own);
        match load.column.and_then(|index| frame.get_mut(index)) {
            Some(column) => *column = frame_column(column.name().as_str(), duty),
            None => {
                frame.push(frame_column(&Log::load_key(&load.name), duty));
                applied.added.push(load.name);
            }
        }
    }
    push_notices(sentences, "loads are marked", notices);
    Ok(applied)
}

/// The loads named by marks, in the order of their first marks.
fn marked_loads(placed: &[PlacedMark], frame: &[FrameColumn]) -> Vec<MarkedLoad> {
    let columns: HashMap<String, usize> = frame
        .iter()
        .enumerate()
        .filter_map(|(k, column)| Some((column.name().strip_prefix("load:")?.to_lowercase(), k)))
        .collect();
    let mut loads: Vec<MarkedLoad> = Vec::new();
    let mut known: HashMap<String, usize> = HashMap::new();
    let named = placed.iter().filter(|p| !p.mark.is_engine() && !p.mark.is_all_loads());
    for PlacedMark { mark, .. } in named {
        let lower = mark.load.to_lowercase();
        let column = columns.get(&lower).copied();
        known.entry(lower).or_insert_with(|| {
            // Before a first "on" the load was off; before a first "off" it was on.
            let duty_before = if mark.duty > 0.0 { 0.0 } else { 1.0 };
            let name = mark.load.clone();
            loads.push(MarkedLoad { name, column, duty_before, states: Vec::new() });
            loads.len() - 1
        });
    }
    for (k, PlacedMark { mark, .. }) in placed.iter().enumerate() {
        if mark.is_all_loads() {
            for load in &mut loads {
                // "all:off" before the first mark of a load does not imply that it was on.
                if load.states.is_empty() {
                    load.duty_before = 0.0;
                }
                load.states.push((k, mark.duty));
            }
        } else if let Some(load) =
            known.get(&mark.load.to_lowercase()).and_then(|&load| loads.get_mut(load))
        {
            load.states.push((k, mark.duty));
        }
    }
    loads
}

fn move_to_responses(
    log: &MarkedLog,
    loads: &[MarkedLoad],
    placed: &mut [PlacedMark],
    rpm_logged: bool,
    frame: &[FrameColumn],
    notices: &mut Vec<String>,
) -> Vec<MovedMark> {
    let time_s = slice(frame, "time_s");
    let trace = Trace::new(
        time_s,
        slice(frame, &log.bus.key()),
        slice(frame, &Role::EngineRpm.key()),
        log.resolution_v,
    );
    // Direction of the expected response to each mark; 0 if none is expected.
    let mut responses = vec![0.0; placed.len()];
    let marked = |column: usize| loads.iter().any(|load| load.column == Some(column));
    let mut declared: Vec<(f64, f64)> = Vec::new();
    for (k, column) in frame.iter().enumerate().filter(|(_, c)| c.name().starts_with("load:")) {
        let edges = edges(time_s, frame_values(column));
        if !marked(k) {
            declared.extend(edges);
        }
    }
    for load in loads {
        let own_edges =
            load.column.and_then(|k| frame.get(k)).map(|c| edges(time_s, frame_values(c)));
        let mut duty = load.duty_before;
        for &(mark, next) in &load.states {
            let change = next - std::mem::replace(&mut duty, next);
            let (Some(response), Some(at)) = (responses.get_mut(mark), placed.get(mark)) else {
                continue;
            };
            // A column that has an edge of its own nearby is more accurate.
            let near = |edge: &(f64, f64)| (edge.0 - at.at_s).abs() <= align::FARTHEST_S;
            if change.abs() >= LEAST_DUTY_CHANGE
                && !own_edges.as_ref().is_some_and(|edges| edges.iter().any(near))
            {
                *response -= change;
            }
        }
    }
    if !rpm_logged {
        for (response, at) in responses.iter_mut().zip(placed.iter()) {
            if at.mark.is_engine() {
                *response = if at.mark.duty > 0.0 { 1.0 } else { -1.0 };
            }
        }
    }
    let changes: Vec<Change> = placed
        .iter()
        .zip(&responses)
        .enumerate()
        .filter(|(_, (at, response))| **response != 0.0 && at.at_s <= log.duration_s)
        .map(|(mark, (at, response))| Change { mark, at_s: at.at_s, sign: response.signum() })
        .collect();
    let found = align::responses(&trace, &changes, &declared);
    let mut moved = Vec::new();
    let mut sentences = Vec::new();
    let mut unanswered = Vec::new();
    for (change, found) in changes.iter().zip(found) {
        let Some(at) = placed.get_mut(change.mark) else { continue };
        let name = format!("{}:{}", clip(&at.mark.load), at.mark.state());
        let Some(found) = found else {
            unanswered.push(format!("\"{name}\" at {:.1} s", at.at_s));
            continue;
        };
        if (found.at_s - at.at_s).abs() < trace.least_move_s() {
            continue;
        }
        let mark = MovedMark { load: at.mark.load.clone(), marked_s: at.at_s, at_s: found.at_s };
        let shared = if found.shared { ", shared with another mark" } else { "" };
        sentences.push(format!(
            "the mark \"{name}\" at {:.1} s is moved {} to the voltage response at {:.1} s{shared}",
            mark.marked_s,
            mark.distance(),
            mark.at_s
        ));
        at.at_s = mark.at_s;
        moved.push(mark);
    }
    push_notices(sentences, "marks are moved to the voltage response", notices);
    if let Some(first) = unanswered.first() {
        let more = match unanswered.len() {
            1 => String::new(),
            n => format!(" and {} more", n - 1),
        };
        notices.push(format!(
            "the voltage shows no response within {:.0} s of the mark {first}{more}; the time is kept as marked",
            align::FARTHEST_S
        ));
    }
    moved
}

/// When the engine runs, according to the marks.
fn engine(
    placed: &[PlacedMark],
    rpm_logged: bool,
    log: &MarkedLog,
    notices: &mut Vec<String>,
) -> Option<Vec<Span>> {
    let mut states: Vec<(f64, bool)> =
        placed.iter().filter(|p| p.mark.is_engine()).map(|p| (p.at_s, p.mark.duty > 0.0)).collect();
    states.sort_by(|a, b| a.0.total_cmp(&b.0));
    let &(first_s, first_on) = states.first()?;
    if rpm_logged {
        notices.push("marks of the engine are not used: engine speed is logged".to_owned());
        return None;
    }
    notices.push(format!(
        "the engine is assumed to be {} before its first mark at {first_s:.1} s",
        if first_on { "stopped" } else { "running (from its start, if the log shows one)" }
    ));
    let mut spans = Vec::new();
    // Unknown start: the voltage may show it.
    let mut since_s = (!first_on).then_some(f64::NEG_INFINITY);
    for (at_s, on) in states {
        let at_s = at_s.clamp(0.0, log.duration_s);
        match since_s {
            None if on => since_s = Some(at_s),
            Some(start_s) if !on => {
                spans.push(Span { start_s, end_s: at_s });
                since_s = None;
            }
            _ => {}
        }
    }
    spans.extend(since_s.map(|start_s| Span { start_s, end_s: log.duration_s }));
    spans.retain(|span| span.end_s > span.start_s);
    Some(spans)
}

/// Reports an "all:off" that has no effect or contradicts a column.
fn report_all_loads(
    placed: &[PlacedMark],
    loads: &[MarkedLoad],
    time_s: &[f64],
    frame: &[FrameColumn],
    notices: &mut Vec<String>,
) {
    let all: Vec<&PlacedMark> = placed.iter().filter(|p| p.mark.is_all_loads()).collect();
    let Some(first) = all.first() else { return };
    if loads.is_empty() {
        notices.push(format!(
            "the mark \"{}:{}\" changes nothing: no other mark names a load",
            first.mark.load,
            first.mark.state()
        ));
    }
    for (k, column) in frame.iter().enumerate() {
        let Some(name) = column.name().strip_prefix("load:") else { continue };
        if loads.iter().any(|load| load.column == Some(k)) {
            continue;
        }
        let duty_at =
            |at_s: f64| frame_values(column).get(time_s.partition_point(|t| *t < at_s)).copied();
        let other = all.iter().find(|p| {
            duty_at(p.at_s).is_some_and(|duty| (duty - p.mark.duty).abs() >= LEAST_DUTY_CHANGE)
        });
        if let Some(other) = other {
            notices.push(format!(
                "\"{}:{}\" at {:.1} s contradicts the column \"{}\"; the column is used",
                other.mark.load,
                other.mark.state(),
                other.at_s,
                clip(name)
            ));
        }
    }
}

/// Duty of the load at every sample: a mark holds until the next one.
fn duties(
    load: &MarkedLoad,
    placed: &[PlacedMark],
    time_s: &[f64],
    own: Option<&[f64]>,
) -> Vec<f64> {
    let mut states: Vec<(f64, f64)> = load
        .states
        .iter()
        .filter_map(|&(mark, duty)| Some((placed.get(mark)?.at_s, duty)))
        .collect();
    states.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut next = states.into_iter().peekable();
    let mut now = None;
    let at = |(k, t): (usize, &f64)| {
        while let Some((_, duty)) = next.next_if(|(at_s, _)| at_s <= t) {
            now = Some(duty);
        }
        now.or_else(|| own?.get(k).copied()).unwrap_or(load.duty_before)
    };
    time_s.iter().enumerate().map(at).collect()
}

/// Times at which a duty changes, and the direction of the expected response.
fn edges(time_s: &[f64], duty: &[f64]) -> Vec<(f64, f64)> {
    let pairs = duty.windows(2).zip(time_s.iter().skip(1));
    pairs
        .filter_map(|(pair, t)| match pair {
            [a, b] if (b - a).abs() >= LEAST_DUTY_CHANGE => Some((*t, (a - b).signum())),
            _ => None,
        })
        .collect()
}

fn push_notices(mut sentences: Vec<String>, what: &str, notices: &mut Vec<String>) {
    let count = sentences.len();
    sentences.truncate(MOST_LISTED);
    notices.append(&mut sentences);
    if count > MOST_LISTED {
        notices.push(format!("{count} {what}; the first {MOST_LISTED} are listed"));
    }
}

fn slice<'f>(frame: &'f [FrameColumn], key: &str) -> &'f [f64] {
    frame.iter().find(|column| column.name().as_str() == key).map_or(&[], frame_values)
}
