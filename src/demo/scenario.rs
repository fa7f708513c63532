//! The logs of the scenario: who drove what, what was recorded, and what the
//! physics say about it. All invented.

use chrono::{NaiveDate, NaiveDateTime};

use super::car::CarModel;
use super::coupe::{self, AC_CLUTCH, BLOWER, FAN_HIGH, FAN_LOW, LAMPS};
use super::dialect::{Clock, Dialect, Encoding, UnitStyle};
use super::logger::{Channel, LoadWords, Logger, Noise, Shows};
use super::script::{Demand, EngineChange, Script, Switch, Warming};
use crate::diagnosis::VerdictWord;
use crate::log::{Place, Tap};
use crate::physics::interpolate::CurveError;

/// One log to be.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// File name without its ending; may hold a folder.
    pub name: &'static str,
    pub story: &'static str,
    pub car: CarModel,
    pub script: Script,
    pub logger: Logger,
    pub seed: u64,
    /// What a diagnosis has to come to; `None` where the file cannot be read.
    pub calls_for: Option<VerdictWord>,
    /// Ids of the findings it has to raise.
    pub findings: &'static [&'static str],
}

/// What every log says of itself in its first line.
const MARK: &str = "# invented demonstration data, no real car: written by `stiffbus demo`";

/// Every log, in the order of the story.
pub fn recordings() -> Result<Vec<Recording>, CurveError> {
    let mut all = vec![
        healthy_baseline()?,
        hot_idle_old_alternator()?,
        new_alternator_cold()?,
        new_alternator_soaked()?,
        thin_ground()?,
        slipping_belt()?,
        regulator_high()?,
        tired_battery()?,
        intermittent_terminal()?,
        no_load_columns()?,
        decimal_comma()?,
    ];
    for run in 0..DYNO_RUNS.len() {
        all.push(dyno_run(run)?);
    }
    Ok(all)
}

// ---- scripts ----

fn engine(at_s: f64, demand: Demand, ramp_s: f64) -> EngineChange {
    EngineChange { at_s, demand, ramp_s }
}

fn switch(at_s: f64, load: usize, duty: f64) -> Switch {
    // A relay and the coupe's own wiring: a tenth of a second. The clutch's
    // controller thinks first.
    let lag_s = if load == AC_CLUTCH { 0.6 } else { 0.1 };
    Switch { at_s, lag_s, load, duty }
}

fn warming(start_c: f64, end_c: f64, time_constant_s: f64) -> Warming {
    Warming { start_c, end_c, time_constant_s }
}

/// Rest, crank, idle; nothing switched yet.
fn started(duration_s: f64) -> Script {
    Script {
        duration_s,
        engine: vec![
            engine(0.0, Demand::Rest, 0.0),
            engine(18.0, Demand::Crank, 0.0),
            engine(19.2, Demand::Idle, 0.0),
        ],
        switches: Vec::new(),
        ambient_c: 22.0,
        coolant: warming(22.0, 91.0, 150.0),
        underhood: warming(24.0, 62.0, 240.0),
    }
}

/// Warmed up before the log begins.
fn heat_soaked(mut script: Script) -> Script {
    script.coolant = warming(86.0, 96.0, 120.0);
    script.underhood = warming(72.0, 84.0, 120.0);
    script
}

/// Each load on for a while and off again, then all on one after the other;
/// when the last came on, and the script.
fn tour(mut script: Script, begin_s: f64, tour: &[(usize, f64)]) -> (f64, Script) {
    let mut at_s = begin_s;
    for &(load, duty) in tour {
        script.switches.push(switch(at_s, load, duty));
        script.switches.push(switch(at_s + 24.0, load, 0.0));
        at_s += 42.0;
    }
    for &(load, duty) in tour {
        script.switches.push(switch(at_s, load, duty));
        at_s += 9.0;
    }
    (at_s - 9.0, script)
}

fn all_off(script: &mut Script, begin_s: f64, tour: &[(usize, f64)]) {
    for (index, &(load, _)) in tour.iter().enumerate() {
        script.switches.push(switch(begin_s + 8.0 * index as f64, load, 0.0));
    }
}

const DAY_LOADS: [(usize, f64); 3] = [(FAN_LOW, 1.0), (AC_CLUTCH, 1.0), (BLOWER, 0.6)];

/// The tour at idle, all on for `idle_s`, then up the engine speeds.
fn proof(base: Script, idle_s: f64, speeds: &[f64]) -> Script {
    let (all_on_s, mut script) = tour(base, 60.0, &DAY_LOADS);
    let mut at_s = all_on_s + idle_s;
    for (index, &rpm) in speeds.iter().enumerate() {
        script.engine.push(engine(at_s, Demand::Speed(rpm), 1.5));
        at_s += if index + 1 == speeds.len() { 55.0 } else { 22.0 };
    }
    if !speeds.is_empty() {
        script.engine.push(engine(at_s, Demand::Idle, 2.0));
        at_s += 16.0;
    }
    all_off(&mut script, at_s, &DAY_LOADS);
    script.duration_s = at_s + 36.0;
    script
}

