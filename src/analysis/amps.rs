//! Amps of instruments, labels, loads and alternators, with how far they may be off (90 %).

use crate::assumptions::{
    AIR_CONDITIONER_CLUTCH, BLOWER, CLAMP_GAIN, CLAMP_ZERO, FAN, LABEL_OFFSET, LABEL_SHARE, LAMPS,
    OTHER_LOAD, PULLEY_RATIO, PUMP, SCREEN_HEATER, SEAT_HEATER, WIPERS,
};
use crate::car::sense;

/// 90 % half-width of logged amps.
pub fn clamp_half_width_a(amps_a: f64) -> f64 {
    CLAMP_ZERO.half_width().hypot(CLAMP_GAIN.half_width() * amps_a)
}

/// 90 % half-width of stated amps.
pub fn label_half_width_a(amps_a: f64) -> f64 {
    LABEL_OFFSET.half_width().hypot(LABEL_SHARE.half_width() * amps_a)
}

/// Amps that such a load commonly draws at 13.5 V, and how far either way (90 %).
pub fn common_load_a(name: &str) -> (f64, f64) {
    let load = match sense(name) {
        Some("fan") => FAN,
        Some("AC") => AIR_CONDITIONER_CLUTCH,
        Some("blower") => BLOWER,
        Some("lamps") => LAMPS,
        Some("pump") => PUMP,
        Some("screen heater") => SCREEN_HEATER,
        Some("seat heater") => SEAT_HEATER,
        Some("wipers") => WIPERS,
        _ => OTHER_LOAD,
    };
    (load.value, load.half_width())
}

/// A curve of common shape gives this share: nothing at turn-on, near all at 6000 rpm
/// (common practice, no source; within 0.03 of ISO 8854 curves' usual course).
const TURN_ON_RPM: f64 = 900.0;
const RISE_RPM: f64 = 1400.0;

/// Share of its rated current that an alternator can give at an engine speed.
pub fn output_share(engine_rpm: f64, pulley_ratio: Option<f64>) -> f64 {
    let alternator_rpm = engine_rpm * pulley_ratio.unwrap_or(PULLEY_RATIO.value);
    1.0 - (-(alternator_rpm - TURN_ON_RPM) / RISE_RPM).exp()
}
