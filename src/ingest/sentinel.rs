//! Detects codes for "no value": all bits set, all nines, or −1.
//!
//! A value is a code only if its distance from all other values of the column exceeds their range:
//! 255 may be the temperature of an exhaust, but not the state of a switch.

/// All bits of 8, 16 or 32 set, or only the sign bit.
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
/// Value of one bit in the logger's own unit.
const STEPS: [f64; 5] = [1.0, 0.1, 0.01, 0.001, 0.25];
const NINES: [f64; 11] =
    [99.99, 99.9, 999.0, 999.9, 999.99, 9999.0, 9999.9, -1.0, -99.0, -999.0, -9999.0];
/// All bits set in an 8-bit temperature that counts from −40 °C.
const BYTE_ABOVE_MINUS_40: f64 = 215.0;
/// No quantity in a car is this large.
const BEYOND_ANY: f64 = 1e9;
/// Minimum number of other values to compare with.
const FEWEST: usize = 10;

pub fn is_code(value: f64) -> bool {
    let is = |code: f64| (value - code).abs() <= 1e-6 * code.abs();
    value.abs() >= BEYOND_ANY
        || value == BYTE_ABOVE_MINUS_40
        || NINES.into_iter().any(is)
        || BITS.into_iter().any(|bits| STEPS.into_iter().any(|step| is(bits * step)))
}

/// The codes among the values of a column, in order of occurrence.
pub fn codes(values: &[f64]) -> Vec<f64> {
    let mut found: Vec<f64> = Vec::new();
    let (mut low, mut high, mut rest) = (f64::INFINITY, f64::NEG_INFINITY, 0usize);
    let mut levels: Vec<f64> = Vec::new();
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
        if levels.len() <= MOST_LEVELS && !levels.contains(&value) {
            levels.push(value);
        }
    }
    if let Some(outliers) = outliers_in_switch(values, all) {
        return outliers;
    }
    // In a column that mostly contains codes they are values.
    if found.is_empty() || rest < FEWEST || rest * 5 < all {
        return Vec::new();
    }
    let two_state = low >= 0.0 && high <= 1.0 && levels.len() <= 2;
    let of_levels =
        low >= 0.0 && levels.len() <= MOST_LEVELS && levels.iter().all(|v| v.fract() == 0.0);
    found.retain(|&code| {
        let apart = (low - code).max(code - high);
        let is_apart = apart > 0.0 && apart >= high - low;
        // 255 may mean "fully on" beside other levels, but then it lasts.
        let may_be_level = code == 255.0 && of_levels && !(two_state && levels.len() == 2);
        is_apart && !(may_be_level && longest_run(values, code) > 2)
    });
    found
}

/// A switch has at most this many levels.
const MOST_LEVELS: usize = 8;

/// The rare other values in a column of 0 and 1; a third level would last.
fn outliers_in_switch(values: &[f64], all: usize) -> Option<Vec<f64>> {
    let count = |level: f64| values.iter().filter(|value| **value == level).count();
    let is_outlier = |value: &f64| !value.is_nan() && *value != 0.0 && *value != 1.0;
    // The first rows of most columns show that they are not switches.
    if values.iter().take(FEWEST).filter(|value| is_outlier(value)).count() > 2 {
        return None;
    }
    let (off, on) = (count(0.0), count(1.0));
    let outliers = all.checked_sub(off + on).filter(|outliers| *outliers > 0)?;
    let longest = values.split(|value| !is_outlier(value)).map(<[f64]>::len).max().unwrap_or(0);
    if off == 0 || on == 0 || outliers * 50 > all || longest > 2 {
        return None;
    }
    let mut found: Vec<f64> = values.iter().copied().filter(is_outlier).collect();
    found.sort_by(f64::total_cmp);
    found.dedup();
    Some(found)
}

fn longest_run(values: &[f64], code: f64) -> usize {
    values.split(|value| *value != code).map(<[f64]>::len).max().unwrap_or(0)
}
