//! Many logs at once: a dyno day, or a fleet. Summaries of diagnoses go in, one
//! [`Review`] comes out.

mod contract;
pub mod order;

pub use contract::*;
