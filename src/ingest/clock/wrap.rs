//! Continues clocks that start again at 0.

use crate::ingest::rank::{median, steps};

/// Periods of counters: 8, 16, 24 and 32 bits, decimal displays, and the time of day or of the
/// hour in seconds and milliseconds.
const PERIODS: [f64; 11] = [
    65_536.0,
    16_777_216.0,
    4_294_967_296.0,
    256.0,
    1e4,
    1e5,
    1e6,
    3600.0,
    86_400.0,
    3.6e6,
    86.4e6,
];
/// Before a wrap a counter is this close to its period, and after it this close to 0.
const NEAR_SHARE: f64 = 0.05;

/// Continues a counter across its wraps. Returns how many there were.
///
/// A fall is a wrap only if every fall in the column is one with the same period, and the step
/// across it is about as long as the others.
pub fn unwrap_counter(values: &mut [f64]) -> usize {
    let known: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    let pairs = known.iter().copied().zip(known.iter().copied().skip(1));
    let falls: Vec<(f64, f64)> = pairs.filter(|(before, after)| after < before).collect();
    if falls.is_empty() {
        return 0;
    }
    let Some(step) = median(steps(&known).filter(|step| *step > 0.0)) else { return 0 };
    let is_wrap = |period: f64, (before, after): (f64, f64)| {
        let near = (NEAR_SHARE * period).max(3.0 * step);
        let over = after + period - before;
        before < period
            && before > period - near
            && (0.0..near).contains(&after)
            && over > 0.0
            && over <= 10.0 * step
    };
    let wraps_by = |period: &f64| falls.iter().all(|fall| is_wrap(*period, *fall));
    let Some(period) = PERIODS.into_iter().find(wraps_by) else { return 0 };
    let (mut carried, mut last) = (0.0, f64::NAN);
    for value in values.iter_mut().filter(|value| value.is_finite()) {
        if *value < last {
            carried += period;
        }
        last = *value;
        *value += carried;
    }
    falls.len()
}

/// Continues a time of day across midnight (or the full hour). Returns how often it passed.
pub fn unwrap_time_of_day(time: &mut [f64], period_s: f64) -> usize {
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
