//! Chooses the column that is the clock, and how to read it as seconds.
//!
//! Every numeric or time-like column is a candidate. The one that behaves most like a clock is
//! chosen ([`behavior`]); names only break ties. The unit of a numeric clock is determined in
//! [`scale`].

mod behavior;
pub mod packed;
mod scale;
mod wrap;

use chrono::{DateTime, NaiveDateTime};

use super::error::{Problem, clip, list};
use super::header::Heading;
use super::named::edit_distance;
use super::profile::{Facts, Words};
use super::stamp::{DateOrder, Stamp, StampFormat, TwoFields};
use super::vocabulary as vocab;
use crate::log::{ClockCandidate, Role};
use behavior::Behavior;

pub use wrap::{unwrap_counter, unwrap_time_of_day};

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Epoch {
    /// Counts from an arbitrary start.
    None,
    /// Counts from 1970.
    Unix,
    /// Days since 1899-12-30, as in spreadsheets.
    Spreadsheet,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Source {
    Numeric {
        column: usize,
        seconds_per_unit: f64,
        epoch: Epoch,
    },
    /// Hours, minutes and seconds as one number.
    Packed {
        column: usize,
    },
    Text {
        column: usize,
        format: StampFormat,
    },
    DateAndTime {
        date: usize,
        time: usize,
        format: StampFormat,
    },
    Rate {
        hz: f64,
    },
}

#[derive(Debug, Clone, PartialEq)]
pub struct Clock {
    pub source: Source,
    /// The text of [`crate::log::Source::clock`].
    pub label: &'static str,
    /// Seconds after which a time of day starts again at 0.
    pub period_s: Option<f64>,
    /// The newest row comes first.
    pub newest_first: bool,
    /// Other columns that behave like a clock.
    pub candidates: Vec<ClockCandidate>,
    pub notices: Vec<String>,
}

impl Clock {
    pub fn columns(&self) -> Vec<usize> {
        match self.source {
            Source::Numeric { column, .. }
            | Source::Packed { column }
            | Source::Text { column, .. } => vec![column],
            Source::DateAndTime { date, time, .. } => vec![date, time],
            Source::Rate { .. } => Vec::new(),
        }
    }

    /// Wall-clock time of a raw number, if the clock includes the date.
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
        // Seconds since 1970 as a float are exact to about a microsecond.
        DateTime::from_timestamp_micros((since_1970_s * 1e6).round() as i64)
            .map(|at| at.naive_utc())
    }
}

/// What is known of the columns when the clock is chosen.
#[derive(Clone, Copy)]
pub struct Columns<'a> {
    pub headings: &'a [Heading],
    pub facts: &'a [Facts],
    /// Roles given by flags or `car.toml`.
    pub forced: &'a [Option<Role>],
    pub has_header: bool,
    pub decimal: u8,
}

pub fn choose(columns: Columns, sample_rate_hz: Option<f64>) -> Result<Clock, Problem> {
    let Columns { headings, facts, forced, .. } = columns;
    if let Some(hz) = sample_rate_hz {
        if !(hz.is_finite() && hz > 0.0) {
            return Err(Problem::BadSampleRate { rate: hz });
        }
        return Ok(Clock::plain(Source::Rate { hz }, "sample rate given"));
    }
    let asked: Vec<usize> =
        (0..headings.len()).filter(|&i| forced.get(i) == Some(&Some(Role::Time))).collect();
    let ranked = ranked(columns);
    let column = match asked.as_slice() {
        [only] => *only,
        [first, second, ..] => {
            // The first of the two may hold only the date.
            let dated = |i: usize| facts.get(i).is_some_and(is_date_only);
            if dated(*first) { *second } else { *first }
        }
        [] => match ranked.first() {
            Some(best) => best.column,
            None => return Err(no_time(columns)),
        },
    };
    let (Some(heading), Some(own)) = (headings.get(column), facts.get(column)) else {
        return Err(no_time(columns));
    };
    let mut clock = if own.is_clock() {
        text_clock(column, own, columns, &asked)
    } else {
        numeric_clock(column, heading, own, &ranked, facts)
    };
    let chosen = ranked.iter().find(|rival| rival.column == column);
    clock.newest_first = chosen.is_some_and(|chosen| chosen.behavior.newest_first);
    if clock.newest_first {
        clock.notices.push(format!(
            "the rows are in reverse order by \"{}\"; they are read oldest first",
            clip(&heading.name)
        ));
    }
    let used = clock.columns();
    let others = || ranked.iter().filter(|rival| !used.contains(&rival.column));
    if asked.is_empty() {
        if let Some(best) = chosen
            && let Some(rival) = others().find(|rival| rival.score >= best.score - TIE)
            && let Some(seen) = disagreement(columns, &clock, best, rival)
        {
            return Err(Problem::TwoClocks { seen });
        }
        if chosen.is_some_and(|chosen| !chosen.named) && !own.is_clock() {
            clock.notices.push(format!(
                "\"{}\" is used as the clock because it behaves like one, although its name does not say so. To use another: --column time=NAME",
                clip(&heading.name)
            ));
        }
    }
    clock.candidates = others()
        .filter_map(|rival| {
            let name = headings.get(rival.column)?.name.clone();
            Some(ClockCandidate { name, why: rival.why() })
        })
        .collect();
    Ok(clock)
}

