//! Every fixed voltage of the code, in one place.
//!
//! All of them go with the number of cells ([`PerCell`]) and are written for six, as the
//! trade and its standards write them; a log's own cells make volts of them:
//! `log.nominal().volts(levels::CHARGED)`. What belongs to the meter and not to the
//! battery (resolution, calibration) stays with the code that reads it, and is the same
//! at 6, 12 and 24 V. The battery's own physics is written for six cells in
//! [`crate::physics::battery`] and made over there.

use crate::nominal::PerCell;

const fn of_six(volts: f64) -> PerCell {
    PerCell::of_six(volts)
}

// Reading.

/// What a bus reads, cranking included (common practice, no source).
pub const BUS_RANGE: [PerCell; 2] = [of_six(6.0), of_six(17.0)];
/// What the median of a bus without a name reads (common practice, no source).
pub const NAMELESS_BUS_RANGE: [PerCell; 2] = [of_six(11.0), of_six(15.5)];

// Phases: rest, cranking, running.

/// A bus over this is being charged (2.20 V a cell; common practice, no source).
pub const CHARGED: PerCell = of_six(13.2);
/// The same of AGM and gel, which rest 0.2 V higher (common practice, no source),
pub const CHARGED_SEALED: PerCell = of_six(13.3);
/// … and of four cells of lithium iron phosphate, which rest at 13.2 to 13.3 V.
pub const CHARGED_LITHIUM: PerCell = of_six(13.5);
/// Under this the logger's own supply is off: no battery that runs a logger reads less
/// (common practice, no source).
pub const SUPPLY_OFF: PerCell = of_six(3.0);
/// No starter is at work on a battery that stands higher: a bus that falls from there was
/// charged (common practice, no source: the surface charge right after a stop).
pub const AFTER_STOP: PerCell = of_six(13.5);
/// Loads on a resting battery take it down by more than its surface charge fades meanwhile
/// (common practice, no source).
pub const REST_LOADED: PerCell = of_six(0.2);
/// The starter draws a hundred amps and more: no other load dips a resting battery this
/// far (common practice, no source).
pub const CRANKING_DIP: PerCell = of_six(0.8);
/// A strong battery on a warm engine gives way by so much at least when the engine is seen
/// to turn (common practice, no source: a hundred amps through two milliohms).
pub const TURNING_DIP: PerCell = of_six(0.2);
/// A battery that still starts an engine is taken no lower (1.33 V a cell; common practice,
/// no source).
pub const WEAK_CRANKING: PerCell = of_six(8.0);
/// A resting battery moves by less within ten seconds (common practice, no source: a lamp
/// of some amps moves it by more).
pub const QUIET_REST: PerCell = of_six(0.03);

// Steps and drop-outs.

/// A contact that is lost takes at least so many volts; deeper than any load takes a bus
/// that its regulator still holds (common practice, no source).
pub const LOST_CONTACT: PerCell = of_six(0.5);
/// Less than this on a rising engine speed is no dip (common practice, no source).
pub const BELT_DIP: PerCell = of_six(0.1);

// The regulator.

