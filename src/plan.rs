//! What would fix it: the log replayed with other alternators and pulleys.
//!
//! `calibrate` fits hundreds of sample cars to the log, each with a battery, the current
//! alternator and the amps of every load. `replay` runs each through the same log with
//! another alternator. Their middle is the prediction, their spread its interval. How
//! well they reproduce the log with the current alternator is reported first.

mod calibrate;
mod contract;
mod linear;
mod load_budget;
mod margin;
mod narrative;
mod predict;
mod replay;
mod rows;
mod scene;
mod setpoint;
mod sets;
mod sweep;
mod wiring;

use crate::Examined;
use crate::analysis::battery;
use crate::car::cable::CableRun;
use crate::car::{Car, ChargerKind};
use crate::diagnosis::{Diagnosis, PhaseKind};
use crate::ingest::Sheet;

pub use contract::*;

/// An alternator that might be fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    pub name: String,
    pub sheet: Sheet,
    /// Alternator speed over engine speed; `None`: on the pulleys that are there.
    pub ratio: Option<f64>,
}

/// What is asked of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    pub candidates: Vec<Candidate>,
    /// Ratios to try for each candidate besides its own, with the words they came in.
    pub pulleys: Vec<(String, f64)>,
    /// Highest engine speed, rpm.
    pub redline_rpm: f64,
    /// Highest alternator speed that the alternators bear, rpm.
    pub limit_rpm: f64,
    /// The charging cable and the way back; gauge as they are, or only the length.
    pub cable: Option<CableRun>,
    pub ground: Option<CableRun>,
    /// Volts that may be lost on the way out, and on the way back.
    pub drop_v: (Option<f64>, Option<f64>),
    /// Air about the cable, and what its insulation bears, °C.
    pub air_c: f64,
    pub insulation_c: f64,
}

impl Default for Asked {
    fn default() -> Asked {
        Asked {
            candidates: Vec::new(),
            pulleys: Vec::new(),
            redline_rpm: 6000.0,
            limit_rpm: crate::physics::pulley::MOST_RPM,
            cable: None,
            ground: None,
            drop_v: (None, None),
            air_c: 60.0,
            insulation_c: 105.0,
        }
    }
}

/// Why nothing can be planned from a log.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    #[error(
        "no engine speed is logged, so the alternator's speed is not known: log \
         engine rpm, or name its column with --column engine_rpm=NAME"
    )]
    NoSpeed,
    #[error(
        "a DC generator charges this battery, stated or taken for one because of the system's \
         voltage, and plans are made with curves of alternators. If it is an alternator, state \
         kind = \"alternator\" in [alternator] of car.toml."
    )]
    DcGenerator,
    #[error("the engine never runs steadily in this log for as long as a plan needs")]
    NoRunning,
    #[error(
        "no combination of common parts reproduces this log: {seen}. Look at the diagnosis first, \
         and repair a slipping belt or a bad connection before choosing an alternator."
    )]
    NoCar { seen: String },
}

/// Plans for the log that was examined; `diagnosis` is what that came to.
pub fn plan(
    car: &Car,
    examined: Examined,
    diagnosis: &Diagnosis,
    asked: &Asked,
) -> Result<Plan, PlanError> {
    let Examined { log, segments, mut analysis } = examined;
    let log = &log;
    if car.charger(log.nominal()) == ChargerKind::DcGenerator {
        return Err(PlanError::DcGenerator);
    }
    if log.engine_rpm().is_none() {
        return Err(PlanError::NoSpeed);
    }
    if segments.points.is_empty() || !segments.phases.iter().any(|p| p.kind == PhaseKind::Running) {
        return Err(PlanError::NoRunning);
    }
    if let Some(setpoint) = setpoint::instead(log, &segments, analysis.setpoint.as_ref(), car) {
        let rest_v = analysis.rest_voltage_v.as_ref();
        analysis.battery = battery::model(log, &segments, car, rest_v, Some(&setpoint));
        analysis.setpoint = Some(setpoint);
    }
    let ledger = load_budget::ledger(log, &segments, car);
    let scene = scene::Scene::of(log, &segments, &analysis, &ledger);
    let fleet = calibrate::fleet(log, &segments, &analysis, car, &ledger, &scene)?;
    Ok(predict::plan(log, &segments, car, diagnosis, asked, &ledger, &scene, &fleet))
}
