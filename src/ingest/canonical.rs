//! Converts the file's units to those of the log: seconds from the first stamp, V, rpm, A, °C,
//! and duty from 0 to 1.

use super::account::Account;
use super::axis;
use super::clock::{self, Clock};
use super::error::clip;
use super::levels::level_scale;
use super::profile::Facts;
use super::sentinel;
use super::table::{Body, Channel};
use super::units::{Affine, Unit};
use super::wrapped;
use crate::format::plural;
use crate::log::Role;
use crate::parallel::{LEAST_VALUES, shared_mut};
use crate::stats::find_indices;
use crate::stats::min_max::Extent;

/// Converts raw stamps to seconds from the first, in whole nanoseconds, and continues a clock
/// that wraps.
pub fn time(body: &mut Body, clock: &Clock, account: &mut Account) {
    if clock.newest_first {
        body.reverse();
    }
    match clock.source {
        clock::Source::Rate { hz } => {
            body.time.iter_mut().for_each(|t| *t = axis::to_nanoseconds(*t / hz));
        }
        clock::Source::Numeric { seconds_per_unit, epoch, .. } => {
            let falls = !find_indices::of_neighbors(&body.time, |a, b| b < a).is_empty();
            let wraps = if falls { clock::unwrap_counter(&mut body.time) } else { 0 };
            if wraps > 0 {
                account.notices.push(format!(
                    "the clock overflows and restarts at 0 {}; the log is continued there",
                    plural(wraps, "time", "times")
                ));
            }
            let first = body.first_time().unwrap_or(0.0);
            let origin = if epoch == clock::Epoch::None { 0.0 } else { first };
            shared_mut(&mut body.time, LEAST_VALUES, |_, part| {
                for t in part {
                    *t = axis::to_nanoseconds((*t - origin) * seconds_per_unit);
                }
            });
        }
        clock::Source::Packed { .. }
        | clock::Source::Text { .. }
        | clock::Source::DateAndTime { .. } => {
            if let Some(period_s) = clock.period_s {
                let wraps = clock::unwrap_time_of_day(&mut body.time, period_s);
                body.time.iter_mut().for_each(|t| *t = axis::to_nanoseconds(*t));
                if wraps > 0 {
                    let what = if period_s > 3600.0 { "midnight" } else { "the full hour" };
                    let times = plural(wraps, "time", "times");
                    account.notices.push(format!("the clock passes {what} {times}"));
                }
            } else {
                let first = body.first_time().unwrap_or(0.0);
                for t in &mut body.time {
                    // Seconds since 1970 are exact to a quarter of a microsecond.
                    *t = ((*t - first) * 1e6).round() / 1e6;
                }
            }
        }
    }
}

/// Values further from zero than this are impossible in a car: V, rpm, A, °C.
fn absurd(role: Role) -> Option<(f64, &'static str)> {
    match role {
        Role::Voltage(_) | Role::GroundDrop => Some((100.0, "V")),
        Role::EngineRpm | Role::AlternatorRpm => Some((100_000.0, "rpm")),
        Role::AlternatorCurrent | Role::BatteryCurrent => Some((10_000.0, "A")),
        Role::Temperature(_) => Some((2000.0, "°C")),
        Role::Load | Role::Time | Role::Note | Role::Ignored => None,
    }
}

/// Removes the codes for "no value" from every channel, in the file's own units.
pub fn remove_codes(body: &mut Body, facts: &[Facts], account: &mut Account) {
    for channel in &mut body.channels {
        let Some(facts) = facts.get(channel.column) else { continue };
        // A code that the sample missed lies outside the range of the sample.
        let (Some(low), Some(high)) = (facts.min(), facts.max()) else { continue };
        let switch = low >= 0.0 && high <= 1.0;
        let odd = |v: &f64| (*v < low || *v > high) && (switch || sentinel::is_code(*v));
        let beyond = channel.extent.low < low || channel.extent.high > high;
        if facts.codes.is_empty() && !(beyond && channel.values.iter().any(odd)) {
            continue;
        }
        let codes = sentinel::codes(&channel.values);
        let Some(&code) = codes.first() else { continue };
        let before = account.bad_cells;
        for (row, value) in channel.values.iter_mut().enumerate() {
            if codes.contains(value) {
                account.bad_cell(body.lines.of(row), &channel.name, &shown_code(*value));
                *value = f64::NAN;
            }
        }
        channel.extent = Extent::of(&channel.values);
        account.notices.push(format!(
            "\"{}\": {} in {} is not a possible value and is left out",
            clip(&channel.name),
            shown_code(code),
            plural(account.bad_cells - before, "cell", "cells"),
        ));
    }
}

/// Corrects channels that overflow their 8 or 16 bits, in the file's own units.
pub fn unwrap(body: &mut Body, account: &mut Account) {
    for channel in &mut body.channels {
        let may_be_negative = match channel.role {
            Role::EngineRpm | Role::AlternatorRpm => false,
            Role::AlternatorCurrent | Role::BatteryCurrent | Role::Temperature(_) => true,
            _ => continue,
        };
        let found = wrapped::unwrap(&mut channel.values, channel.extent, may_be_negative);
        let Some((range, jumps)) = found else { continue };
        channel.extent = Extent::of(&channel.values);
        account.notices.push(format!(
            "\"{}\" overflows its range of {range} {jumps} times; the jumps are corrected",
            clip(&channel.name)
        ));
    }
}

fn shown_code(code: f64) -> String {
    if code.abs() < 1e10 { format!("{code}") } else { format!("{code:e}") }
}

/// Converts each channel to the log's units. Impossible values are removed and counted.
pub fn to_units(body: &mut Body, facts: &[Facts], account: &mut Account) {
    shared_mut(&mut body.channels, 1, |_, part| {
        for channel in part {
            match channel.role {
                Role::Load => to_duty(channel, facts.get(channel.column)),
                _ => to_si(channel),
            }
        }
    });
    for channel in &mut body.channels {
        let Some((most, unit)) = absurd(channel.role) else { continue };
        if channel.extent.is_within(most) {
            continue;
        }
        for (row, value) in channel.values.iter_mut().enumerate().filter(|(_, v)| v.abs() > most) {
            account.bad_cell(body.lines.of(row), &channel.name, &format!("{value} {unit}"));
            *value = f64::NAN;
        }
        channel.extent = Extent::of(&channel.values);
    }
}

fn to_si(channel: &mut Channel) {
    let affine = channel.unit.map_or(Affine::SAME, Unit::to_canonical);
    if affine != Affine::SAME {
        channel.values.iter_mut().for_each(|value| *value = affine.apply(*value));
        // No unit conversion reverses the order of the values.
        channel.extent = channel.extent.with_ends(|end| affine.apply(end));
    }
}

/// Converts switch states, levels and percent to duty from 0 to 1.
fn to_duty(channel: &mut Channel, facts: Option<&Facts>) {
    let Extent { low, high, .. } = channel.extent;
    let whole = facts.is_none_or(Facts::all_whole);
    let percent = channel.unit == Some(Unit::Percent);
    let scale = level_scale(high.max(0.0), whole, percent).unwrap_or(high.max(1.0));
    if scale != 1.0 || low < 0.0 || high > 1.0 {
        let share = 1.0 / scale;
        let duty = |value: f64| (value * share).clamp(0.0, 1.0);
        channel.values.iter_mut().for_each(|value| *value = duty(*value));
        channel.extent = channel.extent.with_ends(duty);
    }
}
