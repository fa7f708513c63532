//! The physics and the simulator against tables, definitions and hand calculation.

#[path = "../support/random_car.rs"]
mod random_car;

mod formulas;
mod planning;
mod scenario;
mod simulator;
