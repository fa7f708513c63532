//! One car in the workshop on two days: what an unchanged car differs by, and
//! what a repair changes. Every range is invented to span the trade (common
//! practice, no source).

use std::cell::OnceCell;

use rand::RngExt;

use stiffbus::car::Car;
use stiffbus::compare::Recorded;
use stiffbus::demo::car::CarModel;
use stiffbus::demo::logger::{Channel, Logger, Shows};
use stiffbus::demo::script::{Demand, EngineChange, Script, Switch, Warming};
use stiffbus::demo::simulate::simulate;
use stiffbus::diagnosis::{BusState, Heat, OperatingPoint};
use stiffbus::log::{Place, Span};
use stiffbus::physics::alternator::OutputCurve;
use stiffbus::physics::battery::BatteryState;
use stiffbus::physics::battery::CrankingStandard;

use crate::figures::diagnose;
use crate::random_car::{Case, Options, Rng, random_car, random_clamps, random_logger, stream};

/// What the machine has at hot idle, against what all loads want.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    Sound,
    ShortALittle,
    ShortALot,
    ShortEverywhere,
}

/// How a log is driven.
#[derive(Debug, Clone, Copy)]
pub struct Drive {
    /// How long all loads are on together at idle.
    pub hold_s: f64,
    pub heat: Heat,
    /// Only the first of the loads are ever switched on.
    pub light: bool,
    pub heat_logged: bool,
}

/// A log and what was done in it.
pub struct Day {
    pub case: Case,
    /// Made when it is first asked for: most of what a log costs.
    recorded: OnceCell<Recorded>,
    /// All loads of the drive on together at idle.
    pub all_on: Span,
}

/// Of the seed alone: the same car for every day and drive.
pub fn car_of(seed: u64, kind: Kind) -> CarModel {
    let mut car = random_car(&mut stream(seed, 0));
    let rng = &mut stream(seed, 10);
    car.pulley_ratio = rng.random_range(2.4..3.0);
    let wants_a = wanted_a(&car);
    car.rated_a = match kind {
        Kind::Sound => wants_a * rng.random_range(1.12..1.7) / share_at(&car, idle_rpm(&car)),
        Kind::ShortALittle => {
            wants_a * rng.random_range(0.84..0.96) / share_at(&car, idle_rpm(&car))
        }
        Kind::ShortALot => wants_a * rng.random_range(0.5..0.84) / share_at(&car, idle_rpm(&car)),
        Kind::ShortEverywhere => wants_a * rng.random_range(0.6..0.92) / share_at(&car, 2600.0),
    };
    car.curve = OutputCurve::typical(car.rated_a).expect("a rising curve");
    car
}

/// A larger machine, or a larger one on a smaller pulley, with a regulator of its own.
pub fn swapped(seed: u64, car: &CarModel) -> CarModel {
    let rng = &mut stream(seed, 11);
    let reserve = rng.random_range(1.2..1.7);
    let mut car = car.clone();
    if rng.random_bool(0.5) {
        car.pulley_ratio *= rng.random_range(1.08..1.25);
    }
    with_output(&mut car, reserve);
    car.regulator.setpoint_25c_v = rng.random_range(14.1..14.6);
    car.regulator.per_degree_v = -rng.random_range(0.000..0.007);
    car
}

/// A machine that gives more than before and still too little.
pub fn half_cured(seed: u64, car: &CarModel) -> CarModel {
    let rng = &mut stream(seed, 12);
    let mut better = car.clone();
    let had = car.rated_a * share_at(car, idle_rpm(car)) / wanted_a(car);
    with_output(&mut better, had + (0.9 - had) * rng.random_range(0.5..0.9));
    better
}

/// `reserve` times what all loads want at hot idle.
fn with_output(car: &mut CarModel, reserve: f64) {
    car.rated_a = reserve * wanted_a(car) / share_at(car, idle_rpm(car));
    car.curve = OutputCurve::typical(car.rated_a).expect("a rising curve");
}

/// Windings or diodes that are gone: 30 % of the output is lost.
pub fn weakened(car: &CarModel) -> CarModel {
    let mut car = car.clone();
    car.rated_a *= 0.7;
    car.curve = OutputCurve::typical(car.rated_a).expect("a rising curve");
    car
}

/// A charging line that lost most of its strands, on a regulator that reads the post.
pub fn thinned(seed: u64, car: &CarModel) -> CarModel {
    let mut car = car.clone();
    car.alternator_line_ohm = stream(seed, 13).random_range(0.010..0.025);
    car.sense = stiffbus::physics::bus::Node::Alternator;
    car
}

