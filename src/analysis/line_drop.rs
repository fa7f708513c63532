//! Volts lost between two taps at each operating point, the resistance that
//! loses them, and what the cable itself should have.
//!
//! Two taps, each read against its own ground, show what is lost there and back.
//! A tap between the alternator's case and the battery's negative post shows the
//! path back, and with it the supply side is what is left.
//!
//! The current from the alternator's post to the battery is the alternator's output, less loads at
//! its own post. The battery's current alone is not enough, because the load currents flow there
//! too. The current on to a module is the module's own, which no role holds.

pub mod cable;
pub mod resistance;
mod summary;

pub use summary::stated;

use crate::analysis::amps::clamp_half_width_a;
use crate::analysis::level::{channel_mean, half_width_v};
use crate::assumptions::{CHANNEL_ZERO, CHANNELS_APART};
use crate::car::Car;
use crate::diagnosis::{LineDrop, PhaseKind, Side};
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Role, Span, Tap};
use crate::segment::{NoiseModel, Point, Segments, indices, mean};
use crate::stats::resolution::quantization_step;
use resistance::{DropReading, resistance};

/// The end of rest, before the starter turns.
const REST_WINDOW_S: f64 = 10.0;
const SHORTEST_REST_S: f64 = 2.0;

/// Drops in the direction the current flows: alternator → battery → module.
pub fn line_drops(log: &Log, segments: &Segments, car: &Car) -> Vec<LineDrop> {
    let order = [Tap::Alternator, Tap::Battery, Tap::Module];
    let logged: Vec<Tap> =
        order.into_iter().filter(|tap| log.channel(Role::Voltage(*tap)).is_some()).collect();
    let meter = DropMeter::new(log, segments);
    let mut paths: Vec<CircuitPath> = logged
        .windows(2)
        .map(|pair| CircuitPath { from: pair[0], to: pair[1], side: Side::Loop })
        .collect();
    if meter.ground.is_some() {
        let side = |side| CircuitPath { from: Tap::Alternator, to: Tap::Battery, side };
        if logged.starts_with(&[Tap::Alternator, Tap::Battery]) {
            paths.push(side(Side::Supply));
        }
        paths.push(side(Side::Ground));
    }
    paths.iter().flat_map(|path| meter.along(*path, car)).collect()
}

/// From one tap to the next, there, back or both.
#[derive(Debug, Clone, Copy, PartialEq)]
struct CircuitPath {
    from: Tap,
    to: Tap,
    side: Side,
}

/// The channels, each with its own noise, and what they read with the engine stopped.
struct DropMeter<'a> {
    log: &'a Log,
    segments: &'a Segments,
    taps: Vec<(Tap, NoiseModel)>,
    ground: Option<Ground>,
    rest: Option<Span>,
}

/// How the ground tap's channel reads.
struct Ground {
    noise_model: NoiseModel,
    /// 1, or −1 where its leads are the other way round.
    sign: f64,
    /// Its reading with the engine stopped, where the log has that.
    zero_v: Option<f64>,
}

impl<'a> DropMeter<'a> {
    fn new(log: &'a Log, segments: &'a Segments) -> Self {
        let taps = Tap::ALL
            .into_iter()
            .filter_map(|tap| {
                log.channel(Role::Voltage(tap))?;
                let own = if tap == log.bus {
                    segments.noise_model
                } else {
                    noise_model(log, segments, Role::Voltage(tap))?
                };
                Some((tap, own))
            })
            .collect();
        let mut meter = DropMeter { log, segments, taps, ground: None, rest: rest(segments) };
        meter.ground = noise_model(log, segments, Role::GroundDrop).map(|noise_model| {
            let zero_v = meter.resting(Role::GroundDrop);
            Ground { noise_model, sign: meter.ground_sign(zero_v.unwrap_or(0.0)), zero_v }
        });
        meter
    }

