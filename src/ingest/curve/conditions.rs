//! Finds the test voltage (V) and temperature (°C) in the remarks of an output sheet.

use std::sync::LazyLock;

use regex::Regex;

use super::super::profile::Words;
use super::super::units::Unit;
use super::super::vocabulary as vocab;
use crate::estimate::{Estimate, Grade};
use crate::levels;
use crate::nominal::Nominal;

/// Standard test temperature, °C, with low and high: 23 °C by ISO 8854 (from memory), in
/// practice the temperature of the room (common practice, no source).
const USUAL_C: (f64, f64, f64) = (23.0, 15.0, 30.0);
/// How accurately a test bench keeps its stated conditions (ISO 8854, from memory).
const TOLERANCE_V: f64 = 0.1;
const TOLERANCE_C: f64 = 5.0;
const DEGREES: std::ops::RangeInclusive<f64> = -40.0..=200.0;
/// Longer lines are cut.
const LONGEST: usize = 400;

/// Each value found on the sheet, once.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Conditions {
    volts: Vec<f64>,
    degrees: Vec<f64>,
}

impl Conditions {
    pub fn find<'a>(lines: impl Iterator<Item = &'a str>) -> Conditions {
        let mut found = Conditions::default();
        for line in lines {
            found.take(&line.chars().take(LONGEST).collect::<String>());
        }
        found
    }

    fn take(&mut self, line: &str) {
        let numbers = numbers(line);
        let unitless = numbers.iter().all(|(_, unit)| unit.is_none());
        let words = Words::of(line);
        for (value, unit) in numbers {
            match unit {
                Some(Unit::Volt) => self.volt(value),
                Some(unit @ (Unit::Celsius | Unit::Fahrenheit | Unit::Kelvin)) => {
                    self.degree(unit.to_canonical().apply(value));
                }
                // "Test voltage;13.5"
                None if unitless && words.has("temp") => self.degree(value),
                None if unitless && words.has(vocab::VOLTAGE) => self.volt(value),
                _ => {}
            }
        }
    }

    fn volt(&mut self, value: f64) {
        let is_test = Nominal::ALL.iter().any(|nominal| could_be_test(*nominal, value));
        if is_test && !self.volts.contains(&value) {
            self.volts.push(value);
        }
    }

    fn degree(&mut self, value: f64) {
        let value = (value * 10.0).round() / 10.0;
        if DEGREES.contains(&value) && !self.degrees.contains(&value) {
            self.degrees.push(value);
        }
    }

    /// Test voltage for an alternator of that system. A bare 12 V or 14 V names the class of a 12 V
    /// alternator, not its test voltage.
    pub fn test_v(&self, stated: Option<f64>, nominal: Nominal) -> Estimate {
        let could_be = self.volts.iter().copied().filter(|v| could_be_test(nominal, *v));
        let mut found: Vec<f64> = could_be.collect();
        let classes_v = levels::BENCH_CLASSES.map(|level| nominal.volts(level));
        if found.iter().any(|v| !classes_v.contains(v)) {
            found.retain(|v| !classes_v.contains(v));
        }
        let [value, low, high] = levels::BENCH.map(|level| nominal.volts(level));
        estimate(stated, &found, TOLERANCE_V, (value, low, high), "voltage", "V")
    }

    pub fn test_c(&self, stated: Option<f64>) -> Estimate {
        estimate(stated, &self.degrees, TOLERANCE_C, USUAL_C, "temperature", "°C")
    }
}

fn could_be_test(nominal: Nominal, volts: f64) -> bool {
    let [low_v, high_v] = levels::BENCH_RANGE.map(|level| nominal.volts(level));
    (low_v..=high_v).contains(&volts)
}

fn estimate(
    stated: Option<f64>,
    found: &[f64],
    tolerance: f64,
    usual: (f64, f64, f64),
    what: &str,
    unit: &str,
) -> Estimate {
    if let Some(value) = stated {
        let how = format!("test {what} stated for this sheet");
        return Estimate::around(value, tolerance, Grade::Inferred, how);
    }
    let why = match found {
        [value] => {
            let how = format!("test {what} given by the sheet");
            return Estimate::around(*value, tolerance, Grade::Inferred, how);
        }
        [] => format!("the sheet states no test {what}"),
        several => {
            let all: Vec<String> = several.iter().map(|v| format!("{v} {unit}")).collect();
            format!(
                "the sheet lists {}, and which of them is the test {what} is not clear",
                all.join(", ")
            )
        }
    };
    let (value, low, high) = usual;
    let how = format!("{why}; {value} {unit} is the practice of ISO 8854 (from memory)");
    Estimate::new(value, low, high, Grade::Assumed, how)
}

/// A number, a unit behind separators, and a tolerance.
static NUMBER: LazyLock<Option<Regex>> = LazyLock::new(|| Regex::new("[0-9]+([.,][0-9]+)?").ok());
static UNIT: LazyLock<Option<Regex>> =
    LazyLock::new(|| Regex::new(r#"^[\s;,|"(\[]*([\p{Alphabetic}°º˚℃℉/%]{1,12})"#).ok());
static PLUS_MINUS: LazyLock<Option<Regex>> =
    LazyLock::new(|| Regex::new(r"^\s*(±|\+\s*[-/])").ok());

/// The numbers of a line with the units behind them. "23 ± 5 °C" is one number, with the unit
/// of its tolerance; "T15" and "1.2.3" are names.
fn numbers(line: &str) -> Vec<(f64, Option<Unit>)> {
    let (Some(number), Some(unit), Some(plus_minus)) = (&*NUMBER, &*UNIT, &*PLUS_MINUS) else {
        return Vec::new();
    };
    let mut found: Vec<(f64, Option<Unit>)> = Vec::new();
    let (mut from, mut is_tolerance) = (0, false);
    while let Some(text) = number.find_at(line, from) {
        let mut before = line.get(..text.start()).unwrap_or("").chars().rev();
        let (last, second) = (before.next(), before.next());
        let is_name = match last {
            Some('.' | ',') => second.is_some_and(|c| c.is_ascii_digit()),
            last => last.is_some_and(char::is_alphanumeric),
        };
        let is_negative =
            matches!(last, Some('-' | '−')) && second.is_none_or(|c| !c.is_alphanumeric());
        let behind = line.get(text.end()..).unwrap_or("");
        let written = unit.captures(behind).and_then(|captures| captures.get(1));
        let stated = written.and_then(|word| Some((Unit::parse(word.as_str())?, word.end())));
        from = text.end() + stated.map_or(0, |(_, end)| end);
        let stated = stated.map(|(unit, _)| unit);
        let value = text.as_str().replace(',', ".").parse::<f64>().unwrap_or(f64::NAN);
        match found.last_mut().filter(|_| is_tolerance) {
            Some(last) => last.1 = last.1.or(stated),
            None if is_tolerance || is_name => {}
            None => found.push((if is_negative { -value } else { value }, stated)),
        }
        is_tolerance = plus_minus.is_match(line.get(from..).unwrap_or(""));
    }
    found
}
