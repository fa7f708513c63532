//! Guesses the role of one column from its name, its unit and its values.

use super::ground;
use super::header::Heading;
use super::levels::{
    is_two_state, level_scale, rpm_unit, scale_of, span, stated_unit, system_of, temperature_unit,
    voltage_level,
};
use super::profile::{Facts, Words};
use super::rank::median;
use super::units::Unit;
use super::vocabulary as vocab;
use crate::levels;
use crate::log::{Place, Role, Tap};
use crate::nominal::{Nominal, Unsupported};

/// The guess for one column, before columns are compared.
#[derive(Debug, Clone, PartialEq)]
pub enum Guess {
    Voltage {
        tap: Option<Tap>,
        unit: Unit,
    },
    /// Only the level suggests a voltage.
    MaybeVoltage {
        unit: Unit,
    },
    /// A voltage, but its level fits no supported system.
    OtherVoltage {
        tap: Option<Tap>,
        unit: Unit,
        why: Unsupported,
    },
    Plain {
        role: Role,
        unit: Option<Unit>,
    },
    /// Only its course suggests engine speed.
    MaybeSpeed,
    Ignored,
}

pub fn force(role: Role, heading: &Heading, facts: &Facts) -> Guess {
    let stated = stated_unit(heading, facts);
    match role {
        Role::Voltage(tap) => {
            let (unit, median_v) = voltage_level(stated, facts);
            match Nominal::of_median(median_v) {
                Err(why) => Guess::OtherVoltage { tap: Some(tap), unit, why },
                Ok(_) => Guess::Voltage { tap: Some(tap), unit },
            }
        }
        Role::EngineRpm | Role::AlternatorRpm => {
            Guess::Plain { role, unit: Some(rpm_unit(stated, facts)) }
        }
        Role::Temperature(_) => {
            Guess::Plain { role, unit: Some(temperature_unit(stated, facts, false)) }
        }
        Role::GroundDrop => Guess::Plain { role, unit: Some(ground::unit_of(stated, facts)) },
        _ => Guess::Plain { role, unit: stated },
    }
}

/// A column without a role, and why.
pub fn ignored(why: impl Into<String>) -> (Guess, String) {
    (Guess::Ignored, why.into())
}

