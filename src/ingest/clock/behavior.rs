//! How a column of numbers runs down the file: does it behave like a clock?
//!
//! A clock never goes back, except where it wraps, restarts or is set back; it advances
//! with the rows, every row or every few rows; and it runs straight against the row number.

use super::wrap;

/// A clock stays within this share of its span of a straight line against the row number.
const STRAIGHT_SHARE: f64 = 0.02;
/// More steps back than one in so many make no clock.
const STEPS_TO_A_STEP_BACK: usize = 20;

#[derive(Debug, Clone, PartialEq)]
pub struct Behavior {
    /// Values looked at.
    pub rows: usize,
    /// From the first tick to the last.
    pub span: f64,
    /// Median of the steps forward.
    pub step: f64,
    /// Share of the rows, between the first tick and the last, in which it advances.
    pub ticks: f64,
    /// How many times it advances in all.
    pub advances: usize,
    /// Steps back that neither a wrap nor a restart explains.
    pub backward: usize,
    /// Root mean square distance from a straight line against the row number, as a share
    /// of the span.
    pub bend: f64,
    /// It counts rows: every step is exactly one.
    pub counts_rows: bool,
    /// The rows stand newest first.
    pub newest_first: bool,
}

impl Behavior {
    /// `None` where the values never move.
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

    /// Of a column that says it is the time and never moves.
    pub fn stuck(rows: usize) -> Behavior {
        Behavior {
            rows,
            span: 0.0,
            step: 0.0,
            ticks: 0.0,
            advances: 0,
            backward: 0,
            bend: f64::INFINITY,
            counts_rows: false,
            newest_first: false,
        }
    }

    fn forward(values: &[f64]) -> Option<Behavior> {
        let mut unwrapped = values.to_vec();
        wrap::unwrap(&mut unwrapped);
        let mut ups: Vec<f64> = steps(&unwrapped).filter(|step| *step > 0.0).collect();
        let advances = ups.len();
        let step = super::super::axis::median(&mut ups)?;
        let counts_rows = steps(&unwrapped).all(|step| step == 1.0);
        // A restart begins a run of its own; the longest one shows how the clock behaves.
        let (mut backward, mut anew) = (0, 0);
        let mut longest = 0..0;
        let mut start = 0;
        for row in 1..=unwrapped.len() {
            let falls = row < unwrapped.len() && unwrapped[row] < unwrapped[row - 1];
            match falls {
                true if restarts(&unwrapped, start, row) => anew += 1,
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
        // What begins anew all the time counts something else.
        if anew * STEPS_TO_A_STEP_BACK > values.len() {
            backward += anew;
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

    /// It goes back no more often than a clock is corrected.
    pub fn runs(&self) -> bool {
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

fn steps(values: &[f64]) -> impl Iterator<Item = f64> {
    values.windows(2).filter_map(|pair| match pair {
        [a, b] => Some(b - a),
        _ => None,
    })
}

/// Back to about where the run began, and on from there.
fn restarts(values: &[f64], start: usize, row: usize) -> bool {
    let at = |row: usize| values.get(row).copied().unwrap_or(f64::NAN);
    let (first, last, now) = (at(start), at(row - 1), at(row));
    now - first <= 0.02 * (last - first) && at(row + 1) >= now
}

/// Without the rows before it starts and after it stops: a run-time counter stands at 0
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

#[cfg(test)]
mod tests {
    use super::*;

    fn of(values: impl Iterator<Item = f64>) -> Behavior {
        Behavior::of(&values.collect::<Vec<_>>()).expect("it moves")
    }

    #[test]
    fn a_run_time_counter_is_judged_from_its_start() {
        // Forty rows of rest, then two seconds every four rows.
        let counter = of((0..400).map(|row: i32| f64::from(2 * ((row - 40).max(0) / 4))));
        assert!(counter.is_straight() && counter.runs(), "{counter:?}");
        assert!((counter.ticks - 0.25).abs() < 0.01, "{counter:?}");
        assert!((counter.row_interval() - 0.5).abs() < 0.01, "{counter:?}");
    }

    #[test]
    fn what_stands_or_falls_is_told_apart() {
        assert_eq!(Behavior::of(&[5.0; 50]), None);
        assert!(of((0..100).map(|row| -f64::from(row))).newest_first);
        let sine = of((0..100).map(|row| (f64::from(row) / 5.0).sin()));
        assert!(!sine.runs(), "{sine:?}");
        assert!(of((0..60).map(f64::from)).counts_rows);
    }

    #[test]
    fn a_counter_of_sixteen_bits_goes_on() {
        let counter = of((0..3000).map(|row| f64::from((row * 100) % 65_536)));
        assert!(counter.is_straight() && counter.backward == 0, "{counter:?}");
        assert!((counter.span - 299_900.0).abs() < 1.0);
    }
}
