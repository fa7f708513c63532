//! Robust location and scale, autocorrelation, intervals, change points, fits. No word of cars in here.

pub mod moments;
pub mod resolution;
pub mod robust;
