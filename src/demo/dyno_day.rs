//! Eight short logs of one day on the dyno. Seven are readable, and six of those are of the
//! coupe. The log of the other car is in a folder of its own.

use super::coupe::{self, FAN_LOW};
use super::dialect::{Clock, Dialect};
use super::logger::{LoadWords, Logger};
use super::recipes::{
    at, coolant, engine, invented_dialect, logger, relay, rpm, switch, volts, warming,
};
use super::scenario::Recording;
use super::script::{Demand, Script};
use crate::diagnosis::VerdictWord;
use crate::physics::interpolate::CurveError;

pub fn runs() -> Result<Vec<Recording>, CurveError> {
    (0..DYNO_RUNS.len()).map(dyno_run).collect()
}

/// Name, hour, minute, underhood temperature at the start in °C.
const DYNO_RUNS: [(&str, u32, u32, f64); 8] = [
    ("dyno-day/run-1", 9, 5, 30.0),
    ("dyno-day/run-2", 9, 40, 46.0),
    ("dyno-day/run-3", 10, 10, 58.0),
    ("dyno-day/run-4", 10, 45, 68.0),
    ("dyno-day/run-5", 11, 15, 76.0),
    ("dyno-day/run-6", 11, 50, 82.0),
    ("dyno-day/guest/run-7", 12, 25, 60.0),
    ("dyno-day/run-8", 13, 0, 92.0),
];
pub const BROKEN_RUN: &str = "dyno-day/run-5";
const OTHER_CAR_RUN: usize = 6;

/// A pull on the dyno: idle with the fan on, up through the speeds, idle again.
fn dyno_run(run: usize) -> Result<Recording, CurveError> {
    let (name, hour, minute, heat_c) = DYNO_RUNS[run];
    let other = run == OTHER_CAR_RUN;
    let broken = name == BROKEN_RUN;
    let script = Script {
        duration_s: 84.0,
        engine: vec![
            engine(0.0, Demand::Idle, 0.0),
            engine(34.0, Demand::Speed(2000.0), 1.0),
            engine(46.0, Demand::Speed(5500.0), 9.0),
            engine(58.0, Demand::Idle, 3.0),
        ],
        switches: vec![switch(10.0, FAN_LOW, 1.0), switch(72.0, FAN_LOW, 0.0)],
        ambient_c: 24.0,
        coolant: warming(88.0, 95.0, 60.0),
        underhood: warming(heat_c, heat_c + 10.0, 60.0),
    };
    let mut channels = vec![volts("battery voltage", 0.01), rpm("engine rpm"), coolant("coolant")];
    // The dyno's logger knows the date and time; that of the other car only counts.
    let mut dialect = Dialect { clock: Clock::Iso, ..invented_dialect() };
    if other {
        channels[0] = volts("Ubat", 0.05);
        dialect = Dialect { separator: ';', clock: Clock::Elapsed, ..dialect };
    } else {
        channels.push(relay(FAN_LOW, "fan", LoadWords::ZeroOne));
    }
    let mut car = if other { coupe::other_car()? } else { coupe::old_alternator()? };
    // The engine has been running all morning.
    car.battery_at_start.surface_v = 0.35;
    let (story, expected_verdict, findings): (_, _, &[&str]) = match (broken, other) {
        (true, _) => ("The memory card failed: a few rows, then random bytes.", None, &[]),
        (_, true) => ("Another car on the dyno.", Some(VerdictWord::KeepsUp), &[]),
        _ => (
            "A dyno pull with the old alternator, hotter each time.",
            Some(VerdictWord::FallsShortAtIdle),
            &["short-at-idle"],
        ),
    };
    Ok(Recording {
        name,
        story,
        car,
        script,
        logger: Logger { started_at: at(hour, minute), ..logger(10.0, channels, dialect) },
        seed: 120 + run as u64,
        expected_verdict,
        findings,
    })
}
