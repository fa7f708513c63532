//! Every fixed voltage in the code, in one place.
//!
//! All of them scale with the number of cells ([`PerCell`]) and are written for six cells, as in
//! standards. The nominal voltage of a log converts them to volts:
//! `log.nominal().volts(levels::CHARGED)`. Properties of the meter rather than the battery
//! (resolution, calibration) do not scale and are defined where they are used. The physics of the
//! battery is written for six cells in [`crate::physics::battery`] and converted there.

use crate::nominal::PerCell;

const fn of_six(volts: f64) -> PerCell {
    PerCell::of_six(volts)
}

// Reading.

/// Range of a bus voltage, cranking included (common practice, no source).
pub const BUS_RANGE: [PerCell; 2] = [of_six(6.0), of_six(17.0)];
/// Range of the median of a bus voltage without a name (common practice, no source).
pub const NAMELESS_BUS_RANGE: [PerCell; 2] = [of_six(11.0), of_six(15.5)];

// Phases: rest, cranking, running.

/// Above this a bus is being charged (2.20 V per cell; common practice, no source).
pub const CHARGED: PerCell = of_six(13.2);
/// The same of AGM and gel, which rest 0.2 V higher (common practice, no source),
pub const CHARGED_SEALED: PerCell = of_six(13.3);
/// … and of four cells of lithium iron phosphate, which rest at 13.2 to 13.3 V.
pub const CHARGED_LITHIUM: PerCell = of_six(13.5);
/// Below this the logger's own supply is off: no battery that supplies a logger reads less (common
/// practice, no source).
pub const SUPPLY_OFF: PerCell = of_six(3.0);
/// No starter runs on a battery above this voltage: a bus that falls from there was being charged
/// (common practice, no source: the surface charge right after a stop).
pub const AFTER_STOP: PerCell = of_six(13.5);
/// Loads lower the voltage of a resting battery by more than its surface charge fades meanwhile
/// (common practice, no source).
pub const REST_LOADED: PerCell = of_six(0.2);
/// The starter draws a hundred amps or more: no other load dips a resting battery this far
/// (common practice, no source).
pub const CRANKING_DIP: PerCell = of_six(0.8);
/// A strong battery on a warm engine dips at least this far while the engine is seen to turn
/// (common practice, no source: a hundred amps through two milliohms).
pub const TURNING_DIP: PerCell = of_six(0.2);
/// A battery that still starts an engine falls no lower (1.33 V per cell; common practice, no
/// source).
pub const WEAK_CRANKING: PerCell = of_six(8.0);
/// A resting battery changes by less within ten seconds (common practice, no source: a lamp of some
/// amps changes it by more).
pub const QUIET_REST: PerCell = of_six(0.03);

// Steps and drop-outs.

/// A lost contact drops the voltage by at least this much: more than any load while the regulator
/// is in control (common practice, no source).
pub const LOST_CONTACT: PerCell = of_six(0.5);
/// A smaller dip while the engine accelerates does not count (common practice, no source).
pub const BELT_DIP: PerCell = of_six(0.1);

// The regulator.