impl Clock {
    pub fn plain(source: Source, label: &'static str) -> Clock {
        Clock {
            source,
            label,
            period_s: None,
            newest_first: false,
            candidates: Vec::new(),
            notices: Vec::new(),
        }
    }
}

/// A column that behaves like a clock.
struct Candidate {
    column: usize,
    score: f64,
    /// Its name or unit refers to time.
    named: bool,
    behavior: Behavior,
}

/// Candidates whose scores differ by no more than this are equally good.
const TIE: f64 = 0.5;
/// A clock that advances in a smaller share of the rows is too coarse to time them.
const LEAST_TICKS: f64 = 0.015;
/// A clock that advances in a larger share of the rows ticks every row or every few rows.
const FREQUENT_TICKS: f64 = 0.1;

/// Names of quantities other than time.
const OTHER_NAMES: [&str; 9] = [
    vocab::VOLTAGE,
    vocab::CURRENT,
    vocab::RPM,
    vocab::SPEED,
    vocab::COOLANT,
    vocab::INTAKE,
    vocab::AMBIENT,
    vocab::CONSUMER,
    vocab::RUNNING_TOTAL,
];

/// "Tme" and "tiem" are misspellings of "time"; "tire" is another word.
fn is_misspelled_time(words: &Words) -> bool {
    const SPELLINGS: [&str; 5] = ["time", "timestamp", "seconds", "millis", "elapsed"];
    let near = |token: &str| {
        token != "tire"
            && token.chars().count() >= 4
            && SPELLINGS
                .iter()
                .any(|known| edit_distance(token, known) == 1 || swapped(token, known))
    };
    words.tokens().any(near)
}

/// The same letters with two neighbors swapped.
fn swapped(a: &str, b: &str) -> bool {
    let differ: Vec<(char, char)> = a.chars().zip(b.chars()).filter(|(x, y)| x != y).collect();
    a.len() == b.len() && matches!(differ.as_slice(), [(p, q), (r, s)] if p == s && q == r)
}

