//! Cars logged the way people do it: slow loggers, coarse readings, a governor that
//! hunts, fans that start softly, heaters that cycle, and cars drawn from wider ranges
//! than the tool assumes. Same seed, same log. All invented (common practice, no source).
#![allow(dead_code)] // Each test binary uses its own part.

use chrono::NaiveDate;
use rand::RngExt;

use stiffbus::demo::car::CarModel;
use stiffbus::demo::dialect::Dialect;
use stiffbus::demo::logger::{Channel, Logger, Noise, Shows};
use stiffbus::demo::script::{Demand, EngineChange, Script, Switch, Warming};
use stiffbus::demo::simulate::simulate;
use stiffbus::demo::truth::{StepTruth, Truth};
use stiffbus::diagnosis::{Direction, PhaseKind};
use stiffbus::log::{Span, Tap};
use stiffbus::physics::alternator::OutputCurve;
use stiffbus::physics::battery::BatteryState;
use stiffbus::physics::load::Inrush;

use crate::random_car::{Case, Rng, pick, random_car, stream};

/// What a test insists on; `None` leaves it to chance.
#[derive(Debug, Clone, Copy, Default)]
pub struct Wants {
    pub rpm_logged: Option<bool>,
    pub declared: Option<bool>,
    /// Otherwise 0.1 to 2.
    pub samples_per_s: Option<f64>,
    pub resolution_v: Option<f64>,
    /// Standard deviation of all the noise.
    pub noise_v: Option<f64>,
    /// The engine is never held above idle.
    pub idle_only: bool,
}

/// How a load goes on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Manner {
    AtOnce,
    /// Over so many seconds.
    Softly(f64),
    /// By turns, once in so many seconds.
    Cycling(f64),
}

/// A true change of load, however many pieces the simulator made of it.
#[derive(Debug, Clone)]
pub struct Change {
    pub at_s: f64,
    /// The end of a soft start; of a load that cycles, that of its last turn.
    pub done_s: f64,
    pub load: String,
    pub direction: Direction,
    pub manner: Manner,
    /// Level before less level after on the noise-free bus, where both could be seen: no
    /// other change within sight of it, and none of speed along with it. The lesser of
    /// what is there soon after and what a slow regulator leaves of it.
    pub shift_v: Option<f64>,
}

pub struct Everyday {
    pub case: Case,
    pub changes: Vec<Change>,
    /// From when the driver asks for another speed until the engine has it.
    pub speed_changes: Vec<Span>,
    pub declared: bool,
}

impl Everyday {
    pub fn truth(&self) -> &Truth {
        &self.case.simulated.truth
    }

    pub fn interval_s(&self) -> f64 {
        1.0 / self.case.logger.samples_per_s
    }

    /// What its voltage channel takes from every reading, and no log shows.
    pub fn offset_v(&self) -> f64 {
        self.case.logger.channels.first().map_or(0.0, |volts| volts.offset)
    }

    pub fn running_minutes(&self) -> f64 {
        let running = self.truth().phases.iter().filter(|p| p.kind == PhaseKind::Running);
        running.map(|p| p.end_s - p.start_s).sum::<f64>() / 60.0
    }
}

/// A soft start in pieces this long.
const PIECE_S: f64 = 0.1;
/// The engine follows what is asked of it, and the loads' pull on it, this late.
const FOLLOWS_S: f64 = 3.0;
/// A change is judged only if nothing else changes within this long,
const CALM_S: f64 = 5.0;
/// nor within so many samples,
const CALM_SAMPLES: f64 = 3.0;
/// and its levels are those of at most this long, or of so many samples.
const LEVEL_S: f64 = 6.0;
const LEVEL_SAMPLES: f64 = 3.0;
/// A sag is mended after so long, or never.
const MENDED_S: f64 = 20.0;
/// … while the engine keeps its speed to within this share.
const SAME_SPEED: f64 = 0.05;

