//! Measures whether a column of numbers behaves like a clock.
//!
//! A clock never goes back, unless it wraps, restarts or is set back. It advances every row or
//! every few rows, in a straight line against the row number.

use super::wrap;
use crate::ingest::rank::{median, steps};

/// A clock stays this close to a straight line against the row number, as a share of its span.
const STRAIGHT_SHARE: f64 = 0.02;
/// A clock steps back at most once in this many steps.
const STEPS_TO_A_STEP_BACK: usize = 20;

#[derive(Debug, Clone, Default, PartialEq)]
pub struct Behavior {
    pub rows: usize,
    /// From the first tick to the last, in the clock's own unit.
    pub span: f64,
    /// Median step forward.
    pub step: f64,
    /// Share of the rows between the first tick and the last in which it advances.
    pub ticks: f64,
    pub advances: usize,
    /// Steps back that neither a wrap nor a restart explains.
    pub backward: usize,
    /// Root mean square distance from a straight line against the row number, as a share of the
    /// span.
    pub bend: f64,
    /// Every step is exactly one: it counts rows.
    pub counts_rows: bool,
    /// The newest row comes first.
    pub newest_first: bool,
}

impl Behavior {
    /// `None` if the values never change.
    pub fn of(values: &[f64]) -> Option<Behavior> {
        let ups = steps(values).filter(|step| *step > 0.0).count();
        let downs = steps(values).filter(|step| *step < 0.0).count();
        if downs > STEPS_TO_A_STEP_BACK * ups {
            let reversed: Vec<f64> = values.iter().rev().copied().collect();
            let behavior = Behavior::forward(&reversed)?;
            return Some(Behavior { newest_first: true, ..behavior });
        }
        Behavior::forward(values)
    }

    /// For a time column that never changes.
    pub fn stuck(rows: usize) -> Behavior {
        Behavior { rows, bend: f64::INFINITY, ..Behavior::default() }
    }

    fn forward(values: &[f64]) -> Option<Behavior> {
        let mut unwrapped = values.to_vec();
        wrap::unwrap_counter(&mut unwrapped);
        let ups: Vec<f64> = steps(&unwrapped).filter(|step| *step > 0.0).collect();
        let advances = ups.len();
        let step = median(ups)?;
        let counts_rows = steps(&unwrapped).all(|step| step == 1.0);
        // A restart begins a new run; the longest run shows how the clock behaves.
        let (mut backward, mut restarts_seen) = (0, 0);
        let mut longest = 0..0;
        let mut start = 0;
        for row in 1..=unwrapped.len() {
            let falls = row < unwrapped.len() && unwrapped[row] < unwrapped[row - 1];
            match falls {
                true if restarts(&unwrapped, start, row) => restarts_seen += 1,
                true => backward += 1,
                false => {}
            }
            if falls || row == unwrapped.len() {
                if row - start > longest.len() {
                    longest = start..row;
                }
                start = row;
            }
        }
        // A column that restarts often is not a clock.
        if restarts_seen * STEPS_TO_A_STEP_BACK > values.len() {
            backward += restarts_seen;
        }
        let run = moving(unwrapped.get(longest)?);
        let (first, last) = (run.first()?, run.last()?);
        let pairs = run.len().saturating_sub(1).max(1);
        let ticks = steps(run).filter(|step| *step > 0.0).count() as f64 / pairs as f64;
        Some(Behavior {
            rows: values.len(),
            span: last - first,
            step,
            ticks,
            advances,
            backward,
            bend: bend(run),
            counts_rows,
            newest_first: false,
        })
    }

    /// It steps back no more often than a clock that is corrected.
    pub fn runs_forward(&self) -> bool {
        self.backward * STEPS_TO_A_STEP_BACK <= self.rows
    }

    pub fn is_straight(&self) -> bool {
        self.bend <= STRAIGHT_SHARE
    }

    /// Time from one row to the next, in the clock's own unit.
    pub fn row_interval(&self) -> f64 {
        self.step * self.ticks
    }
}

/// Whether the value returns to about where the run began, and increases from there.
fn restarts(values: &[f64], start: usize, row: usize) -> bool {
    let at = |row: usize| values.get(row).copied().unwrap_or(f64::NAN);
    let (first, last, now) = (at(start), at(row - 1), at(row));
    now - first <= 0.02 * (last - first) && at(row + 1) >= now
}

/// Without the rows before the first tick and after the last: a run-time counter stays at 0
/// until the engine runs.
fn moving(run: &[f64]) -> &[f64] {
    let stands_from = |value: f64| run.iter().rposition(|v| *v != value).map_or(0, |row| row + 1);
    let begins = run.first().and_then(|first| run.iter().position(|v| v != first)).unwrap_or(0);
    let ends = run.last().map_or(run.len(), |last| stands_from(*last));
    run.get(begins.saturating_sub(1)..(ends + 1).min(run.len())).unwrap_or(run)
}

fn bend(run: &[f64]) -> f64 {
    let rows: Vec<f64> = (0..run.len()).map(|row| row as f64).collect();
    let span = run.last().zip(run.first()).map_or(0.0, |(last, first)| last - first);
    let Some(line) = crate::stats::fit::linear::ordinary(&rows, run) else { return 0.0 };
    let squares: f64 = rows.iter().zip(run).map(|(row, v)| (v - line.at(*row)).powi(2)).sum();
    if span > 0.0 { (squares / run.len() as f64).sqrt() / span } else { f64::INFINITY }
}
