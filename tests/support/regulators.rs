//! Cars with every kind of regulator that the trade has, sound and too small, drawn wider
//! than anything the estimators assume: same seed, same car. Every range is invented to span
//! the trade (common practice, no source).
#![allow(dead_code)] // Each test binary uses its own part.

use rand::RngExt;

use stiffbus::demo::car::{CarModel, Command, LoadModel};
use stiffbus::demo::script::{Demand, EngineChange, Script, Switch};
use stiffbus::demo::simulate::simulate;
use stiffbus::physics::alternator::OutputCurve;
use stiffbus::physics::battery::BatteryState;
use stiffbus::physics::bus::Node;

use crate::random_car::{Case, Options, Rng, pick, random_case_with, stream};

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    Plain,
    /// Falls steeply with heat, from a cold start.
    Compensated,
    /// An engine computer steps it down once warm, and about.
    Commanded,
    /// … and holds it just high enough to charge whenever the engine idles.
    CommandedAtIdle,
    Drooping,
    /// Takes up a load over seconds.
    LoadResponse,
    /// Reads the alternator's post, behind a line.
    RemoteSensed,
    /// The loads' current lifts the logger's ground.
    LoggerGround,
}

pub const KINDS: [Kind; 8] = [
    Kind::Plain,
    Kind::Compensated,
    Kind::Commanded,
    Kind::CommandedAtIdle,
    Kind::Drooping,
    Kind::LoadResponse,
    Kind::RemoteSensed,
    Kind::LoggerGround,
];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Size {
    /// Carries all its loads at hot idle.
    Ample,
    /// Does not.
    Small,
}

pub fn kind_of(seed: u64) -> Kind {
    KINDS[(seed % KINDS.len() as u64) as usize]
}

/// A car with the regulator of its seed, all of whose loads are on together at idle once.
pub fn regulated_case(seed: u64, size: Size) -> Case {
    let kind = kind_of(seed);
    let mut rng = stream(seed, 20 + size as u64);
    let options = Options {
        samples_per_s: Some(pick(&mut rng, &[2.0, 5.0, 10.0, 10.0, 20.0])),
        starts_at_rest: (kind == Kind::Compensated).then_some(true),
        ..Options::default()
    };
    let base = random_case_with(seed, &options);
    let (mut car, mut script, logger) = (base.car, base.script, base.logger);
    resize(&mut car, size, &mut rng);
    all_on(&mut script, &car, &mut rng);
    regulate(&mut car, &mut script, kind, &mut rng);
    let simulated = simulate(&car, &script, &logger, seed);
    Case { seed, car, script, logger, simulated }
}

fn resize(car: &mut CarModel, size: Size, rng: &mut Rng) {
    let draws = |loads: &[LoadModel]| loads.iter().map(|l| l.reference_a).sum::<f64>();
    let all_a = draws(&car.loads) + draws(&car.base_loads);
    car.pulley_ratio = rng.random_range(2.0..3.4);
    let (factor, bend) = (rng.random_range(0.85..1.2), rng.random_range(0.8..1.3));
    let curve = |rated_a| OutputCurve::shaped(rated_a, factor, bend).expect("a rising curve");
    let idle_rpm = car.idle.hot_rpm - car.idle.residual_rpm_per_a * all_a;
    let share = curve(1.0).output(idle_rpm * car.pulley_ratio).amps_a.max(0.08);
    let soaked = 1.0 - car.derating.lost_share;
    let (needed_a, over) = match size {
        Size::Ample => (all_a + 15.0, rng.random_range(1.1..2.0)),
        Size::Small => (all_a, rng.random_range(0.35..0.9)),
    };
    car.rated_a = (needed_a * over / share / soaked).min(450.0);
    car.curve = curve(car.rated_a);
    if size == Size::Ample {
        car.battery_at_start = BatteryState::rested(rng.random_range(0.6..0.98), 0.02);
    }
}

