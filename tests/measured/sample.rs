//! How many random cars a test draws, and what may be asked of so many.
//!
//! `cargo test` draws a quarter of the cars; `LONG_RUN=1 cargo test --test measured` draws
//! all of them and asks for the bars themselves. A quarter gives each share twice the
//! standard error, so each bar is eased by two of them.

use std::ops::Range;

const PART: u64 = 4;

fn is_long_run() -> bool {
    std::env::var_os("LONG_RUN").is_some()
}

/// The cars of a test.
pub fn cars(all: Range<u64>) -> Range<u64> {
    if is_long_run() { all } else { all.start..all.start + (all.end - all.start).div_ceil(PART) }
}

/// The least share of `count` that may be asked where `bar` is asked of all cars.
pub fn at_least(bar: f64, count: usize) -> f64 {
    bar - eased(bar, count)
}

/// The largest share of `count` that may be allowed where `bar` is allowed of all cars.
pub fn at_most(bar: f64, count: usize) -> f64 {
    bar + eased(bar, count)
}

/// A median error that may be allowed over `count` values where `bar` is allowed of all cars.
pub fn error_at_most(bar: f64, count: usize) -> f64 {
    if is_long_run() { bar } else { bar * (1.0 + 2.0 / (count.max(1) as f64).sqrt()) }
}

/// The largest rate of false steps that may be allowed where `bar` is allowed of all cars and
/// `count` steps would be at the bar. One hunting idle makes several of them, so their variance
/// is taken as four times that of independent ones.
pub fn rate_at_most(bar: f64, count: f64) -> f64 {
    if is_long_run() { bar } else { bar * (1.0 + 2.0 * 2.0 / count.max(1.0).sqrt()) }
}

/// Two standard errors of a share.
fn eased(bar: f64, count: usize) -> f64 {
    if is_long_run() { 0.0 } else { 2.0 * (bar * (1.0 - bar) / count.max(1) as f64).sqrt() }
}

/// 85 to 95 % for a 90 % interval.
pub fn covers_as_stated(share: f64, count: usize) -> bool {
    (at_least(0.85, count)..=at_most(0.95, count)).contains(&share)
}
