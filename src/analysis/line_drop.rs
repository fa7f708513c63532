//! Volts lost between two taps at each operating point, the resistance that
//! loses them, and what the cable itself should have.
//!
//! Two taps, each read against its own ground, show what is lost there and back.
//! A tap between the alternator's case and the battery's negative post shows the
//! way back, and with it the supply side is what is left.
//!
//! Which current flows where: from the alternator's post to the battery runs
//! what the alternator makes, less what hangs at its own post. The battery's
//! current alone does not tell it, for what the loads take flows there too. On
//! to a module runs the module's own current, which no role holds.

pub mod cable;
pub mod resistance;
mod told;

pub use told::stated;

use crate::analysis::assumptions::clamp_half_width_a;
use crate::analysis::level::half_width_v;
use crate::car::Car;
use crate::diagnosis::{LineDrop, PhaseKind, Side};
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Role, Span, Tap};
use crate::segment::{NoiseModel, Point, Segments, indices, mean};
use crate::stats::resolution::quantisation_step;
use resistance::{CHANNEL_ZERO_V, CHANNELS_APART_V, Moment, resistance};

/// The end of rest, before the starter turns.
const REST_WINDOW_S: f64 = 10.0;
const SHORTEST_REST_S: f64 = 2.0;

/// Drops in the direction the current flows: alternator → battery → module.
pub fn line_drops(log: &Log, segments: &Segments, car: &Car) -> Vec<LineDrop> {
    let order = [Tap::Alternator, Tap::Battery, Tap::Module];
    let logged: Vec<Tap> =
        order.into_iter().filter(|tap| log.channel(Role::Voltage(*tap)).is_some()).collect();
    let bench = Bench::new(log, segments);
    let mut ways: Vec<Way> = logged
        .windows(2)
        .map(|pair| Way { from: pair[0], to: pair[1], side: Side::Loop })
        .collect();
    if bench.ground.is_some() {
        let side = |side| Way { from: Tap::Alternator, to: Tap::Battery, side };
        if logged.starts_with(&[Tap::Alternator, Tap::Battery]) {
            ways.push(side(Side::Supply));
        }
        ways.push(side(Side::Ground));
    }
    ways.iter().flat_map(|way| bench.along(*way, car)).collect()
}

/// From one tap to the next, there, back or both.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Way {
    from: Tap,
    to: Tap,
    side: Side,
}

/// The channels, each with its own grain, and what they read with the engine stopped.
struct Bench<'a> {
    log: &'a Log,
    segments: &'a Segments,
    taps: Vec<(Tap, NoiseModel)>,
    ground: Option<Ground>,
    rest: Option<Span>,
}

/// How the ground tap's channel reads.
struct Ground {
    grain: NoiseModel,
    /// 1, or −1 where its leads are the other way round.
    sign: f64,
    /// Its reading with the engine stopped, where the log has that.
    zero_v: Option<f64>,
}

impl<'a> Bench<'a> {
    fn new(log: &'a Log, segments: &'a Segments) -> Self {
        let taps = Tap::ALL
            .into_iter()
            .filter_map(|tap| {
                log.channel(Role::Voltage(tap))?;
                let own = if tap == log.bus {
                    segments.grain
                } else {
                    grain(log, segments, Role::Voltage(tap))?
                };
                Some((tap, own))
            })
            .collect();
        let mut bench = Bench { log, segments, taps, ground: None, rest: rest(segments) };
        bench.ground = grain(log, segments, Role::GroundDrop).map(|grain| {
            let zero_v = bench.resting(Role::GroundDrop);
            Ground { grain, sign: bench.ground_sign(zero_v.unwrap_or(0.0)), zero_v }
        });
        bench
    }

