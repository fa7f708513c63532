//! Battery, alternator, cable, loads and bus: pure formulas, each with its source.
//! Where a source is a standard or a table quoted from memory, its doc says so.

pub mod alternator;
pub mod battery;
pub mod bus;
pub mod cable;
pub mod fuse;
pub mod interpolate;
pub mod load;
pub mod machine;
pub mod pulley;
pub mod settle;

/// Volts at which load and alternator amps are stated: ISO 8854's test voltage
/// for 12 V machines (from memory).
pub const REFERENCE_V: f64 = 13.5;
