//! Simulates a car that runs through a script, on a fine time grid, so that the truth does not
//! depend on the sampling rate.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::car::CarModel;
use super::electrics::Electrics;
use super::engine::{Engine, EngineInputs, phases};
use super::judge;
use super::logger::{Logger, Shows};
use super::observe::{self, TrueSample};
use super::script::Script;
use super::steps::true_steps;
use super::truth::{BatteryTruth, Samples, Truth};
use crate::diagnosis::{BusState, PhaseKind};
use crate::levels;
use crate::log::{Place, Tap};
use crate::physics::battery::BatteryState;
use crate::physics::bus::{Bus, Node, Solved};

pub const STEP_S: f64 = 0.005;
/// Time constant of the alternator's temperature.
const ALTERNATOR_WARMING_S: f64 = 90.0;
/// Time constant of belt slip, from the alternator's inertia.
const SLIP_S: f64 = 0.3;
const MOST_SLIP: f64 = 0.9;
/// Time that the engine has run if it runs at the first sample.
const SETTLING_S: f64 = 60.0;
/// A smaller discharge current does not count.
const DRAINING_A: f64 = 0.5;
/// Rectified pulses per turn: three phases, both half waves, six pole pairs.
const PULSES_A_TURN: f64 = 36.0;

#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// Seconds from the first sample, to the millisecond as logged.
    pub time_s: Vec<f64>,
    /// As written, by channel of the logger: with noise, rounded, in the unit of the channel.
    pub written: Vec<Vec<f64>>,
    pub logger: Logger,
    pub truth: Truth,
}

impl Simulated {
    pub fn bytes(&self) -> Vec<u8> {
        let logger = &self.logger;
        logger.dialect.write(logger.started_at, &self.time_s, &logger.channels, &self.written)
    }

    /// A channel as logged, back in V, A, rpm, °C or duty.
    pub fn channel(&self, shows: Shows) -> Option<Vec<f64>> {
        let index = self.logger.channels.iter().position(|c| c.shows == shows)?;
        let channel = self.logger.channels.get(index)?;
        Some(self.written.get(index)?.iter().map(|&n| channel.value(n)).collect())
    }

    pub fn bus_v(&self) -> Vec<f64> {
        self.channel(Shows::Voltage(self.logger.bus)).unwrap_or_default()
    }
}

/// Simulates the log that `logger` writes of `car` during `script`. The result is deterministic.
pub fn simulate(car: &CarModel, script: &Script, logger: &Logger, seed: u64) -> Simulated {
    simulate_in_steps(car, script, logger, seed, STEP_S)
}

/// [`simulate`] on a grid of `step_s` (10 ms or less).
pub fn simulate_in_steps(
    car: &CarModel,
    script: &Script,
    logger: &Logger,
    seed: u64,
    step_s: f64,
) -> Simulated {
    let time_s = sample_times(script.duration_s, logger, seed);
    let mut run = Run::new(car, script, step_s);
    run.settle();
    let begins = run.battery;
    let mut samples = Samples::default();
    let mut seen = judge::TrueSegments::default();
    let mut kinds = Vec::with_capacity(time_s.len());
    let mut true_samples: Vec<TrueSample> = Vec::with_capacity(time_s.len());
    let mut moment = run.step(0);
    let mut count = 1;
    for &t_s in &time_s {
        // The last grid point at or before the sample.
        let due = (t_s / step_s + 1e-6).floor() as u64;
        while count <= due {
            moment = run.step(count);
            count += 1;
        }
        let raw = run.raw(logger, &moment);
        let bus_v = moment.solved.volts(node_of(logger.bus));
        let state = moment.state(bus_v);
        samples.bus_v.push(bus_v);
        samples.setpoint_v.push(moment.setpoint_v);
        samples.battery_a.push(moment.solved.battery_a);
        samples.alternator_a.push(moment.solved.alternator_a);
        samples.available_a.push(moment.available_a);
        samples.open_circuit_v.push(moment.open_circuit_v);
        samples.state.push(state);
        samples.saturated.push(moment.saturated);
        samples.regulation_shortfall_a.push(moment.shortfall_a);
        samples.implied_deficit_a.push((-moment.solved.battery_a).max(0.0));
        samples.engine_rpm.push(run.engine.rpm);
        seen.steady.push(moment.steady);
        seen.sets.push(run.electrics.set());
        kinds.push(moment.phase);
        true_samples.push(raw);
    }
    let phases = phases(&time_s, &kinds);
    let judged = judge::judge(car, &time_s, &samples, &seen, run.end(moment.derating));
    let middle = samples.setpoint_v.get(time_s.len() / 2).copied().unwrap_or(f64::NAN);
    let truth = Truth {
        verdict: judged.verdict,
        setpoint_v: middle,
        rest_voltage_v: car.battery.open_circuit_v(&begins),
        battery: battery_truth(car, &begins, &run.battery),
        phases,
        steps: true_steps(car, script, logger, &time_s, &samples.bus_v),
        keep_up: judged.keep_up,
        samples,
    };
    let written = observe::written(logger, &true_samples, seed);
    Simulated { time_s, written, logger: logger.clone(), truth }
}

