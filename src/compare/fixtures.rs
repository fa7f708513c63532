//! Diagnoses made by hand, for the unit tests.

use crate::comparison::Settings;
use crate::diagnosis::*;
use crate::estimate::{Estimate, Grade};
use crate::log::{Source, Span};

use super::Recorded;

pub const SETPOINT_V: f64 = 14.2;

pub fn measured(value: f64, half_width: f64) -> Estimate {
    Estimate::around(value, half_width, Grade::Measured, "by hand")
}

pub fn inferred(value: f64, half_width: f64) -> Estimate {
    Estimate::around(value, half_width, Grade::Inferred, "by hand")
}

/// Hot idle at 800 rpm for 100 s, at the setpoint, the battery taking 2 A.
pub fn holding(loads: &[&str]) -> OperatingPoint {
    OperatingPoint {
        loads: names(loads),
        rpm_low: Some(0.0),
        rpm_high: Some(1100.0),
        rpm: Some(800.0),
        heat: Heat::Hot,
        seconds: 100.0,
        spans: vec![Span { start_s: 100.0, end_s: 200.0 }],
        voltage_v: measured(SETPOINT_V, 0.01),
        scatter: Scatter { samples: 1000, effective_samples: 400.0, sigma_v: 0.02, shared_v: 0.0 },
        under_setpoint_v: Some(measured(0.0, 0.02)),
        state: BusState::Holding,
        regulated_probability: None,
        short_probability: None,
        state_confidence: 0.99,
        state_how: String::new(),
        implied_deficit_a: Some(inferred(0.0, 0.0)),
        regulation_shortfall_a: Some(inferred(0.0, 0.0)),
        battery_gives_a: Some(inferred(-2.0, 2.0)),
        deficit_routes_a: Vec::new(),
        routes_disagree: None,
        deficit_told: String::new(),
    }
}

/// The same at 12.6 V, the battery giving so much, give or take 4 A.
pub fn draining(loads: &[&str], gives_a: f64) -> OperatingPoint {
    OperatingPoint {
        voltage_v: measured(12.6, 0.02),
        under_setpoint_v: Some(measured(1.6, 0.03)),
        state: BusState::Draining,
        implied_deficit_a: Some(inferred(gives_a, 4.0)),
        regulation_shortfall_a: None,
        battery_gives_a: Some(inferred(gives_a, 4.0)),
        ..holding(loads)
    }
}

pub fn names(names: &[&str]) -> Vec<String> {
    names.iter().map(|&n| n.to_owned()).collect()
}

pub fn diagnosis(loads: &[&str], operating_points: Vec<OperatingPoint>) -> Diagnosis {
    let lane = |load: &&str| Lane { load: (*load).to_owned(), runs: Vec::new() };
    Diagnosis {
        schema: SCHEMA.to_owned(),
        version: String::new(),
        source: source(),
        columns: Vec::new(),
        notes: Vec::new(),
        noise: Noise {
            sigma_v: 0.02,
            sigma: Some(measured(0.02, 0.001)),
            correlation_time_s: 0.25,
            correlation_time: None,
        },
        phases: Vec::new(),
        doubtful_stops: vec![],
        setpoint_v: Some(measured(SETPOINT_V, 0.02)),
        setpoint_track: Vec::new(),
        setpoint_drift: None,
        regulation: None,
        rest_voltage_v: None,
        state_of_charge_percent: None,
        cranking: None,
        load_steps: Vec::new(),
        operating_points,
        keep_up: Vec::new(),
        heat: Vec::new(),
        line_drop: Vec::new(),
        battery: Battery {
            resistance_ohm: inferred(0.01, 0.005),
            zero_current_v: None,
            routes: Vec::new(),
            disagreement: None,
        },
        battery_use: None,
        output: None,
        verdict: Verdict {
            word: VerdictWord::CannotTell,
            headline: String::new(),
            more_speed: None,
            battery_drains: None,
            danger: None,
            cannot_tell: Vec::new(),
        },
        findings: Vec::new(),
        cautions: Vec::new(),
        picture: Picture { loads: loads.iter().map(lane).collect(), ..Picture::default() },
        units: Default::default(),
    }
}

fn source() -> Source {
    Source {
        file: "log.csv".to_owned(),
        sha256: String::new(),
        encoding: "UTF-8".to_owned(),
        separator: "comma".to_owned(),
        decimal: '.',
        header_line: Some(1),
        clock: "seconds".to_owned(),
        clock_columns: Vec::new(),
        clock_candidates: Vec::new(),
        nominal_v: Default::default(),
        nominal_how: String::new(),
        started_at: None,
        rows_read: 4000,
        rows_skipped: Vec::new(),
        bad_cells: 0,
        bad_cells_first: Vec::new(),
        duration_s: 400.0,
        sample_interval_s: 0.1,
        jitter_s: 0.0,
        resolution_v: None,
        gaps: Vec::new(),
        notices: Vec::new(),
    }
}

pub fn recorded(diagnosis: Diagnosis) -> Recorded {
    Recorded { diagnosis, settings: Settings::default() }
}
