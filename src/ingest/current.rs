//! Which sign of the battery current means charging.

use super::profile::Words;
use super::vocabulary as say;
use crate::levels;
use crate::nominal::Nominal;

/// Battery current turned so that charging is positive, and how that was known.
/// `bus_v` and `current_a` are of one length.
pub fn settle_sign(
    name: &str,
    bus_v: &[f64],
    current_a: &mut [f64],
    nominal: Nominal,
    notices: &mut Vec<String>,
) -> String {
    let words = Words::of(name);
    let (charging_positive, why) = if words.has(say::DISCHARGE) {
        (false, "the name says discharge: turned so that charging is positive".to_owned())
    } else if words.has(say::CHARGE) {
        (true, "the name says charge: charging is positive".to_owned())
    } else if let Some(positive) = by_cranking(bus_v, current_a, nominal) {
        (positive, turned(positive, "the starter's amps at the lowest voltage are discharge"))
    } else if let Some(positive) = by_steps(bus_v, current_a) {
        (positive, turned(positive, "charging amps rise and fall with the voltage"))
    } else {
        notices.push(format!(
            "nothing tells which sign of \"{}\" means charging; positive is taken as charging. Name the column \"battery discharge current\" if it is not",
            super::error::clip(name)
        ));
        (true, "sign not told by the log; positive taken as charging".to_owned())
    };
    if !charging_positive {
        for value in current_a.iter_mut() {
            *value = -*value;
        }
    }
    why
}

fn turned(positive: bool, reason: &str) -> String {
    if positive {
        format!("{reason}: charging is positive as written")
    } else {
        format!("{reason}: turned so that charging is positive")
    }
}

/// The starter takes far more than any other consumer: the sign of the largest
/// current while the voltage is lowest is discharge.
fn by_cranking(bus_v: &[f64], current_a: &[f64], nominal: Nominal) -> Option<bool> {
    const STARTER_A: f64 = 60.0;
    let dip_v = nominal.volts(levels::STARTER_FALL);
    let mut sorted: Vec<f64> = bus_v.iter().copied().filter(|v| !v.is_nan()).collect();
    sorted.sort_by(f64::total_cmp);
    let usual = super::profile::quantile(&sorted, 0.5)?;
    let dip = bus_v
        .iter()
        .zip(current_a)
        .filter(|(v, a)| **v < usual - dip_v && a.abs() > STARTER_A)
        .map(|(_, a)| *a)
        .max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    Some(dip < 0.0)
}

/// Where charging current jumps up so does the voltage at the battery, and the other way about.
fn by_steps(bus_v: &[f64], current_a: &[f64]) -> Option<bool> {
    const CLEAR: f64 = 0.3;
    let pairs: Vec<(f64, f64)> = bus_v
        .windows(2)
        .zip(current_a.windows(2))
        .filter_map(|(v, a)| match (v, a) {
            ([v0, v1], [a0, a1]) => Some((v1 - v0, a1 - a0)),
            _ => None,
        })
        .filter(|(v, a)| v.is_finite() && a.is_finite())
        .collect();
    let (mut va, mut vv, mut aa) = (0.0, 0.0, 0.0);
    for (v, a) in &pairs {
        va += v * a;
        vv += v * v;
        aa += a * a;
    }
    let correlation = va / (vv * aa).sqrt();
    (correlation.abs() > CLEAR).then_some(correlation > 0.0)
}