pub fn everyday_case(seed: u64, wants: &Wants) -> Everyday {
    let mut rng = stream(seed, 10);
    let mut car = wide_car(&mut rng);
    let manners: Vec<Manner> = car.loads.iter().map(|_| manner(&mut rng)).collect();
    for (load, manner) in car.loads.iter_mut().zip(&manners) {
        if *manner != Manner::AtOnce {
            load.inrush = Inrush::NONE;
        }
    }
    let mut rng = stream(seed, 11);
    let samples_per_s = {
        let drawn = pick(&mut rng, &[0.1, 0.2, 0.5, 1.0, 1.0, 2.0]);
        wants.samples_per_s.unwrap_or(drawn)
    };
    let script = script(&mut rng, &manners, 1.0 / samples_per_s, wants);
    let declared = {
        let drawn = rng.random_bool(0.3);
        wants.declared.unwrap_or(drawn)
    };
    let logger = logger(&mut stream(seed, 12), &car, samples_per_s, declared, wants);
    let mut simulated = simulate(&car, &script, &logger, seed);
    let speed_changes = speed_changes(&script);
    let changes = changes(&simulated.truth, &simulated.time_s, &script, &speed_changes, &manners);
    simulated.truth.steps = whole(&simulated.truth.steps);
    let case = Case { seed, car, script, logger, simulated };
    Everyday { case, changes, speed_changes, declared }
}

/// A random car pushed beyond the ranges that the tool expects of any.
fn wide_car(rng: &mut Rng) -> CarModel {
    let mut car = random_car(rng);
    let battery = &mut car.battery;
    let factor = rng.random_range(0.7..1.6);
    for ohm in [&mut battery.ohmic_ohm, &mut battery.transfer_ohm] {
        *ohm *= factor;
    }
    battery.acceptance_ohm_share *= rng.random_range(0.5..2.5);
    battery.fast.resistance_ohm *= rng.random_range(0.4..2.5);
    battery.fast.time_constant_s = rng.random_range(1.5..8.0);
    battery.slow.resistance_ohm *= rng.random_range(0.4..2.5);
    battery.slow.time_constant_s = rng.random_range(40.0..400.0);
    battery.surface.most_v = rng.random_range(0.2..1.1);
    battery.surface.fade_s = rng.random_range(200.0..1500.0);
    // A charger or a drive not long ago leaves charge on the plates.
    car.battery_at_start =
        BatteryState::rested(rng.random_range(0.4..0.99), rng.random_range(0.0..0.6));
    car.rated_a = rng.random_range(35.0..220.0);
    let (stretch, bend) = (rng.random_range(0.75..1.35), rng.random_range(0.7..1.5));
    car.curve = OutputCurve::shaped(car.rated_a, stretch, bend).expect("a rising curve");
    car.derating.lost_share = rng.random_range(0.05..0.35);
    car.regulator.setpoint_25c_v = rng.random_range(13.4..14.9);
    car.regulator.per_degree_v = -rng.random_range(0.0..0.015);
    car.regulator.droop_v = rng.random_range(0.0..0.08);
    // One in six builds its output slowly, to spare the idling engine.
    car.regulator.response_s = if rng.random_bool(0.17) {
        rng.random_range(1.0..2.5)
    } else {
        rng.random_range(0.05..0.5)
    };
    car.pulley_ratio = rng.random_range(1.8..3.5);
    car.alternator_line_ohm = rng.random_range(0.0001..0.003);
    for load in &mut car.base_loads {
        load.reference_a *= rng.random_range(0.6..2.0);
    }
    for load in &mut car.loads {
        load.reference_a *= rng.random_range(0.6..1.5);
    }
    if rng.random_bool(0.6) {
        car.idle.hunting_rpm = rng.random_range(10.0..50.0);
        car.idle.hunting_s = rng.random_range(1.0..10.0);
    }
    car.idle.dip_rpm_per_a = rng.random_range(0.0..3.0);
    car
}

fn manner(rng: &mut Rng) -> Manner {
    match rng.random_range(0..10) {
        0..2 => Manner::Softly(rng.random_range(2.0..8.0)),
        2 => Manner::Cycling(rng.random_range(0.5..4.0)),
        _ => Manner::AtOnce,
    }
}