    /// While the alternator charges, its case is below the battery's negative
    /// post; which lead is which shows in how the reading grows, and without
    /// current in where it goes furthest.
    fn ground_sign(&self, zero_v: f64) -> f64 {
        let points = || self.segments.points.iter();
        let read = |p: &Point| p.mean_of(Role::GroundDrop).map(|v| v - zero_v);
        let with_current: Vec<DropReading> = points()
            .filter_map(|p| {
                let (drop_v, current_a) = (read(p)?, p.mean_of(Role::AlternatorCurrent)?);
                Some(DropReading { current_a, drop_v, half_width_v: 0.0, bus_v: 0.0 })
            })
            .collect();
        let middle_a = mean(&with_current.iter().map(|m| m.current_a).collect::<Vec<_>>());
        let growth: f64 = with_current.iter().map(|m| (m.current_a - middle_a) * m.drop_v).sum();
        if growth != 0.0 {
            return growth.signum();
        }
        let furthest = points().filter_map(read).max_by(|a, b| a.abs().total_cmp(&b.abs()));
        if furthest.is_some_and(|v| v < 0.0) { -1.0 } else { 1.0 }
    }

    /// What a channel reads with the engine stopped and the bus quiet.
    fn resting(&self, role: Role) -> Option<f64> {
        channel_mean(self.log, role, self.rest?)
    }

    /// The volts lost, by what reads each channel's level.
    fn lost(&self, path: CircuitPath, read: &dyn Fn(Role) -> Option<f64>) -> Option<f64> {
        let between = || Some(read(Role::Voltage(path.from))? - read(Role::Voltage(path.to))?);
        let back = || {
            let ground = self.ground.as_ref()?;
            Some(ground.sign * (read(Role::GroundDrop)? - ground.zero_v.unwrap_or(0.0)))
        };
        match path.side {
            Side::Loop => between(),
            Side::Ground => back(),
            Side::Supply => Some(between()? - back()?),
        }
    }

    /// 90 % half-width of the drop's mean over `samples` samples.
    fn half_width_v(&self, path: CircuitPath, samples: usize) -> f64 {
        let tap = |tap: Tap| {
            let found = self.taps.iter().find(|(known, _)| *known == tap);
            found.map_or(0.0, |(_, noise_model)| half_width_v(samples, noise_model))
        };
        let ground = || self.ground.as_ref().map_or(0.0, |g| half_width_v(samples, &g.noise_model));
        match path.side {
            Side::Loop => tap(path.from).hypot(tap(path.to)),
            Side::Ground => ground(),
            Side::Supply => tap(path.from).hypot(tap(path.to)).hypot(ground()),
        }
    }

    fn current_a(&self, path: CircuitPath, read: &dyn Fn(Role) -> Option<f64>) -> Option<f64> {
        (path.from == Tap::Alternator).then(|| read(Role::AlternatorCurrent)).flatten()
    }

    /// Every level at which drop and current are both known; the engine stopped
    /// is one, because then nothing flows, whatever the clamp reads.
    fn moments(&self, path: CircuitPath) -> Vec<DropReading> {
        let moment = |read: &dyn Fn(Role) -> Option<f64>, samples: usize| {
            Some(DropReading {
                current_a: self.current_a(path, read)?,
                drop_v: self.lost(path, read)?,
                half_width_v: self.half_width_v(path, samples),
                bus_v: read(Role::Voltage(self.log.bus))?,
            })
        };
        let resting = self.rest.and_then(|span| {
            moment(&|role| self.resting(role), indices(self.log.time_s(), span).len())
        });
        let points = self.segments.points.iter();
        points.filter_map(|p| moment(&|role| p.mean_of(role), p.samples)).chain(resting).collect()
    }