/// Usual setpoint, from cold to heat-soaked, for a log that does not show its own: value, low, high
/// (common practice, no source: 13.8 to 14.7 V, somewhat less when heat-soaked).
pub const COMMON_SETPOINT: [PerCell; 3] = [of_six(14.2), of_six(13.6), of_six(14.7)];
/// A level without evidence of control counts as a setpoint from here on.
pub const LEAST_UNSHOWN_SETPOINT: PerCell = of_six(13.6);
/// Accuracy of a stated setpoint (90 %; common practice, no source).
pub const STATED_SETPOINT: PerCell = of_six(0.1);
/// A smaller distance below the setpoint is droop, not belt slip (common practice, no source).
pub const DROOP: PerCell = of_six(0.06);
/// Levels of one setpoint differ by no more than this: regulators droop a few hundredths from no
/// load to full load (common practice, no source).
pub const ONE_SETPOINT: PerCell = of_six(0.08);
/// Further below the setpoint the alternator delivers its full output (common practice, no source).
pub const FULL_OUTPUT: PerCell = of_six(0.15);
/// A bus in control does not stay further above the setpoint: twice the droop.
pub const ABOVE_SETPOINT: PerCell = of_six(0.12);
/// The level of control in a fit must be within this of the setpoint.
pub const AT_SETPOINT: PerCell = of_six(0.12);
/// A bus in control does not rise by more than this within a stretch,
pub const RISING: PerCell = of_six(0.02);
/// … and falls no faster than the regulator warms, V/s.
pub const FALLING_PER_S: PerCell = of_six(0.002);
/// Step of the drifts of a setpoint that are tried, V/min.
pub const DRIFT_STEP_PER_MIN: PerCell = of_six(0.005);
/// If the demand increases and the alternator holds, the voltage falls by no more than this, apart
/// from noise.
pub const INDIFFERENT: PerCell = of_six(0.03);
/// Standard deviation of the levels of a constant setpoint (common practice, no source).
pub const STEADY: PerCell = of_six(0.02);
/// Effect of one load on it (standard deviation),
pub const PER_LOAD: PerCell = of_six(0.014);
/// … and its maximum: droop, a line, the logger's ground (common practice, no source).
pub const MOST_PER_LOAD: PerCell = of_six(0.25);
/// A setpoint that changes by this at once was commanded.
pub const COMMANDED: PerCell = of_six(0.12);
/// Further below the setpoint the battery changes from charging to discharging, so that a fall of
/// the bus is no longer straight.
pub const STRAIGHT_FALL: PerCell = of_six(0.2);
/// Lowest setpoint of a warm regulator (common practice, no source).
pub const LOW_SETPOINT: PerCell = of_six(13.8);
/// Above this is overcharging (2.50 V per cell; common practice, no source).
pub const OVERCHARGE: PerCell = of_six(15.0);
/// The same of gel, which dries out sooner, and of lithium iron phosphate, whose cells are
/// full at 3.65 V (common practice, no source).
pub const OVERCHARGE_GEL: PerCell = of_six(14.7);
pub const OVERCHARGE_LITHIUM: PerCell = of_six(14.8);
/// A setpoint that falls by less per degree does not depend on temperature, V/°C.
pub const NO_DRIFT_PER_C: PerCell = of_six(0.001);
/// Usual setpoint at 25 °C in a plan, and its range either way (90 %; common practice, no source:
/// 13.8 to 14.7 V).
pub const PLAN_SETPOINT: [PerCell; 2] = [of_six(14.25), of_six(0.45)];
/// Maximum decrease of a setpoint per degree, V/°C (common practice, no source: 7 to 10 mV, often
/// less or none).
pub const PLAN_SETPOINT_PER_C: PerCell = of_six(0.010);
/// Standard deviation between a level in control and the regulator's setpoint (droop, and heat that
/// is not logged).
pub const PLAN_HELD: PerCell = of_six(0.04);

/// Levels in control drift by this standard deviation in a minute, growing with the square root of
/// time (common practice, no source: heat alone changes a setpoint by 0.3 V in ten minutes),
pub const WANDER_PER_ROOT_MIN: PerCell = of_six(0.05);
/// … up to the difference between regulators.
pub const MOST_WANDER: PerCell = of_six(0.4);
/// Larger gaps between the levels of one operating point are not due to droop and heat (common
/// practice, no source).
pub const APART: PerCell = of_six(0.25);
/// Standard deviation between visits of one operating point (common practice, no source).
pub const VISITS_SPREAD: PerCell = of_six(0.03);

/// Engine computers do not command less than this for a whole run (common practice, no source).
pub const NEVER_CHARGED: PerCell = of_six(13.0);
/// Regulators of DC generators hold up to 2.6 V per cell when cold (common practice, no source: 7.2
/// to 7.8 V for 6 V).
pub const GENERATOR_OVERCHARGE: PerCell = of_six(15.8);

// The verdict.

/// Acceptance: within this of the setpoint, and never discharging (common practice, no source).
/// A smaller distance below it is little in reserve.
pub const ACCEPTED: PerCell = of_six(0.2);
/// Ignition and pumps lower the voltage of a battery without charging at least this far below rest
/// (common practice, no source).
pub const LEFT_ALONE: PerCell = of_six(0.1);
/// A smaller gain with engine speed does not count (common practice, no source).
pub const NO_GAIN: PerCell = of_six(0.05);

// The battery.

