//! What each column means: words in its name, its unit, and what its values do.
//!
//! A wrong guess is worse than a question, so a column that does not say
//! enough stays `ignored`, and its `why` names the flag that uses it.

use std::path::Path;

use super::error::{IngestError, clip, list};
use super::guess::{Guess, force, guess, raw_counts, tap_by_name, tap_of};
use super::header::Heading;
use super::levels::reads_fahrenheit;
use super::profile::{Facts, Words};
use super::request::word_of;
use super::taps::{self, VoltageCandidate};
use super::units::Unit;
use crate::log::{Place, Role, Tap};

#[derive(Debug, Clone, PartialEq)]
pub struct Assigned {
    pub role: Role,
    pub unit: Option<Unit>,
    pub why: String,
    /// The flag gave this role.
    pub forced: bool,
}

#[derive(Debug)]
pub struct Assignment {
    pub columns: Vec<Assigned>,
    pub bus: Tap,
    pub notices: Vec<String>,
}

/// Gives every column a role. `clock` are the columns that the time came from.
pub fn assign(
    path: &Path,
    headings: &[Heading],
    facts: &[Facts],
    forced: &[Option<Role>],
    clock: &[usize],
    any_voltage: bool,
) -> Result<Assignment, IngestError> {
    let mut columns = Vec::with_capacity(headings.len());
    let mut candidates = Vec::new();
    let mut maybes = Vec::new();
    let mut speeds = Vec::new();
    let mut high = None;
    let fahrenheit = reads_fahrenheit(headings, facts);
    for (index, (heading, facts)) in headings.iter().zip(facts).enumerate() {
        let forced_role = forced.get(index).copied().flatten();
        let (guess, mut why) = match forced_role {
            _ if clock.contains(&index) => (
                Guess::Plain { role: Role::Time, unit: heading.unit },
                "read as the clock".to_owned(),
            ),
            Some(role) => {
                (force(role, heading, facts), "asked for with --column or car.toml".to_owned())
            }
            None => guess(heading, facts, fahrenheit),
        };
        let mut assigned = Assigned {
            role: Role::Ignored,
            unit: heading.unit,
            why: String::new(),
            forced: forced_role.is_some(),
        };
        match guess {
            Guess::Voltage { tap, unit } => {
                assigned.unit = Some(unit);
                candidates.push(VoltageCandidate {
                    index,
                    tap,
                    unit,
                    forced: forced_role.is_some(),
                });
            }
            Guess::MaybeVoltage { unit } => {
                assigned.unit = Some(unit);
                maybes.push(VoltageCandidate { index, tap: None, unit, forced: false });
            }
            Guess::HighVoltage { system, median_v, unit } => {
                assigned.unit = Some(unit);
                if any_voltage {
                    let tap = forced_role
                        .and_then(tap_of)
                        .or_else(|| tap_by_name(&Words::of(&heading.name)));
                    candidates.push(VoltageCandidate {
                        index,
                        tap,
                        unit,
                        forced: forced_role.is_some(),
                    });
                } else {
                    high.get_or_insert((system, median_v, index));
                    why = format!("{why}; a {system} V system is read only with --any-voltage");
                }
            }
            Guess::Plain { role, unit } => {
                assigned.role = role;
                assigned.unit = unit;
            }
            Guess::MaybeSpeed => speeds.push(index),
            Guess::Ignored => {}
        }
        assigned.why = why;
        columns.push(assigned);
    }
    refuse_counts(path, headings, facts, |index| {
        matches!(forced.get(index), Some(Some(Role::Voltage(_))))
    })?;
    let mut notices = Vec::new();
    if candidates.is_empty() {
        if let Some((system, median_v, index)) = high {
            let column = headings.get(index).map_or(String::new(), |h| h.name.clone());
            return Err(IngestError::HighVoltage {
                path: path.to_path_buf(),
                system,
                column,
                median_v,
            });
        }
        candidates = maybes;
    } else {
        for maybe in &maybes {
            if let Some(column) = columns.get_mut(maybe.index) {
                column.why.push_str("; another column says by name that it is the voltage");
            }
        }
    }
    let bus = taps::settle(path, headings, facts, &candidates, &mut columns, &mut notices)?;
    let Some(bus) = bus else {
        refuse_counts(path, headings, facts, |_| true)?;
        let lines: Vec<String> = headings
            .iter()
            .zip(&columns)
            .take(40)
            .map(|(heading, column)| format!("  \"{}\": {}", clip(&heading.name), column.why))
            .collect();
        return Err(IngestError::NoVoltage { path: path.to_path_buf(), columns: lines.join("\n") });
    };
    if let [only] = speeds.as_slice()
        && columns.iter().all(|column| column.role != Role::EngineRpm)
        && let Some(column) = columns.get_mut(*only)
    {
        (column.role, column.unit) = (Role::EngineRpm, Some(Unit::Rpm));
    }
    settle_rivals(headings, facts, &mut columns, &mut notices);
    Ok(Assignment { columns, bus, notices })
}

