//! Events of a log: engine, switches, temperatures.

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Demand {
    Rest,
    Crank,
    Idle,
    Speed(f64),
}

/// From `at_s` the engine does `demand`; a change of speed takes `ramp_s`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EngineChange {
    pub at_s: f64,
    pub demand: Demand,
    pub ramp_s: f64,
}

/// A load is switched to `duty` (0 to 1) at `at_s`, which takes effect `lag_s` later.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Switch {
    pub at_s: f64,
    pub lag_s: f64,
    pub load: usize,
    pub duty: f64,
}

/// A temperature that changes exponentially from one level to another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Warming {
    pub start_c: f64,
    pub end_c: f64,
    pub time_constant_s: f64,
}

impl Warming {
    pub fn at(&self, t_s: f64) -> f64 {
        self.end_c + (self.start_c - self.end_c) * (-t_s / self.time_constant_s).exp()
    }
}

/// A log's events. `engine` and `switches` may come in any order.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    pub duration_s: f64,
    pub engine: Vec<EngineChange>,
    pub switches: Vec<Switch>,
    pub ambient_c: f64,
    pub coolant: Warming,
    /// Temperature of the air around the alternator.
    pub underhood: Warming,
}