fn script(rng: &mut Rng, manners: &[Manner], interval_s: f64, wants: &Wants) -> Script {
    let dwell_s = (5.0 * interval_s).max(12.0);
    let change = |at_s, demand, ramp_s| EngineChange { at_s, demand, ramp_s };
    let mut engine = Vec::new();
    let mut at_s = if rng.random_bool(0.7) {
        let crank_s = rng.random_range(15.0..40.0) + 3.0 * interval_s;
        let fires_s = crank_s + rng.random_range(0.5..1.8);
        engine.push(change(0.0, Demand::Rest, 0.0));
        engine.push(change(crank_s, Demand::Crank, 0.0));
        engine.push(change(fires_s, Demand::Idle, 0.0));
        fires_s + dwell_s + rng.random_range(5.0..40.0)
    } else {
        engine.push(change(0.0, Demand::Idle, 0.0));
        dwell_s + rng.random_range(0.0..30.0)
    };
    let duration_s = rng.random_range(480.0..900.0_f64).max(90.0 * interval_s);
    let drives = if wants.idle_only { 0.0 } else { pick(rng, &[0.0, 0.15, 0.15, 0.4]) };
    let mut switches = Vec::new();
    let mut on = vec![false; manners.len()];
    let mut idling = true;
    while at_s < duration_s - dwell_s - 10.0 {
        if rng.random_bool(drives) {
            idling = !idling && rng.random_bool(0.7);
            let demand = match idling {
                true => Demand::Idle,
                false => Demand::Speed(rng.random_range(1100.0..3600.0)),
            };
            engine.push(change(at_s, demand, rng.random_range(0.8..4.0)));
        } else {
            let load = rng.random_range(0..manners.len());
            on[load] = !on[load];
            if on[load] {
                at_s += turn_on(&mut switches, at_s, load, manners[load], rng);
            } else {
                end_cycling(&mut switches, at_s, load);
                switches.push(Switch { at_s, lag_s: 0.0, load, duty: 0.0 });
            }
        }
        at_s += rng.random_range(1.0..4.0) * dwell_s;
        at_s = (at_s * 1000.0).round() / 1000.0;
    }
    if rng.random_bool(0.2) {
        engine.push(change(duration_s - dwell_s, Demand::Rest, 0.5));
    }
    let warm = rng.random_bool(0.5);
    let ambient_c = rng.random_range(-5.0..35.0);
    let start = |hot: f64| if warm { hot - 10.0 } else { ambient_c };
    Script {
        duration_s,
        engine,
        switches,
        ambient_c,
        coolant: Warming { start_c: start(90.0), end_c: 90.0, time_constant_s: 250.0 },
        underhood: Warming { start_c: start(70.0), end_c: 75.0, time_constant_s: 400.0 },
    }
}

/// Switches one load on in its manner. Pieces of one change have one `at_s`, so that a
/// column shows it whole from there on. Returns how long it takes.
fn turn_on(
    switches: &mut Vec<Switch>,
    at_s: f64,
    load: usize,
    manner: Manner,
    rng: &mut Rng,
) -> f64 {
    match manner {
        Manner::AtOnce => {
            switches.push(Switch { at_s, lag_s: 0.0, load, duty: 1.0 });
            0.0
        }
        Manner::Softly(seconds) => {
            let pieces = (seconds / PIECE_S).ceil();
            for piece in 1..=pieces as u32 {
                let duty = f64::from(piece) / pieces;
                switches.push(Switch { at_s, lag_s: f64::from(piece) * PIECE_S, load, duty });
            }
            seconds
        }
        Manner::Cycling(period_s) => {
            let (share, turns) = (rng.random_range(0.3..0.7), CYCLING_S / period_s);
            for turn in 0..turns as u32 {
                let lag_s = f64::from(turn) * period_s;
                switches.push(Switch { at_s, lag_s, load, duty: 1.0 });
                switches.push(Switch { at_s, lag_s: lag_s + share * period_s, load, duty: 0.0 });
            }
            switches.push(Switch { at_s, lag_s: CYCLING_S, load, duty: 1.0 });
            0.0
        }
    }
}