/// Says how to turn a converter's counts into volts, of a column that looks like them.
fn refuse_counts(
    path: &Path,
    headings: &[Heading],
    facts: &[Facts],
    asked: impl Fn(usize) -> bool,
) -> Result<(), IngestError> {
    let counts = headings.iter().zip(facts).enumerate().find_map(|(index, (heading, facts))| {
        let (low, high, bits) = raw_counts(heading, facts).filter(|_| asked(index))?;
        Some((heading, low, high, bits, facts.quantile(0.9)?))
    });
    let Some((heading, low, high, bits, running)) = counts else { return Ok(()) };
    Err(IngestError::RawCounts {
        path: path.to_path_buf(),
        column: clip(&heading.name),
        low,
        high,
        bits,
        running,
        volts_per_count: 14.2 / running,
    })
}

/// Roles other than voltage and load are held by one column: the fuller one, where they agree.
fn settle_rivals(
    headings: &[Heading],
    facts: &[Facts],
    columns: &mut [Assigned],
    notices: &mut Vec<String>,
) {
    let single = [
        Role::EngineRpm,
        Role::AlternatorRpm,
        Role::AlternatorCurrent,
        Role::BatteryCurrent,
        Role::GroundDrop,
        Role::Note,
        Role::Temperature(Place::Coolant),
        Role::Temperature(Place::Intake),
        Role::Temperature(Place::Alternator),
        Role::Temperature(Place::Ambient),
    ];
    for role in single {
        let holders: Vec<usize> = (0..columns.len())
            .filter(|&i| columns.get(i).is_some_and(|column| column.role == role))
            .collect();
        if holders.len() < 2 {
            continue;
        }
        let forced =
            holders.iter().copied().find(|&i| columns.get(i).is_some_and(|column| column.forced));
        let filled = |i: usize| facts.get(i).map_or(0, |f| f.filled);
        let canonical_median = |i: usize| {
            let unit = columns.get(i).and_then(|c| c.unit).unwrap_or(Unit::Other);
            facts.get(i).and_then(Facts::median).map(|m| unit.to_canonical().apply(m))
        };
        // The leftmost of the fullest.
        let fullest = holders.iter().copied().rev().max_by_key(|&i| filled(i)).unwrap_or(0);
        let agree =
            holders.iter().all(|&i| match (canonical_median(i), canonical_median(fullest)) {
                (Some(a), Some(b)) => (a - b).abs() <= 0.05 * b.abs().max(1.0),
                _ => role == Role::Note,
            });
        // Two grounds that both read little may still be two places.
        let agree = agree && role != Role::GroundDrop;
        let winner = forced.or(agree.then_some(fullest));
        let names: Vec<String> =
            holders.iter().filter_map(|&i| headings.get(i)).map(|h| h.name.clone()).collect();
        for &i in &holders {
            if Some(i) == winner {
                continue;
            }
            if let Some(column) = columns.get_mut(i) {
                column.role = Role::Ignored;
                column.why = match winner.and_then(|w| headings.get(w)) {
                    Some(kept) => {
                        format!("{}; but \"{}\" holds that role", column.why, clip(&kept.name))
                    }
                    None => format!(
                        "{}; but {} say the same and read differently. Choose: --column {}=NAME",
                        column.why,
                        list(&names),
                        word_of(role)
                    ),
                };
            }
        }
        if forced.is_none() {
            let chosen = match winner.and_then(|w| headings.get(w)) {
                Some(kept) => format!("\"{}\" is used", clip(&kept.name)),
                None => "they disagree, so none is used".to_owned(),
            };
            notices.push(format!(
                "{} could all be the {}; {chosen}. To choose: --column {}=NAME",
                list(&names),
                role.word().replace('_', " "),
                word_of(role)
            ));
        }
    }
}
