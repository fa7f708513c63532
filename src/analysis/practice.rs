//! What common practice says of instruments, labels and regulators: one value for
//! every stage that needs it. None of it has a source; all of it is 90 %.

/// A clamp meter or shunt that was zeroed before use.
pub const CLAMP_ZERO_A: f64 = 0.5;
pub const CLAMP_GAIN: f64 = 0.02;

/// Amps on a label are off by so much: the motor, its voltage, its load.
const LABEL_A: f64 = 0.5;
const LABEL_SHARE: f64 = 0.06;

/// What draws whenever an engine runs, ignition, pumps and control: A, and how
/// far either way it may lie where nobody stated it.
pub const ALWAYS_ON_A: (f64, f64) = (17.0, 16.0);

/// Under the setpoint by less than this is the regulator's droop, not a slip.
pub const DROOP_V: f64 = 0.06;
/// Further under the setpoint than this, the alternator gives all it has.
pub const FULL_OUTPUT_V: f64 = 0.15;

/// 90 % half-width of logged amps.
pub fn clamp_half_width_a(amps_a: f64) -> f64 {
    CLAMP_ZERO_A.hypot(CLAMP_GAIN * amps_a)
}

/// 90 % half-width of stated amps.
pub fn label_half_width_a(amps_a: f64) -> f64 {
    LABEL_A.hypot(LABEL_SHARE * amps_a)
}
