//! From raw stamps to a time that starts at 0 and strictly rises.

use super::account::{self, Account};
use super::table::Lines;
use crate::parallel::{LEAST_VALUES, shared_mut};
use crate::stats::find_indices;
use crate::stats::rounding::nearest;

/// Which rows of the body stay.
#[derive(Debug, Clone, PartialEq)]
pub enum Rows {
    /// Every one of so many.
    All(usize),
    /// These, in order.
    Listed(Vec<usize>),
}

impl Rows {
    pub fn len(&self) -> usize {
        match self {
            Rows::All(count) => *count,
            Rows::Listed(rows) => rows.len(),
        }
    }

    pub fn first(&self) -> Option<usize> {
        match self {
            Rows::All(count) => (*count > 0).then_some(0),
            Rows::Listed(rows) => rows.first().copied(),
        }
    }

    /// How many stay of those before `row`.
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

/// Rows that stay, in order, and their seconds from the first.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    pub rows: Rows,
    pub time_s: Vec<f64>,
    /// From the first stamp of the file to that of the first row that stays.
    pub late_s: f64,
    pub notices: Vec<String>,
}

/// A clock that falls by nearly its whole period passed midnight (or the full hour).
pub fn unwrap(time: &mut [f64], period_s: f64) -> usize {
    let mut carried = 0.0;
    let mut last = f64::NAN;
    let mut wraps = 0usize;
    let near = (period_s / 60.0).max(60.0);
    for value in time.iter_mut().filter(|value| value.is_finite()) {
        let raw = *value;
        if last > period_s - near && raw < near && raw >= 0.0 && last <= period_s + 1.0 {
            carried += period_s;
            wraps += 1;
        }
        last = raw;
        *value = raw + carried;
    }
    wraps
}

/// Beyond so many seconds from the first stamp (30,000 years) a stamp is none, and
/// what is reckoned with it is lost to rounding.
const FURTHEST_S: f64 = 1e12;
/// What lies further apart is not one recording.
const LONGEST_PAUSE_S: f64 = 86_400.0;

/// Rows ahead in which a stepped-back clock may catch up before it counts as set back.
const CATCH_UP_ROWS: usize = 10;

/// `rows` are indices into `time`, the rows with a voltage.
pub fn clean(mut time: Vec<f64>, rows: Rows, lines: &Lines, account: &mut Account) -> Axis {
    let mut notices = Vec::new();
    if rows == Rows::All(time.len()) && is_straight(&mut time) {
        return Axis { rows, time_s: time, late_s: 0.0, notices };
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
    let (timed, standing) = space_standing(timed, lines, &mut notices);
    let step_s = median_step(&timed);
    let timed = drop_jumps_ahead(timed, step_s, lines, account);
    let stretches = part(timed, step_s, lines, account, &mut notices);
    let longest =
        stretches.iter().enumerate().rev().max_by_key(|(_, s)| s.len()).map_or(0, |(i, _)| i);
    let parts = stretches.len();
    let mut kept = Vec::new();
    for (index, stretch) in stretches.into_iter().enumerate() {
        if index == longest {
            kept = stretch;
        } else if let Some(&(row, _)) = stretch.first() {
            account.skip(account::RESTARTED, stretch.len(), lines.of(row));
        }
    }
    if parts > 1 {
        let from = kept.first().map_or(0, |&(row, _)| lines.of(row));
        notices.push(format!(
            "the clock restarts {} time{}; the longest stretch is kept ({} rows from line {from})",
            parts - 1,
            if parts == 2 { "" } else { "s" },
            kept.len()
        ));
    }
    let kept = between_pauses(kept, lines, account, &mut notices);
    let kept = settle_repeats(kept, standing, lines, account, &mut notices);
    let start = kept.first().map_or(0.0, |&(_, t)| t);
    let (rows, time_s) = kept.into_iter().map(|(row, t)| (row, t - start)).unzip();
    let rows = Rows::Listed(rows);
    let late_s = rows.first().map_or(0.0, |row| at(row) - first);
    Axis { rows, time_s, late_s, notices }
}

/// Seconds from the first stamp, and whether there is nothing to clean: every stamp is one,
/// and later than the one before.
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

/// Drops the dust of binary fractions: no logger stamps finer.
pub fn to_nanoseconds(t: f64) -> f64 {
    let rounded = nearest(t * 1e9) / 1e9;
    if rounded.is_finite() { rounded } else { t }
}

fn median_step(timed: &[(usize, f64)]) -> f64 {
    let mut steps: Vec<f64> = timed.windows(2).map(gap).filter(|step| *step > 0.0).collect();
    median(&mut steps).unwrap_or(0.0)
}

fn gap(pair: &[(usize, f64)]) -> f64 {
    match pair {
        [a, b] => b.1 - a.1,
        _ => 0.0,
    }
}

/// The middle value, or the upper of two; reorders `values`.
pub fn median(values: &mut [f64]) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    Some(*values.select_nth_unstable_by(last.div_ceil(2), f64::total_cmp).1)
}

