//! Log to phases, speed changes, load steps and steady stretches.
//!
//! Every threshold here is a multiple of the log's own noise and resolution
//! ([`NoiseModel`]); the few bare constants are facts about engines, named and
//! explained where they stand.

pub mod detect;
mod doubtful_stops;
pub mod drop_outs;
pub mod edges;
mod engine_state;
pub mod kinds;
pub mod levels;
pub mod noise_model;
pub mod onset;
pub mod phases;
pub mod points;
pub mod speed;
mod starter;
pub mod steps;
pub mod stretches;
pub mod unnamed;

use crate::log::{Log, Role, Span};
use crate::segment::kinds::{Phase, PhaseKind};
use crate::stats::moments::Sum;

pub use noise_model::{NoiseModel, Within};
pub use points::Point;
pub use starter::RUNNING_RPM;
pub use steps::Step;
pub use stretches::Stretch;

/// A log in pieces, as the later stages use it.
#[derive(Debug, Clone)]
pub struct Segments {
    pub noise_model: NoiseModel,
    pub phases: Vec<Phase>,
    /// Only the voltage is logged, and it is that of a battery that is not being charged: the
    /// engine is assumed to run, and may not have run.
    pub running_is_assumed: bool,
    /// Rests in which the engine may have run without the battery being charged.
    pub doubtful_stops: Vec<Span>,
    /// Where the engine goes from one speed to another.
    pub speed_changes: Vec<Span>,
    pub steps: Vec<Step>,
    /// Steady running between one change and the next, in time order.
    pub stretches: Vec<Stretch>,
    /// Moments at which contact was lost, in time order: they cut stretches.
    pub drop_outs: Vec<Span>,
    /// The stretches grouped by loads, engine-speed band and heat.
    pub points: Vec<Point>,
}

/// The log in pieces. Where only the voltage can show whether the engine ran, and shows
/// neither that nor a battery left alone, it is assumed to run.
pub fn segment(log: &Log) -> Segments {
    let first_look = first_look(log);
    let phases::Course { phases, doubtful_stops } = phases::course(log, &first_look);
    let segments = in_phases(log, phases, &first_look);
    let segments = Segments { doubtful_stops, ..segments };
    let runs = segments.phases.iter().any(|p| p.kind == PhaseKind::Running);
    if runs || log.engine_rpm().is_some() || log.marks.engine_running.is_some() {
        return segments;
    }
    let cranks = segments.phases.iter().any(|p| p.kind == PhaseKind::Cranking);
    let phases = phases::taken_to_run(&segments.phases);
    let assumed = in_phases(log, phases, &first_look);
    if cranks || !assumed.steps.is_empty() {
        Segments { running_is_assumed: true, ..assumed }
    } else {
        segments
    }
}

fn first_look(log: &Log) -> NoiseModel {
    let within = Within::of(log, Role::Voltage(log.bus));
    let first_look = NoiseModel::first_look(log.time_s(), log.bus_v(), log.source.resolution_v);
    NoiseModel { nominal: log.nominal(), ..first_look.with_readings(within) }
}

/// Two passes: the first, with noise from sample differences, finds where nothing changes; the
/// second uses the noise measured there.
fn in_phases(log: &Log, phases: Vec<Phase>, first_look: &NoiseModel) -> Segments {
    let (time_s, bus_v) = (log.time_s(), log.bus_v());
    let within = Within::of(log, Role::Voltage(log.bus));
    let speed_changes = log.engine_rpm().map(|rpm| speed::changes(time_s, rpm)).unwrap_or_default();
    let pass = |noise_model: &NoiseModel| {
        let steps = steps::steps(log, &phases, &speed_changes, noise_model);
        let stretches = stretches::stretches(log, &phases, &speed_changes, &steps);
        (steps, stretches)
    };
    let (_, calm) = pass(first_look);
    // Lost contacts would count as noise.
    let lost = drop_outs::drop_outs(log, &phases, &calm, first_look);
    let calm = drop_outs::cut(calm, &lost, time_s);
    let noise_model = first_look.refined(time_s, bus_v, log.engine_rpm(), within, &calm);
    let (steps, stretches) = pass(&noise_model);
    let drop_outs = drop_outs::drop_outs(log, &phases, &stretches, &noise_model);
    let stretches = drop_outs::cut(stretches, &drop_outs, time_s);
    let points = points::points(log, &stretches);
    Segments {
        noise_model,
        phases,
        running_is_assumed: false,
        doubtful_stops: Vec::new(),
        speed_changes,
        steps,
        stretches,
        drop_outs,
        points,
    }
}

/// Index of the first sample at or after `t_s`.
pub fn index_at(time_s: &[f64], t_s: f64) -> usize {
    time_s.partition_point(|&t| t < t_s)
}

/// Samples within `span`, both ends included.
pub fn indices(time_s: &[f64], span: Span) -> std::ops::Range<usize> {
    let start = index_at(time_s, span.start_s);
    let end = time_s.partition_point(|&t| t <= span.end_s);
    start..end.max(start)
}

/// Mean of the finite values; NaN if there are none.
pub fn mean(values: &[f64]) -> f64 {
    let plain = |part: &[f64]| {
        part.iter().filter(|v| v.is_finite()).fold((0.0, 0usize), |(s, n), v| (s + v, n + 1))
    };
    // The rounding error of a plain sum grows with its length.
    let (sum, n) = if values.len() <= PLAIN_SUM {
        plain(values)
    } else {
        let (mut total, mut n) = (Sum::default(), 0);
        for (sum, known) in values.chunks(PIECE).map(plain) {
            total.add(sum);
            n += known;
        }
        (total.value(), n)
    };
    if n == 0 { f64::NAN } else { sum / n as f64 }
}

/// Up to this many values are summed in order,
const PLAIN_SUM: usize = 8192;
/// longer stretches in pieces, whose sums are added with compensation.
const PIECE: usize = 128;