/// At the end everything goes on at idle, for as long as a test takes; mostly at speed too.
fn all_on(script: &mut Script, car: &CarModel, rng: &mut Rng) {
    let last_on = |load: usize| {
        let mine = script.switches.iter().filter(|s| s.load == load);
        mine.max_by(|a, b| a.at_s.total_cmp(&b.at_s)).is_some_and(|s| s.duty > 0.0)
    };
    let off: Vec<usize> = (0..car.loads.len()).filter(|&load| !last_on(load)).collect();
    let mut at_s = script.duration_s;
    script.engine.push(EngineChange { at_s, demand: Demand::Idle, ramp_s: 1.0 });
    at_s += rng.random_range(10.0..20.0);
    for load in off {
        script.switches.push(Switch { at_s, lag_s: 0.0, load, duty: 1.0 });
        at_s += rng.random_range(4.0..10.0);
    }
    at_s += rng.random_range(30.0..60.0);
    if rng.random_bool(0.6) {
        let demand = Demand::Speed(rng.random_range(1700.0..2800.0));
        script.engine.push(EngineChange { at_s, demand, ramp_s: rng.random_range(1.0..15.0) });
        at_s += rng.random_range(25.0..40.0);
    }
    script.duration_s = at_s;
}

fn regulate(car: &mut CarModel, script: &mut Script, kind: Kind, rng: &mut Rng) {
    let mut changes: Vec<EngineChange> = script.engine.clone();
    changes.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let begins_s = changes
        .iter()
        .find(|c| matches!(c.demand, Demand::Idle | Demand::Speed(_)))
        .map_or(0.0, |c| c.at_s);
    let (regulator, control) = (&mut car.regulator, &mut car.control);
    match kind {
        Kind::Plain => {}
        Kind::Compensated => {
            regulator.setpoint_25c_v = rng.random_range(14.3..14.9);
            regulator.per_degree_v = -rng.random_range(0.008..0.018);
            let ambient_c = rng.random_range(-10.0..20.0);
            script.ambient_c = ambient_c;
            (script.coolant.start_c, script.underhood.start_c) = (ambient_c, ambient_c);
        }
        Kind::Commanded => {
            regulator.setpoint_25c_v = rng.random_range(14.2..14.6);
            regulator.per_degree_v = 0.0;
            let mut at_s = begins_s + rng.random_range(30.0..150.0);
            while at_s < script.duration_s {
                let offset_v = rng.random_range(-0.95..-0.4);
                let ramp_s = pick(rng, &[0.3, 2.0, 5.0, 10.0]);
                control.commands.push(Command { at_s, offset_v, ramp_s });
                at_s += rng.random_range(60.0..400.0);
            }
        }
        Kind::CommandedAtIdle => {
            let base_v = rng.random_range(13.7..14.3);
            let idle_v = rng.random_range(13.2..13.45);
            regulator.setpoint_25c_v = base_v;
            regulator.per_degree_v = 0.0;
            for change in &changes {
                let offset_v = match change.demand {
                    Demand::Idle => idle_v - base_v,
                    Demand::Speed(_) => 0.0,
                    Demand::Rest | Demand::Crank => continue,
                };
                let at_s = change.at_s + rng.random_range(1.0..6.0);
                control.commands.push(Command { at_s, offset_v, ramp_s: 2.0 });
            }
            control.commands.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        }
        Kind::Drooping => regulator.droop_v = rng.random_range(0.08..0.3),
        Kind::LoadResponse => control.load_response_s = rng.random_range(8.0..40.0),
        Kind::RemoteSensed => {
            car.sense = Node::Alternator;
            car.alternator_line_ohm = rng.random_range(0.0025..0.025);
            regulator.setpoint_25c_v = rng.random_range(14.0..14.8);
            regulator.droop_v = rng.random_range(0.0..0.1);
        }
        Kind::LoggerGround => control.logger_ground_ohm = rng.random_range(0.002..0.008),
    }
}