pub fn guess(heading: &Heading, facts: &Facts, fahrenheit: bool) -> (Guess, String) {
    let words = Words::of(&heading.name);
    if facts.filled == 0 {
        return ignored("has no values");
    }
    let unit = stated_unit(heading, facts);
    let textual = !facts.is_numeric() && !facts.is_switched();
    if words.has(vocab::NOTE) && textual {
        return (
            Guess::Plain { role: Role::Note, unit: None },
            "name says remarks; the cells are text".into(),
        );
    }
    if facts.is_clock() {
        return ignored("a second clock; another column is the time");
    }
    if textual {
        let example = facts.word_example.as_deref().unwrap_or("text");
        return ignored(format!("holds text such as \"{example}\""));
    }
    if matches!(unit, Some(unit) if unit.seconds().is_some()) && !words.has(vocab::CONSUMER) {
        return ignored("a time; another column is the clock, or this one is uneven");
    }
    let places = [vocab::COOLANT, vocab::INTAKE, vocab::AMBIENT, vocab::BATTERY];
    let placed = places.iter().any(|place| words.has(place));
    let is_temperature = matches!(unit, Some(Unit::Celsius | Unit::Fahrenheit | Unit::Kelvin))
        || words.has(vocab::TEMPERATURE) && !words.has(vocab::NO_TEMPERATURE)
        || words.has("=t") && placed;
    let is_consumer = words.has(vocab::CONSUMER);
    if is_temperature && !matches!(unit, Some(Unit::Volt | Unit::Millivolt)) {
        if facts.is_switched() {
            return ignored(
                "a temperature switch, not a consumer. If it is a load: --column load=NAME",
            );
        }
        return temperature(&words, unit, facts, fahrenheit);
    }
    if let Some(answer) = ground::guess(&words, unit, facts) {
        return answer;
    }
    match unit {
        Some(Unit::Volt | Unit::Millivolt) => return voltage(&words, unit, facts),
        Some(Unit::Amp | Unit::Milliamp) if !(is_consumer && is_two_state(facts)) => {
            return current(&words, unit);
        }
        Some(Unit::Rpm | Unit::ThousandRpm | Unit::Hertz) => return speed(&words, unit, facts),
        Some(Unit::Other) => return ignored("measures something this tool does not use"),
        _ => {}
    }
    if words.has(vocab::VOLTAGE) && !facts.is_switched() {
        return voltage(&words, unit, facts);
    }
    if words.has(vocab::CURRENT) && !is_two_state(facts) {
        return current(&words, unit);
    }
    if words.has(vocab::RPM) && !is_two_state(facts)
        || words.has(vocab::SPEED) && words.has(vocab::ENGINE) && !is_consumer
        || words.has(vocab::SPEED) && words.has(vocab::ALTERNATOR)
    {
        return speed(&words, unit, facts);
    }
    if words.has(vocab::TORQUE_LOAD) {
        return ignored("engine load (torque), not an electrical load");
    }
    if is_consumer || words.has(vocab::ANY_LOAD) {
        return load(&words, unit, facts);
    }
    let tap_word =
        words.has(vocab::BATTERY) || words.has(vocab::ALTERNATOR) || words.has(vocab::MODULE);
    if tap_word && !words.has(vocab::NOT_A_STATE) && unit.is_none() {
        let is_bus = !matches!(
            system_of(facts, unit),
            Err(Unsupported::TooLow | Unsupported::TooHigh | Unsupported::Between(..))
        );
        if !is_two_state(facts) && is_bus {
            return voltage(&words, unit, facts);
        }
    }
    if facts.is_switched() || is_two_state(facts) {
        return ignored(
            "on/off, but its name is not that of a consumer. If it is a load: --column load=NAME",
        );
    }
    if says_nothing(&words) && unit.is_none() {
        if starts_and_runs(facts) {
            let why = format!(
                "its name has no meaning; 0 at first, then {}, like an engine speed",
                span(facts, Unit::Rpm)
            );
            return (Guess::MaybeSpeed, why);
        }
        let (level_unit, median_v) = voltage_level(unit, facts);
        let inside = facts.share_within(5.0 / scale_of(level_unit), 17.0 / scale_of(level_unit));
        // Too many other quantities have the levels of 6 V and 24 V systems.
        let [low_v, high_v] = levels::NAMELESS_BUS_RANGE.map(|level| Nominal::V12.volts(level));
        if (low_v..=high_v).contains(&median_v) && inside > 0.98 && !facts.all_whole() {
            let why = format!(
                "its name has no meaning; its level ({}) is that of a 12 V bus",
                span(facts, level_unit)
            );
            return (Guess::MaybeVoltage { unit: level_unit }, why);
        }
    }
    ignored("neither its name, its unit nor its values show a role. To use it: --column ROLE=NAME")
}

/// Detects raw counts of a converter: whole numbers without a unit, under the name of a voltage,
/// but too high for volts. Returns the lowest and highest count, and the bits of the converter.
pub fn raw_counts(heading: &Heading, facts: &Facts) -> Option<(f64, f64, u32)> {
    // Higher than any supported system; below this a column may be in whole volts.
    const HIGHEST_V: f64 = 60.0;
    let words = Words::of(&heading.name);
    let level = words.has(vocab::NOT_A_STATE) || words.has("=soc, =soh, =charge, =state");
    let tap = words.has(vocab::BATTERY) || words.has(vocab::ALTERNATOR);
    let named = words.has(vocab::VOLTAGE) || tap && !level;
    let other = [
        vocab::CURRENT,
        vocab::RPM,
        vocab::SPEED,
        vocab::TEMPERATURE,
        vocab::SIGNAL,
        vocab::CONSUMER,
    ];
    let (low, high) = (facts.min()?, facts.max()?);
    let counts = facts.is_numeric()
        && facts.all_whole()
        && low >= 0.0
        && facts.median()? > HIGHEST_V
        && !matches!(stated_unit(heading, facts), Some(unit) if unit != Unit::Volt);
    if !named || !counts || other.into_iter().any(|w| words.has(w)) {
        return None;
    }
    let bits = [8, 10, 12, 16].into_iter().find(|&bits| high < f64::from(1u32 << bits))?;
    Some((low, high, bits))
}

