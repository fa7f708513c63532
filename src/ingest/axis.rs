//! Turns raw time stamps into seconds that start at 0 and strictly increase.

use super::account::{self, Account};
use super::rank::{median, steps};
use super::supply;
use super::table::{Body, Lines};
use crate::format::plural;
use crate::log::Role;
use crate::parallel::{LEAST_VALUES, shared_mut};
use crate::stats::find_indices;
use crate::stats::rounding::nearest;

/// Which rows of the table are kept.
#[derive(Debug, Clone, PartialEq)]
pub enum Rows {
    /// All rows; their number.
    All(usize),
    /// Only these rows, in order.
    Listed(Vec<usize>),
}

impl Rows {
    pub fn len(&self) -> usize {
        match self {
            Rows::All(count) => *count,
            Rows::Listed(rows) => rows.len(),
        }
    }

    /// How many of the rows before `row` are kept.
    pub fn before(&self, row: usize) -> usize {
        match self {
            Rows::All(count) => row.min(*count),
            Rows::Listed(rows) => rows.partition_point(|kept| *kept < row),
        }
    }

    fn into_listed(self) -> Vec<usize> {
        match self {
            Rows::All(count) => (0..count).collect(),
            Rows::Listed(rows) => rows,
        }
    }
}

/// Kept rows in order, and their time in seconds from the first.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    pub rows: Rows,
    pub time_s: Vec<f64>,
    /// Seconds from the first stamp in the file to the first kept row.
    pub late_s: f64,
}

/// A time stamp further than this from the first one (30,000 years) is invalid: computing with
/// it would lose all precision.
const FURTHEST_S: f64 = 1e12;
/// Rows further apart than this are separate recordings.
const LONGEST_PAUSE_S: f64 = 86_400.0;

/// A clock that steps back counts as set back unless it catches up within this many rows.
const CATCH_UP_ROWS: usize = 10;

/// Time axis of the rows that hold a bus voltage. `polled` lists the rows in which the voltage
/// was measured, if not all are.
pub fn of(body: &mut Body, bus: Role, polled: Option<Vec<usize>>, account: &mut Account) -> Axis {
    let time = std::mem::take(&mut body.time);
    let (bus_v, gaps) =
        body.channel(bus).map_or((&[][..], false), |bus| (bus.values.as_slice(), bus.extent.gaps));
    let unpowered = supply::unpowered(&time, bus_v, body.values(Role::EngineRpm));
    if polled.is_none() && !gaps && unpowered.is_empty() {
        return clean(time, Rows::All(bus_v.len()), &body.lines, account);
    }
    for span in &unpowered {
        account.skip(account::SUPPLY_OFF, span.len(), body.lines.of(span.start));
    }
    let is_on = |row: &usize| {
        let next = unpowered.partition_point(|span| span.end <= *row);
        unpowered.get(next).is_none_or(|span| !span.contains(row))
    };
    let powered: Vec<usize> = match polled {
        Some(rows) => {
            let first = (0..).zip(&rows).position(|(k, row)| k != *row).unwrap_or(rows.len());
            let off: usize = unpowered.iter().map(|span| span.len()).sum();
            let powered: Vec<usize> = rows.into_iter().filter(is_on).collect();
            let repeated = (bus_v.len() - off).saturating_sub(powered.len());
            account.skip(account::NOT_MEASURED_AGAIN, repeated, body.lines.of(first));
            powered
        }
        None => (0..bus_v.len()).filter(is_on).collect(),
    };
    let is_known = |row: &usize| bus_v.get(*row).is_some_and(|v| !v.is_nan());
    let (known, lost): (Vec<usize>, Vec<usize>) = powered.into_iter().partition(is_known);
    let first = lost.iter().map(|row| body.lines.of(*row)).min().unwrap_or(0);
    account.skip(account::NO_VOLTAGE, lost.len(), first);
    clean(time, Rows::Listed(known), &body.lines, account)
}

