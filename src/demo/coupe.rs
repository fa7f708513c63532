//! The blue coupe, as its owner built it, and its faults. All invented.

use super::car::{BeltSlip, CarModel, Control, Dropout, Idle, LoadModel, Starter};
use crate::physics::alternator::{Derating, OutputCurve, Regulator};
use crate::physics::battery::{Battery, BatteryState};
use crate::physics::bus::Node;
use crate::physics::interpolate::CurveError;
use crate::physics::load::{Inrush, LoadKind};

/// The coupe's loads, as indices into [`CarModel::loads`].
pub const FAN_LOW: usize = 0;
pub const FAN_HIGH: usize = 1;
pub const AC_CLUTCH: usize = 2;
pub const BLOWER: usize = 3;
pub const LAMPS: usize = 4;

fn load(name: &str, kind: LoadKind, reference_a: f64, inrush: Inrush) -> LoadModel {
    let node = Node::Battery;
    LoadModel { name: name.into(), kind, reference_a, inrush, node, idle_up_rpm: 0.0 }
}

fn loads() -> Vec<LoadModel> {
    let fan_rush = Inrush { factor: 3.0, time_constant_s: 0.2 };
    let blower_rush = Inrush { factor: 2.0, time_constant_s: 0.15 };
    let lamp_rush = Inrush { factor: 3.0, time_constant_s: 0.08 };
    let mut clutch = load("ac clutch", LoadKind::Resistive, 4.0, Inrush::NONE);
    clutch.idle_up_rpm = 50.0;
    vec![
        load("fan low", LoadKind::Resistive, 22.0, fan_rush),
        load("fan high", LoadKind::Resistive, 31.0, fan_rush),
        clutch,
        load("blower", LoadKind::Resistive, 18.0, blower_rush),
        load("lamps", LoadKind::Lamp, 11.0, lamp_rush),
    ]
}

fn base_loads() -> Vec<LoadModel> {
    let mut control = load("ignition and control", LoadKind::Electronic, 9.0, Inrush::NONE);
    control.node = Node::Module;
    vec![control, load("fuel pumps", LoadKind::Resistive, 14.0, Inrush::NONE)]
}

/// Output of an alternator cold: alternator rpm and amps.
type Curve = [(f64, f64); 8];

/// `amps` at 1500, 2000, 2500, 3000, 4000, 6000 and 8000 rpm; none up to `cut_in_rpm`.
const fn curve(cut_in_rpm: f64, amps: [f64; 7]) -> Curve {
    let [idle, a, b, c, d, rated, e] = amps;
    let slow = [(cut_in_rpm, 0.0), (1500.0, idle), (2000.0, a), (2500.0, b)];
    let fast = [(3000.0, c), (4000.0, d), (6000.0, rated), (8000.0, e)];
    [slow[0], slow[1], slow[2], slow[3], fast[0], fast[1], fast[2], fast[3]]
}

/// The 70 A alternator that the coupe came with.
pub const OLD_CURVE: Curve = curve(1200.0, [16.0, 33.0, 45.0, 54.0, 64.0, 70.0, 73.0]);
/// A rebuilt 100 A alternator from the shelf.
pub const REBUILT_CURVE: Curve = curve(1150.0, [27.0, 52.0, 68.0, 79.0, 91.0, 100.0, 104.0]);
/// The 160 A alternator that was fitted in the end.
pub const NEW_CURVE: Curve = curve(1050.0, [58.0, 92.0, 113.0, 127.0, 143.0, 160.0, 166.0]);