/// What regulators hold, cold to soaked, for a log that never shows its own: value, low,
/// high (common practice, no source: 13.8 to 14.7 V, a soaked one somewhat less).
pub const COMMON_SETPOINT: [PerCell; 3] = [of_six(14.2), of_six(13.6), of_six(14.7)];
/// A level that nothing shows to be held counts from here on.
pub const LEAST_UNSHOWN_SETPOINT: PerCell = of_six(13.6);
/// How well a stated setpoint is kept (90 %; common practice, no source).
pub const STATED_SETPOINT: PerCell = of_six(0.1);
/// Under the setpoint by less than this is the regulator's droop, not a slip (common
/// practice, no source).
pub const DROOP: PerCell = of_six(0.06);
/// Levels of one setpoint lie this close together: regulators droop a few hundredths from
/// no load to full load (common practice, no source).
pub const ONE_SETPOINT: PerCell = of_six(0.08);
/// Further under the setpoint than this, the alternator gives all it has (common practice,
/// no source).
pub const FULL_OUTPUT: PerCell = of_six(0.15);
/// No regulator lets the bus stand steadily further above what it holds: twice its droop.
pub const ABOVE_SETPOINT: PerCell = of_six(0.12);
/// What a fit takes for the level held must be the setpoint, give or take this.
pub const AT_SETPOINT: PerCell = of_six(0.12);
/// A held bus does not rise by more than this within a stretch,
pub const RISING: PerCell = of_six(0.02);
/// … and falls no faster than the regulator warms, V/s.
pub const FALLING_PER_S: PerCell = of_six(0.002);
/// Drifts of a setpoint are tried in steps of so much, V/min.
pub const DRIFT_STEP_PER_MIN: PerCell = of_six(0.005);
/// Where more is asked of the alternator and it holds, the bus gives way by no more than
/// this, and noise.
pub const INDIFFERENT: PerCell = of_six(0.03);
/// Levels of a setpoint that nothing moves scatter by so much (standard deviation; common
/// practice, no source).
pub const STEADY: PerCell = of_six(0.02);
/// One load takes as much, if any,
pub const PER_LOAD: PerCell = of_six(0.014);
/// … and no more than this of a level that is held: droop, a line, the logger's
/// ground (common practice, no source).
pub const MOST_PER_LOAD: PerCell = of_six(0.25);
/// A setpoint that moves by this at once was told to.
pub const COMMANDED: PerCell = of_six(0.12);
/// Further under the setpoint the battery turns from charging to discharging and bends a
/// fall of the bus.
pub const STRAIGHT_FALL: PerCell = of_six(0.2);
/// Regulators hold no less than this warm (common practice, no source).
pub const LOW_SETPOINT: PerCell = of_six(13.8);
/// Over this is overcharging (2.50 V a cell; common practice, no source).
pub const OVERCHARGE: PerCell = of_six(15.0);
/// The same of gel, which dries out sooner, and of lithium iron phosphate, whose cells are
/// full at 3.65 V (common practice, no source).
pub const OVERCHARGE_GEL: PerCell = of_six(14.7);
pub const OVERCHARGE_LITHIUM: PerCell = of_six(14.8);
/// A setpoint that falls by less than this for each degree does not follow heat, V/°C.
pub const NO_DRIFT_PER_C: PerCell = of_six(0.001);
/// What regulators hold at 25 °C in a plan, and how far either way (90 %; common practice,
/// no source: 13.8 to 14.7 V).
pub const PLAN_SETPOINT: [PerCell; 2] = [of_six(14.25), of_six(0.45)];
/// What a regulator takes off for each degree at the most, V/°C (common practice, no
/// source: 7 to 10 mV, many less, some nothing).
pub const PLAN_SETPOINT_PER_C: PerCell = of_six(0.010);
/// A level that is held lies this near to the regulator's own (standard deviation; droop,
/// and heat that is not logged).
pub const PLAN_HELD: PerCell = of_six(0.04);

/// Held levels drift apart by so much in a minute, standard deviation growing with the
/// square root of time (common practice, no source: heat alone moves a setpoint by 0.3 V
/// over ten minutes),
pub const WANDER_PER_ROOT_MIN: PerCell = of_six(0.05);
/// … and never by more than regulators differ.
pub const MOST_WANDER: PerCell = of_six(0.4);
/// Visits of one operating point leave no wider gap between their levels: more than droop
/// and heat make of one (common practice, no source).
pub const APART: PerCell = of_six(0.25);
/// What visits of one operating point differ by (common practice, no source).
pub const VISITS_SPREAD: PerCell = of_six(0.03);

/// No engine computer commands less than this for all of a run (common practice, no source).
pub const NEVER_CHARGED: PerCell = of_six(13.0);
/// Regulators of DC generators hold as much as 2.6 V a cell when cold (common practice, no
/// source: 7.2 to 7.8 V for 6 V).
pub const GENERATOR_OVERCHARGE: PerCell = of_six(15.8);

// The verdict.

/// Acceptance: within this of the setpoint, and never discharging (common practice, no
/// source). Under it by less is little in reserve.
pub const ACCEPTED: PerCell = of_six(0.2);
/// Ignition and pumps pull a battery that is left alone with them at least this far under
/// its rest (common practice, no source).
pub const LEFT_ALONE: PerCell = of_six(0.1);
/// Less than this gained with engine speed is nothing (common practice, no source).
pub const NO_GAIN: PerCell = of_six(0.05);

// The battery.