impl Candidate {
    fn of(columns: Columns, column: usize) -> Option<Candidate> {
        let (heading, facts) = (columns.headings.get(column)?, columns.facts.get(column)?);
        let words = Words::of(&heading.name);
        let unit = heading.unit.or(facts.cell_unit);
        let time_unit = unit.is_some_and(|unit| unit.seconds().is_some());
        let stamped = facts.is_clock();
        if !stamped && !facts.is_numeric() || is_date_only(facts) || unit.is_some() && !time_unit {
            return None;
        }
        let values: Vec<f64> = if stamped {
            facts.stamps.iter().map(Stamp::seconds).collect()
        } else {
            packed::unpacked(&facts.numbers).unwrap_or_else(|| facts.numbers.clone())
        };
        // Only rows from the top of the file follow each other.
        let head = values.get(..facts.head.min(values.len())).unwrap_or(&values);
        let spelled = words.has(vocab::TIME) && !words.has("temperat");
        let nearly = !spelled && is_misspelled_time(&words);
        let named = spelled || nearly || time_unit || stamped;
        let behavior = match Behavior::of(head) {
            Some(behavior) => behavior,
            // A text clock that never moves stays a candidate, so that the error can report it.
            None if named && head.len() > 1 => Behavior::stuck(head.len()),
            None => return None,
        };
        // A text clock that jumps is still the clock; a number that jumps is something else.
        let mostly_on =
            behavior.runs_forward() || named && 4 * behavior.advances >= 3 * behavior.rows;
        if !stamped && !mostly_on || behavior.newest_first && !named {
            return None;
        }
        let nameless = !columns.has_header
            || words.is_empty()
            || words.has(vocab::GENERIC)
            || heading.raw.is_empty();
        if !named {
            let counts = behavior.counts_rows || words.has(vocab::COUNTER);
            let other = OTHER_NAMES.iter().any(|names| words.has(names));
            let clocklike = behavior.backward == 0
                && behavior.is_straight()
                && behavior.ticks >= FREQUENT_TICKS;
            if counts || other || !clocklike || scale::outside_any_unit(&behavior, facts) {
                return None;
            }
        }
        let tick_score = match behavior.ticks {
            _ if behavior.advances == 0 => -12.0,
            ticks if ticks >= 0.5 => 4.0,
            ticks if ticks >= FREQUENT_TICKS => 3.5,
            ticks if ticks >= LEAST_TICKS => 0.0,
            _ => -9.0,
        };
        let score = tick_score
            + if behavior.is_straight() { 3.0 } else { 0.0 }
            + if spelled || stamped { 3.0 } else { 0.0 }
            + if nearly { 2.0 } else { 0.0 }
            + if time_unit { 1.5 } else { 0.0 }
            + if stamped { 1.0 } else { 0.0 }
            + if column == 0 && nameless { 1.0 } else { 0.0 }
            - if words.has(vocab::COUNTER) && !stamped { 4.0 } else { 0.0 }
            - if behavior.runs_forward() { 0.0 } else { 4.0 };
        Some(Candidate { column, score, named, behavior })
    }

    fn why(&self) -> String {
        let Behavior { ticks, bend, .. } = self.behavior;
        if self.behavior.advances == 0 {
            return "does not change".to_owned();
        }
        format!(
            "advances in {:.3} of the rows, within {:.1} % of a straight line",
            ticks,
            100.0 * bend
        )
    }
}

/// Every column that could be the clock, best first; of equals, the leftmost first.
fn ranked(columns: Columns) -> Vec<Candidate> {
    let free = |i: &usize| columns.forced.get(*i).is_none_or(Option::is_none);
    let mut ranked: Vec<Candidate> = (0..columns.headings.len())
        .filter(free)
        .filter_map(|column| Candidate::of(columns, column))
        .collect();
    ranked.sort_by(|a, b| b.score.total_cmp(&a.score));
    ranked
}

fn no_time(columns: Columns) -> Problem {
    let names: Vec<String> = columns.headings.iter().map(|h| h.name.clone()).collect();
    let goes_back = columns.headings.iter().zip(columns.facts).find_map(|(heading, facts)| {
        let named = Words::of(&heading.name).has(vocab::TIME) && facts.is_numeric();
        let behavior = named.then(|| Behavior::of(&facts.numbers)).flatten()?;
        Some((clip(&heading.name), behavior.backward)).filter(|(_, backward)| *backward > 0)
    });
    let seen = match goes_back {
        Some((name, times)) => format!(
            ". \"{name}\" goes back {times} times. If the rows were shuffled, sort them by it"
        ),
        None => String::new(),
    };
    Problem::NoTime { columns: list(&names), seen }
}