/// As it came to the workshop: a 70 A alternator with a pulley ratio of 2.4.
pub fn old_alternator() -> Result<CarModel, CurveError> {
    let curve = OutputCurve::new(&OLD_CURVE)?;
    Ok(CarModel {
        battery: Battery::typical(60.0, 0.0058),
        battery_at_start: BatteryState::rested(0.96, 0.03),
        cca_a: 540.0,
        curve,
        rated_a: 70.0,
        derating: Derating { cold_c: 25.0, soaked_c: 110.0, lost_share: 0.11 },
        self_heating_c: 15.0,
        control: Control::default(),
        regulator: Regulator {
            setpoint_25c_v: 14.5,
            per_degree_v: -0.007,
            droop_v: 0.02,
            response_s: 0.2,
        },
        sense: Node::Battery,
        pulley_ratio: 2.4,
        base_loads: base_loads(),
        rest_draw_a: 0.3,
        loads: loads(),
        alternator_line_ohm: 0.0012,
        ground_share: 0.3,
        module_line_ohm: 0.003,
        starter: Starter { stall_a: 760.0, turning_a: 260.0 },
        idle: Idle {
            cold_rpm: 1150.0,
            hot_rpm: 830.0,
            dip_rpm_per_a: 1.6,
            residual_rpm_per_a: 0.25,
            governor_s: 1.1,
            hunting_rpm: 0.0,
            hunting_s: 1.0,
        },
        belt: None,
        dropouts: Vec::new(),
    })
}

/// The first attempt: a rebuilt 100 A alternator.
pub fn rebuilt_alternator() -> Result<CarModel, CurveError> {
    let curve = OutputCurve::new(&REBUILT_CURVE)?;
    Ok(CarModel { curve, rated_a: 100.0, ..old_alternator()? })
}

/// After the repair: a 160 A alternator with a smaller pulley.
pub fn new_alternator() -> Result<CarModel, CurveError> {
    let curve = OutputCurve::new(&NEW_CURVE)?;
    Ok(CarModel {
        curve,
        rated_a: 160.0,
        pulley_ratio: 2.9,
        derating: Derating { cold_c: 25.0, soaked_c: 110.0, lost_share: 0.18 },
        ..old_alternator()?
    })
}

/// The ground strap between engine and battery is much too thin, and the regulator senses the
/// voltage at the alternator.
pub fn thin_ground() -> Result<CarModel, CurveError> {
    Ok(CarModel {
        alternator_line_ohm: 0.022,
        ground_share: 0.96,
        sense: Node::Alternator,
        ..new_alternator()?
    })
}

pub fn slipping_belt() -> Result<CarModel, CurveError> {
    let belt = BeltSlip { grips_a: 34.0, share_per_a: 0.05, share_per_1000_rpm_s: 0.32 };
    Ok(CarModel { belt: Some(belt), ..new_alternator()? })
}

pub fn regulator_high() -> Result<CarModel, CurveError> {
    let mut car = new_alternator()?;
    car.regulator.setpoint_25c_v = 15.6;
    car.regulator.per_degree_v = 0.0;
    Ok(car)
}

/// Three times the resistance, half the capacity, and half discharged.
pub fn tired_battery() -> Result<CarModel, CurveError> {
    let mut car = new_alternator()?;
    car.battery = Battery::typical(28.0, 0.0175);
    car.battery_at_start = BatteryState::rested(0.42, 0.02);
    Ok(car)
}

/// A terminal of the engine controller's supply that loses contact for moments.
pub fn intermittent_terminal() -> Result<CarModel, CurveError> {
    const TIMES: [(f64, f64, f64); 9] = [
        (48.3, 0.15, 0.25),
        (71.9, 0.35, 0.40),
        (72.6, 0.10, 0.30),
        (103.2, 0.20, 0.35),
        (131.4, 0.40, 0.22),
        (132.1, 0.15, 0.45),
        (168.7, 0.25, 0.30),
        (190.3, 0.10, 0.40),
        (211.8, 0.30, 0.28),
    ];
    let drop =
        |(at_s, seconds, extra_ohm)| Dropout { at_s, seconds, line: Node::Module, extra_ohm };
    Ok(CarModel { dropouts: TIMES.map(drop).to_vec(), ..new_alternator()? })
}

/// Another car that used the dyno that day.
pub fn other_car() -> Result<CarModel, CurveError> {
    let old = old_alternator()?;
    Ok(CarModel {
        battery: Battery::typical(74.0, 0.0046),
        battery_at_start: BatteryState::rested(0.85, 0.05),
        cca_a: 680.0,
        curve: OutputCurve::typical(120.0)?,
        rated_a: 120.0,
        pulley_ratio: 3.0,
        regulator: Regulator { setpoint_25c_v: 14.8, ..old.regulator },
        idle: Idle { hot_rpm: 800.0, cold_rpm: 1000.0, ..old.idle },
        ..old
    })
}
