//! The engine during a script: phase and speed.

use super::car::Idle;
use super::script::{Demand, EngineChange, Script};
use crate::diagnosis::{Phase, PhaseKind};

const CRANKING_RPM: f64 = 210.0;
/// How fast the speed follows what is asked.
const FLYWHEEL_S: f64 = 0.35;
/// Overshoot of the speed just after a start, and how fast it fades.
const FLARE_RPM: f64 = 350.0;
const FLARE_S: f64 = 0.8;

/// Swings of a hunting idle from one swell to the next.
const HUNTING_SWELL: f64 = 7.3;

/// The engine at a moment.
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
    /// Alternator current as the idle governor has come to know it.
    known_a: f64,
    pub rpm: f64,
}

impl<'a> Engine<'a> {
    /// Stopped, unless the script's first demand, at 0 s, says otherwise: then
    /// the engine already runs at it.
    pub fn new(script: &'a Script, idle: Idle) -> Self {
        let mut changes: Vec<&EngineChange> = script.engine.iter().collect();
        changes.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let rpm = match changes.first() {
            Some(EngineChange { at_s, demand: Demand::Idle, .. }) if *at_s <= 0.0 => idle.hot_rpm,
            Some(EngineChange { at_s, demand: Demand::Speed(rpm), .. }) if *at_s <= 0.0 => *rpm,
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
            known_a: 0.0,
            rpm,
        }
    }

    /// The script begins with the engine running.
    pub fn begins_running(&self) -> bool {
        let first = self.changes.first();
        first.is_some_and(|c| c.at_s <= 0.0 && matches!(c.demand, Demand::Idle | Demand::Speed(_)))
    }

    pub fn phase(&self) -> PhaseKind {
        match self.demand {
            Demand::Rest => PhaseKind::Rest,
            Demand::Crank => PhaseKind::Cranking,
            Demand::Idle | Demand::Speed(_) => PhaseKind::Running,
        }
    }

    /// Seconds since the engine was last asked for something else.
    pub fn since_change_s(&self, t_s: f64) -> f64 {
        t_s - self.changed_at_s
    }

    /// Goes on to `t_s`, `step_s` after the last call.
    pub fn advance(&mut self, t_s: f64, step_s: f64, world: &World) {
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
        self.known_a += (world.alternator_a - self.known_a) * step_s / self.idle.governor_s;
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
                self.from_rpm + (self.idle_rpm(t_s, world) - self.from_rpm) * share + flare
            }
            Demand::Speed(rpm) => self.from_rpm + (rpm - self.from_rpm) * share + flare,
        };
        self.rpm += (goal - self.rpm) * (1.0 - (-step_s / FLYWHEEL_S).exp());
    }

    fn idle_rpm(&self, t_s: f64, world: &World) -> f64 {
        let cold_share = ((80.0 - world.coolant_c) / 60.0).clamp(0.0, 1.0);
        let warm_up = (self.idle.cold_rpm - self.idle.hot_rpm) * cold_share;
        let sudden_a = world.alternator_a - self.known_a;
        self.idle.hot_rpm + warm_up + world.idle_up_rpm + self.hunting_rpm(t_s)
            - self.idle.dip_rpm_per_a * sudden_a
            - self.idle.residual_rpm_per_a * self.known_a
    }

    /// Swings that grow and fade, as those of a governor do.
    fn hunting_rpm(&self, t_s: f64) -> f64 {
        if self.idle.hunting_rpm == 0.0 {
            return 0.0;
        }
        let turns = std::f64::consts::TAU * t_s / self.idle.hunting_s;
        self.idle.hunting_rpm * turns.sin() * (0.7 + 0.3 * (turns / HUNTING_SWELL).sin())
    }
}

/// What the engine feels of the rest of the car.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct World {
    pub alternator_a: f64,
    pub idle_up_rpm: f64,
    pub coolant_c: f64,
}

/// Stretches of one phase, from the samples' own.
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
