//! Battery, alternator, cable, loads and bus: pure formulas, each with its source.
//! Where a source is a standard or a table quoted from memory, its doc says so.

pub mod alternator;
pub mod battery;
pub mod bus;
pub mod bus_solution;
pub mod cable;
pub mod fuse;
pub mod interpolate;
pub mod load;
pub mod machine;
pub mod pulley;

/// Of a 12 V system: see [`REFERENCE`](crate::levels::REFERENCE).
pub const REFERENCE_V: f64 = crate::levels::REFERENCE.at_12_v();
