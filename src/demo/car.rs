//! A car as the simulator sees it, faults included.

use crate::physics::alternator::{Derating, OutputCurve, Regulator};
use crate::physics::battery::{Battery, BatteryState};
use crate::physics::bus::Node;
use crate::physics::load::{Inrush, LoadKind};

/// A consumer.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadModel {
    pub name: String,
    pub kind: LoadKind,
    /// Amps at 13.5 V and full duty.
    pub reference_a: f64,
    pub inrush: Inrush,
    pub node: Node,
    /// How much the engine controller lifts the idle while this is on.
    pub idle_up_rpm: f64,
}

/// A starter motor, as the amps it would draw at 13.5 V.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Starter {
    /// Standing still.
    pub stall_a: f64,
    /// Turning the engine.
    pub turning_a: f64,
}

/// How the engine idles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Idle {
    pub cold_rpm: f64,
    pub hot_rpm: f64,
    /// Lost at once for each amp more from the alternator.
    pub dip_rpm_per_a: f64,
    /// Still lost once the governor has answered.
    pub residual_rpm_per_a: f64,
    pub governor_s: f64,
    /// A governor that hunts swings the idle by so much, up and down,
    pub hunting_rpm: f64,
    /// once in so many seconds.
    pub hunting_s: f64,
}

/// A belt that loses its grip under load or while the engine gains speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeltSlip {
    /// Alternator current up to which it grips.
    pub grips_a: f64,
    /// Share of speed lost for each amp above.
    pub share_per_a: f64,
    /// Share of speed lost for each 1000 engine rpm gained a second.
    pub share_per_1000_rpm_s: f64,
}

/// A line whose resistance jumps for a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dropout {
    pub at_s: f64,
    pub seconds: f64,
    /// `Alternator`: the line from there to the battery; else the module's line.
    pub line: Node,
    pub extra_ohm: f64,
}

/// What an engine computer, the field's control and the wiring make of the regulator.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Control {
    /// From these moments the setpoint lies so far from the regulator's own.
    pub commands: Vec<Command>,
    /// Seconds over which the current may rise from nothing to all: load response. 0: at
    /// once.
    pub load_response_s: f64,
    /// Of the ground that the loads' current takes and the logger's does not, Ω.
    pub logger_ground_ohm: f64,
}

/// From `at_s` on the setpoint is `offset_v` from the regulator's own, after a ramp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Command {
    pub at_s: f64,
    pub offset_v: f64,
    pub ramp_s: f64,
}

impl Control {
    /// How far the setpoint is from the regulator's own. Commands come in time order.
    pub fn offset_v(&self, t_s: f64) -> f64 {
        let begun = self.commands.iter().take_while(|c| c.at_s <= t_s);
        begun.fold(0.0, |from_v, command| {
            let share = if command.ramp_s > 0.0 {
                ((t_s - command.at_s) / command.ramp_s).min(1.0)
            } else {
                1.0
            };
            from_v + share * (command.offset_v - from_v)
        })
    }
}

/// Everything about the car that does not change during a log.
#[derive(Debug, Clone, PartialEq)]
pub struct CarModel {
    pub battery: Battery,
    pub battery_at_start: BatteryState,
    /// What the battery's label says.
    pub cca_a: f64,
    pub curve: OutputCurve,
    pub rated_a: f64,
    pub derating: Derating,
    /// Rise of the machine over the air around it at full output, °C.
    pub self_heating_c: f64,
    pub regulator: Regulator,
    pub control: Control,
    /// Where the regulator reads its voltage.
    pub sense: Node,
    pub pulley_ratio: f64,
    /// On whenever the engine turns: ignition, pumps, control.
    pub base_loads: Vec<LoadModel>,
    /// Drawn with the engine stopped, A at 13.5 V.
    pub rest_draw_a: f64,
    pub loads: Vec<LoadModel>,
    pub alternator_line_ohm: f64,
    /// The part of that resistance on the ground side, 0 to 1.
    pub ground_share: f64,
    pub module_line_ohm: f64,
    pub starter: Starter,
    pub idle: Idle,
    pub belt: Option<BeltSlip>,
    pub dropouts: Vec<Dropout>,
}
