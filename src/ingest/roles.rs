//! What each column means: words in its name, its unit, and what its values do.
//!
//! A wrong guess is worse than a question, so a column that does not say
//! enough stays `ignored`, and its `why` names the flag that uses it.

use std::path::Path;

use super::error::{IngestError, clip, list};
use super::header::Heading;
use super::profile::{Facts, Words};
use super::request::{RoleRequest, word_of};
use super::taps::{self, VoltageCandidate};
use super::units::Unit;
use super::vocabulary as say;
use crate::log::{Place, Role, Tap};

/// A column's role before taps and rivals are settled.
#[derive(Debug, Clone, PartialEq)]
pub enum Guess {
    Voltage {
        tap: Option<Tap>,
        unit: Unit,
    },
    /// Nothing but the level says voltage.
    MaybeVoltage {
        unit: Unit,
    },
    HighVoltage {
        system: u8,
        median_v: f64,
        unit: Unit,
    },
    Plain {
        role: Role,
        unit: Option<Unit>,
    },
    Ignored,
}

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

/// Columns that flags or `car.toml` give a role, by index.
pub fn requested(
    path: &Path,
    headings: &[Heading],
    requests: &[RoleRequest],
) -> Result<Vec<Option<Role>>, IngestError> {
    let mut roles: Vec<Option<Role>> = vec![None; headings.len()];
    for request in requests {
        let index = locate(headings, &request.name)
            .ok_or_else(|| no_such_column(path, headings, &request.name))?;
        let single = !matches!(request.role, Role::Load | Role::Ignored | Role::Time);
        let rival = roles
            .iter()
            .position(|role| *role == Some(request.role))
            .filter(|&other| other != index);
        if let (true, Some(rival)) = (single, rival) {
            let name = |index: usize| headings.get(index).map_or(String::new(), |h| h.name.clone());
            return Err(IngestError::RoleTwice {
                path: path.to_path_buf(),
                role: word_of(request.role),
                first: name(rival),
                second: name(index),
            });
        }
        if let Some(slot) = roles.get_mut(index) {
            *slot = Some(request.role);
        }
    }
    Ok(roles)
}

fn locate(headings: &[Heading], name: &str) -> Option<usize> {
    let asked = name.trim().to_lowercase();
    let by = |text: fn(&Heading) -> &str| {
        headings.iter().position(|h| text(h).trim().to_lowercase() == asked)
    };
    by(|h| &h.raw).or_else(|| by(|h| &h.name)).or_else(|| {
        let number: usize = asked.strip_prefix('#')?.trim().parse().ok()?;
        number.checked_sub(1).filter(|&index| index < headings.len())
    })
}

fn no_such_column(path: &Path, headings: &[Heading], asked: &str) -> IngestError {
    let lower = asked.to_lowercase();
    let nearest = headings
        .iter()
        .map(|h| {
            (
                edit_distance(&lower, &h.name.to_lowercase())
                    .min(edit_distance(&lower, &h.raw.to_lowercase())),
                h,
            )
        })
        .min_by_key(|(distance, _)| *distance)
        .filter(|(distance, heading)| {
            *distance * 2 <= asked.chars().count().max(2)
                || heading.name.to_lowercase().contains(&lower)
        })
        .map_or(String::new(), |(_, heading)| {
            format!("; did you mean \"{}\"?", clip(&heading.name))
        });
    let names: Vec<String> = headings.iter().map(|h| h.name.clone()).collect();
    IngestError::NoSuchColumn {
        path: path.to_path_buf(),
        asked: clip(asked),
        nearest,
        columns: list(&names),
    }
}

/// Letters to add, drop or change between two names, of which the first sixty count.
fn edit_distance(a: &str, b: &str) -> usize {
    const LONGEST: usize = 60;
    let b: Vec<char> = b.chars().take(LONGEST).collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().take(LONGEST).enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        if let Some(first) = row.first_mut() {
            *first = left;
        }
        for (cell, y) in row.iter_mut().skip(1).zip(&b) {
            let best = (*cell + 1).min(left + 1).min(diagonal + usize::from(x != *y));
            diagonal = *cell;
            *cell = best;
            left = best;
        }
    }
    row.last().copied().unwrap_or(0)
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
            Guess::Ignored => {}
        }
        assigned.why = why;
        columns.push(assigned);
    }
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
        let lines: Vec<String> = headings
            .iter()
            .zip(&columns)
            .take(40)
            .map(|(heading, column)| format!("  \"{}\": {}", clip(&heading.name), column.why))
            .collect();
        return Err(IngestError::NoVoltage { path: path.to_path_buf(), columns: lines.join("\n") });
    };
    settle_rivals(headings, facts, &mut columns, &mut notices);
    Ok(Assignment { columns, bus, notices })
}

