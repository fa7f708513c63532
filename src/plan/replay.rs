//! One car driven through the scene again, with one alternator.

use crate::inference::prior::ParameterSample;
use crate::levels;
use crate::nominal::Nominal;
use crate::physics::battery::BatteryState;
use crate::physics::bus_solution::{Settled, solve_bus};
use crate::physics::machine::Machine;
use crate::plan::scene::{ReplayStep, Scene};
use crate::plan::setpoint::CarSetpoint;

/// An alternator's temperature between cold and soaked, °C (common practice, no source).
pub const COLD_C: f64 = 25.0;
const SOAKED_C: f64 = 110.0;

/// What a load draws: amps at [`levels::REFERENCE`], and how they follow the voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Consumer {
    pub amps_a: f64,
    /// [`levels::REFERENCE`] of the system.
    pub at_v: f64,
    pub exponent: f64,
}

impl Consumer {
    pub fn at(&self, volts: f64) -> f64 {
        self.amps_a * (volts / self.at_v).powf(self.exponent)
    }
}

/// A car that this one could be.
#[derive(Debug, Clone)]
pub struct CarSample {
    pub battery: ParameterSample,
    /// What each item of the ledger draws.
    pub loads: Vec<Consumer>,
    /// Its current alternator.
    pub machine: Machine,
    /// What its regulator holds.
    pub held: CarSetpoint,
    /// What its battery takes once it is long held, over what its circuit has it take.
    pub takes: f64,
    /// Its alternator's warmth where no temperature is logged.
    pub warmth: f64,
    /// Its alternator's warmth in a car that is hot all over.
    pub soaked: f64,
    /// Output lost from cold to soaked, for alternators that it might get.
    pub lost_share: f64,
    /// Output of a new alternator, as a share of its sheet's.
    pub new_share: f64,
    /// See [`Machine::flux_exponent`].
    pub flux_exponent: f64,
    /// The pulleys that are on it.
    pub ratio: f64,
}

impl CarSample {
    pub fn loads_at(&self, duty: &[f64], volts: f64) -> f64 {
        let power = (volts / self.nominal().volts(levels::REFERENCE)).ln();
        let on = self.loads.iter().zip(duty).filter(|(_, duty)| **duty > 0.0);
        on.map(|(load, duty)| duty * load.amps_a * (load.exponent * power).exp()).sum()
    }

    /// Alternator temperature for that warmth of the car.
    pub fn machine_c(&self, warmth: Option<f64>) -> f64 {
        COLD_C + warmth.map_or(self.warmth, |w| w * self.soaked) * (SOAKED_C - COLD_C)
    }

    /// Its cells.
    pub fn nominal(&self) -> Nominal {
        self.battery.battery.nominal
    }

    /// Of an alternator in a car that is hot all over.
    pub fn soaked_c(&self) -> f64 {
        self.machine_c(Some(1.0))
    }

    /// `line_v`: what the log shows of it.
    pub fn setpoint_v(&self, line_v: f64, machine_c: f64) -> f64 {
        self.held.at(line_v, machine_c)
    }

    /// The bus at one moment, the battery in `state`.
    pub fn settled(&self, moment: &ReplayStep, machine: &Machine, state: &BatteryState) -> Settled {
        let machine_c = self.machine_c(moment.warmth);
        solve_bus(
            self.nominal(),
            self.setpoint_v(moment.setpoint_v, machine_c),
            |volts| self.battery.current_at(volts, state),
            |volts| self.loads_at(&moment.duty, volts),
            |volts| machine.available_a(moment.engine_rpm, volts, machine_c),
        )
    }
}

/// The result of a replay: one entry a moment.
#[derive(Debug, Clone, Default)]
pub struct Replay {
    pub volts: Vec<f64>,
    pub battery_a: Vec<f64>,
    pub alternator_a: Vec<f64>,
    /// At the setpoint: what there is less what it takes; NaN while not running.
    pub margin_a: Vec<f64>,
    pub end: Option<BatteryState>,
}

/// Drives `trial` through `scene` with `machine`. While the engine does not run,
/// the battery follows the logged voltage: no alternator changes that.
pub fn replay(scene: &Scene, trial: &CarSample, machine: &Machine) -> Replay {
    let mut state = trial.battery.start;
    let mut played = Replay::default();
    for moment in &scene.moments {
        let settled = if moment.running {
            trial.settled(moment, machine, &state)
        } else {
            Settled {
                volts: moment.volts,
                battery_a: trial.battery.current_at(moment.volts, &state),
                alternator_a: 0.0,
                needed_a: f64::NAN,
                available_a: f64::NAN,
            }
        };
        state = trial.battery.battery.advance(&state, settled.battery_a, moment.seconds);
        played.volts.push(settled.volts);
        played.battery_a.push(settled.battery_a);
        played.alternator_a.push(settled.alternator_a);
        played.margin_a.push(settled.available_a - settled.needed_a);
    }
    played.end = Some(state);
    played
}
