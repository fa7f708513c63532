//! Assigns roles to columns, by words in the name, unit and values.
//!
//! A wrong guess is worse than a question, so an unclear column stays `ignored`, and its `why`
//! names the flag that uses it.

use super::account::Account;
use super::error::{Problem, clip, list};
use super::guess::{Guess, force, guess, raw_counts};
use super::header::{Heading, name_of};
use super::levels::{reads_fahrenheit, voltage_level};
use super::profile::Facts;
use super::request::word_of;
use super::taps::{self, VoltageCandidate};
use super::units::Unit;
use crate::log::{Place, Role, Tap};
use crate::nominal::{Nominal, Unsupported};

#[derive(Debug, Clone, PartialEq)]
pub struct Assigned {
    pub role: Role,
    pub unit: Option<Unit>,
    pub why: String,
    pub forced: bool,
}

/// Adds to the explanation of a column's role.
pub fn add_reason(columns: &mut [Assigned], index: usize, reason: &str) {
    if let Some(column) = columns.get_mut(index) {
        column.why.push_str("; ");
        column.why.push_str(reason);
    }
}

#[derive(Debug)]
pub struct Assignment {
    pub columns: Vec<Assigned>,
    pub bus: Tap,
    pub nominal: Nominal,
    pub nominal_how: String,
}

/// Assigns a role to every column. `clock`: the columns of the clock.
pub fn assign(
    headings: &[Heading],
    facts: &[Facts],
    forced: &[Option<Role>],
    clock: &[usize],
    stated: Option<Nominal>,
    account: &mut Account,
) -> Result<Assignment, Problem> {
    let mut columns = Vec::with_capacity(headings.len());
    let mut candidates = Vec::new();
    let mut maybes = Vec::new();
    let mut others = Vec::new();
    let mut speeds = Vec::new();
    let fahrenheit = reads_fahrenheit(headings, facts);
    for (index, (heading, facts)) in headings.iter().zip(facts).enumerate() {
        let forced_role = forced.get(index).copied().flatten();
        let forced = forced_role.is_some();
        let (guess, mut why) = match forced_role {
            _ if clock.contains(&index) => (
                Guess::Plain { role: Role::Time, unit: heading.unit },
                "used as the clock".to_owned(),
            ),
            Some(role) => {
                (force(role, heading, facts), "requested with --column or car.toml".to_owned())
            }
            None => guess(heading, facts, fahrenheit),
        };
        let (mut role, mut stated_unit) = (Role::Ignored, heading.unit);
        match guess {
            Guess::Voltage { tap, unit } => {
                stated_unit = Some(unit);
                candidates.push(VoltageCandidate { index, tap, unit, forced });
            }
            Guess::MaybeVoltage { unit } => {
                stated_unit = Some(unit);
                maybes.push(VoltageCandidate { index, tap: None, unit, forced: false });
            }
            Guess::OtherVoltage { tap, unit, why: unsupported } => {
                stated_unit = Some(unit);
                why.push_str("; not the level of a 6, 12 or 24 V system");
                others.push((VoltageCandidate { index, tap, unit, forced }, unsupported));
            }
            Guess::Plain { role: found, unit } => (role, stated_unit) = (found, unit),
            Guess::MaybeSpeed => speeds.push(index),
            Guess::Ignored => {}
        }
        columns.push(Assigned { role, unit: stated_unit, why, forced });
    }
    refuse_counts(headings, facts, |index| {
        matches!(forced.get(index), Some(Some(Role::Voltage(_))))
    })?;
    if stated.is_some() {
        candidates.extend(others.iter().map(|(candidate, _)| *candidate));
    }
    if candidates.is_empty() {
        refuse_counts(headings, facts, |_| true)?;
        if let Some((candidate, why)) = others.first() {
            return Err(Problem::OtherVoltage {
                column: name_of(headings, candidate.index),
                median_v: median_v(facts, candidate),
                why: unsupported(*why),
            });
        }
        candidates = maybes;
    } else {
        for maybe in &maybes {
            let reason = "another column is the voltage by name";
            add_reason(&mut columns, maybe.index, reason);
        }
    }
    let nominal = system(headings, facts, &mut candidates, stated, &mut columns)?;
    let voltages = taps::Columns { headings, facts, nominal };
    let Some(bus) = voltages.assign(&candidates, &mut columns, account)? else {
        let lines: Vec<String> = headings
            .iter()
            .zip(&columns)
            .take(40)
            .map(|(heading, column)| format!("  \"{}\": {}", clip(&heading.name), column.why))
            .collect();
        return Err(Problem::NoVoltage { columns: lines.join("\n") });
    };
    if let [only] = speeds.as_slice()
        && columns.iter().all(|column| column.role != Role::EngineRpm)
        && let Some(column) = columns.get_mut(*only)
    {
        (column.role, column.unit) = (Role::EngineRpm, Some(Unit::Rpm));
    }
    resolve_rivals(headings, facts, &mut columns, account);
    let read_at = columns.iter().position(|column| column.role == Role::Voltage(bus));
    let median_v = candidates
        .iter()
        .find(|candidate| Some(candidate.index) == read_at)
        .map_or(f64::NAN, |candidate| median_v(facts, candidate));
    let nominal_how = match stated {
        Some(_) => "stated with --nominal or nominal_v in car.toml".to_owned(),
        None => format!("from its levels: median {median_v:.2} V while powered"),
    };
    if stated.is_none() && nominal != Nominal::V12 {
        account.notices.push(format!(
            "read as a {nominal} system, {nominal_how}. If it is another: --nominal 6, 12 or 24; if the logger divides the voltage, log it undivided"
        ));
    }
    Ok(Assignment { columns, bus, nominal, nominal_how })
}