fn sample_times(duration_s: f64, logger: &Logger, seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(1);
    let interval_s = 1.0 / logger.samples_per_s;
    let count = (duration_s * logger.samples_per_s).floor() as u64;
    let mut last_ms = -1;
    (0..=count)
        .map(|index| {
            let wobble: f64 = StandardNormal.sample(&mut rng);
            let wobble = if index == 0 { 0.0 } else { wobble * logger.jitter_share };
            let at_ms = ((index as f64 + wobble) * interval_s * 1000.0).round() as i64;
            last_ms = at_ms.max(last_ms + 1);
            last_ms as f64 / 1000.0
        })
        .collect()
}

fn node_of(tap: Tap) -> Node {
    match tap {
        Tap::Battery => Node::Battery,
        Tap::Alternator => Node::Alternator,
        Tap::Module => Node::Module,
    }
}

struct Run<'a> {
    car: &'a CarModel,
    script: &'a Script,
    step_s: f64,
    engine: Engine<'a>,
    electrics: Electrics<'a>,
    battery: BatteryState,
    alternator_a: f64,
    alternator_c: f64,
    slip: f64,
    ripple_turns: f64,
}

/// Results at a grid point.
struct GridPoint {
    t_s: f64,
    phase: PhaseKind,
    solved: Solved,
    setpoint_v: f64,
    available_a: f64,
    saturated: bool,
    shortfall_a: f64,
    open_circuit_v: f64,
    alternator_rpm: f64,
    derating: f64,
    /// The engine runs and nothing has changed for a while.
    steady: bool,
}

/// Time after a change of load or speed until the state counts as steady.
const STEADY_AFTER_S: f64 = 4.0;

impl GridPoint {
    /// After a lower command, a battery with surface charge discharges at a level at which it
    /// will be charged again: the regulator is still in control.
    fn state(&self, bus_v: f64) -> BusState {
        let controlled = self.phase == PhaseKind::Running && !self.saturated;
        let drains = self.solved.battery_a < -DRAINING_A;
        if drains && !(controlled && bus_v >= levels::CHARGED.at_12_v()) {
            BusState::Draining
        } else if controlled {
            BusState::Holding
        } else {
            BusState::Limited
        }
    }
}

impl<'a> Run<'a> {
    fn new(car: &'a CarModel, script: &'a Script, step_s: f64) -> Self {
        Run {
            car,
            script,
            step_s,
            engine: Engine::new(script, car.idle),
            electrics: Electrics::new(car, script),
            battery: car.battery_at_start,
            alternator_a: 0.0,
            alternator_c: script.underhood.at(0.0),
            slip: 0.0,
            ripple_turns: 0.0,
        }
    }

    /// A log that begins with the engine running begins in a steady state.
    fn settle(&mut self) {
        if self.engine.rpm > 0.0 {
            for _ in 0..(SETTLING_S / self.step_s) as u64 {
                self.step(0);
            }
        }
    }

    /// Advances to grid point `index`; points must be taken in order from 0.
    fn step(&mut self, index: u64) -> GridPoint {
        let (car, step_s) = (self.car, self.step_s);
        let t_s = index as f64 * step_s;
        let before_rpm = self.engine.rpm;
        self.electrics.advance(t_s, step_s);
        let inputs = EngineInputs {
            alternator_a: self.alternator_a,
            idle_up_rpm: self.electrics.idle_up_rpm(),
            coolant_c: self.script.coolant.at(t_s),
        };
        self.engine.advance(t_s, step_s, &inputs);
        let phase = self.engine.phase();
        let since_change_s = self.engine.since_change_s(t_s);
        self.advance_slip((self.engine.rpm - before_rpm) / step_s);
        let alternator_rpm = self.engine.rpm * car.pulley_ratio * (1.0 - self.slip);
        let derating = car.derating.factor(self.alternator_c);
        let available_a = car.curve.output(alternator_rpm).amps_a * derating;

        let ohmic = car.battery.ohmic_ohm;
        let inner_v = car.battery.inner_v(&self.battery);
        let bus = self.electrics.bus(t_s, phase, since_change_s, inner_v, ohmic);
        let share = self.alternator_a / available_a.max(1e-6);
        let offset_v = car.control.offset_v(t_s);
        let held_v = car.regulator.held_v(self.alternator_c, share) + offset_v;
        let demand_a = self.as_regulated(bus).holding(held_v, car.sense).alternator_a;
        let most_a = match car.control.load_response_s {
            ramp_s if ramp_s > 0.0 => self.alternator_a + car.rated_a * step_s / ramp_s,
            _ => available_a,
        };
        let followed_a = car.regulator.follow(self.alternator_a, demand_a, available_a, step_s);
        let current_a = followed_a.min(most_a);
        let solved = bus.with_current(current_a);
        let saturated = demand_a > available_a;
        let shortfall_a = if phase == PhaseKind::Running && saturated {
            let (battery_v, battery_ohm) = car.battery.source_near(held_v, &self.battery);
            let settled = Bus { battery_v, battery_ohm, ..bus };
            (settled.holding(held_v, car.sense).alternator_a - available_a).max(0.0)
        } else {
            0.0
        };
        let quiet_s = since_change_s.min(t_s - self.electrics.switched_at_s);
        let moment = GridPoint {
            t_s,
            phase,
            solved,
            setpoint_v: car.regulator.setpoint_v(self.alternator_c) + offset_v,
            available_a,
            saturated,
            shortfall_a,
            open_circuit_v: car.battery.open_circuit_v(&self.battery),
            alternator_rpm,
            derating,
            steady: phase == PhaseKind::Running && quiet_s > STEADY_AFTER_S,
        };

        self.alternator_a = current_a;
        self.battery = car.battery.advance(&self.battery, solved.battery_a, step_s);
        let warmed_c = self.script.underhood.at(t_s) + car.self_heating_c * current_a / car.rated_a;
        self.alternator_c += (warmed_c - self.alternator_c) * step_s / ALTERNATOR_WARMING_S;
        self.ripple_turns += alternator_rpm / 60.0 * PULSES_A_TURN * step_s;
        self.ripple_turns -= self.ripple_turns.floor();
        moment
    }