/// What all loads and a battery that is nearly full want.
fn wanted_a(car: &CarModel) -> f64 {
    let loads = car.loads.iter().chain(&car.base_loads);
    1.03 * loads.map(|load| load.reference_a).sum::<f64>() + 3.0
}

fn idle_rpm(car: &CarModel) -> f64 {
    0.97 * car.idle.hot_rpm
}

/// Hot output at an engine speed, for each rated amp.
fn share_at(car: &CarModel, engine_rpm: f64) -> f64 {
    let shape = OutputCurve::typical(1.0).expect("a rising curve");
    shape.output(engine_rpm * car.pulley_ratio).amps_a * car.derating.factor(85.0)
}

/// What one car differs by from day to day: idle, what nobody logs, and its battery.
fn on_day(car: &CarModel, rng: &mut Rng) -> CarModel {
    let mut car = car.clone();
    car.idle.hot_rpm *= rng.random_range(0.98..1.02);
    if let Some(base) = car.base_loads.first_mut() {
        base.reference_a += rng.random_range(-1.5..1.5);
    }
    let warmth = rng.random_range(0.85..1.15);
    for ohm in [
        &mut car.battery.ohmic_ohm,
        &mut car.battery.transfer_ohm,
        &mut car.battery.fast.resistance_ohm,
        &mut car.battery.slow.resistance_ohm,
    ] {
        *ohm *= warmth;
    }
    car.battery_at_start =
        BatteryState::rested(rng.random_range(0.6..0.97), rng.random_range(0.0..0.15));
    car
}

/// The log of `car` on day number `day`; another `device` is another logger, with
/// its own noise, steps, dialect and names.
pub fn log(seed: u64, car: &CarModel, day: u64, device: u64, drive: Drive) -> Day {
    let rng = &mut stream(seed, 20 + day);
    let car = on_day(car, rng);
    let (script, all_on) = script(rng, &car, drive);
    let logger = logger(seed, device, &car, drive);
    let noise_seed = seed.wrapping_mul(64) + day;
    let simulated = simulate(&car, &script, &logger, noise_seed);
    let case = Case { seed, car, script, logger, simulated };
    Day { case, recorded: OnceCell::new(), all_on }
}

fn logger(seed: u64, device: u64, car: &CarModel, drive: Drive) -> Logger {
    let options = Options {
        declared: Some(true),
        alternator_current_logged: Some(false),
        rpm_logged: Some(true),
        samples_per_s: Some(5.0),
        ..Options::default()
    };
    let mut logger = random_logger(&mut stream(seed, 40 + device), car, &options);
    random_clamps(&mut stream(seed, 60 + device), &mut logger);
    let coolant = Shows::Temperature(Place::Coolant);
    if !drive.heat_logged {
        logger.channels.retain(|c| c.shows != coolant);
    } else if !logger.channels.iter().any(|c| c.shows == coolant) {
        logger.channels.push(Channel::new(coolant, "coolant temp", "°C", 0.5));
    }
    logger
}

/// Rest, start, idle, each load by itself, all of them together, then speed.
fn script(rng: &mut Rng, car: &CarModel, drive: Drive) -> (Script, Span) {
    let change = |at_s, demand, ramp_s| EngineChange { at_s, demand, ramp_s };
    let crank_s = rng.random_range(12.0..20.0);
    let fires_s = crank_s + rng.random_range(0.7..1.8);
    let mut engine = vec![
        change(0.0, Demand::Rest, 0.0),
        change(crank_s, Demand::Crank, 0.0),
        change(fires_s, Demand::Idle, 0.0),
    ];
    let lag_s = if rng.random_bool(0.6) { 0.0 } else { rng.random_range(0.05..0.8) };
    let mut switches = Vec::new();
    let mut at_s: f64 = fires_s + rng.random_range(25.0..45.0);
    let mut switch = |at_s: f64, load, duty| switches.push(Switch { at_s, lag_s, load, duty });
    let count = if drive.light { 1 } else { car.loads.len() };
    for load in 0..count {
        switch(at_s, load, 1.0);
        at_s += rng.random_range(11.0..15.0);
        switch(at_s, load, 0.0);
        at_s += rng.random_range(8.0..11.0);
    }
    let mut all_on_s = at_s;
    for load in 0..count {
        switch(at_s, load, 1.0);
        all_on_s = at_s + lag_s;
        at_s += rng.random_range(7.6..10.0);
    }
    let revs_s = all_on_s + drive.hold_s;
    let mut at_s = revs_s;
    for rpm in [rng.random_range(1400.0..1650.0), rng.random_range(2400.0..2900.0)] {
        engine.push(change(at_s, Demand::Speed(rpm), 1.5));
        at_s += rng.random_range(14.0..20.0);
    }
    for load in 0..count {
        switch(at_s, load, 0.0);
        at_s += 7.6;
    }
    engine.push(change(at_s, Demand::Idle, 1.5));
    let warming = |start_c, end_c, time_constant_s| Warming { start_c, end_c, time_constant_s };
    let ambient_c = rng.random_range(5.0..35.0);
    let (coolant, underhood) = match drive.heat {
        Heat::Cold => {
            let start_c = rng.random_range(10.0..25.0);
            (warming(start_c, 55.0, 400.0), warming(ambient_c, ambient_c + 15.0, 300.0))
        }
        Heat::Warm => {
            let (start_c, end_c) = (rng.random_range(63.0..70.0), rng.random_range(75.0..82.0));
            (warming(start_c, end_c, 200.0), warming(35.0, rng.random_range(40.0..55.0), 300.0))
        }
        _ => {
            let end_c = rng.random_range(88.5..94.0);
            let begins_hot = rng.random_bool(0.6);
            let coolant = match begins_hot {
                true => warming(rng.random_range(87.0..92.0), end_c, 200.0),
                false => warming(rng.random_range(70.0..82.0), end_c, 60.0),
            };
            let air_c = rng.random_range(60.0..90.0);
            let start_c = air_c - rng.random_range(0.0..15.0);
            (coolant, warming(start_c, air_c, 300.0))
        }
    };
    let duration_s = at_s + 15.0;
    let script = Script { duration_s, engine, switches, ambient_c, coolant, underhood };
    (script, Span { start_s: all_on_s, end_s: revs_s })
}

