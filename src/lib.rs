//! Reads the voltage logs of a car's charging system and says whether it stays
//! stiff under load.
//!
//! Data flows one way, ingest → segment → analysis → verdict → report, and a
//! stage knows nothing of later ones. The whole pipeline is [`diagnose`]: a
//! [`Log`] goes in, one [`Diagnosis`] comes out, and every report is drawn from
//! that value alone.

pub mod analysis;
pub mod assumptions;
pub mod block_average;
pub mod car;
pub mod compare;
pub mod comparison;
pub mod demo;
pub mod diagnosis;
pub mod estimate;
pub mod files;
pub mod format;
pub mod inference;
pub mod ingest;
pub mod json;
pub mod levels;
pub mod log;
#[cfg(test)]
mod module_order;
pub mod nominal;
pub mod parallel;
pub mod physics;
pub mod picture;
pub mod plan;
pub mod printable;
pub mod report;
pub mod review;
pub mod segment;
pub mod stats;
pub mod units;
pub mod verbs;
pub mod verdict;

use analysis::{Analysis, analyse};
use block_average::block_average;
use car::{Car, ChargerKind};
use diagnosis::{Battery, Diagnosis, PhaseKind, SetpointDrift};
use log::Log;
use segment::{RUNNING_RPM, Segments, segment};
use verdict::{Case, judge};

/// Why a log that could be read cannot be diagnosed.
#[derive(Debug, thiserror::Error)]
pub enum DiagnoseError {
    #[error(
        "the engine never runs in this log: {seen}. Start the log before the engine and let it \
         idle. If the engine did run, another column may be its speed (name it with --column \
         engine_rpm=NAME), or the charging bus (name it with --column voltage=NAME)."
    )]
    NoEngineRun { seen: String },
    #[error(
        "car.toml says that a permanent-magnet alternator charges this battery. Its regulator \
         shunts or blocks what is too much, and nothing here is made for that: no verdict is \
         given. If it has a field winding after all: kind = \"alternator\" in [alternator]."
    )]
    PermanentMagnet,
    #[error(
        "cannot tell whether the engine never runs or nothing charges: {seen}. Without engine \
         speed, a dead alternator looks like an engine that is off: log engine speed too, from \
         before the start, or add --mark 0=engine:on if it ran. If the battery is charged, \
         this voltage is not that of the charging bus: name it with --column voltage=NAME."
    )]
    NothingCharges { seen: String },
}

/// A log segmented and analysed, before anything is told of it.
pub struct Examined {
    /// At the pace at which it was looked at: see [`block_average()`].
    pub log: Log,
    pub segments: Segments,
    pub analysis: Analysis,
}

/// The costly part of [`diagnose`], for whoever needs more than the diagnosis.
pub fn examine(log: &Log, car: &Car) -> Result<Examined, DiagnoseError> {
    if car.charger(log.nominal()) == ChargerKind::PermanentMagnet {
        return Err(DiagnoseError::PermanentMagnet);
    }
    let log = block_average(log);
    let segments = segment(&log);
    if !segments.phases.iter().any(|p| p.kind == PhaseKind::Running) {
        return Err(no_engine_run(&log));
    }
    let analysis = analyse(&log, &segments, car);
    Ok(Examined { log, segments, analysis })
}

/// What `log` says about the charging system of `car`.
pub fn diagnose(log: &Log, car: &Car) -> Result<Diagnosis, DiagnoseError> {
    Ok(examine(log, car)?.diagnosis(car))
}

impl Examined {
    /// What it comes to; `car` is the one that was examined.
    pub fn diagnosis(&self, car: &Car) -> Diagnosis {
        let Examined { log, segments, analysis } = self;
        let judgement = judge(&Case { log, segments, analysis, car });
        let per_minute_v = analysis.setpoint.as_ref().and_then(|s| s.drift_per_minute.clone());
        let movement = analysis.movement.as_ref();
        let by_temperature = movement.and_then(|movement| movement.drift.clone());
        let setpoint_drift = match (by_temperature, per_minute_v) {
            (Some(drift), per_minute_v) => Some(SetpointDrift { per_minute_v, ..drift }),
            (None, Some(per_minute_v)) => Some(SetpointDrift::with_time(per_minute_v)),
            (None, None) => None,
        };
        let mut source = log.source.clone();
        // First, since the amps that were meant to count do not.
        if let Some(unused) = car.loads_not_logged(log.load_names()) {
            source.notices.insert(0, unused);
        }
        Diagnosis {
            schema: diagnosis::SCHEMA.to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            source,
            columns: log.columns.clone(),
            notes: log.notes.clone(),
            noise: analysis.noise.clone(),
            picture: picture::picture(log, segments),
            phases: segments.phases.clone(),
            doubtful_stops: segments.doubtful_stops.clone(),
            setpoint_v: analysis.setpoint.as_ref().map(|s| s.estimate.clone()),
            setpoint_track: analysis.setpoint.as_ref().map(|s| s.track()).unwrap_or_default(),
            setpoint_drift,
            regulation: movement.map(|movement| movement.regulation.clone()),
            rest_voltage_v: analysis.rest_voltage_v.clone(),
            state_of_charge_percent: analysis.state_of_charge_percent.clone(),
            cranking: analysis.cranking.clone(),
            load_steps: analysis.load_steps.clone(),
            operating_points: analysis.operating_points.clone(),
            keep_up: analysis.keep_up.clone(),
            heat: analysis.heat.clone(),
            line_drop: analysis.line_drop.clone(),
            battery: Battery {
                resistance_ohm: analysis.battery.resistance_ohm.clone(),
                // No battery makes some voltages: then none is told.
                zero_current_v: Some(analysis.battery.zero_current_v.clone())
                    .filter(|v| v.value.is_finite()),
                routes: analysis.battery.routes.clone(),
                disagreement: analysis.battery.disagreement.clone(),
            },
            battery_use: Some(analysis.battery_use.clone()),
            output: analysis.output.clone(),
            verdict: judgement.verdict,
            findings: judgement.findings,
            cautions: judgement.cautions,
            units: Default::default(),
        }
    }
}

fn no_engine_run(log: &Log) -> DiagnoseError {
    let log = log.as_sampled();
    let highest = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let lowest = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
    let bus_v = log.bus_v();
    let stays = format!("the bus stays between {:.2} and {:.2} V", lowest(bus_v), highest(bus_v));
    let top_rpm = log.engine_rpm().map(highest).filter(|rpm| rpm.is_finite());
    if let Some(rpm) = top_rpm {
        let speed = if rpm < RUNNING_RPM {
            format!("engine speed at most {rpm:.0} rpm")
        } else {
            format!("engine speed over {RUNNING_RPM:.0} rpm for moments only, {rpm:.0} at most")
        };
        return DiagnoseError::NoEngineRun { seen: format!("{stays}, {speed}") };
    }
    let seen = format!("{stays}, without a start or a change of load");
    DiagnoseError::NothingCharges { seen }
}
