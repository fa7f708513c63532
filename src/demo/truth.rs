//! The truth of a simulated log, with which the measured tests compare.

use serde::Serialize;

use crate::diagnosis::{BusState, Direction, Phase, VerdictWord};

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    #[serde(skip)]
    pub verdict: VerdictWord,
    /// At the middle of the log.
    pub setpoint_v: f64,
    /// Open-circuit voltage at the first sample, surface charge included.
    pub rest_voltage_v: f64,
    pub battery: BatteryTruth,
    pub phases: Vec<Phase>,
    pub steps: Vec<StepTruth>,
    pub keep_up: Vec<KeepUpTruth>,
    #[serde(skip)]
    pub samples: Samples,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BatteryTruth {
    pub capacity_ah: f64,
    pub cca_a: f64,
    /// Resistance to a discharge step within a tenth of a second.
    pub instant_ohm: f64,
    pub seconds_ohm: f64,
    pub minutes_ohm: f64,
    pub state_of_charge_start: f64,
    pub state_of_charge_end: f64,
    pub surface_most_v: f64,
}

/// A true change of load.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepTruth {
    /// When the current changed.
    pub at_s: f64,
    /// When it was switched.
    pub declared_at_s: f64,
    /// Next step, speed change, or the end.
    pub until_s: f64,
    pub load: String,
    pub direction: Direction,
    /// Whether the log has a column for this load.
    pub declared: bool,
    /// Change of running current at 13.5 V; positive for `on`.
    pub amps_a: f64,
    /// Bus without noise: mean of the second before the step,
    pub baseline_v: Option<f64>,
    /// lowest (on) or highest (off) in the three seconds after it,
    pub extreme_v: Option<f64>,
    /// and mean of the two seconds before `until_s`.
    pub settled_v: Option<f64>,
}

/// The engine speed from which a set of loads is carried, by the physics.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KeepUpTruth {
    /// "fan", or "fan 60 %" for part duty.
    pub loads: Vec<String>,
    /// Alternator current needed to hold the setpoint, with a battery full of surface charge. A
    /// battery that was just discharged needs more.
    pub needed_a: f64,
    /// Alternator current available at hot idle at the end of the log.
    pub idle_output_a: f64,
    /// `None` if no speed of the curve is enough, or the drop of the line is too large. Belt slip
    /// is not considered.
    pub rpm: Option<f64>,
    /// Without charging current.
    pub rpm_no_charge: Option<f64>,
    /// Seconds of steady idle with exactly these loads.
    pub idle_s: f64,
    /// Means over those seconds.
    pub idle_bus_v: Option<f64>,
    pub idle_deficit_a: Option<f64>,
}

/// Output and available output of the alternator at one engine speed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OutputTruth {
    pub start_s: f64,
    pub end_s: f64,
    pub engine_rpm: f64,
    /// Means over that time.
    pub alternator_a: f64,
    pub available_a: f64,
}

/// One entry for each sample of the log, without noise and rounding.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Samples {
    pub bus_v: Vec<f64>,
    /// At the point where the regulator senses.
    pub setpoint_v: Vec<f64>,
    /// Positive: charging.
    pub battery_a: Vec<f64>,
    pub alternator_a: Vec<f64>,
    /// Available current at that speed and temperature.
    pub available_a: Vec<f64>,
    /// The battery's open-circuit voltage, surface charge included.
    pub open_circuit_v: Vec<f64>,
    pub state: Vec<BusState>,
    /// The regulator demands more than the alternator can deliver.
    pub saturated: Vec<bool>,
    pub regulation_shortfall_a: Vec<f64>,
    pub implied_deficit_a: Vec<f64>,
    pub engine_rpm: Vec<f64>,
}