fn tap_of(role: Role) -> Option<Tap> {
    match role {
        Role::Voltage(tap) => Some(tap),
        _ => None,
    }
}

/// The unit, from header or cells, else from the level.
fn stated_unit(heading: &Heading, facts: &Facts) -> Option<Unit> {
    heading.unit.or(facts.cell_unit)
}

fn force(role: Role, heading: &Heading, facts: &Facts) -> Guess {
    let stated = stated_unit(heading, facts);
    match role {
        Role::Voltage(tap) => {
            let (unit, median_v) = voltage_level(stated, facts);
            match system_of(median_v) {
                Some(system) => Guess::HighVoltage { system, median_v, unit },
                None => Guess::Voltage { tap: Some(tap), unit },
            }
        }
        Role::EngineRpm | Role::AlternatorRpm => {
            Guess::Plain { role, unit: Some(rpm_unit(stated, facts)) }
        }
        Role::Temperature(_) => {
            Guess::Plain { role, unit: Some(temperature_unit(stated, facts, false)) }
        }
        _ => Guess::Plain { role, unit: stated },
    }
}

fn guess(heading: &Heading, facts: &Facts, fahrenheit: bool) -> (Guess, String) {
    let words = Words::of(&heading.name);
    let ignored = |why: String| (Guess::Ignored, why);
    if facts.filled == 0 {
        return ignored("holds no value".into());
    }
    let unit = stated_unit(heading, facts);
    let textual = !facts.is_numeric() && !facts.is_switched();
    if words.has(say::NOTE) && textual {
        return (
            Guess::Plain { role: Role::Note, unit: None },
            "name says remarks; the cells are text".into(),
        );
    }
    if facts.is_clock() {
        return ignored("a second clock; another column is the time".into());
    }
    if textual {
        let example = facts.word_example.as_deref().unwrap_or("text");
        return ignored(format!("holds text such as \"{example}\""));
    }
    if matches!(unit, Some(unit) if unit.seconds().is_some()) && !words.has(say::CONSUMER) {
        return ignored(
            "a time; another column is the clock, or this one does not run evenly".into(),
        );
    }
    let temp_word = words.has(&["temp"]) && !words.has(&["=temps", "=tempo", "=tempi", "tempomat"]);
    let temp_token = words.has(&["=ect", "=clt", "=iat", "=oat", "=cts"]);
    let is_temperature = matches!(unit, Some(Unit::Celsius | Unit::Fahrenheit | Unit::Kelvin))
        || temp_word
        || temp_token;
    let is_consumer = words.has(say::CONSUMER);
    if is_temperature && !matches!(unit, Some(Unit::Volt | Unit::Millivolt)) {
        if facts.is_switched() {
            return ignored(
                "a temperature switch, no consumer. If it is a load: --column load=NAME".into(),
            );
        }
        return temperature(&words, unit, facts, fahrenheit);
    }
    match unit {
        Some(Unit::Volt | Unit::Millivolt) => return voltage(&words, unit, facts),
        Some(Unit::Amp | Unit::Milliamp) if !(is_consumer && is_two_state(facts)) => {
            return current(&words, unit);
        }
        Some(Unit::Rpm | Unit::ThousandRpm | Unit::Hertz) => return speed(&words, unit, facts),
        Some(Unit::Other) => return ignored("measures something this tool does not use".into()),
        _ => {}
    }
    if words.has(say::VOLTAGE) && !facts.is_switched() {
        return voltage(&words, unit, facts);
    }
    if words.has(say::CURRENT) && !is_two_state(facts) {
        return current(&words, unit);
    }
    if words.has(say::RPM) && !is_two_state(facts)
        || words.has(say::SPEED) && words.has(say::ENGINE) && !is_consumer
        || words.has(say::SPEED) && words.has(say::ALTERNATOR)
    {
        return speed(&words, unit, facts);
    }
    if words.has(say::TORQUE_LOAD) {
        return ignored("the engine's torque load, not an electrical one".into());
    }
    if is_consumer || words.has(say::ANY_LOAD) {
        return load(&words, unit, facts);
    }
    let tap_word = words.has(say::BATTERY) || words.has(say::ALTERNATOR) || words.has(say::MODULE);
    if tap_word && !words.has(say::NOT_A_STATE) && unit.is_none() {
        let (_, median_v) = voltage_level(unit, facts);
        if !is_two_state(facts) && (bus_share(facts, unit) >= 0.5 || system_of(median_v).is_some())
        {
            return voltage(&words, unit, facts);
        }
    }
    if facts.is_switched() || is_two_state(facts) {
        return ignored(
            "on and off, but its name says no consumer. If it is a load: --column load=NAME".into(),
        );
    }
    let nameless = words.is_empty() || words.has(say::GENERIC);
    if nameless && unit.is_none() {
        let (level_unit, median_v) = voltage_level(unit, facts);
        let inside = facts.share_within(5.0 / scale_of(level_unit), 17.0 / scale_of(level_unit));
        if (11.0..=15.5).contains(&median_v) && inside > 0.98 && !facts.all_whole() {
            let why = format!(
                "its name says nothing; the level ({}) is that of a 12 V bus",
                span(facts, level_unit)
            );
            return (Guess::MaybeVoltage { unit: level_unit }, why);
        }
    }
    ignored("nothing in its name, unit or values says a role. To use it: --column ROLE=NAME".into())
}

