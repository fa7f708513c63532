//! The invented scenario: seeded sample logs and their truth.

pub mod car;
pub mod coupe;
pub mod dialect;
mod dyno_day;
mod electrics;
mod engine;
mod judge;
pub mod logger;
mod observe;
mod recipes;
mod repair;
pub mod scenario;
pub mod script;
pub mod simulate;
mod steps;
pub mod truth;
mod write;

pub use simulate::{Simulated, simulate};
pub use write::{DemoError, DemoFile, Written, files, write};
