//! Determines the sign of logged currents: charging the battery is positive, and so is the output
//! of the alternator.

use super::account::Account;
use super::error::clip;
use super::profile::Words;
use super::rank::{median, steps};
use super::vocabulary as vocab;
use crate::levels;
use crate::nominal::Nominal;

/// Corrects the sign of the battery current, A, so that charging is positive. Returns how it is
/// known. `bus_v` and `current_a` have the same length. The measured behavior overrules the name,
/// because a clamp is easily attached the wrong way round.
pub fn correct_battery_sign(
    name: &str,
    bus_v: &[f64],
    current_a: &mut [f64],
    nominal: Nominal,
    account: &mut Account,
) -> String {
    let words = Words::of(name);
    let by_name = if words.has(vocab::DISCHARGE) {
        Some((
            false,
            "the name says discharge: sign reversed, so that charging is positive".to_owned(),
        ))
    } else if words.has(vocab::CHARGE) {
        Some((true, "the name says charge: charging is positive".to_owned()))
    } else {
        None
    };
    let seen = by_cranking(bus_v, current_a, nominal)
        .map(|positive| {
            (positive, true, "the starter current at the lowest voltage is a discharge")
        })
        .or_else(|| {
            let correlation = by_steps(bus_v, current_a)?;
            let clear = correlation.abs() > CLEAR_AGAINST_THE_NAME;
            Some((correlation > 0.0, clear, "charging current rises and falls with the voltage"))
        });
    let (charging_positive, why) = match (by_name, seen) {
        (Some((named, _)), Some((positive, true, reason))) if named != positive => {
            account.notices.push(format!(
                "the clamp of \"{}\" was attached the wrong way round: its name implies the other sign, but {reason}. The sign is reversed, so that charging is positive",
                clip(name)
            ));
            (positive, turned(positive, reason))
        }
        (Some(known), _) => known,
        (None, Some((positive, _, reason))) => (positive, turned(positive, reason)),
        (None, None) => {
            account.notices.push(format!(
                "the log does not show which sign of \"{}\" means charging. Positive is assumed to be charging. If it is not, name the column \"battery discharge current\"",
                clip(name)
            ));
            (true, "sign not known from the log; positive assumed to be charging".to_owned())
        }
    };
    if !charging_positive {
        negate(current_a);
    }
    why
}

/// An alternator delivers current and never draws it. Output that is negative nearly throughout
/// comes from a clamp that was attached the wrong way round.
pub fn correct_alternator_sign(name: &str, current_a: &mut [f64], account: &mut Account) {
    const FLOWS_A: f64 = 5.0;
    let count = |is: fn(f64) -> bool| current_a.iter().filter(|amps| is(**amps)).count();
    let (back, forth) = (count(|amps| amps < -FLOWS_A), count(|amps| amps > FLOWS_A));
    if back >= 10 && back > 9 * forth {
        negate(current_a);
        account.notices.push(format!(
            "the clamp of \"{}\" was attached the wrong way round: alternator current is never negative. Its sign is reversed",
            clip(name)
        ));
    }
}

fn negate(values: &mut [f64]) {
    values.iter_mut().for_each(|value| *value = -*value);
}

/// A stronger correlation than this between the steps of voltage and current overrules the name.
const CLEAR_AGAINST_THE_NAME: f64 = 0.6;

fn turned(positive: bool, reason: &str) -> String {
    if positive {
        format!("{reason}: charging is positive as written")
    } else {
        format!("{reason}: sign reversed, so that charging is positive")
    }
}

/// The starter draws far more than any other consumer, so the largest current while the voltage
/// is lowest is a discharge.
fn by_cranking(bus_v: &[f64], current_a: &[f64], nominal: Nominal) -> Option<bool> {
    const STARTER_A: f64 = 60.0;
    let dip_v = nominal.volts(levels::STARTER_FALL);
    let usual = median(bus_v.iter().copied())?;
    let dip = bus_v
        .iter()
        .zip(current_a)
        .filter(|(v, a)| **v < usual - dip_v && a.abs() > STARTER_A)
        .map(|(_, a)| *a)
        .max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    Some(dip < 0.0)
}

/// Correlation between the steps of voltage and current: charging current raises the battery
/// voltage.
fn by_steps(bus_v: &[f64], current_a: &[f64]) -> Option<f64> {
    const CLEAR: f64 = 0.3;
    let (mut va, mut vv, mut aa) = (0.0, 0.0, 0.0);
    let pairs = steps(bus_v).zip(steps(current_a));
    for (v, a) in pairs.filter(|(v, a)| v.is_finite() && a.is_finite()) {
        va += v * a;
        vv += v * v;
        aa += a * a;
    }
    let correlation = va / (vv * aa).sqrt();
    (correlation.abs() > CLEAR).then_some(correlation)
}
