//! Rest voltage, and the charge it stands for.

use crate::analysis::level::level;
use crate::diagnosis::PhaseKind;
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Span};
use crate::physics::battery::state_of_charge as soc;
use crate::segment::{Segments, index_at};

/// The last seconds of rest count: what went before may still be fading.
const WINDOW_S: f64 = 10.0;
const SHORTEST_S: f64 = 2.0;
/// How far the common-practice table may be off for a battery whose
/// temperature and hours of rest nobody knows (common practice, no source).
const TABLE_UNCERTAINTY_V: f64 = 0.1;

/// What the battery shows with the engine stopped, before the first start;
/// afterwards the surface charge of driving hides it.
pub fn rest_voltage(log: &Log, segments: &Segments) -> Option<Estimate> {
    let first = segments.phases.first().filter(|p| p.kind == PhaseKind::Rest)?;
    let (end_s, next) = match first_load_s(log, first.start_s) {
        Some(at_s) if at_s < first.end_s => (at_s, "the first load"),
        _ => (first.end_s, "cranking"),
    };
    let span = Span {
        start_s: (end_s - WINDOW_S).max(first.start_s),
        end_s: end_s - 2.0 * segments.grain.interval_s,
    };
    if span.seconds() < SHORTEST_S {
        return None;
    }
    let rest = level(log.time_s(), log.bus_v(), span, &segments.grain)?;
    Some(rest.estimate(format!("mean of the last {:.0} s before {next}", span.seconds())))
}

/// When the first load's channel goes on, from `start_s`: no rest any more.
fn first_load_s(log: &Log, start_s: f64) -> Option<f64> {
    const ON: f64 = 0.05;
    let from = index_at(log.time_s(), start_s);
    log.load_names()
        .iter()
        .filter_map(|name| {
            let duty = log.load(name)?;
            (from..duty.len()).find(|&i| duty[i] > ON).map(|i| log.time_s()[i])
        })
        .min_by(f64::total_cmp)
}

/// Per cent, by the common-practice table for flooded batteries at 25 °C.
pub fn state_of_charge(rest_v: &Estimate) -> Estimate {
    let at = |v: f64| 100.0 * soc(v);
    let margin_v = TABLE_UNCERTAINTY_V.hypot(rest_v.half_width());
    Estimate::new(
        at(rest_v.value),
        at(rest_v.value - margin_v),
        at(rest_v.value + margin_v),
        Grade::Assumed,
        "common-practice table, flooded, 25 °C, hours after charging",
    )
}
