//! The invented scenario: seeded sample logs and their truth.

pub mod car;
pub mod dialect;
mod electrics;
mod engine;
mod judge;
pub mod logger;
mod observe;
pub mod script;
pub mod simulate;
pub mod truth;

pub use simulate::{Simulated, simulate};
