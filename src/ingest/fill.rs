//! Holds the last value of slow channels in interleaved logs, which have one channel per row.

use super::rank::median;
use super::table::{Body, Channel};
use crate::log::Role;
use crate::parallel::shared_mut;

/// A value is held for this many update intervals of its channel.
const HOLD_UPDATES: f64 = 5.0;

/// Holds the values of every channel except the bus.
pub fn hold_slow_channels(body: &mut Body, bus: Role) {
    let slow = |channel: &&mut Channel| channel.extent.gaps && channel.role != bus;
    let mut slow: Vec<&mut Channel> = body.channels.iter_mut().filter(slow).collect();
    shared_mut(&mut slow, 1, |_, part| {
        part.iter_mut().for_each(|channel| hold(&body.time, &mut channel.values));
    });
}

/// Replaces NaN by the last value. A clock that steps back ends the hold.
fn hold(time: &[f64], values: &mut [f64]) {
    if !values.iter().any(|value| value.is_nan()) {
        return;
    }
    let mut gaps = Vec::new();
    let mut last_at = f64::NAN;
    for (&t, value) in time.iter().zip(values.iter()) {
        if !value.is_nan() && t.is_finite() {
            if t > last_at {
                gaps.push(t - last_at);
            }
            last_at = t;
        }
    }
    let Some(update) = median(gaps) else { return };
    let hold_s = HOLD_UPDATES * update;
    let (mut held, mut held_at) = (f64::NAN, f64::NAN);
    for (&t, value) in time.iter().zip(values.iter_mut()) {
        if !value.is_nan() {
            (held, held_at) = (*value, t);
        } else if t >= held_at && t - held_at <= hold_s {
            *value = held;
        }
    }
    // Several rows with the same time belong together in either order.
    let rows = time.len().min(values.len());
    for row in (1..rows).rev() {
        let (Some(&own), Some(&before)) = (time.get(row), time.get(row - 1)) else { continue };
        let later = values.get(row).copied().unwrap_or(f64::NAN);
        if own == before
            && let Some(slot) = values.get_mut(row - 1).filter(|slot| slot.is_nan())
        {
            *slot = later;
        }
    }
}