fn is_two_state(facts: &Facts) -> bool {
    facts.is_switched()
        || !facts.numbers.is_empty()
            && facts.numbers.iter().all(|&value| value == 0.0 || value == 1.0)
}

fn scale_of(unit: Unit) -> f64 {
    unit.to_canonical().scale
}

/// V or mV, and the median while the bus is live.
fn voltage_level(unit: Option<Unit>, facts: &Facts) -> (Unit, f64) {
    let mut live: Vec<f64> = facts.numbers.iter().copied().filter(|v| *v > 0.5).collect();
    live.sort_by(f64::total_cmp);
    let median = super::profile::quantile(&live, 0.5).unwrap_or(0.0);
    // No car's bus has thousands of volts.
    let unit =
        if unit == Some(Unit::Millivolt) || median > 3000.0 { Unit::Millivolt } else { Unit::Volt };
    (unit, median * scale_of(unit))
}

/// Levels that are no 12 V system but a truck's or a hybrid's.
fn system_of(median_v: f64) -> Option<u8> {
    match median_v {
        v if (18.0..=32.0).contains(&v) => Some(24),
        v if (36.0..=60.0).contains(&v) => Some(48),
        _ => None,
    }
}

/// Share of live samples within what a 12 V bus reads, cranking included.
fn bus_share(facts: &Facts, unit: Option<Unit>) -> f64 {
    let (unit, _) = voltage_level(unit, facts);
    let live = facts.share_within(0.5 / scale_of(unit), f64::INFINITY);
    facts.share_within(6.0 / scale_of(unit), 17.0 / scale_of(unit)) / live.max(1e-9)
}

fn span(facts: &Facts, unit: Unit) -> String {
    let affine = unit.to_canonical();
    let at = |share| facts.quantile(share).map_or(0.0, |value| affine.apply(value));
    let (low, high) = (at(0.02), at(0.98));
    let word = match unit {
        Unit::Volt | Unit::Millivolt => "V",
        Unit::Amp | Unit::Milliamp => "A",
        Unit::Celsius | Unit::Fahrenheit | Unit::Kelvin => "°C",
        Unit::Rpm | Unit::ThousandRpm | Unit::Hertz => return format!("{low:.0} to {high:.0} rpm"),
        other => other.word(),
    };
    format!("{low:.1} to {high:.1} {word}")
}

pub fn tap_by_name(words: &Words) -> Option<Tap> {
    // A post is the alternator's even where the name also says battery; a module's feed is the module's.
    if words.has(&["sensor supply", "sensorversorgung"]) {
        Some(Tap::Module)
    } else if words.has(say::ALTERNATOR) {
        Some(Tap::Alternator)
    } else if words.has(say::BATTERY) {
        Some(Tap::Battery)
    } else if words.has(say::MODULE) {
        Some(Tap::Module)
    } else {
        None
    }
}