// ---- loggers ----

fn at(hour: u32, minute: u32) -> NaiveDateTime {
    let day = NaiveDate::from_ymd_opt(2031, 5, 17);
    day.and_then(|day| day.and_hms_opt(hour, minute, 0)).unwrap_or_default()
}

fn marked() -> Dialect {
    Dialect { preamble: vec![MARK.into()], ..Dialect::plain() }
}

fn volts(header: &str, resolution: f64) -> Channel {
    Channel::new(Shows::Voltage(Tap::Battery), header, "V", resolution)
}

fn rpm(header: &str) -> Channel {
    Channel::new(Shows::EngineRpm, header, "rpm", 1.0).noisy(5.0)
}

fn coolant(header: &str) -> Channel {
    Channel::new(Shows::Temperature(Place::Coolant), header, "°C", 0.5)
}

fn relay(load: usize, header: &str, words: LoadWords) -> Channel {
    Channel::new(Shows::Load(load), header, "", 0.01).worded(words)
}

/// The blower is told as a duty.
fn duty(load: usize, header: &str) -> Channel {
    Channel { unit: "%".into(), ..relay(load, header, LoadWords::DutyPercent) }
}

fn logger(samples_per_s: f64, channels: Vec<Channel>, dialect: Dialect) -> Logger {
    Logger {
        samples_per_s,
        jitter_share: 0.03,
        channels,
        bus: Tap::Battery,
        noise: Noise { white_v: 0.012, autoregressive_v: 0.008, rho: 0.5, ripple_v: 0.006 },
        started_at: at(9, 12),
        dialect,
    }
}

// ---- logs ----