/// The name is only the number or the code of a channel.
fn says_nothing(words: &Words) -> bool {
    let code =
        |word: &str| word.chars().count() == 1 || word.starts_with(|c: char| c.is_ascii_digit());
    // "A/F" is the air-fuel ratio, whose values resemble a bus voltage.
    words.has(vocab::GENERIC) || words.tokens().all(code) && !words.has("=a f")
}

/// The column is 0 at first and then has plausible engine speeds.
fn starts_and_runs(facts: &Facts) -> bool {
    const STARTS: usize = 20;
    let turning: Vec<f64> = facts.numbers.iter().copied().filter(|v| *v != 0.0).collect();
    let running = turning.iter().filter(|v| (400.0..=8000.0).contains(*v)).count();
    let starts =
        facts.numbers.windows(2).filter(|p| matches!(p, [a, b] if *a == 0.0 && *b > 0.0)).count();
    let stopped = facts.numbers.len() - turning.len();
    facts.numbers.first() == Some(&0.0)
        && stopped >= 3
        && running >= 10
        && running * 20 >= turning.len() * 19
        && (1..=STARTS).contains(&starts)
        && median(turning).is_some_and(|median| (550.0..=4500.0).contains(&median))
}

/// The meaning of the first list that has a word of the name.
fn by_words<T: Copy>(words: &Words, lists: &[(&str, T)]) -> Option<T> {
    lists.iter().find(|(patterns, _)| words.has(patterns)).map(|(_, meaning)| *meaning)
}

/// The engine controller supplies the sensors.
const SENSOR_SUPPLY: &str = "sensor supply, sensorversorgung";

/// The post belongs to the alternator, even if the name also says battery.
const TAPS: [(&str, Tap); 4] = [
    (SENSOR_SUPPLY, Tap::Module),
    (vocab::ALTERNATOR, Tap::Alternator),
    (vocab::BATTERY, Tap::Battery),
    (vocab::MODULE, Tap::Module),
];

const PLACES: [(&str, Place); 5] = [
    (vocab::INTAKE, Place::Intake),
    (vocab::ALTERNATOR, Place::Alternator),
    (vocab::COOLANT, Place::Coolant),
    (vocab::AMBIENT, Place::Ambient),
    (vocab::BATTERY, Place::Battery),
];