    /// While the alternator charges, its case lies below the battery's negative
    /// post; which lead is which shows in how the reading grows, and without
    /// current in where it goes furthest.
    fn ground_sign(&self, zero_v: f64) -> f64 {
        let points = || self.segments.points.iter();
        let read = |p: &Point| p.mean_of(Role::GroundDrop).map(|v| v - zero_v);
        let with_current: Vec<Moment> = points()
            .filter_map(|p| {
                let (drop_v, current_a) = (read(p)?, p.mean_of(Role::AlternatorCurrent)?);
                Some(Moment { current_a, drop_v, half_width_v: 0.0, bus_v: 0.0 })
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
        let range = indices(self.log.time_s(), self.rest?);
        let resting = mean(self.log.channel(role)?.get(range)?);
        resting.is_finite().then_some(resting)
    }

    /// The volts lost, by what reads each channel's level.
    fn lost(&self, way: Way, read: &dyn Fn(Role) -> Option<f64>) -> Option<f64> {
        let between = || Some(read(Role::Voltage(way.from))? - read(Role::Voltage(way.to))?);
        let back = || {
            let ground = self.ground.as_ref()?;
            Some(ground.sign * (read(Role::GroundDrop)? - ground.zero_v.unwrap_or(0.0)))
        };
        match way.side {
            Side::Loop => between(),
            Side::Ground => back(),
            Side::Supply => Some(between()? - back()?),
        }
    }

    /// 90 % half-width of the drop's mean over so many samples.
    fn half_width_v(&self, way: Way, samples: usize) -> f64 {
        let tap = |tap: Tap| {
            let found = self.taps.iter().find(|(known, _)| *known == tap);
            found.map_or(0.0, |(_, grain)| half_width_v(samples, grain))
        };
        let ground = || self.ground.as_ref().map_or(0.0, |g| half_width_v(samples, &g.grain));
        match way.side {
            Side::Loop => tap(way.from).hypot(tap(way.to)),
            Side::Ground => ground(),
            Side::Supply => tap(way.from).hypot(tap(way.to)).hypot(ground()),
        }
    }

    fn current_a(&self, way: Way, read: &dyn Fn(Role) -> Option<f64>) -> Option<f64> {
        (way.from == Tap::Alternator).then(|| read(Role::AlternatorCurrent)).flatten()
    }

    /// Every level at which drop and current are both known; the engine stopped
    /// is one, for then nothing flows whatever the clamp says.
    fn moments(&self, way: Way) -> Vec<Moment> {
        let moment = |read: &dyn Fn(Role) -> Option<f64>, samples: usize| {
            Some(Moment {
                current_a: self.current_a(way, read)?,
                drop_v: self.lost(way, read)?,
                half_width_v: self.half_width_v(way, samples),
                bus_v: read(Role::Voltage(self.log.bus))?,
            })
        };
        let resting = self.rest.and_then(|span| {
            moment(&|role| self.resting(role), indices(self.log.time_s(), span).len())
        });
        let points = self.segments.points.iter();
        points.filter_map(|p| moment(&|role| p.mean_of(role), p.samples)).chain(resting).collect()
    }

    fn along(&self, way: Way, car: &Car) -> Vec<LineDrop> {
        let apart_v = match way.side {
            Side::Loop => CHANNELS_APART_V,
            Side::Ground => CHANNEL_ZERO_V,
            Side::Supply => CHANNELS_APART_V.hypot(CHANNEL_ZERO_V),
        };
        let ohms = resistance(&self.moments(way), apart_v, way.side != Side::Ground);
        let cable_ohm = cable_of(way, car);
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
                let lost_v = self.lost(way, &read)?;
                Some(LineDrop {
                    from: way.from.word().to_owned(),
                    to: way.to.word().to_owned(),
                    side: way.side,
                    loads: point.loads.clone(),
                    rpm_low: point.band_rpm.map(|b| b.0),
                    rpm_high: point.band_rpm.map(|b| b.1).filter(|high| high.is_finite()),
                    drop_v: Estimate::around(
                        lost_v,
                        self.half_width_v(way, point.samples),
                        Grade::Measured,
                        self.how(way),
                    ),
                    current_a: self.current_a(way, &read).map(clamped),
                    resistance_ohm: ohms.as_ref().map(|found| found.ohm.clone()),
                    cable_ohm: cable_ohm.clone(),
                    excess_ohm: excess_ohm.clone(),
                    told: String::new(),
                })
            })
            .collect();
        let told = told::told(&told::Known {
            way,
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

    fn how(&self, way: Way) -> &'static str {
        let zeroed = self.ground.as_ref().is_some_and(|g| g.zero_v.is_some());
        match (way.side, zeroed) {
            (Side::Loop, _) => "difference of the two taps' means",
            (Side::Supply, _) => "difference of the two taps' means, less the ground side",
            (Side::Ground, true) => {
                "the ground tap's mean, less what it read with the engine stopped"
            }
            (Side::Ground, false) => "the ground tap's mean",
        }
    }
}

/// What the stated cables in the way should have.
fn cable_of(way: Way, car: &Car) -> Option<Estimate> {
    if way.from != Tap::Alternator || way.to != Tap::Battery {
        return None;
    }
    let of = |run: &Option<crate::car::cable::CableRun>| run.as_ref().map(cable::cable_ohm);
    match way.side {
        Side::Supply => of(&car.cable),
        Side::Ground => of(&car.ground),
        Side::Loop => match (of(&car.cable), of(&car.ground)) {
            (Some(there), Some(back)) => Some(cable::in_series(&there, &back)),
            // A ground alone does not stand for the way there.
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

fn grain(log: &Log, segments: &Segments, role: Role) -> Option<NoiseModel> {
    let step_v = quantisation_step(log.as_sampled().channel(role)?);
    let grain = NoiseModel::of(log, role, step_v, &segments.stretches)?;
    // A channel full of holes shows no noise of its own.
    Some(if grain.unrounded_sigma_v.is_finite() { grain } else { segments.grain })
}

/// The last seconds before the first start.
fn rest(segments: &Segments) -> Option<Span> {
    let first = segments.phases.first().filter(|p| p.kind == PhaseKind::Rest)?;
    let span = Span {
        start_s: (first.end_s - REST_WINDOW_S).max(first.start_s),
        end_s: first.end_s - 2.0 * segments.grain.interval_s,
    };
    (span.seconds() >= SHORTEST_REST_S).then_some(span)
}