/// Rows under one stamp beyond this many times the usual number: the counter stands.
const STANDING: usize = 2;

/// A run-time counter stands at its first value until the engine runs, and again when it
/// has stopped. Rows while it stands are spaced at its later rate, and what follows a
/// second start is carried on. Also returns how many rows were spaced so.
fn space_standing(
    timed: Vec<(usize, f64)>,
    lines: &Lines,
    notices: &mut Vec<String>,
) -> (Vec<(usize, f64)>, usize) {
    let runs: Vec<&[(usize, f64)]> = timed.chunk_by(|a, b| a.1 == b.1).collect();
    let stamp = |run: &[(usize, f64)]| run.first().map_or(0.0, |first| first.1);
    let mut lengths: Vec<f64> = runs.iter().map(|run| run.len() as f64).collect();
    let mut widths: Vec<f64> = runs
        .windows(2)
        .filter_map(|pair| Some(stamp(pair.get(1)?) - stamp(pair.first()?)))
        .filter(|width| *width > 0.0)
        .collect();
    // Mean over whole rounds: a stamp of two seconds may stand over three rows or four.
    let middle = |values: &mut Vec<f64>| -> Option<f64> {
        let usual = median(values)?;
        let near: Vec<f64> =
            values.iter().copied().filter(|v| (0.5 * usual..=1.5 * usual).contains(v)).collect();
        Some(near.iter().sum::<f64>() / near.len() as f64)
    };
    let (Some(usual_length), Some(usual_width_s)) = (middle(&mut lengths), middle(&mut widths))
    else {
        return (timed, 0);
    };
    let each_s = usual_width_s / usual_length;
    let origin = runs.first().map_or(0.0, |run| stamp(run));
    let last_run = runs.len().saturating_sub(1);
    let stands = |index: usize, run: &[(usize, f64)], falls: bool| {
        let long = run.len() as f64 > STANDING as f64 * usual_length.ceil();
        let begins_anew = falls && stamp(run) <= origin && run.len() as f64 > usual_length;
        begins_anew || long && (index == 0 || index == last_run)
    };
    let mut spaced: Vec<(usize, f64)> = Vec::with_capacity(timed.len());
    let (mut shift_s, mut standing, mut restarts) = (0.0, 0usize, 0usize);
    let mut first_line = None;
    let mut before_s = f64::NEG_INFINITY;
    for (index, run) in runs.iter().enumerate() {
        let raw_s = stamp(run);
        let falls = raw_s < before_s;
        before_s = raw_s;
        if runs.len() < 3 || !stands(index, run, falls) {
            spaced.extend(run.iter().map(|&(row, t)| (row, t + shift_s)));
            continue;
        }
        let from_s = match spaced.last() {
            // The log begins so long before the counter does.
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
        standing += run.len();
        spaced
            .extend(run.iter().enumerate().map(|(k, &(row, _))| (row, from_s + each_s * k as f64)));
    }
    if let Some(line) = first_line {
        let again = match restarts {
            0 => String::new(),
            1 => ", and begins anew once; the log is carried on there".to_owned(),
            times => format!(", and begins anew {times} times; the log is carried on there"),
        };
        notices.push(format!(
            "the clock stands still for {standing} rows (first at line {line}), as a run-time counter does while the engine is off{again}. Those rows are spaced by {each_s:.2} s, its later rate"
        ));
    }
    (spaced, standing)
}

/// One stamp far ahead of both its neighbours is wrong itself, not the rows after it.
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
    let jumps: Vec<usize> = (0..timed.len()).filter(|&i| is_jump(i)).collect();
    if jumps.is_empty() {
        return timed;
    }
    let mut next = jumps.into_iter().peekable();
    let mut kept = Vec::with_capacity(timed.len());
    for (i, pair) in timed.into_iter().enumerate() {
        if next.peek() == Some(&i) {
            next.next();
            account.skip(account::JUMPS_AHEAD, 1, lines.of(pair.0));
        } else {
            kept.push(pair);
        }
    }
    kept
}

