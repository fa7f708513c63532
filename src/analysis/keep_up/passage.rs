//! The knee as a change of speed shows it, with the same loads before and after.

use crate::analysis::LEVEL;
use crate::analysis::keep_up::{Knee, Visit, sample_interval_s};
use crate::analysis::setpoint::Setpoint;
use crate::log::{Log, Span};
use crate::segment::speed::differ;
use crate::segment::{Segments, indices};
use crate::stats::fit::hinge::{KneePosition, fit_hinge};

/// Steady running on either side that anchors the level held.
const ANCHOR_S: f64 = 2.0;
/// Two stretches further apart than this have more than one change between them.
const LONGEST_S: f64 = 12.0;
/// Further under the setpoint the battery has begun to give and the fall bends.
const STRAIGHT_V: f64 = 0.5;
/// What the hinge takes for the level held must be the setpoint, give or take this.
const AT_SETPOINT_V: f64 = 0.12;
/// The last share of a fall in speed is left out: there the speed stands while
/// the bus still sinks.
const TAIL_SHARE: f64 = 0.1;
/// An alternator's current follows its field 0.1 to 0.3 s late on the way up
/// (common practice, no source); on the way down its speed limits it at once.
const FIELD_LAG_S: (f64, f64) = (0.2, 0.1);

/// Knees of every passage between a speed that holds and one that does not.
pub(super) fn knees(
    log: &Log,
    segments: &Segments,
    setpoint: &Setpoint,
    visits: &[Visit],
    bracket: (f64, f64),
) -> Vec<Knee> {
    visits
        .windows(2)
        .filter_map(|pair| match pair {
            [from, to] => knee(log, segments, setpoint, from, to),
            _ => None,
        })
        .filter(|knee| {
            let beyond = knee.half_width_rpm;
            bracket.0 - beyond <= knee.rpm && knee.rpm <= bracket.1 + beyond
        })
        .collect()
}

fn knee(
    log: &Log,
    segments: &Segments,
    setpoint: &Setpoint,
    from: &Visit,
    to: &Visit,
) -> Option<Knee> {
    let (left_s, reached_s) = (from.stretch.span.end_s, to.stretch.span.start_s);
    let changes = segments.speed_changes.iter().any(|c| c.start_s < reached_s && c.end_s > left_s);
    if !(changes && differ(from.rpm, to.rpm) && reached_s - left_s < LONGEST_S) {
        return None;
    }
    let falls = from.rpm > to.rpm;
    let window = Span {
        start_s: (left_s - ANCHOR_S).max(from.stretch.span.start_s),
        end_s: (reached_s + if falls { 0.0 } else { ANCHOR_S }).min(to.stretch.span.end_s),
    };
    let range = indices(log.time_s(), window);
    let time_s = log.time_s().get(range.clone())?;
    let rpm = log.engine_rpm()?.get(range.clone())?;
    let below_v: Vec<f64> =
        log.bus_v().get(range)?.iter().zip(time_s).map(|(v, &t)| v - setpoint.at(t)).collect();

    let deep_v = -STRAIGHT_V - 2.0 * segments.grain.sigma_v;
    let (start, end) = if falls {
        let tail_rpm = to.rpm + TAIL_SHARE * (from.rpm - to.rpm);
        let stands = rpm.iter().position(|&r| r < tail_rpm).unwrap_or(rpm.len());
        let deep = below_v.iter().position(|&v| v < deep_v).unwrap_or(rpm.len());
        (0, stands.min(deep))
    } else {
        (below_v.iter().rposition(|&v| v < deep_v).map_or(0, |k| k + 1), rpm.len())
    };
    let (x, y) = (rpm.get(start..end)?, below_v.get(start..end)?);
    let worth = x.len() as f64 / segments.grain.memory_samples;
    let fit = fit_hinge(x, y, worth, LEVEL).ok()?;
    if fit.position != KneePosition::Within || fit.top.abs() > AT_SETPOINT_V {
        return None;
    }
    // How fast the speed moved over the ramp, for what comes late.
    let moving_s = (reached_s - left_s).max(0.5);
    let rate = (to.rpm - from.rpm).abs() / moving_s;
    let (lag_s, unsure_s) = if falls { (0.0, 0.0) } else { FIELD_LAG_S };
    let read_s = sample_interval_s(time_s) / 2.0;
    let shift_rpm = rate * lag_s;
    let half_width_rpm = fit.knee.half_width().hypot(rate * unsure_s).hypot(rate * read_s);
    Some(Knee { rpm: fit.knee.value - shift_rpm, half_width_rpm })
}