/// A load that cycles stays on for good after this long, if nobody ends it before.
const CYCLING_S: f64 = 120.0;

fn end_cycling(switches: &mut Vec<Switch>, at_s: f64, load: usize) {
    switches.retain(|s| s.load != load || s.at_s + s.lag_s < at_s);
}

fn logger(
    rng: &mut Rng,
    car: &CarModel,
    samples_per_s: f64,
    declared: bool,
    wants: &Wants,
) -> Logger {
    let noise_v = {
        // From 2 to 40 mV, as many in each octave.
        let drawn = 0.002 * 20f64.powf(rng.random_range(0.0..1.0));
        wants.noise_v.unwrap_or(drawn)
    };
    let slow_share = rng.random_range(0.0..0.95_f64);
    let correlation_s = rng.random_range(0.05..4.0);
    let ripple_v = if rng.random_bool(0.3) { noise_v * rng.random_range(0.3..1.0) } else { 0.0 };
    let resolution_v = {
        let drawn = pick(rng, &[0.01, 0.01, 0.02, 0.05, 0.1]);
        wants.resolution_v.unwrap_or(drawn)
    };
    let cut_off = rng.random_bool(0.4);
    let has_rpm = {
        let drawn = rng.random_bool(0.5);
        wants.rpm_logged.unwrap_or(drawn)
    };
    let volts = Channel::new(Shows::Voltage(Tap::Battery), "battery voltage", "V", resolution_v);
    // Cut off instead of rounded is rounded half a step lower.
    let offset_v = if cut_off { -0.5 * resolution_v } else { 0.0 };
    let mut channels = vec![volts.scaled(1.0, offset_v, resolution_v)];
    if has_rpm {
        let resolution_rpm = pick(rng, &[1.0, 1.0, 10.0]);
        let rpm = Channel::new(Shows::EngineRpm, "engine rpm", "rpm", resolution_rpm);
        channels.push(rpm.noisy(rng.random_range(1.0..8.0)));
    }
    if declared {
        for (index, load) in car.loads.iter().enumerate() {
            channels.push(Channel::new(Shows::Load(index), &load.name, "", 0.01));
        }
    }
    let day = NaiveDate::from_ymd_opt(2031, 5, 4).and_then(|day| day.and_hms_opt(9, 0, 0));
    Logger {
        samples_per_s,
        jitter_share: pick(rng, &[0.0, 0.01, 0.05]),
        channels,
        bus: Tap::Battery,
        noise: Noise {
            white_v: noise_v * (1.0 - slow_share * slow_share).sqrt(),
            autoregressive_v: noise_v * slow_share,
            rho: (-1.0 / (samples_per_s * correlation_s)).exp(),
            ripple_v,
        },
        started_at: day.expect("a valid day"),
        dialect: Dialect::plain(),
    }
}

fn speed_changes(script: &Script) -> Vec<Span> {
    let begun = script.engine.iter().map(|change| Span {
        start_s: change.at_s,
        end_s: change.at_s + change.ramp_s + FOLLOWS_S,
    });
    begun.filter(|span| span.start_s > 0.0).collect()
}

/// Of pieces that one switch was thrown for, the first, with the others' effect.
fn whole(steps: &[StepTruth]) -> Vec<StepTruth> {
    let mut whole: Vec<StepTruth> = Vec::new();
    for step in steps {
        let same =
            |s: &&mut StepTruth| s.load == step.load && s.declared_at_s == step.declared_at_s;
        match whole.iter_mut().rev().find(same) {
            Some(first) => {
                first.amps_a += step.amps_a;
                first.until_s = step.until_s;
                first.extreme_v = step.extreme_v;
                first.settled_v = step.settled_v;
            }
            None => whole.push(step.clone()),
        }
    }
    whole
}

