//! The car's electrical system at a moment: load currents and the bus.

use super::car::{CarModel, LoadModel};
use super::script::{Script, Switch};
use crate::diagnosis::PhaseKind;
use crate::physics::bus::{Bus, Node};
use crate::physics::load::{Draw, LoadKind};

/// Time constant of the starter's acceleration.
const STARTER_S: f64 = 0.12;
/// Frequency and relative amplitude of the compression strokes in the starter current.
const STROKE_HZ: f64 = 9.0;
const STROKE_SHARE: f64 = 0.15;

/// Duty of every load, and the rest of its inrush.
#[derive(Debug, Clone)]
pub struct Electrics<'a> {
    car: &'a CarModel,
    switches: Vec<&'a Switch>,
    next: usize,
    pub duty: Vec<f64>,
    /// Additional duty while motors start.
    rush: Vec<f64>,
    pub switched_at_s: f64,
}

/// Time at which a switch takes effect.
pub fn effective_s(switch: &Switch) -> f64 {
    switch.at_s + switch.lag_s
}

impl<'a> Electrics<'a> {
    pub fn new(car: &'a CarModel, script: &'a Script) -> Self {
        let mut switches: Vec<&Switch> =
            script.switches.iter().filter(|s| s.load < car.loads.len()).collect();
        switches.sort_by(|a, b| effective_s(a).total_cmp(&effective_s(b)));
        let zeros = vec![0.0; car.loads.len()];
        Electrics { car, switches, next: 0, duty: zeros.clone(), rush: zeros, switched_at_s: -1e9 }
    }

    /// Advances to `t_s`, `step_s` after the last call.
    pub fn advance(&mut self, t_s: f64, step_s: f64) {
        for (rush, load) in self.rush.iter_mut().zip(&self.car.loads) {
            *rush *= (-step_s / load.inrush.time_constant_s).exp();
        }
        while let Some(switch) = self.switches.get(self.next)
            && effective_s(switch) <= t_s
        {
            let change = switch.duty - self.duty[switch.load];
            let factor = self.car.loads[switch.load].inrush.factor;
            let rush = &mut self.rush[switch.load];
            *rush = if change > 0.0 { *rush + (factor - 1.0) * change } else { 0.0 };
            self.duty[switch.load] = switch.duty;
            self.switched_at_s = effective_s(switch);
            self.next += 1;
        }
    }

    pub fn idle_up_rpm(&self) -> f64 {
        self.car.loads.iter().zip(&self.duty).map(|(load, duty)| load.idle_up_rpm * duty).sum()
    }

    /// Duty of each load in whole percent.
    pub fn set(&self) -> Vec<u8> {
        self.duty.iter().map(|duty| (duty * 100.0).round() as u8).collect()
    }

    /// The circuit at `t_s` with a battery of that voltage and resistance. `since_crank_s`: how
    /// long the starter has been turning.
    pub fn bus(
        &self,
        t_s: f64,
        phase: PhaseKind,
        since_crank_s: f64,
        battery_v: f64,
        battery_ohm: f64,
    ) -> Bus {
        let mut bus = wired(self.car, battery_v, battery_ohm);
        for drop in &self.car.dropouts {
            if (drop.at_s..drop.at_s + drop.seconds).contains(&t_s) {
                match drop.line {
                    Node::Alternator => bus.alternator_line_ohm += drop.extra_ohm,
                    Node::Battery | Node::Module => bus.module_line_ohm += drop.extra_ohm,
                }
            }
        }
        let duties = self.duty.iter().zip(&self.rush).map(|(duty, rush)| duty + rush);
        add_loads(&mut bus, self.car, duties, phase != PhaseKind::Rest);
        if phase == PhaseKind::Cranking {
            let starter = &self.car.starter;
            let slack = (starter.stall_a - starter.turning_a) * (-since_crank_s / STARTER_S).exp();
            let stroke = (std::f64::consts::TAU * STROKE_HZ * since_crank_s).sin() * STROKE_SHARE;
            bus.at_battery.add(LoadKind::Resistive, slack + starter.turning_a * (1.0 + stroke));
        }
        bus
    }
}

/// The circuit of the running car with a given set of loads, without inrush.
pub fn steady_bus(car: &CarModel, set: &[u8], battery_v: f64, battery_ohm: f64) -> Bus {
    let mut bus = wired(car, battery_v, battery_ohm);
    let duties = set.iter().map(|percent| f64::from(*percent) / 100.0);
    add_loads(&mut bus, car, duties, true);
    bus
}

fn add_loads(bus: &mut Bus, car: &CarModel, duties: impl Iterator<Item = f64>, is_turning: bool) {
    for (load, duty) in car.loads.iter().zip(duties) {
        add_load(bus, load, duty);
    }
    bus.at_battery.add(LoadKind::Electronic, car.rest_draw_a);
    for load in car.base_loads.iter().filter(|_| is_turning) {
        add_load(bus, load, 1.0);
    }
}

fn wired(car: &CarModel, battery_v: f64, battery_ohm: f64) -> Bus {
    Bus {
        alternator_line_ohm: car.alternator_line_ohm,
        module_line_ohm: car.module_line_ohm,
        battery_v,
        battery_ohm,
        at_alternator: Draw::default(),
        at_battery: Draw::default(),
        at_module: Draw::default(),
    }
}

fn add_load(bus: &mut Bus, load: &LoadModel, duty: f64) {
    let node = match load.node {
        Node::Alternator => &mut bus.at_alternator,
        Node::Battery => &mut bus.at_battery,
        Node::Module => &mut bus.at_module,
    };
    node.add(load.kind, load.reference_a * duty);
}