fn voltage(words: &Words, unit: Option<Unit>, facts: &Facts) -> (Guess, String) {
    let (level_unit, median_v) = voltage_level(unit, facts);
    let level = span(facts, level_unit);
    let supply = words.has(&["sensor supply", "sensorversorgung"]);
    if let Some(word) = words.find(say::SIGNAL).filter(|_| !supply) {
        return (
            Guess::Ignored,
            format!("a signal voltage by name (\"{}\"), not the bus", word.trim()),
        );
    }
    if let Some(word) = words.find(say::DERIVED) {
        return (
            Guess::Ignored,
            format!(
                "a wish, limit or extreme by name (\"{}\"), not the bus as it was",
                word.trim()
            ),
        );
    }
    if let Some(word) = words.find(say::CONSUMER) {
        return (
            Guess::Ignored,
            format!("the voltage at a consumer (\"{}\"), not the bus", word.trim()),
        );
    }
    if let Some(system) = system_of(median_v) {
        let why = format!("a voltage by name or unit, {level}");
        return (Guess::HighVoltage { system, median_v, unit: level_unit }, why);
    }
    if bus_share(facts, unit) < 0.5 || median_v < 6.0 {
        return (
            Guess::Ignored,
            format!(
                "a voltage, but {level} (median {median_v:.2} V) is not the level of a 12 V bus"
            ),
        );
    }
    let tap = tap_by_name(words);
    let by = if words.has(say::VOLTAGE) {
        "name says voltage"
    } else if unit.is_some() {
        "unit says voltage"
    } else {
        "level says voltage"
    };
    let place = tap.map_or(String::new(), |tap| format!(" at the {}", tap.word()));
    (Guess::Voltage { tap, unit: level_unit }, format!("{by}{place}; {level}"))
}

fn current(words: &Words, unit: Option<Unit>) -> (Guess, String) {
    let ask = "To use it: --column battery_current=NAME or --column alternator_current=NAME";
    if let Some(word) =
        words.find(say::CONSUMER).or(words.find(&["starter", "anlasser", "field", "erreger"]))
    {
        return (
            Guess::Ignored,
            format!("amps of one consumer (\"{}\"), not of battery or alternator", word.trim()),
        );
    }
    if words.has(say::DERIVED) {
        return (
            Guess::Ignored,
            "a wish, limit or extreme by name, not a current as it was".into(),
        );
    }
    let unit = Some(unit.unwrap_or(Unit::Amp));
    let battery = words.has(say::BATTERY) || words.has(&["ibat"]) || words.has(say::DISCHARGE);
    let alternator = words.has(say::ALTERNATOR) || words.has(&["ialt"]);
    match (battery, alternator) {
        (true, false) => (
            Guess::Plain { role: Role::BatteryCurrent, unit },
            "name says battery and current".into(),
        ),
        (false, true) => (
            Guess::Plain { role: Role::AlternatorCurrent, unit },
            "name says alternator and current".into(),
        ),
        _ => (Guess::Ignored, format!("a current, but its name does not say whose. {ask}")),
    }
}

/// rpm, thousands of rpm or revolutions a second: an engine turns at 500 to 9000 rpm.
fn rpm_unit(unit: Option<Unit>, facts: &Facts) -> Unit {
    let top = facts.quantile(0.98).unwrap_or(0.0);
    match unit {
        Some(unit @ (Unit::ThousandRpm | Unit::Hertz)) => unit,
        _ if top > 0.3 && top <= 12.0 && !facts.all_whole() => Unit::ThousandRpm,
        None if top > 12.0 && top <= 150.0 => Unit::Hertz,
        _ => Unit::Rpm,
    }
}

fn speed(words: &Words, unit: Option<Unit>, facts: &Facts) -> (Guess, String) {
    if let Some(word) =
        words.find(say::CONSUMER).or(words.find(say::OTHER_SPEED)).or(words.find(say::DERIVED))
    {
        return (
            Guess::Ignored,
            format!("a speed, but not the engine's as it was (\"{}\")", word.trim()),
        );
    }
    if unit == Some(Unit::Hertz)
        && !words.has(say::RPM)
        && !words.has(say::ENGINE)
        && !words.has(say::ALTERNATOR)
    {
        return (Guess::Ignored, "a frequency that does not say of what".into());
    }
    let (role, whose) = if words.has(say::ALTERNATOR) {
        (Role::AlternatorRpm, "alternator")
    } else {
        (Role::EngineRpm, "engine")
    };
    let by_level = rpm_unit(unit, facts);
    let top_rpm = facts.quantile(0.98).map_or(0.0, |top| by_level.to_canonical().apply(top));
    if top_rpm > 30_000.0 || facts.min().is_some_and(|low| low < -50.0) {
        return (
            Guess::Ignored,
            format!("a speed by name, but {} is no engine's", span(facts, by_level)),
        );
    }
    let how = if unit == Some(by_level) {
        String::new()
    } else {
        format!(", unit {} by level", by_level.word())
    };
    (
        Guess::Plain { role, unit: Some(by_level) },
        format!("name or unit says {whose} speed; {}{how}", span(facts, by_level)),
    )
}

