//! Infers units and the nominal voltage from the level of a column's values.

use super::header::Heading;
use super::profile::{Facts, Words};
use super::rank::median;
use super::units::Unit;
use super::vocabulary as vocab;
use crate::levels;
use crate::nominal::{Nominal, Unsupported};

/// The unit stated by header or cells.
pub fn stated_unit(heading: &Heading, facts: &Facts) -> Option<Unit> {
    heading.unit.or(facts.cell_unit)
}

pub fn is_two_state(facts: &Facts) -> bool {
    facts.is_switched()
        || !facts.numbers.is_empty()
            && facts.numbers.iter().all(|&value| value == 0.0 || value == 1.0)
}

pub fn scale_of(unit: Unit) -> f64 {
    unit.to_canonical().scale
}

/// Below this the bus is off: the logger's supply or the ignition.
const OFF_V: f64 = 0.5;
/// The median of samples above this distinguishes the three systems, however long the supply was
/// off.
const LIVE_V: f64 = 3.0;
/// A 5 V sensor supply never exceeds this; a usable 6 V battery does.
const OVER_SENSORS_V: f64 = 5.5;

/// V or mV, and the median in V while the bus is powered.
pub fn voltage_level(unit: Option<Unit>, facts: &Facts) -> (Unit, f64) {
    let median_over = |least: f64| median(facts.numbers.iter().copied().filter(|v| *v > least));
    let median = median_over(OFF_V).unwrap_or(0.0);
    // No car has a bus of thousands of volts.
    let unit =
        if unit == Some(Unit::Millivolt) || median > 3000.0 { Unit::Millivolt } else { Unit::Volt };
    let scale = scale_of(unit);
    (unit, median_over(LIVE_V / scale).unwrap_or(median) * scale)
}

/// The system whose bus this column could be, judging by its level.
pub fn system_of(facts: &Facts, unit: Option<Unit>) -> Result<Nominal, Unsupported> {
    let (level_unit, median_v) = voltage_level(unit, facts);
    let nominal = Nominal::of_median(median_v)?;
    let top_v = facts.quantile(0.98).unwrap_or(0.0) * scale_of(level_unit);
    let is_bus = bus_share(facts, level_unit, nominal) >= 0.5 && top_v > OVER_SENSORS_V;
    if is_bus { Ok(nominal) } else { Err(Unsupported::TooLow) }
}

/// Share of powered samples within the range of such a bus, cranking included.
pub fn bus_share(facts: &Facts, unit: Unit, nominal: Nominal) -> f64 {
    let scale = scale_of(unit);
    let live = facts.share_within(OFF_V / scale, f64::INFINITY);
    let [low_v, high_v] = levels::BUS_RANGE.map(|level| nominal.volts(level));
    facts.share_within(low_v / scale, high_v / scale) / live.max(1e-9)
}

pub fn span(facts: &Facts, unit: Unit) -> String {
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

/// rpm, thousands of rpm or revolutions per second: an engine turns at 500 to 9000 rpm.
pub fn rpm_unit(unit: Option<Unit>, facts: &Facts) -> Unit {
    let top = facts.quantile(0.98).unwrap_or(0.0);
    match unit {
        Some(unit @ (Unit::ThousandRpm | Unit::Hertz)) => unit,
        _ if top > 0.3 && top <= 12.0 && !facts.all_whole() => Unit::ThousandRpm,
        None if top > 12.0 && top <= 150.0 => Unit::Hertz,
        _ => Unit::Rpm,
    }
}

/// Coolant boils at 130 °C, so a coolant column without a unit that reads more is in °F.
pub fn reads_fahrenheit(headings: &[Heading], facts: &[Facts]) -> bool {
    headings.iter().zip(facts).any(|(heading, facts)| {
        let words = Words::of(&heading.name);
        let unit = stated_unit(heading, facts);
        unit == Some(Unit::Fahrenheit)
            || unit.is_none()
                && words.has(vocab::COOLANT)
                && facts.quantile(0.9).is_some_and(|top| top > 130.0 && top < 260.0)
    })
}

pub fn temperature_unit(unit: Option<Unit>, facts: &Facts, fahrenheit: bool) -> Unit {
    match unit {
        Some(unit @ (Unit::Celsius | Unit::Fahrenheit | Unit::Kelvin)) => unit,
        _ => match facts.median() {
            Some(median) if median > 230.0 => Unit::Kelvin,
            Some(median) if fahrenheit || median > 130.0 => Unit::Fahrenheit,
            _ => Unit::Celsius,
        },
    }
}

/// The value that means fully on: 1, the highest of a few levels, 100 %, or 255.
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
