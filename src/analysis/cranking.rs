//! The first start: how deep the voltage falls, for how long, and when the bus
//! is back at its setpoint.

use crate::analysis::level::level;
use crate::analysis::setpoint::Setpoint;
use crate::diagnosis::{Cranking, PhaseKind};
use crate::log::{Log, Span};
use crate::segment::{Segments, indices};

/// The bus is back once it has held for this long.
const HELD_S: f64 = 1.0;

pub fn cranking(log: &Log, segments: &Segments, setpoint: Option<&Setpoint>) -> Option<Cranking> {
    let phase = segments.phases.iter().find(|p| p.kind == PhaseKind::Cranking)?;
    let span = Span { start_s: phase.start_s, end_s: phase.end_s };
    let range = indices(log.time_s(), span);
    let (at_s, lowest_v) =
        range.map(|k| (log.time_s()[k], log.bus_v()[k])).min_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(Cranking {
        lowest_v,
        at_s,
        duration_s: span.seconds(),
        return_to_setpoint_s: setpoint.and_then(|s| back_at(log, segments, s, phase.end_s)),
    })
}

fn back_at(log: &Log, segments: &Segments, setpoint: &Setpoint, from_s: f64) -> Option<f64> {
    let time_s = log.time_s();
    let end_s = *time_s.last()?;
    // Within the regulator's droop and what the noise hides.
    let near_v = 0.06 + setpoint.estimate.half_width() + segments.grain.band_v() / 2.0;
    let mut t_s = from_s;
    while t_s + HELD_S <= end_s {
        let window = Span { start_s: t_s, end_s: t_s + HELD_S };
        let here = level(time_s, log.bus_v(), window, &segments.grain);
        if here.is_some_and(|l| l.mean_v >= setpoint.at(t_s) - near_v) {
            return Some(t_s - from_s);
        }
        t_s += HELD_S / 2.0;
    }
    None
}
