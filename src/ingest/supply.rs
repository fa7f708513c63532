//! Detects rows written while the logger's supply is off: 0 V, which is neither rest, cranking nor
//! a lost contact.

use std::ops::Range;

/// A logger supplied by the bus reads at most this while the bus is off (common practice, no
/// source: offset of a converter).
const OFF_V: f64 = 0.1;
/// A lost contact recovers sooner; see [`crate::segment::drop_outs`].
const LEAST_S: f64 = 1.5;

/// The rows without supply, in order. If engine speed is logged, only with the engine stopped: the
/// bus of a running engine has voltage, so 0 V is then a wrong reading.
pub fn unpowered(time_s: &[f64], bus_v: &[f64], rpm: Option<&[f64]>) -> Vec<Range<usize>> {
    let turning = |row: usize| rpm.and_then(|rpm| rpm.get(row)).is_some_and(|rpm| *rpm > 0.0);
    let is_off = |(row, volts): (usize, &f64)| volts.abs() <= OFF_V && !turning(row);
    let mut spans: Vec<Range<usize>> = Vec::new();
    for row in bus_v.iter().enumerate().filter(|at| is_off(*at)).map(|(row, _)| row) {
        match spans.last_mut() {
            Some(last) if last.end == row => last.end = row + 1,
            _ => spans.push(row..row + 1),
        }
    }
    let at_s = |row: Option<usize>, beyond: f64| {
        row.and_then(|row| time_s.get(row)).copied().filter(|t| t.is_finite()).unwrap_or(beyond)
    };
    spans.retain(|span| {
        let on_s = at_s(span.start.checked_sub(1), f64::NEG_INFINITY);
        at_s(Some(span.end), f64::INFINITY) - on_s > LEAST_S
    });
    spans
}
