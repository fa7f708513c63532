//! Phase and speed of the engine during a script.

use super::car::Idle;
use super::script::{Demand, EngineChange, Script};
use crate::diagnosis::{Phase, PhaseKind};

const CRANKING_RPM: f64 = 210.0;
/// Time constant of the engine speed.
const FLYWHEEL_S: f64 = 0.35;
/// Overshoot of the speed after a start, and its time constant.
const FLARE_RPM: f64 = 350.0;
const FLARE_S: f64 = 0.8;

/// Oscillations of a hunting idle per period of its amplitude.
const HUNTING_SWELL: f64 = 7.3;

#[derive(Debug, Clone)]
pub struct Engine<'a> {
    changes: Vec<&'a EngineChange>,
    idle: Idle,
    next: usize,
    demand: Demand,
    changed_at_s: f64,
    ramp_s: f64,
    from_rpm: f64,
    fired_at_s: f64,
    /// Alternator current to which the idle governor has adjusted.
    governed_a: f64,
    pub rpm: f64,
}

impl<'a> Engine<'a> {
    /// Stopped, unless the first demand of the script is at 0 s: then the engine already runs at
    /// that speed.
    pub fn new(script: &'a Script, idle: Idle) -> Self {
        let mut changes: Vec<&EngineChange> = script.engine.iter().collect();
        changes.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let at_start = changes.first().filter(|change| change.at_s <= 0.0);
        let rpm = match at_start.map(|change| change.demand) {
            Some(Demand::Idle) => idle.hot_rpm,
            Some(Demand::Speed(rpm)) => rpm,
            _ => 0.0,
        };
        Engine {
            changes,
            idle,
            next: 0,
            demand: Demand::Rest,
            changed_at_s: 0.0,
            ramp_s: 0.0,
            from_rpm: rpm,
            fired_at_s: -1e9,
            governed_a: 0.0,
            rpm,
        }
    }

    pub fn phase(&self) -> PhaseKind {
        match self.demand {
            Demand::Rest => PhaseKind::Rest,
            Demand::Crank => PhaseKind::Cranking,
            Demand::Idle | Demand::Speed(_) => PhaseKind::Running,
        }
    }

    /// Seconds since the demand last changed.
    pub fn since_change_s(&self, t_s: f64) -> f64 {
        t_s - self.changed_at_s
    }

    /// Advances to `t_s`, `step_s` after the last call.
    pub fn advance(&mut self, t_s: f64, step_s: f64, inputs: &EngineInputs) {
        while let Some(change) = self.changes.get(self.next)
            && change.at_s <= t_s
        {
            let runs = matches!(change.demand, Demand::Idle | Demand::Speed(_));
            if runs && self.demand == Demand::Crank {
                self.fired_at_s = change.at_s;
            }
            (self.demand, self.changed_at_s) = (change.demand, change.at_s);
            (self.ramp_s, self.from_rpm) = (change.ramp_s, self.rpm);
            self.next += 1;
        }
        self.governed_a += (inputs.alternator_a - self.governed_a) * step_s / self.idle.governor_s;
        let share = if self.ramp_s > 0.0 {
            ((t_s - self.changed_at_s) / self.ramp_s).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let flare = FLARE_RPM * (-(t_s - self.fired_at_s) / FLARE_S).exp();
        let goal = match self.demand {
            Demand::Rest => 0.0,
            Demand::Crank => CRANKING_RPM,
            Demand::Idle => {
                self.from_rpm + (self.idle_rpm(t_s, inputs) - self.from_rpm) * share + flare
            }
            Demand::Speed(rpm) => self.from_rpm + (rpm - self.from_rpm) * share + flare,
        };
        self.rpm += (goal - self.rpm) * (1.0 - (-step_s / FLYWHEEL_S).exp());
    }

    fn idle_rpm(&self, t_s: f64, inputs: &EngineInputs) -> f64 {
        let cold_share = ((80.0 - inputs.coolant_c) / 60.0).clamp(0.0, 1.0);
        let warm_up = (self.idle.cold_rpm - self.idle.hot_rpm) * cold_share;
        let sudden_a = inputs.alternator_a - self.governed_a;
        self.idle.hot_rpm + warm_up + inputs.idle_up_rpm + self.hunting_rpm(t_s)
            - self.idle.dip_rpm_per_a * sudden_a
            - self.idle.residual_rpm_per_a * self.governed_a
    }

    /// Oscillation of a hunting governor, with varying amplitude.
    fn hunting_rpm(&self, t_s: f64) -> f64 {
        if self.idle.hunting_rpm == 0.0 {
            return 0.0;
        }
        let turns = std::f64::consts::TAU * t_s / self.idle.hunting_s;
        self.idle.hunting_rpm * turns.sin() * (0.7 + 0.3 * (turns / HUNTING_SWELL).sin())
    }
}

/// Influences of the rest of the car on the engine.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct EngineInputs {
    pub alternator_a: f64,
    pub idle_up_rpm: f64,
    pub coolant_c: f64,
}

/// Combines the phases of the samples to stretches.
pub fn phases(time_s: &[f64], kinds: &[PhaseKind]) -> Vec<Phase> {
    let mut phases: Vec<Phase> = Vec::new();
    for (&t_s, &kind) in time_s.iter().zip(kinds) {
        if let Some(last) = phases.last_mut() {
            last.end_s = t_s;
        }
        if phases.last().is_none_or(|last| last.kind != kind) {
            phases.push(Phase { kind, start_s: t_s, end_s: t_s });
        }
    }
    phases
}
