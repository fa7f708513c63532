//! Model of a car for the simulator, faults included.

use crate::physics::alternator::{Derating, OutputCurve, Regulator};
use crate::physics::battery::{Battery, BatteryState};
use crate::physics::bus::Node;
use crate::physics::load::{Inrush, LoadKind};

#[derive(Debug, Clone, PartialEq)]
pub struct LoadModel {
    pub name: String,
    pub kind: LoadKind,
    /// Amps at 13.5 V and full duty.
    pub reference_a: f64,
    pub inrush: Inrush,
    pub node: Node,
    /// Increase of the idle speed by the engine controller while this load is on.
    pub idle_up_rpm: f64,
}

/// A starter motor, as the amps it would draw at 13.5 V.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Starter {
    pub stall_a: f64,
    pub turning_a: f64,
}

/// Idle speed of the engine and its governor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Idle {
    pub cold_rpm: f64,
    pub hot_rpm: f64,
    /// Immediate drop for each additional amp from the alternator.
    pub dip_rpm_per_a: f64,
    /// Remaining drop once the governor has responded.
    pub residual_rpm_per_a: f64,
    pub governor_s: f64,
    /// Amplitude of the oscillation of a hunting governor,
    pub hunting_rpm: f64,
    /// … and its period.
    pub hunting_s: f64,
}

/// A belt that slips under load or while the engine accelerates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeltSlip {
    /// Alternator current up to which the belt does not slip.
    pub grips_a: f64,
    /// Share of speed lost for each additional amp.
    pub share_per_a: f64,
    /// Share of speed lost for each 1000 rpm/s of engine acceleration.
    pub share_per_1000_rpm_s: f64,
}

/// A line whose resistance rises for a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dropout {
    pub at_s: f64,
    pub seconds: f64,
    /// `Alternator`: the line from alternator to battery; otherwise the line to the module.
    pub line: Node,
    pub extra_ohm: f64,
}

/// Effects of engine computer, load response and wiring on the regulator.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Control {
    /// Changes of the setpoint, in order of time.
    pub commands: Vec<Command>,
    /// Load response: seconds in which the current may rise from zero to the rated current; 0 for
    /// no limit.
    pub load_response_s: f64,
    /// Resistance of the ground path that carries the load current, but not that of the logger.
    pub logger_ground_ohm: f64,
}

/// From `at_s` the setpoint differs by `offset_v` from the regulator's own, after a ramp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Command {
    pub at_s: f64,
    pub offset_v: f64,
    pub ramp_s: f64,
}

impl Control {
    /// Difference of the setpoint from the regulator's own, V.
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

/// Properties of the car that do not change during a log.
#[derive(Debug, Clone, PartialEq)]
pub struct CarModel {
    pub battery: Battery,
    pub battery_at_start: BatteryState,
    /// Cold-cranking amps on the battery's label.
    pub cca_a: f64,
    pub curve: OutputCurve,
    pub rated_a: f64,
    pub derating: Derating,
    /// Rise of the alternator's temperature above that of the air around it at full output.
    pub self_heating_c: f64,
    pub regulator: Regulator,
    pub control: Control,
    pub sense: Node,
    pub pulley_ratio: f64,
    /// Loads that are on whenever the engine runs: ignition, pumps, control.
    pub base_loads: Vec<LoadModel>,
    /// Current with the engine stopped, A at 13.5 V.
    pub rest_draw_a: f64,
    pub loads: Vec<LoadModel>,
    pub alternator_line_ohm: f64,
    /// Share of that resistance on the ground side, 0 to 1.
    pub ground_share: f64,
    pub module_line_ohm: f64,
    pub starter: Starter,
    pub idle: Idle,
    pub belt: Option<BeltSlip>,
    pub dropouts: Vec<Dropout>,
}
