//! The file's own units to the log's: seconds from the first stamp, volts, rpm, amps, °C, shares.

use super::account::Account;
use super::axis;
use super::clock::{self, Clock};
use super::header::Layout;
use super::levels::level_scale;
use super::profile::Facts;
use super::roles::Assigned;
use super::table::{Body, Wanted};
use super::units::{Affine, Unit};
use crate::log::Role;

/// Raw stamps to seconds from the first, without the breaks of a clock that wraps.
pub fn time(body: &mut Body, clock: &Clock, notices: &mut Vec<String>) {
    match clock.source {
        clock::Source::Rate { hz } => body.time.iter_mut().for_each(|t| *t /= hz),
        clock::Source::Numeric { seconds_per_unit, epoch, .. } => {
            let first = body.time.iter().copied().find(|t| t.is_finite()).unwrap_or(0.0);
            let origin = if epoch == clock::Epoch::None { 0.0 } else { first };
            for t in &mut body.time {
                *t = axis::to_nanoseconds((*t - origin) * seconds_per_unit);
            }
        }
        clock::Source::Text { .. } | clock::Source::DateAndTime { .. } => {
            if let Some(period_s) = clock.period_s {
                let wraps = axis::unwrap(&mut body.time, period_s);
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

pub fn values(
    body: &mut Body,
    wanted: &Wanted,
    assigned: &[Assigned],
    facts: &[Facts],
    layout: &Layout,
    account: &mut Account,
) {
    for (&index, values) in wanted.values.iter().zip(&mut body.values) {
        let Some(column) = assigned.get(index) else { continue };
        let affine = match column.role {
            Role::Load => {
                let high = values.iter().copied().filter(|v| !v.is_nan()).fold(0.0, f64::max);
                let whole = facts.get(index).is_none_or(Facts::all_whole);
                let percent = column.unit == Some(Unit::Percent);
                let scale = level_scale(high, whole, percent).unwrap_or(high.max(1.0));
                Affine { scale: 1.0 / scale, offset: 0.0 }
            }
            _ => column.unit.map_or(Affine::SAME, Unit::to_canonical),
        };
        if affine != Affine::SAME {
            values.iter_mut().for_each(|value| *value = affine.apply(*value));
        }
        if column.role == Role::Load {
            values.iter_mut().for_each(|value| *value = value.clamp(0.0, 1.0));
        }
        let Some((most, unit)) = absurd(column.role) else { continue };
        for (row, value) in values.iter_mut().enumerate().filter(|(_, v)| v.abs() > most) {
            let name = layout.headings.get(index).map_or("", |heading| heading.name.as_str());
            account.bad_cell(body.lines.of(row), name, &format!("{value} {unit}"));
            *value = f64::NAN;
        }
    }
}