/// Not under this while cranking at 21 °C (1.60 V a cell; common practice, no source).
pub const CRANKING_LIMIT: PerCell = of_six(9.6);
/// No battery of lead and acid rests so high, unless it was charged in the last hours; four
/// cells of lithium iron phosphate do (common practice, no source).
pub const HIGH_REST: PerCell = of_six(13.1);
/// A battery under this at rest is half empty or worse (common practice, no source).
pub const LOW_REST: PerCell = of_six(12.35);
/// The same of AGM and gel, and of lithium iron phosphate, which has a fifth left there.
pub const LOW_REST_SEALED: PerCell = of_six(12.4);
pub const LOW_REST_LITHIUM: PerCell = of_six(13.0);
/// Under this no surface charge is left that would explain a fall (common practice, no
/// source).
pub const NO_SURFACE_CHARGE: PerCell = of_six(12.4);
/// A sound battery that carries the car's loads falls by some tens of millivolts a minute
/// once its surface charge is gone, V/min (common practice, no source).
pub const FAST_FALL_PER_MIN: PerCell = of_six(0.15);
/// How far the common-practice table of rest voltages may be off for a battery whose
/// temperature and hours of rest nobody knows (common practice, no source).
pub const REST_TABLE_UNSURE: PerCell = of_six(0.1);
/// No battery model follows a battery's voltage better than so (no source: chosen so that
/// intervals hold for batteries of another model, `tests/outside/pybamm.rs`).
pub const BATTERY_MODEL: PerCell = of_six(0.005);
/// … nor a fitted car's bus (common practice, no source).
pub const FITTED_CAR: PerCell = of_six(0.015);
/// About the middle of a bus that is short: from there the amps left for the battery are
/// counted (our choice).
pub const SHORT_BUS: PerCell = of_six(13.0);

// Cables and connections.

/// Of the charging cable at load: good, worth a look, and the limit (common practice, no
/// source).
pub const SUPPLY_DROP: [PerCell; 3] = [of_six(0.2), of_six(0.3), of_six(0.5)];
/// Of the ground side (common practice, no source).
pub const GROUND_DROP: [PerCell; 3] = [of_six(0.1), of_six(0.1), of_six(0.2)];
/// Resistance times current replaces the bare difference where it is known this well.
pub const DROP_KNOWN: PerCell = of_six(0.15);
/// A post no further under the setpoint than this holds it.
pub const POST_HELD: PerCell = of_six(0.1);
/// No ground path of a car that still starts loses more while charging (common practice,
/// no source).
pub const MOST_GROUND_DROP: PerCell = of_six(1.5);

// Loads and alternators.

/// At which load and alternator amps are stated: ISO 8854's test voltage for 12 V
/// alternators (2.25 V a cell; from memory).
pub const REFERENCE: PerCell = of_six(13.5);
/// Test voltage of an alternator's sheet that does not state it: value, low, high (ISO
/// 8854 for the value, from memory; benches also test at 13 and at 14.4 V, common
/// practice, no source).
pub const BENCH: [PerCell; 3] = [of_six(13.5), of_six(13.0), of_six(14.4)];
/// What could be the test voltage of an alternator.
pub const BENCH_RANGE: [PerCell; 2] = [of_six(12.0), of_six(16.0)];
/// Two voltages that name a class of alternator, and not a test.
pub const BENCH_CLASSES: [PerCell; 2] = [of_six(12.0), of_six(14.0)];
/// What loads run at, for amps stated at a voltage (common practice, no source).
pub const LOAD_RANGE: [PerCell; 2] = [of_six(6.0), of_six(18.0)];
/// A bus does not settle lower than this in a plan, and no further above the setpoint than
/// the other (bounds of a search).
pub const SETTLE_LOWEST: PerCell = of_six(4.0);
pub const SETTLE_ABOVE: PerCell = of_six(3.0);
/// The starter takes the bus down by more than this (common practice, no source).
pub const STARTER_FALL: PerCell = of_six(1.0);

// Plans, comparisons and pictures.

/// Lines within these are drawn (our choice).
pub const DRAWN_RANGE: [PerCell; 2] = [of_six(9.0), of_six(18.0)];

/// A 12 V bus has some two volts to be in. An interval wider than half of them predicts no
/// voltage: only its range is shown (our choice).
pub const LOOSE_PREDICTION: PerCell = of_six(1.0);
/// A fitted car that is off by more is not to be trusted (common practice, no source).
pub const POOR_FIT: PerCell = of_six(0.2);
/// Two logs of one car differ by so much for another day's weather and charge (common
/// practice, no source).
pub const DAY_TO_DAY: PerCell = of_six(0.2);
/// A cold and a soaked regulator hold setpoints that lie so far apart: some 10 mV/°C over
/// 60 °C (common practice, no source).
pub const SETPOINT_BY_HEAT: PerCell = of_six(0.6);
/// A setpoint drifts down as a regulator warms, by less than this within one log (common
/// practice, no source).
pub const SETPOINT_DRIFT: PerCell = of_six(0.4);
/// Default acceptance: least and most of the setpoint (common practice, no source: a warm
/// regulator holds 13.8 to 14.7 V, a soaked one somewhat less, and above 15.0 V a battery
/// is overcharged).
pub const ACCEPTED_SETPOINT: [PerCell; 2] = [of_six(13.5), of_six(15.0)];
/// Volts lost out and back at the most, for a cable to be chosen (common practice, no
/// source).
pub const CABLE_DROP: [PerCell; 2] = [of_six(0.2), of_six(0.1)];
