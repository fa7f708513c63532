//! Clocks that write hours, minutes and seconds as one number: 143059 is followed by 143100.

use crate::ingest::rank::{median, steps};

/// Seconds since midnight; `None` if the number is not a valid time.
pub fn seconds(packed: f64) -> Option<f64> {
    let whole = packed.floor();
    let (hours, minutes, seconds) = (whole / 10_000.0, whole / 100.0 % 100.0, whole % 100.0);
    let is_clock = (0.0..24.0).contains(&hours) && minutes < 60.0 && seconds < 60.0;
    is_clock.then(|| 3600.0 * hours.floor() + 60.0 * minutes.floor() + packed % 100.0)
}

/// At most one number in this many may be invalid.
const GOOD_TO_A_BAD_ONE: usize = 100;

/// The column in seconds, if it is such a clock: nearly all numbers are valid times, and where
/// the number jumps from 59 to 100, the time continues at its usual pace.
pub fn unpacked(numbers: &[f64]) -> Option<Vec<f64>> {
    let (plain, all): (Vec<f64>, Vec<f64>) =
        numbers.iter().filter_map(|packed| Some((*packed, seconds(*packed)?))).unzip();
    if GOOD_TO_A_BAD_ONE * (numbers.len() - all.len()) > numbers.len() {
        return None;
    }
    let (steps_s, counts): (Vec<f64>, Vec<f64>) = (steps(&all).collect(), steps(&plain).collect());
    let usual = |steps: &[f64]| median(steps.iter().copied().filter(|step| *step > 0.0));
    let (pace_s, count) = (usual(&steps_s)?, usual(&counts)?);
    let carries = |(step_s, plain_step): (&f64, &f64)| {
        *plain_step > (step_s + 30.0).max(1.5 * count) && *step_s <= 3.0 * pace_s + 1.0
    };
    let back = steps_s.iter().filter(|step_s| **step_s < 0.0).count();
    let is_clock = steps_s.iter().zip(&counts).any(carries) && back <= 1 + all.len() / 500;
    is_clock.then_some(all)
}
