//! Robust location and scale, autocorrelation, intervals, change points, fits. No word of cars in here.
//!
//! Every function takes plain slices, ignores NaN, never panics on any input
//! and gives the same bytes for the same input.

pub mod autocorrelation;
pub mod bootstrap;
pub mod changepoint;
pub mod fit;
pub mod interval;
pub mod moments;
pub mod quantisation;
pub mod resolution;
pub mod robust;
