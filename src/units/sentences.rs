//! Sentences in °C, meters and mm² made over into °F, feet and AWG.

use crate::car::cable::Gauge;
use crate::format::number;
use crate::physics::cable::awg_area_mm2;

pub const FEET_PER_METRE: f64 = 1.0 / 0.3048;

/// What a log named is not ours to convert.
pub struct Names(Vec<String>);

impl Names {
    pub fn new(mut names: Vec<String>) -> Names {
        names.retain(|name| ["°C", "mm²", " m"].iter().any(|unit| name.contains(unit)));
        names.sort_by_key(|name| std::cmp::Reverse(name.len()));
        Names(names)
    }

    /// `text` in imperial units, but for the names in it.
    pub fn imperial(&self, text: &str) -> String {
        self.around(text, imperial)
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

/// All of `text` in imperial units.
fn imperial(text: &str) -> String {
    feet(&awg(&fahrenheit(text)))
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

/// "4 AWG over 3.2 m and 0.6 m back" is so many feet.
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
        let way_back = told.rsplit_once(" ft and ").is_some_and(|(_, n)| n.parse::<f64>().is_ok());
        if ends && (cable || way_back) {
            let (head, metres) = split_number(&told);
            let feet = metres.parse::<f64>().unwrap_or_default() * FEET_PER_METRE;
            told = format!("{head}{} ft", number(feet, 1));
        } else {
            told.push_str(" m");
        }
        rest = after;
    }
    told + rest
}

/// "25 mm²" is shown by the nearest gauge first: "3 AWG (25 mm²)".
fn awg(text: &str) -> String {
    let mut told = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once(" mm²") {
        let (head, area) = split_number(before);
        match area.parse::<f64>() {
            Ok(area_mm2) if area_mm2 > 0.0 => {
                told.push_str(&format!("{head}{}", nearest_first(area_mm2)));
            }
            _ => told.push_str(&format!("{before} mm²")),
        }
        rest = after;
    }
    told + rest
}

/// "3 AWG (25 mm²)"
pub fn nearest_first(area_mm2: f64) -> String {
    let off = |gauge: i32| (awg_area_mm2(gauge) / area_mm2).ln().abs();
    let nearest = (-3..=20).min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(0);
    format!("{} ({})", Gauge::Awg(nearest), Gauge::Mm2(area_mm2))
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

/// What precedes the number that ends `text`, and the number.
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
        assert_eq!(feet("4 AWG over 3.048 m of copper"), "4 AWG over 10.0 ft of copper");
        assert_eq!(
            feet("4 AWG over 3.048 m and 0.6096 m back"),
            "4 AWG over 10.0 ft and 2.0 ft back"
        );
        assert_eq!(feet("lost over 3 m, 5 mV, 2 min"), "lost over 3 m, 5 mV, 2 min");
        // ASTM B258 (from memory): 4 AWG is 21.15 mm², 3 AWG 26.67 mm², 1/0 AWG 53.5 mm².
        assert_eq!(feet(&awg("25 mm² over 3.048 m")), "3 AWG (25 mm²) over 10.0 ft");
        assert_eq!(awg("50 mm² back"), "1/0 AWG (50 mm²) back");
    }

    #[test]
    fn a_name_is_not_converted() {
        let names = Names(vec!["fan 80 °C".to_owned()]);
        let told = names.around("with fan 80 °C on at 100 °C", fahrenheit);
        assert_eq!(told, "with fan 80 °C on at 212 °F");
    }
}