fn voltage(words: &Words, unit: Option<Unit>, facts: &Facts) -> (Guess, String) {
    let (level_unit, median_v) = voltage_level(unit, facts);
    let level = span(facts, level_unit);
    let supply = words.has(SENSOR_SUPPLY);
    if let Some(word) = words.find(vocab::SIGNAL).filter(|_| !supply) {
        return ignored(format!("a signal voltage by name (\"{word}\"), not the bus"));
    }
    if let Some(word) = words.find(vocab::DERIVED) {
        return ignored(format!(
            "a setpoint, limit or extreme by name (\"{word}\"), not a measured bus voltage"
        ));
    }
    if let Some(word) = words.find(vocab::CONSUMER) {
        return ignored(format!("the voltage at a consumer (\"{word}\"), not the bus"));
    }
    let tap = by_words(words, &TAPS);
    match system_of(facts, unit) {
        Ok(_) => {}
        Err(Unsupported::TooLow) => {
            return ignored(format!(
                "a voltage, but {level} (median {median_v:.2} V) is not the level of a 6, 12 or 24 V bus"
            ));
        }
        Err(why) => {
            let seen = format!("a voltage by name or unit, {level}");
            return (Guess::OtherVoltage { tap, unit: level_unit, why }, seen);
        }
    }
    let by = if words.has(vocab::VOLTAGE) {
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
        words.find(vocab::CONSUMER).or(words.find("=starter, anlasser, =field, erreger"))
    {
        return ignored(format!(
            "current of one consumer (\"{word}\"), not of battery or alternator"
        ));
    }
    if words.has(vocab::DERIVED) {
        return ignored("a setpoint, limit or extreme by name, not a measured current");
    }
    let unit = Some(unit.unwrap_or(Unit::Amp));
    let battery = words.has(vocab::BATTERY) || words.has(vocab::DISCHARGE);
    let alternator = words.has(vocab::ALTERNATOR);
    match (battery, alternator) {
        (true, false) => (
            Guess::Plain { role: Role::BatteryCurrent, unit },
            "name says battery and current".into(),
        ),
        (false, true) => (
            Guess::Plain { role: Role::AlternatorCurrent, unit },
            "name says alternator and current".into(),
        ),
        _ => ignored(format!("a current, but its name does not say of what. {ask}")),
    }
}

fn speed(words: &Words, unit: Option<Unit>, facts: &Facts) -> (Guess, String) {
    if let Some(word) = words
        .find(vocab::CONSUMER)
        .or(words.find(vocab::OTHER_SPEED))
        .or(words.find(vocab::DERIVED))
    {
        return ignored(format!("a speed, but not a measured engine speed (\"{word}\")"));
    }
    if unit == Some(Unit::Hertz)
        && !words.has(vocab::RPM)
        && !words.has(vocab::ENGINE)
        && !words.has(vocab::ALTERNATOR)
    {
        return ignored("a frequency, but its name does not say of what");
    }
    let (role, whose) = if words.has(vocab::ALTERNATOR) {
        (Role::AlternatorRpm, "alternator")
    } else {
        (Role::EngineRpm, "engine")
    };
    let by_level = rpm_unit(unit, facts);
    let top_rpm = facts.quantile(0.98).map_or(0.0, |top| by_level.to_canonical().apply(top));
    if top_rpm > 30_000.0 || facts.quantile(0.02).is_some_and(|low| low < -50.0) {
        return ignored(format!(
            "a speed by name, but {} is not that of an engine",
            span(facts, by_level)
        ));
    }
    let how = how_known(unit, by_level);
    (
        Guess::Plain { role, unit: Some(by_level) },
        format!("name or unit says {whose} speed; {}{how}", span(facts, by_level)),
    )
}

/// Added if the unit was inferred from the level.
fn how_known(stated: Option<Unit>, by_level: Unit) -> String {
    if stated == Some(by_level) {
        return String::new();
    }
    format!(", unit {} by level", by_level.word())
}

fn temperature(
    words: &Words,
    unit: Option<Unit>,
    facts: &Facts,
    fahrenheit: bool,
) -> (Guess, String) {
    let by_level = temperature_unit(unit, facts, fahrenheit);
    let level = span(facts, by_level);
    if let Some(word) = words.find(vocab::OTHER_PLACE).filter(|_| !words.has("coolant")) {
        return ignored(format!("a temperature of something else (\"{word}\")"));
    }
    if words.has(vocab::DERIVED) {
        return ignored("a setpoint or limit temperature by name");
    }
    let Some(place) = by_words(words, &PLACES) else {
        return ignored(
            "a temperature, but its name does not say where. To use it: --column temperature.coolant=NAME (or intake, alternator, ambient, battery)",
        );
    };
    let median_c = facts.median().map_or(f64::NAN, |median| by_level.to_canonical().apply(median));
    if !(-60.0..=250.0).contains(&median_c) {
        return ignored(format!("a temperature by name, but {level} is not plausible"));
    }
    let how = how_known(unit, by_level);
    (
        Guess::Plain { role: Role::Temperature(place), unit: Some(by_level) },
        format!("name says {} temperature; {level}{how}", place.word()),
    )
}

fn load(words: &Words, unit: Option<Unit>, facts: &Facts) -> (Guess, String) {
    let consumer = words.find(vocab::CONSUMER);
    let what = consumer.or(words.find(vocab::ANY_LOAD)).unwrap_or("load");
    if let Some(word) = words.find(vocab::NOT_A_STATE) {
        return ignored(format!("not the state of a consumer (\"{word}\")"));
    }
    if let Some(word) = words.find(vocab::ENGINE_CONTROL) {
        return ignored(format!(
            "part of the engine management (\"{word}\"), not a switched consumer"
        ));
    }
    let bare = consumer.is_none() && words.has(vocab::BARE_LOAD) && !words.has(vocab::DUTY);
    if bare && !is_two_state(facts) {
        return ignored(
            "\"load\" alone, as a share: probably engine load. If it is a consumer: --column load=NAME",
        );
    }
    if words.has(vocab::DERIVED) && !is_two_state(facts) {
        return ignored("a setpoint or limit by name, not the state of a consumer");
    }
    if words.has(vocab::ALTERNATOR) || words.has("=field") {
        return ignored("the load of the alternator, not the state of a consumer");
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
        _ => ignored(format!(
            "name says a consumer (\"{what}\"), but {low} to {high} is neither on/off nor a duty. If it is a load: --column load=NAME"
        )),
    }
}
