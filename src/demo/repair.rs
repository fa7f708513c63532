//! The logs around the repair: what was tried, what was fitted, and what each of
//! them shows of it. All invented.

use serde::Serialize;

use super::car::CarModel;
use super::coupe::{self, AC_CLUTCH, BLOWER, FAN_LOW};
use super::dialect::{Clock, Dialect, Encoding, UnitStyle};
use super::logger::{Channel, LoadWords, Logger, Shows};
use super::recipes::{
    at, coolant, duty, heat_soaked, logger, marked, proof, relay, rpm, started, switch, volts,
    warming,
};
use super::scenario::{Recording, hot_idle_script};
use super::script::Script;
use crate::comparison::Outcome;
use crate::diagnosis::VerdictWord;
use crate::log::{Place, Tap};
use crate::physics::battery::BatteryState;
use crate::physics::interpolate::CurveError;

/// Logs held against each other, and what the physics say of the repair.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PairTruth {
    pub before: &'static str,
    pub afters: &'static [&'static str],
    pub outcome: Outcome,
    pub story: &'static str,
}

const OLD: &str = "hot-idle-old-alternator.csv";

pub const PAIRS: [PairTruth; 6] = [
    PairTruth {
        before: OLD,
        afters: &["new-alternator-soaked.csv"],
        outcome: Outcome::RepairProven,
        story: "All that drained at hot idle is carried at hot idle.",
    },
    PairTruth {
        before: OLD,
        afters: &["new-alternator-cold.csv"],
        outcome: Outcome::RepairProven,
        story: "Started cold, and idled on with everything on until it was hot.",
    },
    PairTruth {
        before: OLD,
        afters: &["new-alternator-cold.csv", "new-alternator-soaked.csv"],
        outcome: Outcome::RepairProven,
        story: "Cold and soaked against the one complaint.",
    },
    PairTruth {
        before: OLD,
        afters: &["old-alternator-another-day.csv"],
        outcome: Outcome::NoChange,
        story: "Nothing was done.",
    },
    PairTruth {
        before: OLD,
        afters: &["rebuilt-alternator.csv"],
        outcome: Outcome::ImprovedNotProven,
        story: "A stronger alternator, and still the battery discharges at hot idle.",
    },
    PairTruth {
        before: OLD,
        afters: &["light-check.csv"],
        outcome: Outcome::NotComparable,
        story: "What failed before was never switched on again.",
    },
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
    let channels = vec![
        volts("Ubat", 0.02),
        rpm("Engine RPM"),
        coolant("Coolant"),
        relay(FAN_LOW, "rad fan", LoadWords::OnOff),
        relay(AC_CLUTCH, "AC relay", LoadWords::OnOff),
        duty(BLOWER, "blower motor"),
    ];
    let dialect = Dialect { separator: ';', units: UnitStyle::Brackets, ..marked() };
    Ok(Recording {
        name: "old-alternator-another-day",
        story: "A week later, nothing changed but the weather: does the complaint come back?",
        car,
        script,
        logger: Logger { started_at: at(16, 48), ..logger(10.0, channels, dialect) },
        seed: 131,
        calls_for: Some(VerdictWord::FallsShortAtIdle),
        findings: &["short-at-idle", "battery-draining"],
    })
}

fn rebuilt_alternator() -> Result<Recording, CurveError> {
    let channels = vec![
        volts("battery voltage", 0.01),
        rpm("engine rpm"),
        coolant("coolant temp"),
        relay(FAN_LOW, "fan", LoadWords::ZeroOne),
        relay(AC_CLUTCH, "ac clutch", LoadWords::ZeroOne),
        duty(BLOWER, "blower"),
    ];
    Ok(Recording {
        name: "rebuilt-alternator",
        story: "First try: a rebuilt 100 A alternator from the shelf, on the old pulleys.",
        car: coupe::rebuilt_alternator()?,
        script: hot_idle_script(),
        logger: Logger { started_at: at(13, 20), ..logger(10.0, channels, marked()) },
        seed: 132,
        calls_for: Some(VerdictWord::FallsShortAtIdle),
        findings: &["short-at-idle"],
    })
}

/// Started cold and left to idle with everything on until it is hot, and on.
fn cold_start() -> Script {
    let mut script = proof(started(400.0), 165.0, &[2400.0]);
    script.coolant = warming(22.0, 93.0, 120.0);
    script
}

fn light_check() -> Result<Recording, CurveError> {
    let channels = vec![
        volts("battery voltage", 0.01),
        rpm("engine rpm"),
        coolant("coolant temp"),
        relay(FAN_LOW, "fan", LoadWords::ZeroOne),
        relay(AC_CLUTCH, "ac clutch", LoadWords::ZeroOne),
        duty(BLOWER, "blower"),
    ];
    let mut script = heat_soaked(started(180.0));
    script.switches = vec![switch(60.0, AC_CLUTCH, 1.0), switch(140.0, AC_CLUTCH, 0.0)];
    Ok(Recording {
        name: "light-check",
        story: "The owner's own check of the new alternator: idle, and no more than the AC clutch.",
        car: coupe::new_alternator()?,
        script,
        logger: Logger { started_at: at(10, 30), ..logger(10.0, channels, marked()) },
        seed: 133,
        calls_for: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}

fn new_alternator_cold() -> Result<Recording, CurveError> {
    let channels = vec![
        volts("Battery voltage", 0.02),
        rpm("Engine speed"),
        Channel::new(Shows::Temperature(Place::Coolant), "Coolant temperature", "°F", 1.0)
            .scaled(1.8, 32.0, 1.0),
        relay(FAN_LOW, "Radiator fan", LoadWords::OnOff),
        relay(AC_CLUTCH, "AC clutch", LoadWords::OnOff),
        duty(BLOWER, "Blower duty"),
    ];
    let dialect = Dialect {
        separator: ';',
        units: UnitStyle::Row,
        clock: Clock::Elapsed,
        time_header: "Time".into(),
        line_end: "\r\n",
        encoding: Encoding::Utf8Bom,
        ..marked()
    };
    Ok(Recording {
        name: "new-alternator-cold",
        story: "After the swap, first start of the day, the same switches.",
        car: coupe::new_alternator()?,
        script: cold_start(),
        logger: Logger { started_at: at(8, 3), ..logger(8.0, channels, dialect) },
        seed: 103,
        calls_for: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}

fn new_alternator_soaked() -> Result<Recording, CurveError> {
    let channels = vec![
        Channel::new(Shows::Voltage(Tap::Battery), "battery", "mV", 10.0).scaled(1000.0, 0.0, 10.0),
        rpm("engine speed"),
        coolant("coolant"),
        relay(FAN_LOW, "fan relay", LoadWords::ZeroOne),
        relay(AC_CLUTCH, "AC relay", LoadWords::ZeroOne),
        duty(BLOWER, "blower"),
    ];
    let dialect = Dialect {
        separator: '\t',
        units: UnitStyle::Brackets,
        clock: Clock::Milliseconds,
        ..marked()
    };
    Ok(Recording {
        name: "new-alternator-soaked",
        story: "The proof: the new alternator after an hour's driving, all loads on at idle.",
        car: coupe::new_alternator()?,
        script: heat_soaked(proof(started(400.0), 100.0, &[2400.0])),
        logger: Logger { started_at: at(11, 40), ..logger(10.0, channels, dialect) },
        seed: 104,
        calls_for: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}