/// Parts the rows where the clock restarts; drops short steps back; joins on where it was set back.
fn part(
    timed: Vec<(usize, f64)>,
    step_s: f64,
    lines: &Lines,
    account: &mut Account,
    notices: &mut Vec<String>,
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
        notices.push(format!(
            "the clock was set back {set_back} time{} by {set_back_s:.1} s in all, first at line {first_set_back}; the log is carried on there",
            if set_back == 1 { "" } else { "s" }
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
    notices: &mut Vec<String>,
) -> Vec<(usize, f64)> {
    let runs: Vec<_> = kept.chunk_by(|a, b| b.1 - a.1 <= LONGEST_PAUSE_S).collect();
    if runs.len() < 2 {
        return kept;
    }
    let longest = runs.iter().rev().max_by_key(|run| run.len()).copied().unwrap_or(&[]);
    for run in runs.iter().filter(|run| !std::ptr::eq(**run, longest)) {
        account.skip(account::PAUSED, run.len(), run.first().map_or(0, |&(row, _)| lines.of(row)));
    }
    notices.push(format!(
        "the log pauses for more than a day {} time{}; the longest stretch is kept ({} rows from line {})",
        runs.len() - 1,
        if runs.len() == 2 { "" } else { "s" },
        longest.len(),
        longest.first().map_or(0, |&(row, _)| lines.of(row))
    ));
    longest.to_vec()
}

/// Many rows under one stamp: the clock is coarser than the sampling, so they are
/// spread over the stamp's time. A few: the later ones are dropped.
fn settle_repeats(
    kept: Vec<(usize, f64)>,
    standing: usize,
    lines: &Lines,
    account: &mut Account,
    notices: &mut Vec<String>,
) -> Vec<(usize, f64)> {
    let repeats = kept.windows(2).filter(|p| gap(p) == 0.0).count();
    if repeats == 0 {
        return kept;
    }
    if repeats * 5 < kept.len().saturating_sub(standing) || repeats + 1 == kept.len() {
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
    let mut lengths: Vec<f64> = runs.iter().map(|run| run.len() as f64).collect();
    let mut widths: Vec<f64> = runs
        .windows(2)
        .filter_map(|pair| match pair {
            [a, b] => Some(b.first()?.1 - a.first()?.1),
            _ => None,
        })
        .collect();
    let usual_length = median(&mut lengths).unwrap_or(1.0).max(1.0);
    let usual_width_s = median(&mut widths).unwrap_or(0.0);
    let mut spread = Vec::with_capacity(kept.len());
    for (index, run) in runs.iter().enumerate() {
        let stamp = run.first().map_or(0.0, |first| first.1);
        let next = runs.get(index + 1).and_then(|run| run.first()).map(|first| first.1);
        let width_s = next.map_or(usual_width_s, |next| (next - stamp).min(1.5 * usual_width_s));
        let length = run.len() as f64;
        let partial = length < usual_length && (index == 0 || next.is_none());
        let each_s = if partial { width_s / usual_length } else { width_s / length };
        // The log begins in the middle of the first stamp and ends in the middle of the last.
        let first_s = if partial && index == 0 { stamp + width_s - each_s * length } else { stamp };
        spread.extend(
            run.iter().enumerate().map(|(j, &(row, _))| (row, first_s + each_s * j as f64)),
        );
    }
    notices.push(format!(
        "about {usual_length:.0} rows share each time stamp of {usual_width_s:.3} s; they are spread evenly over it"
    ));
    spread
}
