//! Test voltage and temperature, from whatever a sheet says beside its points.

use super::super::profile::Words;
use super::super::units::Unit;
use super::super::vocabulary as say;
use crate::estimate::{Estimate, Grade};
use crate::levels;
use crate::nominal::Nominal;

/// ISO 8854 tests at [`levels::BENCH`] and 23 °C (from memory), benches in whatever their
/// hall has (common practice, no source).
const USUAL_C: (f64, f64, f64) = (23.0, 15.0, 30.0);
/// How well a bench keeps what it states (ISO 8854, from memory).
const KEPT_V: f64 = 0.1;
const KEPT_C: f64 = 5.0;
const DEGREES: std::ops::RangeInclusive<f64> = -40.0..=200.0;
/// No line that tells something is longer.
const LONGEST: usize = 400;

/// Each value told, once.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Conditions {
    volts: Vec<f64>,
    degrees: Vec<f64>,
}

impl Conditions {
    pub fn told<'a>(lines: impl Iterator<Item = &'a str>) -> Conditions {
        let mut told = Conditions::default();
        for line in lines {
            told.take(&line.chars().take(LONGEST).collect::<Vec<_>>());
        }
        told
    }

    fn take(&mut self, line: &[char]) {
        let numbers = numbers(line);
        let unitless = numbers.iter().all(|(_, unit)| unit.is_none());
        let words = Words::of(&line.iter().collect::<String>());
        for (value, unit) in numbers {
            match unit {
                Some(Unit::Volt) => self.volt(value),
                Some(unit @ (Unit::Celsius | Unit::Fahrenheit | Unit::Kelvin)) => {
                    self.degree(unit.to_canonical().apply(value));
                }
                // "Test voltage;13.5"
                None if unitless && words.has("temp") => self.degree(value),
                None if unitless && words.has(say::VOLTAGE) => self.volt(value),
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

    /// Of an alternator for that system. 12 V and 14 V, told bare, name the class of one
    /// for 12 V.
    pub fn test_v(&self, stated: Option<f64>, nominal: Nominal) -> Estimate {
        let could_be = self.volts.iter().copied().filter(|v| could_be_test(nominal, *v));
        let mut told: Vec<f64> = could_be.collect();
        let classes_v = levels::BENCH_CLASSES.map(|level| nominal.volts(level));
        if told.iter().any(|v| !classes_v.contains(v)) {
            told.retain(|v| !classes_v.contains(v));
        }
        let [value, low, high] = levels::BENCH.map(|level| nominal.volts(level));
        estimate(stated, &told, KEPT_V, (value, low, high), "voltage", "V")
    }

    pub fn test_c(&self, stated: Option<f64>) -> Estimate {
        estimate(stated, &self.degrees, KEPT_C, USUAL_C, "temperature", "°C")
    }
}

fn could_be_test(nominal: Nominal, volts: f64) -> bool {
    let [low_v, high_v] = levels::BENCH_RANGE.map(|level| nominal.volts(level));
    (low_v..=high_v).contains(&volts)
}

fn estimate(
    stated: Option<f64>,
    told: &[f64],
    kept: f64,
    usual: (f64, f64, f64),
    what: &str,
    unit: &str,
) -> Estimate {
    if let Some(value) = stated {
        let how = format!("test {what} stated for this sheet");
        return Estimate::around(value, kept, Grade::Inferred, how);
    }
    let why = match told {
        [value] => {
            let how = format!("test {what} given by the sheet");
            return Estimate::around(*value, kept, Grade::Inferred, how);
        }
        [] => format!("the sheet gives no test {what}"),
        several => {
            let all: Vec<String> = several.iter().map(|v| format!("{v} {unit}")).collect();
            format!("the sheet names {}, and which is the test's is not clear", all.join(", "))
        }
    };
    let (value, low, high) = usual;
    let how = format!("{why}; {value} {unit} is the practice of ISO 8854 (from memory)");
    Estimate::new(value, low, high, Grade::Assumed, how)
}

/// The numbers of a line with the units behind them. "23 ± 5 °C" is one number.
fn numbers(line: &[char]) -> Vec<(f64, Option<Unit>)> {
    let at = |i: usize| line.get(i).copied();
    let is_digit = |i: usize| at(i).is_some_and(|c| c.is_ascii_digit());
    let mut found: Vec<(f64, Option<Unit>)> = Vec::new();
    let mut tolerance = false;
    let mut i = 0;
    while i < line.len() {
        if !is_digit(i) {
            i += 1;
            continue;
        }
        let start = i;
        while is_digit(i) {
            i += 1;
        }
        if matches!(at(i), Some('.' | ',')) && is_digit(i + 1) {
            i += 1;
            while is_digit(i) {
                i += 1;
            }
        }
        let before = start.checked_sub(1).and_then(at);
        // "T15" and "1.2.3" are names.
        let digit_before = start.checked_sub(2).is_some_and(is_digit);
        let named = before.is_some_and(|c| match c {
            '.' | ',' => digit_before,
            c => c.is_alphanumeric(),
        });
        let minus = matches!(before, Some('-' | '−'))
            && start.checked_sub(2).and_then(at).is_none_or(|c| !c.is_alphanumeric());
        let text: String = line.get(start..i).unwrap_or(&[]).iter().collect();
        let Ok(value) = text.replace(',', ".").parse::<f64>() else { continue };
        let (unit, end) = unit_from(line, i);
        if tolerance {
            // Its unit is that of the number before it.
            if let Some(last) = found.last_mut() {
                last.1 = last.1.or(unit);
            }
        } else if !named {
            found.push((if minus { -value } else { value }, unit));
        }
        i = end.max(i);
        tolerance = is_plus_minus(line, i);
    }
    found
}

/// The unit behind a number, past blanks and separators, and where it ends.
fn unit_from(line: &[char], from: usize) -> (Option<Unit>, usize) {
    let is_gap = |c: &char| c.is_whitespace() || matches!(c, ';' | ',' | '|' | '"' | '(' | '[');
    let rest = line.get(from..).unwrap_or(&[]);
    let start = from + rest.iter().take_while(|c| is_gap(c)).count();
    let is_part =
        |c: &char| c.is_alphabetic() || matches!(c, '°' | 'º' | '˚' | '℃' | '℉' | '/' | '%');
    let word: String =
        line.get(start..).unwrap_or(&[]).iter().take_while(|c| is_part(c)).take(12).collect();
    match Unit::parse(&word) {
        Some(unit) => (Some(unit), start + word.chars().count()),
        None => (None, from),
    }
}

fn is_plus_minus(line: &[char], from: usize) -> bool {
    let mut rest = line.get(from..).unwrap_or(&[]).iter().filter(|c| !c.is_whitespace()).take(3);
    let signs = [rest.next(), rest.next(), rest.next()];
    let signs = signs.map(|c| c.copied().unwrap_or(' '));
    matches!(signs, ['±', ..] | ['+', '-' | '/', _])
}