/// Describes two equally good clocks that disagree on how long the log lasts.
fn disagreement(
    columns: Columns,
    clock: &Clock,
    best: &Candidate,
    rival: &Candidate,
) -> Option<String> {
    let name = |column: usize| columns.headings.get(column).map_or("", |h| h.name.as_str());
    let seconds = |candidate: &Candidate| {
        let facts = columns.facts.get(candidate.column)?;
        let heading = columns.headings.get(candidate.column)?;
        let each = match facts.is_clock() {
            true => 1.0,
            false => {
                match numeric_clock(candidate.column, heading, facts, &[], columns.facts).source {
                    Source::Numeric { seconds_per_unit, .. } => seconds_per_unit,
                    _ => 1.0,
                }
            }
        };
        Some(each * candidate.behavior.span)
    };
    if let Source::DateAndTime { .. } = clock.source {
        return None;
    }
    let (own_s, other_s) = (seconds(best)?, seconds(rival)?);
    let ratio = own_s.max(other_s) / own_s.min(other_s);
    if !(ratio.is_finite() && ratio > 1.05) || scale::is_ratio_of_units(ratio) {
        return None;
    }
    Some(format!(
        "\"{}\" lasts {own_s:.0} s and \"{}\" {other_s:.0} s over the same rows",
        clip(name(best.column)),
        clip(name(rival.column))
    ))
}

fn is_date_only(facts: &Facts) -> bool {
    facts.is_clock()
        && facts.stamps.iter().all(|stamp| stamp.date.is_some() && stamp.clock_s.is_none())
}

fn is_time_only(facts: &Facts) -> bool {
    facts.is_clock() && facts.stamps.iter().all(|stamp| stamp.date.is_none())
}

fn numeric_clock(
    column: usize,
    heading: &Heading,
    facts: &Facts,
    ranked: &[Candidate],
    all: &[Facts],
) -> Clock {
    let others: Vec<(f64, bool)> = ranked
        .iter()
        .filter(|rival| rival.column != column && rival.behavior.advances >= 5)
        .map(|rival| (rival.behavior.span, all.get(rival.column).is_some_and(Facts::is_clock)))
        .collect();
    if packed::unpacked(&facts.numbers).is_some() {
        let label = "hours, minutes and seconds as one number";
        let clock = Clock::plain(Source::Packed { column }, label);
        return Clock { period_s: Some(86_400.0), ..clock };
    }
    let scale = scale::of(heading, facts, &others);
    let source =
        Source::Numeric { column, seconds_per_unit: scale.seconds_per_unit, epoch: scale.epoch };
    Clock { notices: scale.notices, ..Clock::plain(source, scale.label) }
}

fn text_clock(column: usize, own: &Facts, columns: Columns, asked: &[usize]) -> Clock {
    let is_free = |i: usize| {
        i != column && (asked.contains(&i) || columns.forced.get(i).is_none_or(Option::is_none))
    };
    let mut others = columns.facts.iter().enumerate().filter(|(i, _)| is_free(*i));
    let date = match is_time_only(own) {
        true => others.find(|(_, facts)| is_date_only(facts)),
        false => None,
    };
    let mut notices = Vec::new();
    let order = date_order(date.map_or(own, |(_, dated)| dated), columns.decimal, &mut notices);
    let (two_fields, label, period_s) = clock_style(own);
    let format = StampFormat { order, two_fields };
    let text = Source::Text { column, format };
    let clock = match date {
        Some((date, _)) => {
            let source = Source::DateAndTime { date, time: column, format };
            Clock::plain(source, "date and time in two columns")
        }
        None if is_time_only(own) => Clock { period_s, ..Clock::plain(text, label) },
        None if own.stamps.first().is_some_and(|stamp| stamp.year_first) => {
            Clock::plain(text, "ISO 8601")
        }
        None => Clock::plain(text, "date and time"),
    };
    Clock { notices, ..clock }
}

/// Whether the day or the month comes first. A number above twelve decides; otherwise the part
/// that changes within the log is the day; otherwise the decimal mark suggests the country.
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
            "the dates do not show whether day or month comes first. The {word} is assumed to be first; this affects only the date of the log"
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
    // Ten or more rows under one stamp: the stamp counts minutes.
    if !fraction && holds * 10 >= facts.stamps.len() * 9 {
        (TwoFields::HoursMinutes, "h:mm", Some(86_400.0))
    } else {
        (TwoFields::MinutesSeconds, "m:ss", Some(3600.0))
    }
}