/// Median voltage while the logger is powered.
fn median_v(facts: &[Facts], candidate: &VoltageCandidate) -> f64 {
    let facts = facts.get(candidate.index);
    facts.map_or(f64::NAN, |facts| voltage_level(Some(candidate.unit), facts).1)
}

fn unsupported(why: Unsupported) -> String {
    match why {
        Unsupported::V48 => "that is the level of a 48 V mild hybrid, which is not supported. Log its 12 V side".to_owned(),
        Unsupported::Between(low, high) => format!(
            "that is between a {low} V and a {high} V system. State which it is: --nominal {low} or --nominal {high}"
        ),
        Unsupported::TooLow | Unsupported::TooHigh => "that is not the level of a 6, 12 or 24 V lead-acid battery, and no others are supported. If the logger scales the voltage, log it in volts".to_owned(),
    }
}

/// The nominal voltage: as stated, else that of a requested voltage, else of one named after the
/// battery, else of the highest. Voltages of other systems are dropped from the candidates.
fn system(
    headings: &[Heading],
    facts: &[Facts],
    candidates: &mut Vec<VoltageCandidate>,
    stated: Option<Nominal>,
    columns: &mut [Assigned],
) -> Result<Nominal, Problem> {
    if let (Some(nominal), Some(first)) = (stated, candidates.first().copied()) {
        candidates.retain(|candidate| nominal.allows(median_v(facts, candidate)));
        if candidates.is_empty() {
            return Err(Problem::OtherVoltage {
                column: name_of(headings, first.index),
                median_v: median_v(facts, &first),
                why: format!(
                    "this does not fit the {nominal} system stated with --nominal {} or nominal_v in car.toml. Leave that out, or name the column: --column voltage=NAME",
                    nominal.nominal_v()
                ),
            });
        }
        return Ok(nominal);
    }
    let system_of = |candidate: &VoltageCandidate| {
        Nominal::of_median(median_v(facts, candidate)).unwrap_or_default()
    };
    let by_rank = |c: &&VoltageCandidate| (c.forced, c.tap == Some(Tap::Battery), system_of(c));
    let Some(nominal) = candidates.iter().max_by_key(by_rank).map(system_of) else {
        return Ok(Nominal::default());
    };
    for candidate in candidates.iter().filter(|c| system_of(c) != nominal) {
        let other = system_of(candidate);
        let reason = format!(
            "the level of a {other} system, but the bus is that of a {nominal} system (to change: --nominal {})",
            other.nominal_v()
        );
        add_reason(columns, candidate.index, &reason);
    }
    candidates.retain(|candidate| system_of(candidate) == nominal);
    Ok(nominal)
}