    /// The bus as seen by the regulator. A field that lags would oscillate with the double layer
    /// of the battery. Real regulators avoid this, so this one limits the stiffness of the
    /// battery according to its own lag. In steady state both buses are the same.
    fn as_regulated(&self, bus: Bus) -> Bus {
        let battery = &self.car.battery;
        let damped_ohm = 2.0 * self.car.regulator.response_s / battery.double_layer_f;
        let battery_ohm = bus.battery_ohm.max(damped_ohm);
        let settled_a = battery.transfer_a(&self.battery);
        let battery_v = bus.battery_v + (bus.battery_ohm - battery_ohm) * settled_a;
        Bus { battery_v, battery_ohm, ..bus }
    }

    fn advance_slip(&mut self, rpm_per_s: f64) {
        let Some(belt) = self.car.belt else { return };
        let over_a = (self.alternator_a - belt.grips_a).max(0.0);
        let gain = rpm_per_s.max(0.0) / 1000.0;
        let goal = (belt.share_per_a * over_a + belt.share_per_1000_rpm_s * gain).min(MOST_SLIP);
        self.slip += (goal - self.slip) * (1.0 - (-self.step_s / SLIP_S).exp());
    }

    fn raw(&self, logger: &Logger, moment: &GridPoint) -> TrueSample {
        let share = moment.solved.alternator_a / self.car.rated_a;
        let ripple = (std::f64::consts::TAU * self.ripple_turns).sin() * share;
        let values = logger
            .channels
            .iter()
            .map(|channel| match channel.shows {
                Shows::Voltage(tap) => {
                    let lost_v = self.car.control.logger_ground_ohm * moment.solved.load_a;
                    moment.solved.volts(node_of(tap)) - lost_v
                }
                Shows::EngineRpm => self.engine.rpm,
                Shows::AlternatorRpm => moment.alternator_rpm,
                Shows::AlternatorCurrent => moment.solved.alternator_a,
                Shows::BatteryCurrent => moment.solved.battery_a,
                Shows::Ground => moment.solved.ground_v(self.car.ground_share),
                Shows::Temperature(Place::Coolant) => self.script.coolant.at(moment.t_s),
                Shows::Temperature(Place::Intake) => self.script.underhood.at(moment.t_s),
                Shows::Temperature(Place::Alternator) => self.alternator_c,
                // A battery warms over hours, so it has the temperature of the air.
                Shows::Temperature(Place::Ambient | Place::Battery) => self.script.ambient_c,
                Shows::Load(load) => declared_duty(self.script, load, moment.t_s),
            })
            .collect();
        TrueSample { values, ripple }
    }

    fn end(&self, derating: f64) -> judge::End {
        let offset_v = self.car.control.offset_v(self.script.duration_s);
        let setpoint_v = self.car.regulator.setpoint_v(self.alternator_c) + offset_v;
        judge::End { setpoint_v, derating, state_of_charge: self.battery.state_of_charge }
    }
}

/// Duty of a load by its switch, as a logger sees it, without lag.
fn declared_duty(script: &Script, load: usize, t_s: f64) -> f64 {
    let last = script
        .switches
        .iter()
        .filter(|switch| switch.load == load && switch.at_s <= t_s)
        .max_by(|a, b| a.at_s.total_cmp(&b.at_s));
    last.map_or(0.0, |switch| switch.duty)
}

fn battery_truth(car: &CarModel, begins: &BatteryState, ends: &BatteryState) -> BatteryTruth {
    let battery = &car.battery;
    let instant_ohm = battery.ohmic_ohm + battery.transfer_ohm;
    let seconds_ohm = instant_ohm + battery.fast.resistance_ohm;
    BatteryTruth {
        capacity_ah: battery.capacity_ah,
        cca_a: car.cca_a,
        instant_ohm,
        seconds_ohm,
        minutes_ohm: seconds_ohm + battery.slow.resistance_ohm,
        state_of_charge_start: begins.state_of_charge,
        state_of_charge_end: ends.state_of_charge,
        surface_most_v: battery.surface.most_v,
    }
}
