//! Numbers that stand for "no value": a field's bits all set, all its nines, or −1.
//!
//! A code is one only where it lies apart from everything else in its column, by more than
//! all the rest spans: 255 is a fine temperature of an exhaust, and no state of a switch.

/// Every bit of 8, 16 or 32 is set, or only the sign's.
const BITS: [f64; 8] = [
    255.0,
    65_535.0,
    32_767.0,
    32_768.0,
    -32_768.0,
    4_294_967_295.0,
    2_147_483_647.0,
    -2_147_483_648.0,
];
/// What one bit is worth in the logger's own unit.
const STEPS: [f64; 5] = [1.0, 0.1, 0.01, 0.001, 0.25];
const NINES: [f64; 11] =
    [99.99, 99.9, 999.0, 999.9, 999.99, 9999.0, 9999.9, -1.0, -99.0, -999.0, -9999.0];
/// An 8-bit temperature counts from −40 °C.
const BYTE_ABOVE_MINUS_40: f64 = 215.0;
/// No quantity of a car is as large.
const BEYOND_ANY: f64 = 1e9;
/// Fewer than this of other values say nothing about what is apart.
const FEWEST: usize = 10;

pub fn is_code(value: f64) -> bool {
    let is = |code: f64| (value - code).abs() <= 1e-6 * code.abs();
    value.abs() >= BEYOND_ANY
        || value == BYTE_ABOVE_MINUS_40
        || NINES.into_iter().any(is)
        || BITS.into_iter().any(|bits| STEPS.into_iter().any(|step| is(bits * step)))
}

/// The codes among a column's values, in the order of its rows.
pub fn codes(values: &[f64]) -> Vec<f64> {
    let mut found: Vec<f64> = Vec::new();
    let (mut low, mut high, mut rest) = (f64::INFINITY, f64::NEG_INFINITY, 0usize);
    let mut few: Vec<f64> = Vec::new();
    let mut all = 0usize;
    for &value in values.iter().filter(|value| !value.is_nan()) {
        all += 1;
        if found.contains(&value) {
            continue;
        }
        if is_code(value) {
            found.push(value);
            continue;
        }
        (low, high, rest) = (low.min(value), high.max(value), rest + 1);
        if few.len() <= FEW && !few.contains(&value) {
            few.push(value);
        }
    }
    if let Some(strays) = strays_among_switches(values, all) {
        return strays;
    }
    // A column that is mostly of its codes holds them as values.
    if found.is_empty() || rest < FEWEST || rest * 5 < all {
        return Vec::new();
    }
    let two_state = low >= 0.0 && high <= 1.0 && few.len() <= 2;
    let of_levels = low >= 0.0 && few.len() <= FEW && few.iter().all(|v| v.fract() == 0.0);
    found.retain(|&code| {
        let apart = (low - code).max(code - high);
        let is_apart = apart > 0.0 && apart >= high - low;
        // A byte's 255 is "fully on" beside other levels, and stays for more than a moment.
        let may_be_level = code == 255.0 && of_levels && !(two_state && few.len() == 2);
        is_apart && !(may_be_level && longest_run(values, code) > 2)
    });
    found
}

/// More levels than this are no switch's.
const FEW: usize = 8;

/// Of a column that is 0 or 1 but for rare moments, what it is then: a third level would stay.
fn strays_among_switches(values: &[f64], all: usize) -> Option<Vec<f64>> {
    let count = |level: f64| values.iter().filter(|value| **value == level).count();
    let is_stray = |value: &f64| !value.is_nan() && *value != 0.0 && *value != 1.0;
    // Most columns are told from a switch by their first rows.
    if values.iter().take(FEWEST).filter(|value| is_stray(value)).count() > 2 {
        return None;
    }
    let (off, on) = (count(0.0), count(1.0));
    let strays = all.checked_sub(off + on).filter(|strays| *strays > 0)?;
    let longest = values.split(|value| !is_stray(value)).map(<[f64]>::len).max().unwrap_or(0);
    if off == 0 || on == 0 || strays * 50 > all || longest > 2 {
        return None;
    }
    let mut found: Vec<f64> = values.iter().copied().filter(is_stray).collect();
    found.sort_by(f64::total_cmp);
    found.dedup();
    Some(found)
}

fn longest_run(values: &[f64], code: f64) -> usize {
    values.split(|value| *value != code).map(<[f64]>::len).max().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_among_others_is_none() {
        let hot = (0..100).map(|i| 155.0 + 2.0 * f64::from(i)).collect::<Vec<_>>();
        assert!(codes(&hot).is_empty());
        let amps = (0..100).map(|i| f64::from(i % 40) - 20.0).collect::<Vec<_>>();
        assert!(codes(&amps).is_empty());
        // Off, low and full of a byte.
        let byte = (0..90).map(|i| [0.0, 51.0, 255.0][i / 10 % 3]).collect::<Vec<_>>();
        assert!(codes(&byte).is_empty());
        let on_off = (0..90).map(|i| [0.0, 255.0][i / 10 % 2]).collect::<Vec<_>>();
        assert!(codes(&on_off).is_empty());
        assert!(codes(&[65_535.0; 40]).is_empty());
        assert!(codes(&[]).is_empty());
    }
}