/// Minimum while cranking at 21 °C (1.60 V per cell; common practice, no source).
pub const CRANKING_LIMIT: PerCell = of_six(9.6);
/// A lead-acid battery rests this high only within hours after charging; four cells of lithium iron
/// phosphate do (common practice, no source).
pub const HIGH_REST: PerCell = of_six(13.1);
/// A battery below this at rest is half discharged or worse (common practice, no source).
pub const LOW_REST: PerCell = of_six(12.35);
/// The same for AGM and gel, and for lithium iron phosphate, which has a fifth left there.
pub const LOW_REST_SEALED: PerCell = of_six(12.4);
pub const LOW_REST_LITHIUM: PerCell = of_six(13.0);
/// Below this no surface charge is left that could explain a fall (common practice, no source).
pub const NO_SURFACE_CHARGE: PerCell = of_six(12.4);
/// A sound battery without charging falls by some tens of millivolts per minute once its surface
/// charge is gone, V/min (common practice, no source).
pub const FAST_FALL_PER_MIN: PerCell = of_six(0.15);
/// Uncertainty of the table of rest voltages if temperature and hours of rest are unknown (common
/// practice, no source).
pub const REST_TABLE_UNSURE: PerCell = of_six(0.1);
/// Accuracy of battery models (no source: chosen so that intervals hold for batteries of another
/// model, `tests/outside/pybamm.rs`),
pub const BATTERY_MODEL: PerCell = of_six(0.005);
/// … and of the bus of a fitted car (common practice, no source).
pub const FITTED_CAR: PerCell = of_six(0.015);
/// About the middle of a bus that falls short: the current left for the battery is calculated there
/// (our choice).
pub const SHORT_BUS: PerCell = of_six(13.0);

// Cables and connections.

/// Drop of the charging cable under load: good, suspicious, and the limit (common practice, no
/// source).
pub const SUPPLY_DROP: [PerCell; 3] = [of_six(0.2), of_six(0.3), of_six(0.5)];
/// The same for the ground side (common practice, no source).
pub const GROUND_DROP: [PerCell; 3] = [of_six(0.1), of_six(0.1), of_six(0.2)];
/// Resistance times current replaces the measured difference if known this accurately.
pub const DROP_KNOWN: PerCell = of_six(0.15);
/// Within this below the setpoint, the alternator post is at the setpoint.
pub const POST_HELD: PerCell = of_six(0.1);
/// Maximum drop of a ground path while charging, in a car that still starts (common practice, no
/// source).
pub const MOST_GROUND_DROP: PerCell = of_six(1.5);

// Loads and alternators.

/// Voltage at which load and alternator currents are stated: the test voltage of ISO 8854 for 12 V
/// alternators (2.25 V per cell; from memory).
pub const REFERENCE: PerCell = of_six(13.5);
/// Test voltage of an output sheet that does not state it: value, low, high (ISO 8854 for the
/// value, from memory; 13 and 14.4 V are also used, common practice, no source).
pub const BENCH: [PerCell; 3] = [of_six(13.5), of_six(13.0), of_six(14.4)];
/// Plausible test voltages of an alternator.
pub const BENCH_RANGE: [PerCell; 2] = [of_six(12.0), of_six(16.0)];
/// Voltages that name a class of alternators, rather than a test.
pub const BENCH_CLASSES: [PerCell; 2] = [of_six(12.0), of_six(14.0)];
/// Operating range of loads, for currents stated at a voltage (common practice, no source).
pub const LOAD_RANGE: [PerCell; 2] = [of_six(6.0), of_six(18.0)];
/// Bounds of the search for the voltage of a plan: the lowest, and above the setpoint.
pub const SETTLE_LOWEST: PerCell = of_six(4.0);
pub const SETTLE_ABOVE: PerCell = of_six(3.0);
/// The starter lowers the bus voltage by more than this (common practice, no source).
pub const STARTER_FALL: PerCell = of_six(1.0);

// Plans, comparisons and pictures.

/// Range in which lines are drawn (our choice).
pub const DRAWN_RANGE: [PerCell; 2] = [of_six(9.0), of_six(18.0)];

/// The voltage of a 12 V bus is within about two volts. If an interval is wider than half of that,
/// only its range is shown (our choice).
pub const LOOSE_PREDICTION: PerCell = of_six(1.0);
/// A fitted car with a larger error is not reliable (common practice, no source).
pub const POOR_FIT: PerCell = of_six(0.2);
/// Difference between two logs of one car due to weather and charge (common practice, no source).
pub const DAY_TO_DAY: PerCell = of_six(0.2);
/// Difference between cold and heat-soaked setpoints: some 10 mV/°C over 60 °C (common practice, no
/// source).
pub const SETPOINT_BY_HEAT: PerCell = of_six(0.6);
/// Maximum decrease of a setpoint within one log as the regulator warms (common practice, no
/// source).
pub const SETPOINT_DRIFT: PerCell = of_six(0.4);
/// Default acceptance: limits of the setpoint (common practice, no source: a warm regulator holds
/// 13.8 to 14.7 V, somewhat less when heat-soaked, and above 15.0 V a battery is overcharged).
pub const ACCEPTED_SETPOINT: [PerCell; 2] = [of_six(13.5), of_six(15.0)];
/// Maximum drop of a cable to be chosen, supply and ground side (common practice, no source).
pub const CABLE_DROP: [PerCell; 2] = [of_six(0.2), of_six(0.1)];