/// Rejects a column of raw converter counts, and says how to convert them to volts.
fn refuse_counts(
    headings: &[Heading],
    facts: &[Facts],
    asked: impl Fn(usize) -> bool,
) -> Result<(), Problem> {
    let counts = headings.iter().zip(facts).enumerate().find_map(|(index, (heading, facts))| {
        let (low, high, bits) = raw_counts(heading, facts).filter(|_| asked(index))?;
        let (column, running) = (clip(&heading.name), facts.quantile(0.9)?);
        Some(Problem::RawCounts { column, low, high, bits, running })
    });
    counts.map_or(Ok(()), Err)
}

/// Keeps only one column for each role other than voltage and load: the one with the most values,
/// if they agree.
fn resolve_rivals(
    headings: &[Heading],
    facts: &[Facts],
    columns: &mut [Assigned],
    account: &mut Account,
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
        Role::Temperature(Place::Battery),
    ];
    for role in single {
        let holders: Vec<usize> = columns
            .iter()
            .enumerate()
            .filter(|(_, column)| column.role == role)
            .map(|(index, _)| index)
            .collect();
        if holders.len() < 2 {
            continue;
        }
        let filled = |i: usize| facts.get(i).map_or(0, |f| f.filled);
        let canonical_median = |i: usize| {
            let unit = columns.get(i).and_then(|c| c.unit).unwrap_or(Unit::Other);
            facts.get(i).and_then(Facts::median).map(|m| unit.to_canonical().apply(m))
        };
        // Of the columns with the most values, the leftmost.
        let fullest = holders.iter().copied().rev().max_by_key(|&i| filled(i)).unwrap_or(0);
        let agrees = |i: usize| match (canonical_median(i), canonical_median(fullest)) {
            (Some(a), Some(b)) => (a - b).abs() <= 0.05 * b.abs().max(1.0),
            _ => role == Role::Note,
        };
        // Two ground drops with small values may still be at two places.
        let agree = role != Role::GroundDrop && holders.iter().all(|&i| agrees(i));
        let forced =
            holders.iter().copied().find(|&i| columns.get(i).is_some_and(|column| column.forced));
        let winner = forced.or(agree.then_some(fullest));
        let names: Vec<String> =
            holders.iter().filter_map(|&i| headings.get(i)).map(|h| h.name.clone()).collect();
        let (names, role_word) = (list(&names), word_of(role));
        let lost = match winner {
            Some(kept) => format!("but \"{}\" has that role", name_of(headings, kept)),
            None => format!(
                "but {names} have the same meaning but different values. Choose: --column {role_word}=NAME"
            ),
        };
        for &loser in holders.iter().filter(|&&i| Some(i) != winner) {
            add_reason(columns, loser, &lost);
            if let Some(column) = columns.get_mut(loser) {
                column.role = Role::Ignored;
            }
        }
        if forced.is_none() {
            let chosen = match winner {
                Some(kept) => format!("\"{}\" is used", name_of(headings, kept)),
                None => "they disagree, so none is used".to_owned(),
            };
            account.notices.push(format!(
                "{names} could all be the {}; {chosen}. To choose: --column {role_word}=NAME",
                role.word().replace('_', " "),
            ));
        }
    }
}