fn changes(
    truth: &Truth,
    time_s: &[f64],
    script: &Script,
    speed_changes: &[Span],
    manners: &[Manner],
) -> Vec<Change> {
    let interval_s = time_s.get(1).map_or(1.0, |t| t - time_s[0]);
    let mut changes: Vec<Change> = Vec::new();
    for step in &truth.steps {
        let key = |c: &&mut Change| c.load == step.load && c.at_s == step.declared_at_s;
        match changes.iter_mut().rev().find(key) {
            Some(first) => first.done_s = step.at_s,
            None => changes.push(Change {
                at_s: step.declared_at_s,
                done_s: step.at_s,
                load: step.load.clone(),
                direction: step.direction,
                manner: manner_of(script, manners, step),
                shift_v: None,
            }),
        }
    }
    let bounds: Vec<Span> = changes
        .iter()
        .map(|c| Span { start_s: c.at_s, end_s: c.done_s })
        .chain(speed_changes.iter().copied())
        .collect();
    let level = |x: &[f64], start_s: f64, end_s: f64| {
        let from = time_s.partition_point(|&t| t < start_s);
        let to = time_s.partition_point(|&t| t < end_s).max(from);
        let seen = &x[from..to];
        (!seen.is_empty()).then(|| seen.iter().sum::<f64>() / seen.len() as f64)
    };
    let calm_s = (CALM_SAMPLES * interval_s).max(CALM_S);
    let level_s = (LEVEL_SAMPLES * interval_s).max(LEVEL_S);
    // Each is marked while all others bound it: an iterator would hold them.
    #[allow(clippy::needless_range_loop)]
    for k in 0..changes.len() {
        let (at_s, done_s) = (changes[k].at_s, changes[k].done_s);
        let others = bounds.iter().enumerate().filter(|(j, _)| *j != k).map(|(_, span)| span);
        let ended_s = others.clone().map(|s| s.end_s).filter(|t| *t <= at_s).fold(0.0, f64::max);
        let end_s = time_s.last().copied().unwrap_or(0.0);
        let next_s = others.clone().map(|s| s.start_s).filter(|t| *t >= at_s).fold(end_s, f64::min);
        let over = others.clone().any(|s| s.start_s < at_s && s.end_s > at_s);
        let cycles = matches!(changes[k].manner, Manner::Cycling(_));
        if over || cycles || at_s - ended_s < calm_s || next_s - done_s < calm_s {
            continue;
        }
        let settling_s = (0.4 * (next_s - done_s)).min(2.0);
        let before = |x: &[f64]| level(x, (at_s - level_s).max(ended_s), at_s);
        let from_s = done_s + settling_s;
        let soon = |x: &[f64]| level(x, from_s, (from_s + level_s).min(next_s));
        // A regulator that answers slowly mends a sag only after a while.
        let until_s = (done_s + MENDED_S.max(3.0 * level_s)).min(next_s);
        let later = |x: &[f64]| level(x, (until_s - level_s).max(from_s), until_s);
        let (bus_v, rpm) = (&truth.samples.bus_v, &truth.samples.engine_rpm);
        // A higher idle for the air conditioner moves the bus more than the load does.
        let speed = |after: Option<f64>| Some((after? / before(rpm)? - 1.0).abs());
        let calm = |share: Option<f64>| share.is_some_and(|share| share < SAME_SPEED);
        let shifts = before(bus_v).zip(soon(bus_v)).zip(later(bus_v));
        if let Some(((before_v, soon_v), later_v)) = shifts
            && calm(speed(soon(rpm)))
        {
            let (soon_v, later_v) = (before_v - soon_v, before_v - later_v);
            let mended = soon_v * later_v < 0.0;
            let least_v = if mended { 0.0 } else { soon_v.abs().min(later_v.abs()) };
            changes[k].shift_v = Some(least_v.copysign(soon_v));
        }
    }
    changes
}

fn manner_of(script: &Script, manners: &[Manner], step: &StepTruth) -> Manner {
    let thrown = script.switches.iter().filter(|s| s.at_s == step.declared_at_s);
    let pieces = thrown.clone().count();
    let load = thrown.map(|s| s.load).next();
    match load.and_then(|load| manners.get(load)) {
        Some(manner) if pieces > 1 => *manner,
        _ => Manner::AtOnce,
    }
}
