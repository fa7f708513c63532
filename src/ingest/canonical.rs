//! The file's own units to the log's: seconds from the first stamp, volts, rpm, amps, °C, shares.

use super::account::Account;
use super::axis;
use super::clock::{self, Clock};
use super::error::clip;
use super::header::Layout;
use super::levels::level_scale;
use super::profile::Facts;
use super::roles::Assigned;
use super::sentinel;
use super::table::{Body, Wanted};
use super::units::{Affine, Unit};
use super::wrapped;
use crate::log::Role;
use crate::parallel::{LEAST_VALUES, shared_mut};
use crate::stats::find_indices;
use crate::stats::min_max::Extent;

/// Raw stamps to seconds from the first in whole nanoseconds, without the breaks of a clock
/// that wraps.
pub fn time(body: &mut Body, clock: &Clock, notices: &mut Vec<String>) {
    if clock.newest_first {
        body.reverse();
    }
    match clock.source {
        clock::Source::Rate { hz } => {
            body.time.iter_mut().for_each(|t| *t = axis::to_nanoseconds(*t / hz));
        }
        clock::Source::Numeric { seconds_per_unit, epoch, .. } => {
            let falls = !find_indices::of_neighbors(&body.time, |a, b| b < a).is_empty();
            let wraps = if falls { clock::unwrap(&mut body.time) } else { 0 };
            if wraps > 0 {
                notices.push(format!(
                    "the clock is full and begins again at 0 {wraps} time{}; it is carried on",
                    if wraps == 1 { "" } else { "s" }
                ));
            }
            let first = body.time.iter().copied().find(|t| t.is_finite()).unwrap_or(0.0);
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
                let wraps = axis::unwrap(&mut body.time, period_s);
                body.time.iter_mut().for_each(|t| *t = axis::to_nanoseconds(*t));
                if wraps > 0 {
                    let what = if period_s > 3600.0 { "midnight" } else { "the full hour" };
                    notices.push(format!(
                        "the clock passes {what} {wraps} time{}",
                        if wraps == 1 { "" } else { "s" }
                    ));
                }
            } else {
                let first = body.time.iter().copied().find(|t| t.is_finite()).unwrap_or(0.0);
                for t in &mut body.time {
                    // Seconds since 1970 are sharp to a quarter of a microsecond.
                    *t = ((*t - first) * 1e6).round() / 1e6;
                }
            }
        }
    }
}

/// No logger of cars sees more, either way of zero: V, rpm, A, °C.
fn absurd(role: Role) -> Option<(f64, &'static str)> {
    match role {
        Role::Voltage(_) | Role::GroundDrop => Some((100.0, "V")),
        Role::EngineRpm | Role::AlternatorRpm => Some((100_000.0, "rpm")),
        Role::AlternatorCurrent | Role::BatteryCurrent => Some((10_000.0, "A")),
        Role::Temperature(_) => Some((2000.0, "°C")),
        Role::Load | Role::Time | Role::Note | Role::Ignored => None,
    }
}

/// Takes the numbers that stand for "no value" out of every column, in the file's own units.
pub fn without_codes(
    body: &mut Body,
    wanted: &Wanted,
    facts: &[Facts],
    layout: &Layout,
    account: &mut Account,
    notices: &mut Vec<String>,
) {
    let columns = wanted.values.iter().zip(&mut body.values).zip(&mut body.extents);
    for ((&index, values), extent) in columns {
        let Some(facts) = facts.get(index) else { continue };
        // A code that the sample did not show lies outside of what it did.
        let (Some(low), Some(high)) = (facts.min(), facts.max()) else { continue };
        let switch = low >= 0.0 && high <= 1.0;
        let odd = |v: &f64| (*v < low || *v > high) && (switch || sentinel::is_code(*v));
        let beyond = extent.low < low || extent.high > high;
        if facts.codes.is_empty() && !(beyond && values.iter().any(odd)) {
            continue;
        }
        let codes = sentinel::codes(values);
        let name = layout.headings.get(index).map_or("", |heading| heading.name.as_str());
        let before = account.bad_cells;
        for (row, value) in values.iter_mut().enumerate() {
            if codes.contains(value) {
                account.bad_cell(body.lines.of(row), name, &shown_code(*value));
                *value = f64::NAN;
            }
        }
        if let Some(&code) = codes.first() {
            *extent = Extent::of(values);
            let cells = account.bad_cells - before;
            notices.push(format!(
                "\"{}\": {} in {cells} cell{} is not a possible value and is left out",
                clip(name),
                shown_code(code),
                if cells == 1 { "" } else { "s" },
            ));
        }
    }
}

