//! What a segmented log implies, one idea per file.

pub mod amps;
pub mod battery;
pub mod battery_use;
pub mod control;
pub mod cranking;
pub mod current_balance;
pub mod current_estimators;
pub mod deficit;
pub mod heat;
pub mod keep_up;
pub mod level;
pub mod line_drop;
pub mod noise;
pub mod output;
pub mod regulation;
pub mod rest;
pub mod setpoint;
pub mod state;
pub mod step_response;

use crate::car::{Car, ChargerKind};
use crate::diagnosis::{
    BatteryUse, Cranking, HeatPair, KeepUp, LineDrop, LoadStep, Noise, OperatingPoint, OutputSeen,
};
use crate::estimate::Estimate;
use crate::log::Log;
use crate::segment::Segments;

pub use battery::BatteryModel;
pub use control::Control;
pub use setpoint::Setpoint;

/// Everything that is computed before any rule judges it.
pub struct Analysis {
    pub noise: Noise,
    pub setpoint: Option<Setpoint>,
    pub control: Control,
    pub movement: Option<regulation::SetpointMovement>,
    pub rest_voltage_v: Option<Estimate>,
    pub state_of_charge_percent: Option<Estimate>,
    pub cranking: Option<Cranking>,
    pub load_steps: Vec<LoadStep>,
    /// In the order of [`Segments::points`].
    pub operating_points: Vec<OperatingPoint>,
    pub keep_up: Vec<KeepUp>,
    pub heat: Vec<HeatPair>,
    /// Sets of loads seen early and late at one speed.
    pub heat_compared: usize,
    pub line_drop: Vec<LineDrop>,
    pub battery: BatteryModel,
    pub battery_use: BatteryUse,
    pub output: Option<OutputSeen>,
}

pub fn analyse(log: &Log, segments: &Segments, car: &Car) -> Analysis {
    let control = control::control(log, segments, car);
    let setpoint = setpoint::setpoint(log, segments, &control, car);
    let rest_voltage_v = rest::rest_voltage(log, segments);
    let kind = car.battery.kind.unwrap_or_default();
    let battery = battery::model(log, segments, car, rest_voltage_v.as_ref(), setpoint.as_ref());
    let operating_points =
        state::operating_points(log, segments, setpoint.as_ref(), &battery, &control, car);
    let heats = heat::heat(log, segments, setpoint.as_ref(), &battery);
    let load_steps = step_response::load_steps(log, segments);
    // Curves and kinds of regulator are those of alternators.
    let is_alternator = car.charger(log.nominal()) != ChargerKind::DcGenerator;
    Analysis {
        noise: noise::noise(&segments.noise_model),
        cranking: cranking::cranking(log, segments, setpoint.as_ref()),
        state_of_charge_percent: rest_voltage_v
            .as_ref()
            .map(|rest_v| rest::state_of_charge(rest_v, kind, log.nominal())),
        line_drop: line_drop::line_drops(log, segments, car),
        output: output::output(log, segments, setpoint.as_ref(), car),
        keep_up: if is_alternator {
            keep_up::keep_up(log, segments, setpoint.as_ref(), &battery, &control, car)
        } else {
            Vec::new()
        },
        movement: is_alternator
            .then(|| regulation::regulation(log, segments, &control, &load_steps))
            .flatten(),
        heat: heats.pairs,
        heat_compared: heats.compared,
        battery_use: battery_use::battery_use(log, &operating_points, &battery),
        load_steps,
        operating_points,
        control,
        setpoint,
        rest_voltage_v,
        battery,
    }
}
