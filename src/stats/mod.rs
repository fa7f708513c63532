//! Robust location and scale, autocorrelation, intervals, change points, fits. No word of cars in here.