/// `rows` are indices into `time`: the rows with a voltage.
fn clean(mut time: Vec<f64>, rows: Rows, lines: &Lines, account: &mut Account) -> Axis {
    if rows == Rows::All(time.len()) && is_straight(&mut time) {
        return Axis { rows, time_s: time, late_s: 0.0 };
    }
    let rows = rows.into_listed();
    let at = |row: usize| time.get(row).copied().unwrap_or(f64::NAN);
    let mut timed = Vec::with_capacity(rows.len());
    let first = time.iter().copied().find(|t| t.is_finite()).unwrap_or(0.0);
    for row in rows {
        let t = at(row) - first;
        if t.abs() <= FURTHEST_S {
            timed.push((row, to_nanoseconds(t)));
        } else {
            account.skip(account::NO_TIME, 1, lines.of(row));
        }
    }
    let (timed, stopped_rows) = space_stopped_counter(timed, lines, account);
    let step_s = median_step(&timed);
    let timed = drop_jumps_ahead(timed, step_s, lines, account);
    let stretches = split_restarts(timed, step_s, lines, account);
    let restarts = stretches.len() - 1;
    let kept = keep_longest(stretches, account::RESTARTED, lines, account);
    if restarts > 0 {
        account.notices.push(format!(
            "the clock restarts {}; {}",
            plural(restarts, "time", "times"),
            longest_kept(&kept, lines)
        ));
    }
    let kept = between_pauses(kept, lines, account);
    let kept = spread_repeats(kept, stopped_rows, lines, account);
    let (first_row, start_s) = kept.first().copied().unwrap_or_default();
    let late_s = if kept.is_empty() { 0.0 } else { at(first_row) - first };
    let (rows, time_s) = kept.into_iter().map(|(row, t)| (row, t - start_s)).unzip();
    let rows = Rows::Listed(rows);
    Axis { rows, time_s, late_s }
}

/// Converts `time` to seconds from the first stamp. Returns whether every stamp is valid and
/// later than the one before, so that nothing has to be cleaned.
fn is_straight(time: &mut [f64]) -> bool {
    let Some(first) = time.first().copied().filter(|t| t.is_finite()) else { return false };
    if first != 0.0 {
        shared_mut(time, LEAST_VALUES, |_, part| {
            part.iter_mut().for_each(|t| *t = to_nanoseconds(*t - first));
        });
    }
    let within = time.last().is_some_and(|last| last.abs() <= FURTHEST_S);
    let rises = |a: f64, b: f64| b > a && b - a <= LONGEST_PAUSE_S;
    within && find_indices::of_neighbors(time, |a, b| !rises(a, b)).is_empty()
}

/// Rounds to nanoseconds, finer than any logger, to remove binary rounding errors.
pub fn to_nanoseconds(t: f64) -> f64 {
    let rounded = nearest(t * 1e9) / 1e9;
    if rounded.is_finite() { rounded } else { t }
}

fn median_step(timed: &[(usize, f64)]) -> f64 {
    median(timed.windows(2).map(gap).filter(|step| *step > 0.0)).unwrap_or(0.0)
}

fn gap(pair: &[(usize, f64)]) -> f64 {
    match pair {
        [a, b] => b.1 - a.1,
        _ => 0.0,
    }
}

/// A stamp repeated this many times more often than usual means that the counter is stopped.
const TIMES_USUAL: usize = 2;

/// A run-time counter repeats its first value until the engine runs, and its last value once it
/// has stopped. Rows with a stopped counter get times at its later rate, and a second start
/// continues the log. Also returns how many rows had a stopped counter.
fn space_stopped_counter(
    timed: Vec<(usize, f64)>,
    lines: &Lines,
    account: &mut Account,
) -> (Vec<(usize, f64)>, usize) {
    let runs: Vec<&[(usize, f64)]> = timed.chunk_by(|a, b| a.1 == b.1).collect();
    let lengths: Vec<f64> = runs.iter().map(|run| run.len() as f64).collect();
    let mut widths_s = widths_s(&runs);
    widths_s.retain(|width_s| *width_s > 0.0);
    // The mean, because a stamp of two seconds may cover three or four rows.
    let middle = |values: &[f64]| -> Option<f64> {
        let usual = median(values.iter().copied())?;
        let near: Vec<f64> =
            values.iter().copied().filter(|v| (0.5 * usual..=1.5 * usual).contains(v)).collect();
        Some(near.iter().sum::<f64>() / near.len() as f64)
    };
    let (Some(usual_length), Some(usual_width_s)) = (middle(&lengths), middle(&widths_s)) else {
        return (timed, 0);
    };
    let each_s = usual_width_s / usual_length;
    let origin = runs.first().map_or(0.0, |run| stamp(run));
    let last_run = runs.len().saturating_sub(1);
    let is_stopped = |index: usize, run: &[(usize, f64)], falls: bool| {
        let long = run.len() as f64 > TIMES_USUAL as f64 * usual_length.ceil();
        let starts_again = falls && stamp(run) <= origin && run.len() as f64 > usual_length;
        starts_again || long && (index == 0 || index == last_run)
    };
    let mut spaced: Vec<(usize, f64)> = Vec::with_capacity(timed.len());
    let (mut shift_s, mut stopped_rows, mut restarts) = (0.0, 0usize, 0usize);
    let mut first_line = None;
    let mut before_s = f64::NEG_INFINITY;
    for (index, run) in runs.iter().enumerate() {
        let raw_s = stamp(run);
        let falls = raw_s < before_s;
        before_s = raw_s;
        if runs.len() < 3 || !is_stopped(index, run, falls) {
            spaced.extend(run.iter().map(|&(row, t)| (row, t + shift_s)));
            continue;
        }
        let from_s = match spaced.last() {
            // The log begins before the counter starts.
            None => raw_s - each_s * (run.len() as f64 - usual_length).round(),
            Some(_) if falls => {
                restarts += 1;
                let resumes_s = spaced.last().map_or(0.0, |last| last.1) + each_s;
                shift_s = resumes_s + each_s * run.len() as f64 - (raw_s + usual_width_s);
                resumes_s
            }
            Some(_) => raw_s + shift_s,
        };
        first_line = first_line.or(run.first().map(|first| lines.of(first.0)));
        stopped_rows += run.len();
        spaced
            .extend(run.iter().enumerate().map(|(k, &(row, _))| (row, from_s + each_s * k as f64)));
    }
    if let Some(line) = first_line {
        let again = match restarts {
            0 => String::new(),
            1 => ", and it restarts once; the log is continued there".to_owned(),
            times => format!(", and it restarts {times} times; the log is continued there"),
        };
        account.notices.push(format!(
            "the clock is stopped for {stopped_rows} rows (first at line {line}), like a run-time counter while the engine is off{again}. Those rows are spaced by {each_s:.2} s, its later rate"
        ));
    }
    (spaced, stopped_rows)
}