fn healthy_baseline() -> Result<Recording, CurveError> {
    let mut script = started(300.0);
    let loads = [(FAN_LOW, 1.0), (LAMPS, 1.0), (BLOWER, 1.0)];
    let (all_on_s, toured) = tour(script, 55.0, &loads);
    script = toured;
    script.engine.push(engine(all_on_s + 35.0, Demand::Speed(2200.0), 2.0));
    script.engine.push(engine(all_on_s + 60.0, Demand::Idle, 2.0));
    all_off(&mut script, all_on_s + 75.0, &loads);
    script.duration_s = all_on_s + 112.0;
    let channels = vec![
        volts("battery_voltage", 0.01),
        rpm("engine_speed"),
        coolant("coolant_temp"),
        relay(FAN_LOW, "fan_low", LoadWords::ZeroOne),
        relay(LAMPS, "headlamps", LoadWords::ZeroOne),
        duty(BLOWER, "blower"),
    ];
    let dialect = Dialect {
        units: UnitStyle::Suffix,
        clock: Clock::Iso,
        time_header: "timestamp".into(),
        ..marked()
    };
    Ok(Recording {
        name: "healthy-baseline",
        story: "The coupe with the workshop's loan alternator: what good looks like.",
        car: coupe::new_alternator()?,
        script,
        logger: logger(10.0, channels, dialect),
        seed: 101,
        calls_for: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}

const SPEEDS: [f64; 4] = [1200.0, 1800.0, 2400.0, 3000.0];

fn hot_idle_script() -> Script {
    let mut script = proof(started(480.0), 60.0, &SPEEDS);
    script.coolant = warming(64.0, 95.0, 50.0);
    script.underhood = warming(52.0, 78.0, 80.0);
    script
}

fn hot_idle_old_alternator() -> Result<Recording, CurveError> {
    let channels = vec![
        volts("battery voltage", 0.01),
        rpm("engine rpm"),
        coolant("coolant temp"),
        relay(FAN_LOW, "fan", LoadWords::ZeroOne),
        relay(AC_CLUTCH, "ac clutch", LoadWords::ZeroOne),
        duty(BLOWER, "blower"),
    ];
    Ok(Recording {
        name: "hot-idle-old-alternator",
        story: "The complaint: with fan, AC and blower on, the lamps dim at the lights.",
        car: coupe::old_alternator()?,
        script: hot_idle_script(),
        logger: logger(10.0, channels, marked()),
        seed: 102,
        calls_for: Some(VerdictWord::FallsShortAtIdle),
        findings: &["short-at-idle"],
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
        script: proof(started(400.0), 95.0, &[2400.0]),
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

fn thin_ground() -> Result<Recording, CurveError> {
    let channels = vec![
        volts("battery terminal", 0.01),
        Channel::new(Shows::Voltage(Tap::Alternator), "alternator B+", "V", 0.01),
        Channel::new(Shows::AlternatorCurrent, "alternator current", "A", 0.5).noisy(0.6),
        rpm("engine rpm"),
        relay(FAN_LOW, "fan", LoadWords::OnOff),
        relay(AC_CLUTCH, "ac clutch", LoadWords::OnOff),
        duty(BLOWER, "blower"),
    ];
    Ok(Recording {
        name: "thin-ground",
        story: "A month later: the block's ground strap was replaced by a thin one.",
        car: coupe::thin_ground()?,
        script: heat_soaked(proof(started(400.0), 60.0, &[1500.0, 2500.0])),
        logger: logger(8.0, channels, marked()),
        seed: 105,
        calls_for: Some(VerdictWord::FallsShort),
        findings: &["line-drop-high"],
    })
}

fn slipping_belt() -> Result<Recording, CurveError> {
    let mut script = heat_soaked(proof(started(400.0), 45.0, &[1500.0, 2500.0]));
    // Blips of the throttle while the fan is on.
    for at_s in [67.0, 75.0] {
        script.engine.push(engine(at_s, Demand::Speed(2600.0), 0.6));
        script.engine.push(engine(at_s + 2.0, Demand::Idle, 0.8));
    }
    let channels = vec![
        volts("battery volts", 0.01),
        Channel::new(Shows::EngineRpm, "engine speed", "rpm x1000", 0.01)
            .scaled(0.001, 0.0, 0.01)
            .noisy(5.0),
        Channel::new(Shows::AlternatorRpm, "alternator speed", "rpm x1000", 0.01)
            .scaled(0.001, 0.0, 0.01)
            .noisy(15.0),
        relay(FAN_LOW, "fan", LoadWords::TrueFalse),
        relay(AC_CLUTCH, "ac", LoadWords::TrueFalse),
        duty(BLOWER, "blower"),
    ];
    let dialect = Dialect { clock: Clock::Elapsed, ..marked() };
    Ok(Recording {
        name: "slipping-belt",
        story: "The new alternator with a belt that nobody tightened.",
        car: coupe::slipping_belt()?,
        script,
        logger: logger(12.5, channels, dialect),
        seed: 106,
        calls_for: Some(VerdictWord::FallsShort),
        findings: &["belt-slipping"],
    })
}

fn regulator_high() -> Result<Recording, CurveError> {
    let channels = vec![
        volts("system voltage", 0.05),
        rpm("rpm"),
        relay(FAN_LOW, "fan on", LoadWords::YesNo),
        relay(AC_CLUTCH, "ac on", LoadWords::YesNo),
        duty(BLOWER, "blower"),
    ];
    let dialect = Dialect { clock: Clock::TimeOfDay, ..marked() };
    Ok(Recording {
        name: "regulator-high",
        story: "A regulator that holds, but a volt too high: the battery gasses.",
        car: coupe::regulator_high()?,
        script: proof(started(300.0), 30.0, &[2200.0]),
        logger: Logger { started_at: at(23, 57), ..logger(10.0, channels, dialect) },
        seed: 107,
        calls_for: Some(VerdictWord::Overcharges),
        findings: &["setpoint-high"],
    })
}

fn tired_battery() -> Result<Recording, CurveError> {
    let mut script = proof(started(300.0), 40.0, &[2000.0]);
    // It labours: the crank takes longer.
    if let Some(fires) = script.engine.get_mut(2) {
        fires.at_s = 21.4;
    }
    let channels = vec![
        volts("battery V", 0.02),
        rpm("engine rpm"),
        coolant("coolant"),
        relay(FAN_LOW, "fan", LoadWords::ZeroOne),
        relay(AC_CLUTCH, "ac clutch", LoadWords::ZeroOne),
        duty(BLOWER, "blower"),
    ];
    let dialect = Dialect { separator: '|', units: UnitStyle::Brackets, ..marked() };
    Ok(Recording {
        name: "tired-battery",
        story: "Eight winters old: it cranks slowly and drinks long after the start.",
        car: coupe::tired_battery()?,
        script,
        logger: logger(10.0, channels, dialect),
        seed: 108,
        calls_for: Some(VerdictWord::KeepsUp),
        findings: &["battery-weak"],
    })
}

fn intermittent_terminal() -> Result<Recording, CurveError> {
    let mut script = started(240.0);
    script.switches = vec![
        switch(60.0, LAMPS, 1.0),
        switch(90.0, FAN_LOW, 1.0),
        switch(150.0, FAN_LOW, 0.0),
        switch(180.0, LAMPS, 0.0),
    ];
    script.engine.push(engine(115.0, Demand::Speed(2000.0), 1.5));
    script.engine.push(engine(140.0, Demand::Idle, 1.5));
    let channels = vec![
        Channel::new(Shows::Voltage(Tap::Module), "ECU voltage", "V", 0.05),
        rpm("engine rpm"),
        coolant("coolant"),
        relay(FAN_LOW, "fan", LoadWords::ZeroOne),
        relay(LAMPS, "lamps", LoadWords::ZeroOne),
    ];
    Ok(Recording {
        name: "intermittent-terminal",
        story: "The engine stumbles now and then: a terminal on the controller's feed is loose.",
        car: coupe::intermittent_terminal()?,
        script,
        logger: Logger { bus: Tap::Module, ..logger(20.0, channels, marked()) },
        seed: 109,
        calls_for: Some(VerdictWord::KeepsUp),
        findings: &["drop-outs"],
    })
}

fn no_load_columns() -> Result<Recording, CurveError> {
    let channels = vec![volts("Battery Voltage", 0.02), rpm("Engine RPM")];
    let dialect = Dialect { separator: '\t', time_header: "Time".into(), ..marked() };
    Ok(Recording {
        name: "no-load-columns",
        story: "The same complaint, recorded with a logger that knows nothing of switches.",
        car: coupe::old_alternator()?,
        script: hot_idle_script(),
        logger: Logger { started_at: at(14, 5), ..logger(10.0, channels, dialect) },
        seed: 110,
        calls_for: Some(VerdictWord::FallsShortAtIdle),
        findings: &["short-at-idle"],
    })
}

fn decimal_comma() -> Result<Recording, CurveError> {
    let channels = vec![
        volts("Batteriespannung", 0.01),
        rpm("Motordrehzahl"),
        Channel::new(Shows::Temperature(Place::Coolant), "Kühlmitteltemperatur", "°C", 0.5),
        relay(FAN_HIGH, "Lüfter", LoadWords::ZeroOne),
        relay(LAMPS, "Abblendlicht", LoadWords::ZeroOne),
    ];
    let dialect = Dialect {
        separator: ';',
        decimal: ',',
        line_end: "\r\n",
        encoding: Encoding::Windows1252,
        units: UnitStyle::Brackets,
        time_header: "Zeit".into(),
        clock: Clock::TimeOfDay,
        preamble: vec![MARK.into(), "# Fahrzeug: blaues Coupé (erfunden)".into()],
    };
    let loads = [(FAN_HIGH, 1.0), (LAMPS, 1.0)];
    let (all_on_s, mut script) = tour(heat_soaked(started(300.0)), 60.0, &loads);
    script.engine.push(engine(all_on_s + 40.0, Demand::Speed(2500.0), 2.0));
    script.engine.push(engine(all_on_s + 65.0, Demand::Idle, 2.0));
    all_off(&mut script, all_on_s + 85.0, &loads);
    script.duration_s = all_on_s + 120.0;
    Ok(Recording {
        name: "decimal-comma",
        story: "The owner's cousin has a logger that writes decimal commas.",
        car: coupe::new_alternator()?,
        script,
        logger: Logger { started_at: at(17, 20), ..logger(10.0, channels, dialect) },
        seed: 111,
        calls_for: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}

/// Name, hour, minute, heat under the hood at the start.
const DYNO_RUNS: [(&str, u32, u32, f64); 8] = [
    ("dyno-day/run-1", 9, 5, 30.0),
    ("dyno-day/run-2", 9, 40, 46.0),
    ("dyno-day/run-3", 10, 10, 58.0),
    ("dyno-day/run-4", 10, 45, 68.0),
    ("dyno-day/run-5", 11, 15, 76.0),
    ("dyno-day/run-6", 11, 50, 82.0),
    ("dyno-day/run-7", 12, 25, 60.0),
    ("dyno-day/run-8", 13, 0, 92.0),
];
/// Damaged on purpose.
pub const BROKEN_RUN: &str = "dyno-day/run-5";
/// Another car, counted from 0.
const OTHER_CAR_RUN: usize = 6;

/// A pull on the rollers: idle with the fan, up through the speeds, idle again.
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
    let mut dialect = marked();
    if other {
        channels[0] = volts("Ubat", 0.05);
        dialect = Dialect { separator: ';', clock: Clock::Elapsed, ..dialect };
    } else {
        channels.push(relay(FAN_LOW, "fan", LoadWords::ZeroOne));
    }
    let mut car = if other { coupe::other_car()? } else { coupe::old_alternator()? };
    // It has been running all morning.
    car.battery_at_start.surface_v = 0.35;
    let (story, calls_for, findings): (_, _, &[&str]) = match (broken, other) {
        (true, _) => ("The logger's card failed: a few rows, then rubbish.", None, &[]),
        (_, true) => ("Another car that shared the rollers.", Some(VerdictWord::KeepsUp), &[]),
        _ => (
            "A pull on the rollers with the old alternator, hotter each time.",
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
        calls_for,
        findings,
    })
}
