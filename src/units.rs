//! The units a report speaks in. A diagnosis is SI throughout, sentences included; whoever
//! asks for °F, feet and AWG gets them where words and pictures are made of it.

use std::borrow::Cow;

use clap::ValueEnum;

use crate::diagnosis::Diagnosis;
use crate::estimate::Estimate;
use crate::physics::cable::awg_area_mm2;
use crate::words::{
    DEGREE, FAHRENHEIT, MILLIVOLT_PER_DEGREE, MILLIVOLT_PER_FAHRENHEIT, Unit, number,
};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum Units {
    /// °C, m, mm²
    #[default]
    Metric,
    /// °F, ft, AWG first
    Imperial,
}

const FEET_PER_METRE: f64 = 1.0 / 0.3048;

impl Units {
    pub fn degree(self) -> Unit {
        match self {
            Units::Metric => DEGREE,
            Units::Imperial => FAHRENHEIT,
        }
    }

    pub fn millivolt_per_degree(self) -> Unit {
        match self {
            Units::Metric => MILLIVOLT_PER_DEGREE,
            Units::Imperial => MILLIVOLT_PER_FAHRENHEIT,
        }
    }

    /// The diagnosis with its sentences in these units; its numbers stay as they are.
    pub fn shown(self, diagnosis: &Diagnosis) -> Cow<'_, Diagnosis> {
        match self {
            Units::Metric => Cow::Borrowed(diagnosis),
            Units::Imperial => Cow::Owned(in_sentences(diagnosis)),
        }
    }
}

fn in_sentences(diagnosis: &Diagnosis) -> Diagnosis {
    let mut d = diagnosis.clone();
    let names = Names::of(diagnosis);
    let say = |text: &mut String| *text = names.around(text, |text| feet(&awg(&fahrenheit(text))));
    let how = |estimate: &mut Estimate| say(&mut estimate.how);
    say(&mut d.verdict.headline);
    d.verdict.cannot_tell.iter_mut().for_each(say);
    d.cautions.iter_mut().for_each(say);
    for finding in &mut d.findings {
        say(&mut finding.statement);
        say(&mut finding.next_test);
        finding.alternatives.iter_mut().for_each(say);
        finding.evidence.iter_mut().for_each(|seen| say(&mut seen.text));
    }
    for point in &mut d.operating_points {
        say(&mut point.state_how);
        say(&mut point.deficit_told);
        point.deficit_routes_a.iter_mut().for_each(how);
    }
    d.keep_up.iter_mut().for_each(|item| say(&mut item.told));
    for pair in &mut d.heat {
        say(&mut pair.told);
        how(&mut pair.change_v);
        pair.per_minute_v.iter_mut().chain(&mut pair.per_degree_v).for_each(how);
    }
    d.line_drop.iter_mut().for_each(|drop| say(&mut drop.told));
    how(&mut d.battery.resistance_ohm);
    d.battery.routes.iter_mut().chain(&mut d.battery.zero_current_v).for_each(how);
    d.battery.disagreement.iter_mut().for_each(say);
    d.setpoint_v.iter_mut().chain(&mut d.rest_voltage_v).for_each(how);
    d.state_of_charge_percent.iter_mut().for_each(how);
    if let Some(used) = &mut d.battery_use {
        say(&mut used.told);
    }
    if let Some(output) = &mut d.output {
        say(&mut output.statement);
    }
    d
}

/// What a log named is not ours to convert.
struct Names(Vec<String>);

impl Names {
    fn of(diagnosis: &Diagnosis) -> Names {
        let mut names: Vec<String> = diagnosis.columns.iter().map(|c| c.name.clone()).collect();
        names.extend(diagnosis.picture.loads.iter().map(|lane| lane.load.clone()));
        names.retain(|name| ["°C", "mm²", " m"].iter().any(|unit| name.contains(unit)));
        names.sort_by_key(|name| std::cmp::Reverse(name.len()));
        Names(names)
    }

    /// `change` on all of `text` but the names.
    fn around(&self, text: &str, change: impl Fn(&str) -> String) -> String {
        let found = self.0.iter().find_map(|name| Some((name, text.split_once(name.as_str())?)));
        match found {
            Some((name, (before, after))) => {
                format!("{}{name}{}", change(before), self.around(after, change))
            }
            None => change(text),
        }
    }
}

/// "82 to 96 °C" is "180 to 205 °F", "10 °C apart" 18 °F, and "mV/°C" a rate.
fn fahrenheit(text: &str) -> String {
    let mut told = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once("°C") {
        rest = after;
        if let Some(before) = before.strip_suffix("mV/") {
            let per_fahrenheit = |v: f64| v / 1.8;
            told.push_str(&numbers_at_end(before, per_fahrenheit));
            told.push_str("mV/°F");
            let interval = after.strip_prefix(" (").and_then(|a| a.find([',', ')']));
            if let Some((range, tail)) = interval.and_then(|at| after.split_at_checked(at + 2)) {
                told.push_str(&numbers_at_end(range, per_fahrenheit));
                rest = tail;
            }
            continue;
        }
        let is_difference = after.starts_with(" apart") || after.starts_with(" of ");
        let origin = if is_difference { 0.0 } else { 32.0 };
        told.push_str(&numbers_at_end(before, |v| 1.8 * v + origin));
        told.push_str("°F");
    }
    told + rest
}

