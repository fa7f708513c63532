//! Corrects channels of 8 or 16 bits that overflow, and negative values in a field without a sign:
//! both jump by the whole range of the field from one row to the next.

use super::rank::{median, sorted};
use crate::stats::min_max::Extent;

const FIELDS: [f64; 2] = [256.0, 65_536.0];
/// Value of one bit in the logger's own unit.
const STEPS: [f64; 8] = [1.0, 0.1, 0.01, 0.001, 0.25, 10.0, 20.0, 25.0];
/// Shares of the range: before and after a jump the channel is this close to its ends, and the
/// corrected jump is this small (median). A real jump has neither property.
const END_SHARE: f64 = 0.25;
const LEFT_SHARE: f64 = 0.06;
const FEWEST_JUMPS: usize = 2;

/// Removes the jumps. Returns the range and the number of jumps; `None` if the channel does not
/// clearly overflow. Only `signed` quantities may be below zero.
pub fn unwrap(values: &mut [f64], extent: Extent, signed: bool) -> Option<(f64, usize)> {
    if extent.low < 0.0 {
        return None;
    }
    let ranges = FIELDS.into_iter().flat_map(|field| STEPS.into_iter().map(move |s| field * s));
    let reached = |range: &f64| extent.high < *range && extent.high >= 0.9 * range;
    let range = ranges.into_iter().filter(reached).find(|&range| wraps(values, range).is_some())?;
    let jumps = wraps(values, range)?;
    let (mut last, mut offset) = (f64::NAN, 0.0);
    for value in values.iter_mut().filter(|value| !value.is_nan()) {
        let raw = *value;
        offset += match raw - last {
            jump if jump > range / 2.0 => -range,
            jump if jump < -range / 2.0 => range,
            _ => 0.0,
        };
        last = raw;
        *value = raw + offset;
    }
    // The first value is unknown: it may be negative in a field without sign, or past the top.
    let middle = crate::stats::robust::median(values);
    let began = match signed {
        true if (middle - range).abs() < middle.abs() => -range,
        false if values.iter().any(|value| *value < 0.0) => range,
        _ => 0.0,
    };
    values.iter_mut().for_each(|value| *value += began);
    Some((range, jumps))
}

fn wraps(values: &[f64], range: f64) -> Option<usize> {
    let mut left = Vec::new();
    let (mut last, mut turns) = (f64::NAN, 0i32);
    for &value in values.iter().filter(|value| !value.is_nan()) {
        let jump = value - last;
        if jump.abs() > range / 2.0 {
            let (low, high) = (value.min(last), value.max(last));
            if low > END_SHARE * range || high < (1.0 - END_SHARE) * range {
                return None;
            }
            left.push(range - jump.abs());
            turns += if jump < 0.0 { 1 } else { -1 };
            if turns.abs() > 1 {
                return None;
            }
        }
        last = value;
    }
    // A byte that is off or fully on has only two values.
    let mut ends = sorted(values.iter().copied().filter(|v| *v > (1.0 - END_SHARE) * range));
    ends.dedup();
    if ends.len() < 3 {
        return None;
    }
    let jumps = left.len();
    (jumps >= FEWEST_JUMPS && median(left)? <= LEFT_SHARE * range).then_some(jumps)
}
