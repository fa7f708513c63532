//! What common practice says of instruments, labels, loads and regulators: one value for
//! every stage that needs it. None of it has a source; all of it is 90 %.

use crate::car::sense;

/// A clamp meter or shunt that was zeroed before use.
pub const CLAMP_ZERO_A: f64 = 0.5;
pub const CLAMP_GAIN: f64 = 0.02;

/// Amps on a label are off by so much: the motor, its voltage, its load.
const LABEL_A: f64 = 0.5;
const LABEL_SHARE: f64 = 0.06;

/// What draws whenever an engine runs, ignition, pumps and control: A, and how
/// far either way it may lie where nobody stated it.
pub const ALWAYS_ON_A: (f64, f64) = (17.0, 16.0);

/// 90 % half-width of logged amps.
pub fn clamp_half_width_a(amps_a: f64) -> f64 {
    CLAMP_ZERO_A.hypot(CLAMP_GAIN * amps_a)
}

/// 90 % half-width of stated amps.
pub fn label_half_width_a(amps_a: f64) -> f64 {
    LABEL_A.hypot(LABEL_SHARE * amps_a)
}

/// Amps that such a load commonly draws at 13.5 V, and how far either way (90 %;
/// common practice, no source).
pub fn common_load_a(name: &str) -> (f64, f64) {
    match sense(name) {
        Some("fan") => (20.0, 12.0),
        Some("AC") => (4.5, 2.0),
        Some("blower") => (13.0, 8.0),
        Some("lamps") => (11.0, 4.0),
        Some("pump") => (8.0, 4.0),
        Some("screen heater") => (16.0, 6.0),
        Some("seat heater") => (8.0, 4.0),
        Some("wipers") => (5.0, 3.0),
        _ => (13.0, 12.0),
    }
}

/// Pulley ratio of a passenger car where none is stated (common practice, no source).
const COMMON_RATIO: f64 = 2.6;
/// A curve of common shape gives this share: nothing at turn-on, near all at 6000 rpm
/// (common practice, no source; within 0.03 of ISO 8854 curves' usual course).
const TURN_ON_RPM: f64 = 900.0;
const RISE_RPM: f64 = 1400.0;
/// Rated current of an alternator where none is stated (common practice, no source).
pub const COMMON_RATED_A: f64 = 100.0;

/// Share of its rated current that an alternator can give at an engine speed.
pub fn output_share(engine_rpm: f64, pulley_ratio: Option<f64>) -> f64 {
    let alternator_rpm = engine_rpm * pulley_ratio.unwrap_or(COMMON_RATIO);
    1.0 - (-(alternator_rpm - TURN_ON_RPM) / RISE_RPM).exp()
}
