//! The logs before and after the repair. All invented.

use serde::Serialize;

use super::car::CarModel;
use super::coupe::{self, AC_CLUTCH};
use super::dialect::{Clock, Dialect, Encoding, UnitStyle};
use super::logger::{Channel, LoadWords, Logger, Shows};
use super::recipes::{
    at, coolant, heat_soaked, invented_dialect, load_test, logger, rpm, started, switch,
    usual_channels, volts, warming, with_day_loads,
};
use super::scenario::{Recording, hot_idle_script};
use super::script::Script;
use crate::comparison::Outcome;
use crate::diagnosis::VerdictWord;
use crate::log::{Place, Tap};
use crate::physics::battery::BatteryState;
use crate::physics::interpolate::CurveError;

/// A comparison of logs, and its expected outcome.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PairTruth {
    pub before: &'static str,
    pub afters: &'static [&'static str],
    pub outcome: Outcome,
    pub story: &'static str,
}

/// Compares `afters` with the log of the complaint.
const fn after_the_complaint(
    afters: &'static [&'static str],
    outcome: Outcome,
    story: &'static str,
) -> PairTruth {
    PairTruth { before: "hot-idle-old-alternator.csv", afters, outcome, story }
}

pub const PAIRS: [PairTruth; 6] = [
    after_the_complaint(
        &["new-alternator-soaked.csv"],
        Outcome::RepairProven,
        "Everything that discharged the battery at hot idle is now carried.",
    ),
    after_the_complaint(
        &["new-alternator-cold.csv"],
        Outcome::RepairProven,
        "Started cold, and idled on with everything on until it was hot.",
    ),
    after_the_complaint(
        &["new-alternator-cold.csv", "new-alternator-soaked.csv"],
        Outcome::RepairProven,
        "Cold and heat-soaked logs against the same complaint.",
    ),
    after_the_complaint(
        &["old-alternator-another-day.csv"],
        Outcome::NoChange,
        "Nothing was done.",
    ),
    after_the_complaint(
        &["rebuilt-alternator.csv"],
        Outcome::ImprovedNotProven,
        "A stronger alternator, but the battery still discharges at hot idle.",
    ),
    after_the_complaint(
        &["light-check.csv"],
        Outcome::NotComparable,
        "The loads that failed before were not switched on.",
    ),
];

pub fn logs() -> Result<Vec<Recording>, CurveError> {
    Ok(vec![
        old_alternator_another_day()?,
        rebuilt_alternator()?,
        new_alternator_cold()?,
        new_alternator_soaked()?,
        light_check()?,
    ])
}

fn old_alternator_another_day() -> Result<Recording, CurveError> {
    let car = coupe::old_alternator()?;
    let car = CarModel { battery_at_start: BatteryState::rested(0.94, 0.02), ..car };
    let mut script = hot_idle_script();
    script.ambient_c = 15.0;
    script.underhood = warming(48.0, 75.0, 90.0);
    let channels = with_day_loads(
        vec![volts("Ubat", 0.02), rpm("Engine RPM"), coolant("Coolant")],
        ["rad fan", "AC relay", "blower motor"],
        LoadWords::OnOff,
    );
    let dialect = Dialect { separator: ';', units: UnitStyle::Brackets, ..invented_dialect() };
    Ok(Recording {
        name: "old-alternator-another-day",
        story: "A week later, nothing changed but the weather: does the complaint come back?",
        car,
        script,
        logger: Logger { started_at: at(16, 48), ..logger(10.0, channels, dialect) },
        seed: 131,
        expected_verdict: Some(VerdictWord::FallsShortAtIdle),
        findings: &["short-at-idle", "battery-draining"],
    })
}

fn rebuilt_alternator() -> Result<Recording, CurveError> {
    let channels = usual_channels();
    Ok(Recording {
        name: "rebuilt-alternator",
        story: "First try: a rebuilt 100 A alternator from the shelf, on the old pulleys.",
        car: coupe::rebuilt_alternator()?,
        script: hot_idle_script(),
        logger: Logger { started_at: at(13, 20), ..logger(10.0, channels, invented_dialect()) },
        seed: 132,
        expected_verdict: Some(VerdictWord::FallsShortAtIdle),
        findings: &["short-at-idle"],
    })
}

/// Started cold and left at idle with everything on until it is hot.
fn cold_start() -> Script {
    let mut script = load_test(started(400.0), 165.0, &[2400.0]);
    script.coolant = warming(22.0, 93.0, 120.0);
    script
}

fn light_check() -> Result<Recording, CurveError> {
    let channels = usual_channels();
    let mut script = heat_soaked(started(180.0));
    script.switches = vec![switch(60.0, AC_CLUTCH, 1.0), switch(140.0, AC_CLUTCH, 0.0)];
    Ok(Recording {
        name: "light-check",
        story: "The owner's own check of the new alternator: idle, and no more than the AC clutch.",
        car: coupe::new_alternator()?,
        script,
        logger: Logger { started_at: at(10, 30), ..logger(10.0, channels, invented_dialect()) },
        seed: 133,
        expected_verdict: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}

fn new_alternator_cold() -> Result<Recording, CurveError> {
    let channels = with_day_loads(
        vec![
            volts("Battery voltage", 0.02),
            rpm("Engine speed"),
            Channel::new(Shows::Temperature(Place::Coolant), "Coolant temperature", "°F", 1.0)
                .scaled(1.8, 32.0, 1.0),
        ],
        ["Radiator fan", "AC clutch", "Blower duty"],
        LoadWords::OnOff,
    );
    let dialect = Dialect {
        separator: ';',
        units: UnitStyle::Row,
        clock: Clock::Elapsed,
        time_header: "Time".into(),
        line_end: "\r\n",
        encoding: Encoding::Utf8Bom,
        ..invented_dialect()
    };
    Ok(Recording {
        name: "new-alternator-cold",
        story: "After the swap, first start of the day, the same switches.",
        car: coupe::new_alternator()?,
        script: cold_start(),
        logger: Logger { started_at: at(8, 3), ..logger(8.0, channels, dialect) },
        seed: 103,
        expected_verdict: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}

fn new_alternator_soaked() -> Result<Recording, CurveError> {
    let channels = with_day_loads(
        vec![
            Channel::new(Shows::Voltage(Tap::Battery), "battery", "mV", 10.0)
                .scaled(1000.0, 0.0, 10.0),
            rpm("engine speed"),
            coolant("coolant"),
        ],
        ["fan relay", "AC relay", "blower"],
        LoadWords::ZeroOne,
    );
    let dialect = Dialect {
        separator: '\t',
        units: UnitStyle::Brackets,
        clock: Clock::Milliseconds,
        ..invented_dialect()
    };
    Ok(Recording {
        name: "new-alternator-soaked",
        story: "The proof: the new alternator after an hour's driving, with all loads on at idle.",
        car: coupe::new_alternator()?,
        script: heat_soaked(load_test(started(400.0), 100.0, &[2400.0])),
        logger: Logger { started_at: at(11, 40), ..logger(10.0, channels, dialect) },
        seed: 104,
        expected_verdict: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}
