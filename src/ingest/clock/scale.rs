//! Determines the unit of a numeric clock.

use super::Epoch;
use super::behavior::Behavior;
use crate::ingest::error::clip;
use crate::ingest::header::Heading;
use crate::ingest::profile::{Facts, Words};
use crate::ingest::rank::{median, steps};
use crate::ingest::units::Unit;

#[derive(Debug, Clone, PartialEq)]
pub struct Scale {
    pub seconds_per_unit: f64,
    pub epoch: Epoch,
    pub label: &'static str,
    pub notices: Vec<String>,
}

/// Sampling intervals that car loggers use.
const INTERVAL_S: std::ops::RangeInclusive<f64> = 0.0005..=600.0;
/// Logs are longer than this, so a shorter one in milliseconds is really in seconds.
const SHORTEST_LOG_S: f64 = 30.0;
/// Loggers that count seconds usually sample at least this often (common practice,
/// no source).
const SLOW_LOGGER_S: f64 = 60.0;
/// Relative tolerance for the ratio of two clocks in different units.
const RATIO_SHARE: f64 = 0.03;

/// Whether no unit of time gives a plausible sampling interval.
pub fn outside_any_unit(behavior: &Behavior, facts: &Facts) -> bool {
    let units = [1e-6, 1e-3, 1.0, 60.0, 86_400.0];
    !units.iter().any(|each| INTERVAL_S.contains(&(each * behavior.row_interval())))
        && epoch_of(facts).is_none()
}

/// 60, 1000, …: the ratio of two clocks in different units.
pub fn is_ratio_of_units(ratio: f64) -> bool {
    [60.0, 1000.0, 3600.0, 60_000.0, 86_400.0, 1e6]
        .iter()
        .any(|known| (ratio / known - 1.0).abs() <= RATIO_SHARE)
}

/// `others`: span of each other column that behaves like a clock, and whether it is known to be
/// in seconds.
pub fn of(heading: &Heading, facts: &Facts, others: &[(f64, bool)]) -> Scale {
    let stated = heading.unit.or(facts.cell_unit).filter(|unit| unit.seconds().is_some());
    let plain = |unit: Unit| Scale {
        seconds_per_unit: unit.seconds().unwrap_or(1.0),
        epoch: Epoch::None,
        label: label(unit),
        notices: Vec::new(),
    };
    let dt = median(steps(&facts.numbers).map(f64::abs).filter(|step| *step > 0.0)).unwrap_or(0.0);
    let total = facts.max().unwrap_or(0.0) - facts.min().unwrap_or(0.0);
    if let Some(scale) = epoch_of(facts) {
        return scale;
    }
    // 1980 to 2119 in days.
    if facts.quantile(0.02).is_some_and(|low| (29_221.0..80_000.0).contains(&low))
        && dt < 0.01
        && stated.is_none_or(|unit| unit == Unit::Day)
        && total < 400.0
    {
        let epoch = Epoch::Spreadsheet;
        return Scale { epoch, label: "spreadsheet days", ..plain(Unit::Day) };
    }
    if let Some(unit) = stated.or_else(|| by_name(heading)) {
        return plain(unit);
    }
    let (unit, why) = by_others(total, others)
        .map(|unit| (unit, "because another clock column differs by a factor of 60 or 1000"))
        .unwrap_or_else(|| by_steps(facts, dt, total));
    let mut scale = plain(unit);
    if unit != Unit::Second || facts.all_whole() && dt >= 5.0 {
        scale.notices.push(format!(
            "the time column \"{}\" has no unit; it is read as {} {why}. To change that, write the unit in its header, as in \"time (s)\"",
            clip(&heading.name),
            unit.word()
        ));
    }
    scale
}

fn label(unit: Unit) -> &'static str {
    match unit {
        Unit::Millisecond => "milliseconds",
        Unit::Microsecond => "microseconds",
        Unit::Minute => "minutes",
        Unit::Hour => "hours",
        Unit::Day => "days",
        _ => "seconds",
    }
}

/// Time since 1970, recognized from the size of the numbers: 2001 to 2100.
fn epoch_of(facts: &Facts) -> Option<Scale> {
    let low = facts.quantile(0.02)?;
    let unix = |seconds_per_unit, label| {
        Some(Scale { seconds_per_unit, epoch: Epoch::Unix, label, notices: Vec::new() })
    };
    match low {
        v if (978e6..4.1e9).contains(&v) => unix(1.0, "Unix seconds"),
        v if (978e9..4.1e12).contains(&v) => unix(1e-3, "Unix milliseconds"),
        v if (978e12..4.1e15).contains(&v) => unix(1e-6, "Unix microseconds"),
        v if (978e15..4.1e18).contains(&v) => unix(1e-9, "Unix nanoseconds"),
        _ => None,
    }
}

fn by_name(heading: &Heading) -> Option<Unit> {
    let words = Words::of(&heading.name);
    if words.has("millis, =ms, =msec") {
        Some(Unit::Millisecond)
    } else if words.has("micros, =us, =usec") {
        Some(Unit::Microsecond)
    } else if words.has("=sec, =secs, second, sekund, =s, segund") {
        Some(Unit::Second)
    } else if words.has("=minutes, =mins, minuten") {
        Some(Unit::Minute)
    } else {
        None
    }
}

/// Compares with the other clocks: a column that counts 60 times slower is in minutes, and one
/// that counts 1000 times slower is in seconds.
fn by_others(total: f64, others: &[(f64, bool)]) -> Option<Unit> {
    let near = |ratio: f64, known: f64| (ratio / known - 1.0).abs() <= RATIO_SHARE;
    others.iter().find_map(|&(span, in_seconds)| {
        let ratio = total / span;
        match ratio {
            r if near(r, 1.0) && in_seconds => Some(Unit::Second),
            r if near(r, 60.0) && !in_seconds => Some(Unit::Second),
            r if near(r, 1.0 / 60.0) => Some(Unit::Minute),
            r if near(r, 1000.0) => Some(Unit::Millisecond),
            r if near(r, 1e6) => Some(Unit::Microsecond),
            _ => None,
        }
    })
}

fn by_steps(facts: &Facts, dt: f64, total: f64) -> (Unit, &'static str) {
    let whole = facts.all_whole();
    // Distinguishes ten seconds per row for an hour from ten milliseconds per row for four seconds.
    let slow_seconds = dt <= SLOW_LOGGER_S && total / 1000.0 < SHORTEST_LOG_S;
    if whole && dt >= 5000.0 {
        (Unit::Microsecond, "because it counts whole numbers in steps above 5000")
    } else if whole && dt >= 5.0 && !slow_seconds {
        (Unit::Millisecond, "because it counts whole numbers in steps of several")
    } else if !whole && total < 2.0 && dt < 5e-5 && dt * 86_400.0 > 1e-4 {
        (Unit::Day, "because its steps are small parts of a day")
    } else {
        (Unit::Second, "because it counts in small steps")
    }
}