/// A single stamp far ahead of both neighbors is wrong; the rows after it are right.
fn drop_jumps_ahead(
    timed: Vec<(usize, f64)>,
    step_s: f64,
    lines: &Lines,
    account: &mut Account,
) -> Vec<(usize, f64)> {
    let is_jump = |i: usize| match (
        i.checked_sub(1).and_then(|j| timed.get(j)),
        timed.get(i),
        timed.get(i + 1),
    ) {
        (Some(before), Some(this), Some(after)) => {
            after.1 < this.1 && after.1 > before.1 && this.1 - before.1 > 5.0 * step_s
        }
        _ => false,
    };
    let jumps: Vec<bool> = (0..timed.len()).map(is_jump).collect();
    let mut kept = timed;
    let mut jumps = jumps.into_iter();
    kept.retain(|&(row, _)| {
        let jumps = jumps.next().unwrap_or(false);
        account.skip(account::JUMPS_AHEAD, usize::from(jumps), lines.of(row));
        !jumps
    });
    kept
}

/// Splits the rows where the clock restarts, drops short steps back, and continues the log where
/// the clock was set back.
fn split_restarts(
    timed: Vec<(usize, f64)>,
    step_s: f64,
    lines: &Lines,
    account: &mut Account,
) -> Vec<Vec<(usize, f64)>> {
    let mut stretches: Vec<Vec<(usize, f64)>> = Vec::new();
    let mut current: Vec<(usize, f64)> = Vec::with_capacity(timed.len());
    let mut shift = 0.0;
    let (mut set_back, mut first_set_back, mut set_back_s) = (0usize, 0usize, 0.0);
    for (i, &(row, raw)) in timed.iter().enumerate() {
        let t = raw + shift;
        let Some(&(_, last)) = current.last() else {
            current.push((row, t));
            continue;
        };
        if t >= last {
            current.push((row, t));
            continue;
        }
        let ahead = timed.get(i + 1..).unwrap_or(&[]);
        let is_caught_up = ahead.iter().take(CATCH_UP_ROWS).any(|&(_, later)| later + shift > last);
        let catches_up = is_caught_up || ahead.len() < CATCH_UP_ROWS;
        let start = current.first().map_or(t, |&(_, first)| first);
        let back_to_start = t - start <= 0.02 * (last - start) + 2.0 * step_s;
        let really_back = last - t > 2.0 * step_s;
        let short_of_rows = ahead.len() < CATCH_UP_ROWS
            && !is_caught_up
            && back_to_start
            && really_back
            && current.len() > 1;
        if back_to_start && really_back && (!catches_up || short_of_rows) {
            stretches.push(std::mem::take(&mut current));
            shift = 0.0;
            current.push((row, raw));
        } else if catches_up {
            account.skip(account::STEPS_BACK, 1, lines.of(row));
        } else {
            if set_back == 0 {
                first_set_back = lines.of(row);
            }
            set_back += 1;
            set_back_s += last - t;
            shift += last - t + step_s;
            current.push((row, raw + shift));
        }
    }
    if set_back > 0 {
        account.notices.push(format!(
            "the clock was set back {} by {set_back_s:.1} s in all, first at line {first_set_back}; the log is continued there",
            plural(set_back, "time", "times")
        ));
    }
    stretches.push(current);
    stretches
}

