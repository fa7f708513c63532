//! Where the engine goes from one speed to another.

use std::ops::Range;

use crate::log::Span;
use crate::segment::noise_model::typical_interval;
use crate::segment::{indices, mean};

/// Speed is compared over this long, half before and half after a moment,
const REACH_S: f64 = 1.5;
/// or over this many samples where the logger is slow: each quarter has to hold one.
const REACH_SAMPLES: f64 = 5.0;
/// A reach that is longer goes far beyond a change of speed.
const SLOW_REACH_S: f64 = 6.0;
/// Less than this is idle hunting or the dip when a load comes on
/// (common practice, no source).
const LEAST_CHANGE_RPM: f64 = 120.0;
const LEAST_CHANGE_SHARE: f64 = 0.12;
/// Until this share of a change is made, the speed counts as the one before.
const STILL_SHARE: f64 = 0.15;

/// Spans over which engine speed moves to a new level; short blips that come
/// back are not among them.
pub fn changes(time_s: &[f64], rpm: &[f64]) -> Vec<Span> {
    let reach_s = REACH_S.max(REACH_SAMPLES * typical_interval(time_s));
    let mut moving: Vec<Span> = Vec::new();
    let level = |start_s: f64, end_s: f64| mean(&rpm[indices(time_s, Span { start_s, end_s })]);
    let (mut earlier, mut later) = (SlidingWindow::default(), SlidingWindow::default());
    for (i, &t) in time_s.iter().enumerate() {
        // A tenth of the reach is fine enough, whatever the sample rate.
        if i > 0
            && t - time_s[i - 1] < reach_s / 10.0
            && !crosses_grid(time_s[i - 1], t, reach_s / 10.0)
        {
            continue;
        }
        let before = mean(&rpm[earlier.moved(time_s, t - reach_s / 2.0, t - reach_s / 4.0)]);
        let after = mean(&rpm[later.moved(time_s, t + reach_s / 4.0, t + reach_s / 2.0)]);
        if !differ(before, after) {
            continue;
        }
        match moving.last_mut() {
            Some(last) if t - last.end_s <= reach_s / 2.0 => last.end_s = t,
            _ => moving.push(Span { start_s: t, end_s: t }),
        }
    }
    let widened = |span: &Span| Span {
        start_s: span.start_s - reach_s / 2.0,
        end_s: span.end_s + reach_s / 2.0,
    };
    let mut spans: Vec<Span> = moving
        .iter()
        .map(widened)
        .filter(|span| {
            span.seconds() > 4.0
                || differ(
                    level(span.start_s - reach_s / 2.0, span.start_s),
                    level(span.end_s, span.end_s + reach_s / 2.0),
                )
        })
        .collect();
    if reach_s > SLOW_REACH_S {
        spans.iter_mut().for_each(|span| tighten(span, time_s, rpm, reach_s));
    }
    spans
}

/// The windows of a slow logger reach far beyond the change: removes the samples at either end
/// that are still, or already, at the speed there.
fn tighten(span: &mut Span, time_s: &[f64], rpm: &[f64], reach_s: f64) {
    let level = |start_s: f64, end_s: f64| mean(&rpm[indices(time_s, Span { start_s, end_s })]);
    let before_rpm = level(span.start_s - reach_s / 2.0, span.start_s);
    let after_rpm = level(span.end_s, span.end_s + reach_s / 2.0);
    let near_rpm = (0.5 * LEAST_CHANGE_RPM).max(STILL_SHARE * (after_rpm - before_rpm).abs());
    let own = indices(time_s, *span);
    let still = |at_rpm: f64| move |k: &usize| (rpm[*k] - at_rpm).abs() <= near_rpm;
    let before = own.clone().take_while(still(before_rpm)).count();
    let after = own.clone().rev().take_while(still(after_rpm)).count();
    if before + after > own.len() {
        return;
    }
    if let Some(&start_s) = (own.start + before).checked_sub(1).and_then(|k| time_s.get(k)) {
        span.start_s = span.start_s.max(start_s);
    }
    if let Some(&end_s) = time_s.get(own.end - after) {
        span.end_s = span.end_s.min(end_s + REACH_S);
    }
}

/// The samples of a window that only moves forward: as [`indices`], without a search.
#[derive(Default)]
struct SlidingWindow {
    start: usize,
    end: usize,
}

impl SlidingWindow {
    fn moved(&mut self, time_s: &[f64], start_s: f64, end_s: f64) -> Range<usize> {
        let on = |from: usize, passed: &dyn Fn(f64) -> bool| {
            let ahead = time_s.get(from..).unwrap_or(&[]).iter();
            from + ahead.take_while(|t| passed(**t)).count()
        };
        self.start = on(self.start, &|t| t < start_s);
        self.end = on(self.end, &|t| t <= end_s);
        self.start..self.end.max(self.start)
    }
}

fn crosses_grid(earlier_s: f64, later_s: f64, grid_s: f64) -> bool {
    (earlier_s / grid_s).floor() != (later_s / grid_s).floor()
}

/// Whether two speeds are further apart than idle hunting takes an engine.
pub fn differ(a_rpm: f64, b_rpm: f64) -> bool {
    let change = (a_rpm - b_rpm).abs();
    change > LEAST_CHANGE_RPM.max(LEAST_CHANGE_SHARE * a_rpm.min(b_rpm))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_is_one_change_and_a_blip_is_none() {
        let time_s: Vec<f64> = (0..1200).map(|i| i as f64 * 0.05).collect();
        let rpm: Vec<f64> = time_s
            .iter()
            .map(|&t| match t {
                t if t < 20.0 => 850.0,
                t if t < 20.3 => 730.0,
                t if t < 40.0 => 850.0,
                t if t < 42.0 => 850.0 + (t - 40.0) * 600.0,
                _ => 2050.0,
            })
            .collect();
        let changes = changes(&time_s, &rpm);
        assert_eq!(changes.len(), 1, "{changes:?}");
        assert!(changes[0].start_s > 38.5 && changes[0].end_s < 43.5);
    }

    #[test]
    fn a_slow_logger_shows_the_same_change() {
        let time_s: Vec<f64> = (0..60).map(f64::from).collect();
        let rpm: Vec<f64> = time_s.iter().map(|&t| if t < 30.0 { 850.0 } else { 1800.0 }).collect();
        let changes = changes(&time_s, &rpm);
        assert_eq!(changes.len(), 1, "{changes:?}");
        // No wider than the reach of five samples to either side.
        assert!(changes[0].start_s >= 25.0 && changes[0].end_s <= 35.0, "{changes:?}");
    }

    #[test]
    fn a_ramp_of_a_slow_logger_is_whole() {
        let time_s: Vec<f64> = (0..60).map(|i| f64::from(i) * 5.0).collect();
        let rpm: Vec<f64> =
            time_s.iter().map(|&t| 850.0 + 40.0 * ((t - 120.0) / 2.0).clamp(0.0, 20.0)).collect();
        let changes = changes(&time_s, &rpm);
        assert_eq!(changes.len(), 1, "{changes:?}");
        let Span { start_s, end_s } = changes[0];
        assert!((115.0..=125.0).contains(&start_s) && (155.0..=166.0).contains(&end_s));
    }
}