/// An engine at 130 °C boils: a coolant without a unit that reads more is in °F.
fn reads_fahrenheit(headings: &[Heading], facts: &[Facts]) -> bool {
    headings.iter().zip(facts).any(|(heading, facts)| {
        let words = Words::of(&heading.name);
        let unit = stated_unit(heading, facts);
        unit == Some(Unit::Fahrenheit)
            || unit.is_none()
                && words.has(say::COOLANT)
                && facts.quantile(0.9).is_some_and(|top| top > 130.0 && top < 260.0)
    })
}

fn temperature_unit(unit: Option<Unit>, facts: &Facts, fahrenheit: bool) -> Unit {
    match unit {
        Some(unit @ (Unit::Celsius | Unit::Fahrenheit | Unit::Kelvin)) => unit,
        _ => match facts.median() {
            Some(median) if median > 230.0 => Unit::Kelvin,
            Some(median) if fahrenheit || median > 130.0 => Unit::Fahrenheit,
            _ => Unit::Celsius,
        },
    }
}

fn temperature(
    words: &Words,
    unit: Option<Unit>,
    facts: &Facts,
    fahrenheit: bool,
) -> (Guess, String) {
    let by_level = temperature_unit(unit, facts, fahrenheit);
    let level = span(facts, by_level);
    if let Some(word) =
        words.find(say::OTHER_PLACE).filter(|_| !words.has(&["=coolant", "coolant"]))
    {
        return (Guess::Ignored, format!("a temperature of something else (\"{}\")", word.trim()));
    }
    if words.has(say::DERIVED) {
        return (Guess::Ignored, "a wished or limit temperature by name".into());
    }
    let place = if words.has(say::INTAKE) {
        Place::Intake
    } else if words.has(say::ALTERNATOR) {
        Place::Alternator
    } else if words.has(say::COOLANT) {
        Place::Coolant
    } else if words.has(say::AMBIENT) {
        Place::Ambient
    } else {
        return (
            Guess::Ignored,
            "a temperature, but its name does not say where. To use it: --column temperature.coolant=NAME (or intake, alternator, ambient)".into(),
        );
    };
    let median_c = facts.median().map_or(f64::NAN, |median| by_level.to_canonical().apply(median));
    if !(-60.0..=250.0).contains(&median_c) {
        return (Guess::Ignored, format!("a temperature by name, but {level} is none"));
    }
    let how = if unit == Some(by_level) {
        String::new()
    } else {
        format!(", unit {} by level", by_level.word())
    };
    (
        Guess::Plain { role: Role::Temperature(place), unit: Some(by_level) },
        format!("name says {} temperature; {level}{how}", place.word()),
    )
}

fn load(words: &Words, unit: Option<Unit>, facts: &Facts) -> (Guess, String) {
    let what = words.find(say::CONSUMER).or(words.find(say::ANY_LOAD)).unwrap_or("load").trim();
    if let Some(word) = words.find(say::NOT_A_STATE) {
        return (Guess::Ignored, format!("not the state of a consumer (\"{}\")", word.trim()));
    }
    if words.has(say::DERIVED) && !is_two_state(facts) {
        return (Guess::Ignored, "a wish or limit by name, not the state of a consumer".into());
    }
    if words.has(say::ALTERNATOR) || words.has(&["=field"]) {
        return (
            Guess::Ignored,
            "says how hard the alternator works, not what a consumer does".into(),
        );
    }
    let plain = Guess::Plain { role: Role::Load, unit };
    if facts.is_switched() {
        return (plain, format!("name says a consumer (\"{what}\"); the cells are switch words"));
    }
    let (low, high) = (facts.min().unwrap_or(0.0), facts.max().unwrap_or(0.0));
    match level_scale(high, facts.all_whole(), unit == Some(Unit::Percent)) {
        Some(scale) if low >= 0.0 => {
            let how = if scale == 1.0 { "0 to 1".to_owned() } else { format!("0 to {scale}") };
            (plain, format!("name says a consumer (\"{what}\"); values {how}"))
        }
        _ => (
            Guess::Ignored,
            format!(
                "name says a consumer (\"{what}\"), but {low} to {high} is neither on/off nor a duty. If it is a load: --column load=NAME"
            ),
        ),
    }
}

/// What counts as fully on: 1, the top level of a few, 100 %, or a byte's 255.
pub fn level_scale(high: f64, whole: bool, percent: bool) -> Option<f64> {
    match high {
        h if h <= 1.0 => Some(1.0),
        h if percent && h <= 110.0 => Some(100.0),
        h if whole && h <= 8.0 => Some(h),
        h if h <= 100.5 => Some(100.0),
        h if whole && h <= 255.0 => Some(255.0),
        _ => None,
    }
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
