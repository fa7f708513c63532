//! Which column tells the time, and how to read it as seconds.

use std::path::Path;

use chrono::{DateTime, NaiveDateTime};

use super::error::{IngestError, list};
use super::header::Heading;
use super::profile::{Facts, Words};
use super::stamp::{DateOrder, StampFormat, TwoFields};
use super::units::Unit;
use super::vocabulary as say;
use crate::log::Role;

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Epoch {
    /// Counts from some start of its own.
    None,
    /// Counts from 1970.
    Unix,
    /// Days from the last day but one of 1899, as spreadsheets count.
    Spreadsheet,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Source {
    Numeric { column: usize, seconds_per_unit: f64, epoch: Epoch },
    Text { column: usize, format: StampFormat },
    DateAndTime { date: usize, time: usize, format: StampFormat },
    Rate { hz: f64 },
}

#[derive(Debug, Clone, PartialEq)]
pub struct Clock {
    pub source: Source,
    /// As [`crate::log::Source::clock`] tells it.
    pub label: &'static str,
    /// After so many seconds a time of day begins again.
    pub period_s: Option<f64>,
    pub notices: Vec<String>,
}

impl Clock {
    pub fn columns(&self) -> Vec<usize> {
        match self.source {
            Source::Numeric { column, .. } | Source::Text { column, .. } => vec![column],
            Source::DateAndTime { date, time, .. } => vec![date, time],
            Source::Rate { .. } => Vec::new(),
        }
    }

    /// Wall-clock time of a raw number or of seconds, where the clock knows the date.
    pub fn wall(&self, raw: f64) -> Option<NaiveDateTime> {
        let Source::Numeric { seconds_per_unit, epoch, .. } = self.source else { return None };
        let since_1970_s = match epoch {
            Epoch::None => return None,
            Epoch::Unix => raw * seconds_per_unit,
            Epoch::Spreadsheet => (raw - 25_569.0) * 86_400.0,
        };
        if !(0.0..1e11).contains(&since_1970_s) {
            return None;
        }
        // A float of seconds since 1970 is sharp to about a microsecond.
        DateTime::from_timestamp_micros((since_1970_s * 1e6).round() as i64)
            .map(|at| at.naive_utc())
    }
}

/// Picks the clock. `forced` columns are asked for; `taken` have another role by flag.
pub fn choose(
    path: &Path,
    headings: &[Heading],
    facts: &[Facts],
    roles: &[Option<Role>],
    sample_rate_hz: Option<f64>,
    has_header: bool,
    decimal: u8,
) -> Result<Clock, IngestError> {
    if let Some(hz) = sample_rate_hz {
        if !(hz.is_finite() && hz > 0.0) {
            return Err(IngestError::BadSampleRate { path: path.to_path_buf(), rate: hz });
        }
        return Ok(Clock {
            source: Source::Rate { hz },
            label: "sample rate given",
            period_s: None,
            notices: Vec::new(),
        });
    }
    let forced: Vec<usize> =
        (0..headings.len()).filter(|&i| roles.get(i) == Some(&Some(Role::Time))).collect();
    let best = match forced.as_slice() {
        [only] => Some(*only),
        [first, second, ..] => {
            // A date and a time.
            let dated = |i: usize| facts.get(i).is_some_and(is_date_only);
            Some(if dated(*first) { *second } else { *first })
        }
        [] => (0..headings.len())
            .rev()
            .filter(|&i| roles.get(i).is_none_or(Option::is_none))
            .filter_map(|i| {
                score(i, headings.get(i)?, facts.get(i)?, has_header).map(|score| (i, score))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(i, _)| i),
    };
    let names: Vec<String> = headings.iter().map(|h| h.name.clone()).collect();
    let Some(column) = best else {
        return Err(IngestError::NoTime { path: path.to_path_buf(), columns: list(&names) });
    };
    let (Some(heading), Some(own)) = (headings.get(column), facts.get(column)) else {
        return Err(IngestError::NoTime { path: path.to_path_buf(), columns: list(&names) });
    };
    if own.is_clock() {
        return Ok(text_clock(column, facts, roles, &forced, decimal));
    }
    Ok(numeric_clock(column, heading, own))
}

fn is_date_only(facts: &Facts) -> bool {
    facts.is_clock()
        && facts.stamps.iter().all(|stamp| stamp.date.is_some() && stamp.clock_s.is_none())
}

fn is_time_only(facts: &Facts) -> bool {
    facts.is_clock() && facts.stamps.iter().all(|stamp| stamp.date.is_none())
}

/// How much a column looks like a clock; `None` where it cannot be one.
fn score(index: usize, heading: &Heading, facts: &Facts, has_header: bool) -> Option<f64> {
    let words = Words::of(&heading.name);
    let time_unit = heading.unit.or(facts.cell_unit).is_some_and(|unit| unit.seconds().is_some());
    let other_unit = heading.unit.is_some() && !time_unit;
    let named = words.has(say::TIME) && !words.has(&["temperat"]);
    let seconds: Vec<f64> = if facts.is_clock() {
        if is_date_only(facts) {
            return None;
        }
        facts.stamps.iter().filter_map(|stamp| stamp.seconds()).collect()
    } else if facts.is_numeric() {
        facts.numbers.clone()
    } else {
        return None;
    };
    let pairs = seconds.len().saturating_sub(1);
    let rises = seconds.windows(2).filter(|p| matches!(p, [a, b] if b > a)).count();
    let holds = seconds.windows(2).filter(|p| matches!(p, [a, b] if b == a)).count();
    let runs = pairs > 0 && (rises + holds) * 20 >= pairs * 19 && rises > 0;
    let mut score = 0.0;
    if facts.is_clock() {
        score += 4.0;
        // A stuck text clock is still the clock, so that the error can say it is stuck.
        if !runs && rises > 0 {
            score -= 1.0;
        }
    } else if !(runs || named && (rises + holds == pairs || rises * 4 >= pairs * 3)) {
        return None;
    }
    if words.has(say::COUNTER) && !named && !facts.is_clock() {
        return None;
    }
    score += if named { 3.0 } else { 0.0 } + if time_unit { 2.0 } else { 0.0 }
        - if other_unit { 3.0 } else { 0.0 };
    score += if index == 0 { 1.0 } else { 0.0 };
    score += 2.0 * rises as f64 / pairs.max(1) as f64 - 1.0;
    if !named && !time_unit && !facts.is_clock() {
        // Without a word for it, only an unnamed first column that runs strictly is a clock.
        let steps_of_one = seconds.windows(2).all(|p| matches!(p, [a, b] if b - a == 1.0));
        let nameless = !has_header || words.has(say::GENERIC) || heading.raw.is_empty();
        if index > 0 || !nameless || steps_of_one || rises * 20 < pairs * 19 {
            return None;
        }
    }
    (score > 0.0).then_some(score)
}

fn numeric_clock(column: usize, heading: &Heading, facts: &Facts) -> Clock {
    let stated = heading.unit.or(facts.cell_unit).filter(|unit| unit.seconds().is_some());
    let mut steps: Vec<f64> =
        facts.numbers.windows(2).map(step).filter(|step| *step > 0.0).collect();
    steps.sort_by(f64::total_cmp);
    let dt = super::profile::quantile(&steps, 0.5).unwrap_or(0.0);
    let low = facts.quantile(0.02).unwrap_or(0.0);
    let total = facts.max().unwrap_or(0.0) - facts.min().unwrap_or(0.0);
    let mut notices = Vec::new();
    let numeric = |seconds_per_unit, epoch| Source::Numeric { column, seconds_per_unit, epoch };
    let (source, label) = match low {
        // 2001 to 2100, counted from 1970.
        v if (978e6..4.1e9).contains(&v) => (numeric(1.0, Epoch::Unix), "Unix seconds"),
        v if (978e9..4.1e12).contains(&v) => (numeric(1e-3, Epoch::Unix), "Unix milliseconds"),
        v if (978e12..4.1e15).contains(&v) => (numeric(1e-6, Epoch::Unix), "Unix microseconds"),
        v if (978e15..4.1e18).contains(&v) => (numeric(1e-9, Epoch::Unix), "Unix nanoseconds"),
        // 1980 to 2119 in days.
        v if (29_221.0..80_000.0).contains(&v)
            && dt < 0.01
            && stated.is_none_or(|u| u == Unit::Day)
            && total < 400.0 =>
        {
            (numeric(86_400.0, Epoch::Spreadsheet), "spreadsheet days")
        }
        _ => match stated {
            Some(Unit::Second) => (numeric(1.0, Epoch::None), "seconds"),
            Some(Unit::Millisecond) => (numeric(1e-3, Epoch::None), "milliseconds"),
            Some(Unit::Microsecond) => (numeric(1e-6, Epoch::None), "microseconds"),
            Some(Unit::Minute) => (numeric(60.0, Epoch::None), "minutes"),
            Some(Unit::Hour) => (numeric(3600.0, Epoch::None), "hours"),
            Some(Unit::Day) => (numeric(86_400.0, Epoch::None), "days"),
            _ => {
                let words = Words::of(&heading.name);
                let (unit, why) = if words.has(&["millis", "=ms", "=msec"]) {
                    (Unit::Millisecond, "by its name")
                } else if words.has(&["micros", "=us", "=usec"]) {
                    (Unit::Microsecond, "by its name")
                } else if words.has(&["=sec", "=secs", "second", "sekund", "=s", "segund"]) {
                    (Unit::Second, "by its name")
                } else if facts.all_whole() && dt >= 5000.0 {
                    (Unit::Microsecond, "because it counts whole numbers in steps above 5000")
                } else if facts.all_whole() && dt >= 5.0 && !(total < 7200.0 && dt <= 60.0) {
                    (Unit::Millisecond, "because it counts whole numbers in steps of several")
                } else if !facts.all_whole() && total < 2.0 && dt < 5e-5 && dt * 86_400.0 > 1e-4 {
                    (Unit::Day, "because its steps are small parts of a day")
                } else {
                    (Unit::Second, "because it counts in small steps")
                };
                if why != "by its name" && (unit != Unit::Second || facts.all_whole() && dt >= 5.0)
                {
                    notices.push(format!(
                        "the time column \"{}\" names no unit; it is read as {} {why}. To overrule: put the unit in its header, as in \"time (s)\"",
                        super::error::clip(&heading.name),
                        unit.word()
                    ));
                }
                let label = match unit {
                    Unit::Millisecond => "milliseconds",
                    Unit::Microsecond => "microseconds",
                    Unit::Day => "days",
                    _ => "seconds",
                };
                (numeric(unit.seconds().unwrap_or(1.0), Epoch::None), label)
            }
        },
    };
    Clock { source, label, period_s: None, notices }
}

fn step(pair: &[f64]) -> f64 {
    match pair {
        [a, b] => b - a,
        _ => 0.0,
    }
}

fn text_clock(
    column: usize,
    facts: &[Facts],
    roles: &[Option<Role>],
    forced: &[usize],
    decimal: u8,
) -> Clock {
    let Some(own) = facts.get(column) else {
        return Clock {
            source: Source::Rate { hz: 1.0 },
            label: "",
            period_s: None,
            notices: Vec::new(),
        };
    };
    let mut notices = Vec::new();
    let date_column = is_time_only(own)
        .then(|| {
            (0..facts.len()).find(|&i| {
                i != column
                    && (forced.contains(&i) || roles.get(i).is_none_or(Option::is_none))
                    && facts.get(i).is_some_and(is_date_only)
            })
        })
        .flatten();
    let dated = date_column.and_then(|i| facts.get(i)).unwrap_or(own);
    let order = date_order(dated, decimal, &mut notices);
    let (two_fields, label, period_s) = clock_style(own);
    let format = StampFormat { order, two_fields };
    let iso = own.stamps.first().is_some_and(|s| s.year_first);
    match date_column {
        Some(date) => Clock {
            source: Source::DateAndTime { date, time: column, format },
            label: "date and time in two columns",
            period_s: None,
            notices,
        },
        None if is_time_only(own) => {
            Clock { source: Source::Text { column, format }, label, period_s, notices }
        }
        None => Clock {
            source: Source::Text { column, format },
            label: if iso { "ISO 8601" } else { "date and time" },
            period_s: None,
            notices,
        },
    }
}

/// Day or month first: a number above twelve tells, else the date that moves by days tells, else custom.
fn date_order(facts: &Facts, decimal: u8, notices: &mut Vec<String>) -> DateOrder {
    let pairs: Vec<(u32, u32)> = facts.stamps.iter().filter_map(|stamp| stamp.day_month).collect();
    if pairs.iter().any(|&(first, _)| first > 12) {
        return DateOrder::DayFirst;
    }
    if pairs.iter().any(|&(_, second)| second > 12) {
        return DateOrder::MonthFirst;
    }
    let Some(&(first, second)) = pairs.first() else { return DateOrder::DayFirst };
    let changes =
        |pick: fn((u32, u32)) -> u32| pairs.iter().any(|&pair| pick(pair) != pick((first, second)));
    match (changes(|p| p.0), changes(|p| p.1)) {
        (true, false) => return DateOrder::DayFirst,
        (false, true) => return DateOrder::MonthFirst,
        _ => {}
    }
    let order = if decimal == b',' { DateOrder::DayFirst } else { DateOrder::MonthFirst };
    if first != second {
        let word = if order == DateOrder::DayFirst { "day" } else { "month" };
        notices.push(format!(
            "the dates do not tell whether day or month comes first; the {word} is taken first (only the date of the log hangs on it)"
        ));
    }
    order
}

fn clock_style(facts: &Facts) -> (TwoFields, &'static str, Option<f64>) {
    let fields = facts.stamps.first().map_or(0, |stamp| stamp.fields);
    if fields >= 3 {
        return (TwoFields::MinutesSeconds, "h:mm:ss", Some(86_400.0));
    }
    let fraction = facts.stamps.iter().any(|stamp| stamp.fraction);
    let holds =
        facts.stamps.windows(2).filter(|p| matches!(p, [a, b] if a.clock_s == b.clock_s)).count();
    // Ten rows and more under one stamp: minutes, not seconds.
    if !fraction && holds * 10 >= facts.stamps.len() * 9 {
        (TwoFields::HoursMinutes, "h:mm", Some(86_400.0))
    } else {
        (TwoFields::MinutesSeconds, "m:ss", Some(3600.0))
    }
}