    fn along(&self, path: CircuitPath, car: &Car) -> Vec<LineDrop> {
        let apart_v = match path.side {
            Side::Loop => CHANNELS_APART.half_width(),
            Side::Ground => CHANNEL_ZERO.half_width(),
            Side::Supply => CHANNELS_APART.half_width().hypot(CHANNEL_ZERO.half_width()),
        };
        let ohms = resistance(&self.moments(path), apart_v, path.side != Side::Ground);
        let cable_ohm = cable_of(path, car);
        let excess_ohm = ohms.as_ref().zip(cable_ohm.as_ref()).map(|(found, cable)| {
            let excess = found.ohm.less(cable, "measured resistance less the cable's");
            Estimate { grade: Grade::Inferred, ..excess }
        });
        let mut drops: Vec<LineDrop> = self
            .segments
            .points
            .iter()
            .filter_map(|point| {
                let read = |role: Role| point.mean_of(role);
                let lost_v = self.lost(path, &read)?;
                Some(LineDrop {
                    from: path.from.word().to_owned(),
                    to: path.to.word().to_owned(),
                    side: path.side,
                    loads: point.loads.clone(),
                    rpm_low: point.band_rpm.map(|b| b.0),
                    rpm_high: point.band_rpm.map(|b| b.1).filter(|high| high.is_finite()),
                    drop_v: Estimate::around(
                        lost_v,
                        self.half_width_v(path, point.samples),
                        Grade::Measured,
                        self.how(path),
                    ),
                    current_a: self.current_a(path, &read).map(clamped),
                    resistance_ohm: ohms.as_ref().map(|found| found.ohm.clone()),
                    cable_ohm: cable_ohm.clone(),
                    excess_ohm: excess_ohm.clone(),
                    told: String::new(),
                })
            })
            .collect();
        let told = summary::sentences(&summary::PathFacts {
            path,
            drops: &drops,
            found: ohms.as_ref(),
            apart_v,
            car,
            log: self.log,
            ground_sign: self.ground.as_ref().map(|ground| ground.sign),
        });
        drops.iter_mut().for_each(|drop| drop.told.clone_from(&told));
        drops
    }

    fn how(&self, path: CircuitPath) -> &'static str {
        let zeroed = self.ground.as_ref().is_some_and(|g| g.zero_v.is_some());
        match (path.side, zeroed) {
            (Side::Loop, _) => "difference of the two taps' means",
            (Side::Supply, _) => "difference of the two taps' means, less the ground side",
            (Side::Ground, true) => {
                "the ground tap's mean, less what it read with the engine stopped"
            }
            (Side::Ground, false) => "the ground tap's mean",
        }
    }
}

/// What the stated cables in the path should have.
fn cable_of(path: CircuitPath, car: &Car) -> Option<Estimate> {
    if path.from != Tap::Alternator || path.to != Tap::Battery {
        return None;
    }
    let of = |run: &Option<crate::car::cable::CableRun>| run.as_ref().map(cable::cable_ohm);
    match path.side {
        Side::Supply => of(&car.cable),
        Side::Ground => of(&car.ground),
        Side::Loop => match (of(&car.cable), of(&car.ground)) {
            (Some(there), Some(back)) => Some(cable::in_series(&there, &back)),
            // The ground side alone is not the loop.
            (there, _) => there,
        },
    }
}

/// A mean of logged amps: what its noise adds is nothing beside the clamp.
fn clamped(mean_a: f64) -> Estimate {
    Estimate::around(
        mean_a,
        clamp_half_width_a(mean_a),
        Grade::Measured,
        "mean of the logged alternator current, as far as a clamp is true",
    )
}

fn noise_model(log: &Log, segments: &Segments, role: Role) -> Option<NoiseModel> {
    let step_v = quantization_step(log.as_sampled().channel(role)?);
    let noise_model = NoiseModel::of(log, role, step_v, &segments.stretches)?;
    // A channel full of holes shows no noise of its own.
    Some(if noise_model.unrounded_sigma_v.is_finite() { noise_model } else { segments.noise_model })
}

/// The last seconds before the first start.
fn rest(segments: &Segments) -> Option<Span> {
    let first = segments.phases.first().filter(|p| p.kind == PhaseKind::Rest)?;
    let span = Span {
        start_s: (first.end_s - REST_WINDOW_S).max(first.start_s),
        end_s: first.end_s - 2.0 * segments.noise_model.interval_s,
    };
    (span.seconds() >= SHORTEST_REST_S).then_some(span)
}