/// Takes back the jumps of channels that run over their field, in the file's own units.
pub fn unwrapped(
    body: &mut Body,
    wanted: &Wanted,
    assigned: &[Assigned],
    layout: &Layout,
    notices: &mut Vec<String>,
) {
    let columns = wanted.values.iter().zip(&mut body.values).zip(&mut body.extents);
    for ((&index, values), extent) in columns {
        let role = assigned.get(index).map(|column| column.role);
        let counts = matches!(
            role,
            Some(
                Role::EngineRpm
                    | Role::AlternatorRpm
                    | Role::AlternatorCurrent
                    | Role::BatteryCurrent
                    | Role::Temperature(_)
            )
        );
        let turns = matches!(role, Some(Role::EngineRpm | Role::AlternatorRpm));
        let found = if counts { wrapped::unwrap(values, *extent, !turns) } else { None };
        let Some((range, jumps)) = found else { continue };
        *extent = Extent::of(values);
        let name = layout.headings.get(index).map_or("", |heading| heading.name.as_str());
        notices.push(format!(
            "\"{}\" runs over its field of {range} {jumps} times; the jumps are taken back",
            clip(name)
        ));
    }
}

fn shown_code(code: f64) -> String {
    if code.abs() < 1e10 { format!("{code}") } else { format!("{code:e}") }
}

/// Each column by its role and unit; what cannot be such a value is none, and told.
pub fn values(
    body: &mut Body,
    wanted: &Wanted,
    assigned: &[Assigned],
    facts: &[Facts],
    layout: &Layout,
    account: &mut Account,
) {
    let columns = wanted.values.iter().copied().zip(&mut body.values).zip(&mut body.extents);
    let mut columns: Vec<_> = columns.map(|((i, values), extent)| (i, values, extent)).collect();
    shared_mut(&mut columns, 1, |_, part| {
        for (index, values, extent) in part {
            let Some(column) = assigned.get(*index) else { continue };
            if column.role == Role::Load {
                to_duty(values, extent, column, facts.get(*index));
            } else {
                to_si(values, extent, column.unit.map_or(Affine::SAME, Unit::to_canonical));
            }
        }
    });
    for (index, values, extent) in columns {
        let role = assigned.get(index).map(|column| column.role);
        let Some((most, unit)) = role.and_then(absurd) else { continue };
        if extent.is_within(most) {
            continue;
        }
        let name = layout.headings.get(index).map_or("", |heading| heading.name.as_str());
        for (row, value) in values.iter_mut().enumerate().filter(|(_, v)| v.abs() > most) {
            account.bad_cell(body.lines.of(row), name, &format!("{value} {unit}"));
            *value = f64::NAN;
        }
        *extent = Extent::of(values);
    }
}

fn to_si(values: &mut [f64], extent: &mut Extent, affine: Affine) {
    if affine != Affine::SAME {
        values.iter_mut().for_each(|value| *value = affine.apply(*value));
        // No unit turns the order round.
        *extent = extent.with_ends(|end| affine.apply(end));
    }
}

/// Switches, levels and percent to shares of full.
fn to_duty(values: &mut [f64], extent: &mut Extent, column: &Assigned, facts: Option<&Facts>) {
    let high = extent.high.max(0.0);
    let whole = facts.is_none_or(Facts::all_whole);
    let percent = column.unit == Some(Unit::Percent);
    let scale = level_scale(high, whole, percent).unwrap_or(high.max(1.0));
    if scale != 1.0 || extent.low < 0.0 || extent.high > 1.0 {
        let share = 1.0 / scale;
        let duty = |value: f64| (value * share).clamp(0.0, 1.0);
        values.iter_mut().for_each(|value| *value = duty(*value));
        *extent = extent.with_ends(duty);
    }
}
