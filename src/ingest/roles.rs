//! What each column means: words in its name, its unit, and what its values do.
//!
//! A wrong guess is worse than a question, so a column that does not say
//! enough stays `ignored`, and its `why` names the flag that uses it.

use std::path::Path;

use super::error::{IngestError, clip, list};
use super::guess::{Guess, force, guess, raw_counts};
use super::header::Heading;
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
    /// The flag gave this role.
    pub forced: bool,
}

#[derive(Debug)]
pub struct Assignment {
    pub columns: Vec<Assigned>,
    pub bus: Tap,
    pub nominal: Nominal,
    pub nominal_how: String,
    pub notices: Vec<String>,
}

/// Gives every column a role. `clock` are the columns that the time came from.
pub fn assign(
    path: &Path,
    headings: &[Heading],
    facts: &[Facts],
    forced: &[Option<Role>],
    clock: &[usize],
    stated: Option<Nominal>,
) -> Result<Assignment, IngestError> {
    let mut columns = Vec::with_capacity(headings.len());
    let mut candidates = Vec::new();
    let mut maybes = Vec::new();
    let mut others = Vec::new();
    let mut speeds = Vec::new();
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
            Guess::OtherVoltage { tap, unit, why: unsupported } => {
                assigned.unit = Some(unit);
                why.push_str("; not the level of a 6, 12 or 24 V system");
                let forced = forced_role.is_some();
                others.push((VoltageCandidate { index, tap, unit, forced }, unsupported));
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
    if stated.is_some() {
        candidates.extend(others.iter().map(|(candidate, _)| *candidate));
    }
    if candidates.is_empty() {
        refuse_counts(path, headings, facts, |_| true)?;
        if let Some((candidate, why)) = others.first() {
            return Err(IngestError::OtherVoltage {
                path: path.to_path_buf(),
                column: headings.get(candidate.index).map_or(String::new(), |h| clip(&h.name)),
                median_v: median_v(facts, candidate),
                why: unsupported(*why),
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
    let nominal = system(path, headings, facts, &mut candidates, stated, &mut columns)?;
    let bus =
        taps::settle(path, headings, facts, &candidates, nominal, &mut columns, &mut notices)?;
    let Some(bus) = bus else {
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
        notices.push(format!(
            "read as a {nominal} system, {nominal_how}. If it is another: --nominal 6, 12 or 24; if the logger divides the voltage, log it undivided"
        ));
    }
    Ok(Assignment { columns, bus, nominal, nominal_how, notices })
}

/// While the logger is powered.
fn median_v(facts: &[Facts], candidate: &VoltageCandidate) -> f64 {
    let facts = facts.get(candidate.index);
    facts.map_or(f64::NAN, |facts| voltage_level(Some(candidate.unit), facts).1)
}

fn unsupported(why: Unsupported) -> String {
    match why {
        Unsupported::V48 => "that is the level of a 48 V mild hybrid, which this tool does not know. Log its 12 V side".to_owned(),
        Unsupported::Between(low, high) => format!(
            "that is between a {low} V and a {high} V system. State which it is: --nominal {low} or --nominal {high}"
        ),
        Unsupported::TooLow | Unsupported::TooHigh => "that is not the level of a 6, 12 or 24 V lead-acid battery, the only kinds this tool knows. If the logger scales the voltage, log it in volts".to_owned(),
    }
}

/// The system that the voltages are of: stated, or that of a voltage asked for, of the
/// battery's by name, else of the highest. Voltages of another are no candidates.
fn system(
    path: &Path,
    headings: &[Heading],
    facts: &[Facts],
    candidates: &mut Vec<VoltageCandidate>,
    stated: Option<Nominal>,
    columns: &mut [Assigned],
) -> Result<Nominal, IngestError> {
    let name = |index: usize| headings.get(index).map_or(String::new(), |h| clip(&h.name));
    if let (Some(nominal), Some(first)) = (stated, candidates.first().copied()) {
        candidates.retain(|candidate| nominal.allows(median_v(facts, candidate)));
        if candidates.is_empty() {
            let median_v = median_v(facts, &first);
            return Err(IngestError::OtherVoltage {
                path: path.to_path_buf(),
                column: name(first.index),
                median_v,
                why: format!(
                    "--nominal {} (or nominal_v in car.toml) says {nominal}, and {} cells do not read that. Leave it out, or name the column: --column voltage=NAME",
                    nominal.nominal_v(),
                    nominal.cells()
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
        if let Some(column) = columns.get_mut(candidate.index) {
            let other = system_of(candidate);
            column.why.push_str(&format!(
                "; the level of a {other} system, and the bus is of {nominal} (to overrule: --nominal {})",
                other.nominal_v()
            ));
        }
    }
    candidates.retain(|candidate| system_of(candidate) == nominal);
    Ok(nominal)
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
        Role::Temperature(Place::Battery),
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