/// "4 AWG over 3.2 m" is so many feet.
fn feet(text: &str) -> String {
    let mut told = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once(" m") {
        told.push_str(before);
        let ends = !after.starts_with(|c: char| c.is_alphanumeric() || c == '²' || c == '/');
        let cable = told.rsplit_once(" over ").is_some_and(|(gauge, length)| {
            let gauge = gauge.trim_end_matches(')');
            length.parse::<f64>().is_ok() && (gauge.ends_with("AWG") || gauge.ends_with("mm²"))
        });
        if ends && cable {
            told = numbers_at_end(&told, |v| v * FEET_PER_METRE) + " ft";
        } else {
            told.push_str(" m");
        }
        rest = after;
    }
    told + rest
}

/// "25 mm²" is told by the nearest gauge first: "3 AWG (25 mm²)".
fn awg(text: &str) -> String {
    let mut told = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once(" mm²") {
        let (head, area) = split_number(before);
        match area.parse::<f64>() {
            Ok(area_mm2) if area_mm2 > 0.0 => {
                told.push_str(&format!("{head}{} ({area} mm²)", nearest_gauge(area_mm2)));
            }
            _ => told.push_str(&format!("{before} mm²")),
        }
        rest = after;
    }
    told + rest
}

fn nearest_gauge(area_mm2: f64) -> String {
    let off = |gauge: i32| (awg_area_mm2(gauge) / area_mm2).ln().abs();
    match (-3..=20).min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(0) {
        gauge @ 1.. => format!("{gauge} AWG"),
        gauge => format!("{}/0 AWG", 1 - gauge),
    }
}

/// The last number of `text` changed, and that before it in "82 to 96 "; decimals stay.
fn numbers_at_end(text: &str, change: impl Fn(f64) -> f64) -> String {
    let bare = text.trim_end();
    let blank = text.get(bare.len()..).unwrap_or("");
    let (head, last) = split_number(bare);
    let changed = |digits: &str| {
        let value = digits.replace('−', "-").parse::<f64>().ok()?;
        let decimals = digits.split_once('.').map_or(0, |(_, after)| after.len());
        Some(number(change(value), decimals))
    };
    let Some(last) = changed(last) else { return text.to_owned() };
    let first = head.strip_suffix(" to ").map(split_number);
    match first.and_then(|(head, first)| Some((head, changed(first)?))) {
        Some((head, first)) => format!("{head}{first} to {last}{blank}"),
        None => format!("{head}{last}{blank}"),
    }
}

/// What stands before the number that ends `text`, and the number.
fn split_number(text: &str) -> (&str, &str) {
    let part = |c: char| c.is_ascii_digit() || c == '.' || c == '−' || c == '-';
    let start = text.trim_end_matches(part).len();
    (text.get(..start).unwrap_or(text), text.get(start..).unwrap_or(""))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Water freezes at 32 °F and boils at 212 °F; a foot is 0.3048 m.
    #[test]
    fn sentences_turn_and_what_is_no_measure_stays() {
        assert_eq!(fahrenheit("from 0 to 100 °C, at −40 °C"), "from 32 to 212 °F, at −40 °F");
        assert_eq!(fahrenheit("a minute or 10 °C apart"), "a minute or 18 °F apart");
        assert_eq!(fahrenheit("over 30 °C of coolant"), "over 54 °F of coolant");
        assert_eq!(
            fahrenheit("−46 mV/min (−46 to −45), −18.0 mV/°C (−20.2 to −9.9) of coolant"),
            "−46 mV/min (−46 to −45), −10.0 mV/°F (−11.2 to −5.5) of coolant"
        );
        assert_eq!(fahrenheit("−9 to −18 mV/°C is usual"), "−5 to −10 mV/°F is usual");
        assert_eq!(fahrenheit("heat in °C"), "heat in °F");
        assert_eq!(feet("4 AWG over 3.048 m of copper"), "4 AWG over 10.000 ft of copper");
        assert_eq!(feet("lost over 3 m, 5 mV, 2 min"), "lost over 3 m, 5 mV, 2 min");
        // ASTM B258 (from memory): 4 AWG is 21.15 mm², 3 AWG 26.67 mm², 1/0 AWG 53.5 mm².
        assert_eq!(feet(&awg("25 mm² over 3.048 m")), "3 AWG (25 mm²) over 10.000 ft");
        assert_eq!(awg("50 mm² back"), "1/0 AWG (50 mm²) back");
    }

    #[test]
    fn a_name_is_not_converted() {
        let names = Names(vec!["fan 80 °C".to_owned()]);
        let told = names.around("with fan 80 °C on at 100 °C", fahrenheit);
        assert_eq!(told, "with fan 80 °C on at 212 °F");
    }
}