/// The longest run of rows without a pause of more than a day.
fn between_pauses(
    kept: Vec<(usize, f64)>,
    lines: &Lines,
    account: &mut Account,
) -> Vec<(usize, f64)> {
    let runs = kept.chunk_by(|a, b| b.1 - a.1 <= LONGEST_PAUSE_S);
    let runs: Vec<Vec<(usize, f64)>> = runs.map(<[_]>::to_vec).collect();
    if runs.len() < 2 {
        return kept;
    }
    let pauses = runs.len() - 1;
    let kept = keep_longest(runs, account::PAUSED, lines, account);
    account.notices.push(format!(
        "the log pauses for more than a day {}; {}",
        plural(pauses, "time", "times"),
        longest_kept(&kept, lines)
    ));
    kept
}

/// Keeps the longest stretch (the first, if equal) and skips the rows of the others.
fn keep_longest(
    mut stretches: Vec<Vec<(usize, f64)>>,
    reason: &str,
    lines: &Lines,
    account: &mut Account,
) -> Vec<(usize, f64)> {
    let by_length = stretches.iter().enumerate().rev().max_by_key(|(_, stretch)| stretch.len());
    let longest = by_length.map_or(0, |(index, _)| index);
    let kept = stretches.get_mut(longest).map(std::mem::take).unwrap_or_default();
    for stretch in stretches {
        if let Some(&(row, _)) = stretch.first() {
            account.skip(reason, stretch.len(), lines.of(row));
        }
    }
    kept
}

fn longest_kept(kept: &[(usize, f64)], lines: &Lines) -> String {
    let line = kept.first().map_or(0, |&(row, _)| lines.of(row));
    format!("the longest stretch is kept ({} rows from line {line})", kept.len())
}

/// If many rows share a time stamp, the clock is coarser than the sampling: the rows are spread
/// over the duration of the stamp. If only a few do, the repeated ones are dropped.
fn spread_repeats(
    kept: Vec<(usize, f64)>,
    stopped_rows: usize,
    lines: &Lines,
    account: &mut Account,
) -> Vec<(usize, f64)> {
    let repeats = kept.windows(2).filter(|p| gap(p) == 0.0).count();
    if repeats == 0 {
        return kept;
    }
    if repeats * 5 < kept.len().saturating_sub(stopped_rows) || repeats + 1 == kept.len() {
        let mut last = f64::NAN;
        return kept
            .into_iter()
            .filter(|&(row, t)| {
                let again = t == last;
                last = t;
                if again {
                    account.skip(account::REPEATED_TIME, 1, lines.of(row));
                }
                !again
            })
            .collect();
    }
    let runs: Vec<&[(usize, f64)]> = kept.chunk_by(|a, b| a.1 == b.1).collect();
    let usual_length = median(runs.iter().map(|run| run.len() as f64)).unwrap_or(1.0).max(1.0);
    let usual_width_s = median(widths_s(&runs)).unwrap_or(0.0);
    let mut spread = Vec::with_capacity(kept.len());
    for (index, run) in runs.iter().enumerate() {
        let stamp_s = stamp(run);
        let next = runs.get(index + 1).map(|run| stamp(run));
        let width_s = next.map_or(usual_width_s, |next| (next - stamp_s).min(1.5 * usual_width_s));
        let length = run.len() as f64;
        let partial = length < usual_length && (index == 0 || next.is_none());
        let each_s = if partial { width_s / usual_length } else { width_s / length };
        // The log begins in the middle of its first stamp and ends in the middle of its last.
        let first_s =
            if partial && index == 0 { stamp_s + width_s - each_s * length } else { stamp_s };
        spread.extend(
            run.iter().enumerate().map(|(j, &(row, _))| (row, first_s + each_s * j as f64)),
        );
    }
    account.notices.push(format!(
        "about {usual_length:.0} rows share each time stamp of {usual_width_s:.3} s; they are spread evenly over it"
    ));
    spread
}

/// The time stamp that all rows of a run share.
fn stamp(run: &[(usize, f64)]) -> f64 {
    run.first().map_or(0.0, |first| first.1)
}

/// Seconds from the stamp of each run to the next.
fn widths_s(runs: &[&[(usize, f64)]]) -> Vec<f64> {
    let stamps: Vec<f64> = runs.iter().map(|run| stamp(run)).collect();
    steps(&stamps).collect()
}
