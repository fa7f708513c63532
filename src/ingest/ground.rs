//! Recognizes the column that holds the voltage drop along the ground path.
//!
//! "Battery voltage to ground" is the bus, "sensor ground" belongs to a sensor, and "body
//! ground" is another path. A column is the ground drop only if its name says so, nothing in the
//! name contradicts it, and its level fits.

use super::guess::{Guess, ignored};
use super::levels::{is_two_state, scale_of, system_of, voltage_level};
use super::profile::{Facts, Words};
use super::units::Unit;
use super::vocabulary as vocab;
use crate::levels;
use crate::log::Role;
use crate::nominal::Nominal;

/// See [`levels::MOST_GROUND_DROP`]. The nominal voltage is not known yet.
const MOST_V: f64 = levels::MOST_GROUND_DROP.at_12_v();
/// A column without a unit that exceeds this is in millivolts.
const CLEARLY_MILLIVOLTS: f64 = 3.0;

const ASK: &str = "To use it: --column ground_drop=NAME";

/// V, or mV if the file says so or the level requires it.
pub fn unit_of(stated: Option<Unit>, facts: &Facts) -> Unit {
    match stated {
        Some(unit @ (Unit::Volt | Unit::Millivolt)) => unit,
        _ if reach(facts) > CLEARLY_MILLIVOLTS => Unit::Millivolt,
        _ => Unit::Volt,
    }
}

/// The largest distance from 0, without the most extreme two percent on either side.
fn reach(facts: &Facts) -> f64 {
    let at = |share| facts.quantile(share).unwrap_or(0.0).abs();
    at(0.02).max(at(0.98))
}

/// `None` if the column is not a ground, and other rules apply.
pub fn guess(words: &Words, unit: Option<Unit>, facts: &Facts) -> Option<(Guess, String)> {
    let word = words.find(vocab::GROUND)?.trim();
    let volts = matches!(unit, Some(Unit::Volt | Unit::Millivolt));
    let lost = words.has(vocab::LOST);
    let nothing_else = unit.is_none() && !words.has(vocab::CURRENT) && !words.has(vocab::SPEED);
    if !volts && !(nothing_else && (words.has(vocab::VOLTAGE) || lost)) || facts.is_switched() {
        return None;
    }
    // These are handled by the rules for signals, derived values and consumers.
    let anothers = [vocab::SIGNAL, vocab::DERIVED, vocab::CONSUMER, vocab::SPEED];
    if anothers.into_iter().any(|w| words.has(w)) {
        return None;
    }
    let (_, median_v) = voltage_level(unit, facts);
    // Small numbers without a unit may be in millivolts.
    let volts = unit == Some(Unit::Volt);
    if system_of(facts, unit).is_ok_and(|nominal| volts || nominal == Nominal::V12) {
        // "Battery voltage to ground" is measured against ground, not along it.
        let against =
            [vocab::BATTERY, vocab::ALTERNATOR, vocab::MODULE].into_iter().any(|w| words.has(w));
        let way_back = words.has("negative, =neg, minus, =case, block");
        let supply = words.has("positive, =pos, plus, =post");
        let plainly_bus = against && !lost && (supply || !way_back);
        return if plainly_bus {
            None
        } else {
            Some(ignored(format!(
                "name says ground (\"{word}\"), but a median of {median_v:.1} V is that of a bus. If it is the bus: --column voltage=NAME"
            )))
        };
    }
    if let Some(other) = words.find(vocab::OTHER_GROUND).or(words.find(vocab::MODULE)) {
        return Some(ignored(format!(
            "a ground by name, but not that of engine or alternator (\"{}\"). {ASK}",
            other.trim()
        )));
    }
    let unit = unit_of(unit, facts);
    let reach_v = reach(facts) * scale_of(unit);
    if reach_v > MOST_V {
        return Some(ignored(format!(
            "name says ground (\"{word}\"), but {reach_v:.1} V is more than the drop of a ground path. {ASK}"
        )));
    }
    let still = facts.min() == facts.max();
    if still || is_two_state(facts) {
        return Some(ignored(format!(
            "name says ground (\"{word}\"), but it is constant: it may not be connected. {ASK}"
        )));
    }
    let (low, high) = (facts.quantile(0.02).unwrap_or(0.0), facts.quantile(0.98).unwrap_or(0.0));
    let scale = scale_of(unit);
    Some((
        Guess::Plain { role: Role::GroundDrop, unit: Some(unit) },
        format!(
            "name says ground (\"{word}\"), the voltage drop along it; {:.2} to {:.2} V",
            low * scale,
            high * scale
        ),
    ))
}