/// What really happened while all loads were on at idle.
pub struct AllOn {
    pub gives_a: f64,
    pub holds: bool,
    /// Share of its hot idle output that the machine has to spare.
    pub reserve: f64,
    pub setpoint_v: f64,
}

impl Day {
    pub fn recorded(&self) -> &Recorded {
        self.recorded.get_or_init(|| {
            let mut facts = Car::default();
            facts.battery.cca_a = self.case.seed.is_multiple_of(2).then_some(self.case.car.cca_a);
            facts.battery.cca_standard = Some(CrankingStandard::Sae);
            let diagnosis = diagnose(&self.case, &facts);
            Recorded { diagnosis, settings: Default::default() }
        })
    }

    pub fn all_on_truth(&self) -> AllOn {
        let truth = &self.case.simulated.truth;
        let settled = Span { start_s: self.all_on.start_s + 4.0, end_s: self.all_on.end_s - 0.5 };
        let inside = self.inside(&[settled]);
        let holding =
            inside.iter().filter(|&&k| truth.samples.state[k] == BusState::Holding).count();
        let all = truth.keep_up.iter().max_by_key(|k| k.loads.len());
        let reserve = all.map_or(0.0, |k| 1.0 - k.needed_a / k.idle_output_a);
        AllOn {
            gives_a: -self.mean(&[settled], &truth.samples.battery_a),
            holds: holding == inside.len(),
            reserve,
            setpoint_v: truth.setpoint_v,
        }
    }

    /// Whether the bus holds while the first load is on by itself, and before it.
    pub fn holds_first_load(&self) -> bool {
        let of_first = |duty: f64| move |switch: &&Switch| switch.load == 0 && switch.duty == duty;
        let switches = &self.case.script.switches;
        let (Some(on), Some(off)) =
            (switches.iter().find(of_first(1.0)), switches.iter().find(of_first(0.0)))
        else {
            return false;
        };
        let states = &self.case.simulated.truth.samples.state;
        let spans = [(on.at_s - 10.0, on.at_s), (on.at_s + 4.0, off.at_s)];
        let spans = spans.map(|(start_s, end_s)| Span { start_s, end_s });
        self.inside(&spans).into_iter().all(|k| states[k] == BusState::Holding)
    }

    fn inside(&self, spans: &[Span]) -> Vec<usize> {
        let time_s = self.case.simulated.time_s.iter().enumerate();
        time_s.filter(|(_, t)| spans.iter().any(|s| s.contains(**t))).map(|(k, _)| k).collect()
    }

    /// Mean of a true channel over `spans`.
    pub fn mean(&self, spans: &[Span], values: &[f64]) -> f64 {
        let inside = self.inside(spans);
        inside.iter().map(|&k| values[k]).sum::<f64>() / inside.len() as f64
    }

    pub fn true_bus_v(&self, point: &OperatingPoint) -> f64 {
        self.mean(&point.spans, &self.case.simulated.truth.samples.bus_v)
    }

    pub fn true_battery_a(&self, point: &OperatingPoint) -> f64 {
        self.mean(&point.spans, &self.case.simulated.truth.samples.battery_a)
    }
}
