//! The logs of the scenario: car, script, logger and expected findings. All invented.

use super::car::CarModel;
use super::coupe::{self, AC_CLUTCH, BLOWER, FAN_HIGH, FAN_LOW, LAMPS};
use super::dialect::{Clock, Dialect, Encoding, UnitStyle};
use super::dyno_day;
use super::logger::{Channel, LoadWords, Logger, Shows};
use super::recipes::{
    INVENTED, all_off, at, coolant, duty, engine, heat_soaked, invented_dialect, load_sequence,
    load_test, logger, relay, rpm, started, switch, usual_channels, volts, warming, with_day_loads,
};
use super::repair;
use super::script::{Demand, Script};
use crate::diagnosis::VerdictWord;
use crate::log::{Place, Tap};
use crate::physics::interpolate::CurveError;

#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// File name without its extension; may include a folder.
    pub name: &'static str,
    pub story: &'static str,
    pub car: CarModel,
    pub script: Script,
    pub logger: Logger,
    pub seed: u64,
    /// The expected verdict; `None` if the file is not readable.
    pub expected_verdict: Option<VerdictWord>,
    /// Ids of the findings that must be reported.
    pub findings: &'static [&'static str],
}

/// Every log, in the order of the story.
pub fn recordings() -> Result<Vec<Recording>, CurveError> {
    let mut all = vec![healthy_baseline()?, hot_idle_old_alternator()?];
    all.extend(repair::logs()?);
    all.extend([
        thin_ground()?,
        slipping_belt()?,
        regulator_high()?,
        tired_battery()?,
        intermittent_terminal()?,
        no_load_columns()?,
        decimal_comma()?,
        output_sweep()?,
    ]);
    all.extend(dyno_day::runs()?);
    Ok(all)
}

fn healthy_baseline() -> Result<Recording, CurveError> {
    let mut script = started(300.0);
    let loads = [(FAN_LOW, 1.0), (LAMPS, 1.0), (BLOWER, 1.0)];
    let (all_on_s, toured) = load_sequence(script, 55.0, &loads);
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
        ..invented_dialect()
    };
    Ok(Recording {
        name: "healthy-baseline",
        story: "The coupe with a loan alternator, for reference.",
        car: coupe::new_alternator()?,
        script,
        logger: logger(10.0, channels, dialect),
        seed: 101,
        expected_verdict: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}

const SPEEDS: [f64; 4] = [1200.0, 1800.0, 2400.0, 3000.0];

pub(super) fn hot_idle_script() -> Script {
    let mut script = load_test(started(480.0), 60.0, &SPEEDS);
    script.coolant = warming(64.0, 95.0, 50.0);
    script.underhood = warming(52.0, 78.0, 80.0);
    script
}

fn hot_idle_old_alternator() -> Result<Recording, CurveError> {
    let channels = usual_channels();
    Ok(Recording {
        name: "hot-idle-old-alternator",
        story: "The complaint: with fan, AC and blower on, the lamps dim at traffic lights.",
        car: coupe::old_alternator()?,
        script: hot_idle_script(),
        logger: logger(10.0, channels, invented_dialect()),
        seed: 102,
        expected_verdict: Some(VerdictWord::FallsShortAtIdle),
        findings: &["short-at-idle", "battery-draining"],
    })
}

fn thin_ground() -> Result<Recording, CurveError> {
    let channels = with_day_loads(
        vec![
            volts("battery terminal", 0.01),
            Channel::new(Shows::Voltage(Tap::Alternator), "alternator B+", "V", 0.01),
            Channel::new(Shows::AlternatorCurrent, "alternator current", "A", 0.5).noisy(0.6),
            rpm("engine rpm"),
        ],
        ["fan", "ac clutch", "blower"],
        LoadWords::OnOff,
    );
    Ok(Recording {
        name: "thin-ground",
        story: "A month later: the block's ground strap was replaced by a thin one.",
        car: coupe::thin_ground()?,
        script: heat_soaked(load_test(started(400.0), 60.0, &[1500.0, 2500.0])),
        logger: logger(8.0, channels, invented_dialect()),
        seed: 105,
        expected_verdict: Some(VerdictWord::FallsShort),
        findings: &["short-at-every-speed", "line-drop-high"],
    })
}

fn slipping_belt() -> Result<Recording, CurveError> {
    let mut script = heat_soaked(load_test(started(400.0), 45.0, &[1500.0, 2500.0]));
    // Short bursts of throttle while the fan is on.
    for at_s in [67.0, 75.0] {
        script.engine.push(engine(at_s, Demand::Speed(2600.0), 0.6));
        script.engine.push(engine(at_s + 2.0, Demand::Idle, 0.8));
    }
    let channels = with_day_loads(
        vec![
            volts("battery volts", 0.01),
            Channel::new(Shows::EngineRpm, "engine speed", "rpm x1000", 0.01)
                .scaled(0.001, 0.0, 0.01)
                .noisy(5.0),
            Channel::new(Shows::AlternatorRpm, "alternator speed", "rpm x1000", 0.01)
                .scaled(0.001, 0.0, 0.01)
                .noisy(15.0),
        ],
        ["fan", "ac", "blower"],
        LoadWords::TrueFalse,
    );
    let dialect = Dialect { clock: Clock::Elapsed, ..invented_dialect() };
    Ok(Recording {
        name: "slipping-belt",
        story: "The new alternator with a loose belt.",
        car: coupe::slipping_belt()?,
        script,
        logger: logger(12.5, channels, dialect),
        seed: 106,
        expected_verdict: Some(VerdictWord::FallsShort),
        findings: &["short-at-every-speed"],
    })
}

fn regulator_high() -> Result<Recording, CurveError> {
    let channels = with_day_loads(
        vec![volts("system voltage", 0.05), rpm("rpm")],
        ["fan on", "ac on", "blower"],
        LoadWords::YesNo,
    );
    let dialect = Dialect { clock: Clock::TimeOfDay, ..invented_dialect() };
    Ok(Recording {
        name: "regulator-high",
        story: "A regulator set a volt too high. The battery gases.",
        car: coupe::regulator_high()?,
        script: load_test(started(300.0), 30.0, &[2200.0]),
        logger: Logger { started_at: at(23, 57), ..logger(10.0, channels, dialect) },
        seed: 107,
        expected_verdict: Some(VerdictWord::Overcharges),
        findings: &["setpoint-high"],
    })
}

fn tired_battery() -> Result<Recording, CurveError> {
    let mut script = load_test(started(300.0), 40.0, &[2000.0]);
    // The engine takes longer to start.
    if let Some(fires) = script.engine.get_mut(2) {
        fires.at_s = 21.4;
    }
    let channels = with_day_loads(
        vec![volts("battery V", 0.02), rpm("engine rpm"), coolant("coolant")],
        ["fan", "ac clutch", "blower"],
        LoadWords::ZeroOne,
    );
    let dialect = Dialect { separator: '|', units: UnitStyle::Brackets, ..invented_dialect() };
    Ok(Recording {
        name: "tired-battery",
        story: "Eight winters old: it cranks slowly and charges long after the start.",
        car: coupe::tired_battery()?,
        script,
        logger: logger(10.0, channels, dialect),
        seed: 108,
        expected_verdict: Some(VerdictWord::KeepsUp),
        findings: &["deep-cranking-dip", "low-rest-voltage"],
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
        story: "The engine stumbles now and then. A terminal of the engine controller's supply is loose.",
        car: coupe::intermittent_terminal()?,
        script,
        logger: Logger { bus: Tap::Module, ..logger(20.0, channels, invented_dialect()) },
        seed: 109,
        expected_verdict: Some(VerdictWord::KeepsUp),
        findings: &["drop-outs"],
    })
}

fn no_load_columns() -> Result<Recording, CurveError> {
    let channels = vec![volts("Battery Voltage", 0.02), rpm("Engine RPM")];
    let dialect = Dialect { separator: '\t', time_header: "Time".into(), ..invented_dialect() };
    Ok(Recording {
        name: "no-load-columns",
        story: "The same complaint, recorded with a logger without load channels.",
        car: coupe::old_alternator()?,
        script: hot_idle_script(),
        logger: Logger { started_at: at(14, 5), ..logger(10.0, channels, dialect) },
        seed: 110,
        expected_verdict: Some(VerdictWord::FallsShortAtIdle),
        findings: &["short-at-idle", "battery-draining"],
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
        preamble: vec![INVENTED.into(), "# Fahrzeug: blaues Coupé (erfunden)".into()],
    };
    let loads = [(FAN_HIGH, 1.0), (LAMPS, 1.0)];
    let (all_on_s, mut script) = load_sequence(heat_soaked(started(300.0)), 60.0, &loads);
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
        expected_verdict: Some(VerdictWord::KeepsUp),
        findings: &[],
    })
}

/// Engine speeds of the sweep, and the time at each.
const SWEEP_RPM: [f64; 6] = [1000.0, 1300.0, 1600.0, 2000.0, 2500.0, 3000.0];
const SWEEP_STAND_S: f64 = 16.0;

fn output_sweep() -> Result<Recording, CurveError> {
    let mut script = heat_soaked(started(300.0));
    let loads = [FAN_LOW, FAN_HIGH, AC_CLUTCH, BLOWER, LAMPS];
    // First at speed with everything off, so that the log shows its setpoint.
    script.engine.push(engine(34.0, Demand::Speed(2000.0), 2.0));
    script.engine.push(engine(56.0, Demand::Idle, 2.0));
    let mut at_s = 72.0;
    for load in loads {
        script.switches.push(switch(at_s, load, 1.0));
        at_s += 5.0;
    }
    at_s += SWEEP_STAND_S;
    for rpm in SWEEP_RPM {
        script.engine.push(engine(at_s, Demand::Speed(rpm), 2.0));
        at_s += 2.0 + SWEEP_STAND_S;
    }
    script.engine.push(engine(at_s, Demand::Idle, 2.0));
    at_s += 12.0;
    for load in loads {
        script.switches.push(switch(at_s, load, 0.0));
        at_s += 5.0;
    }
    script.duration_s = at_s + 20.0;
    // Two clamps with errors of zero and gain.
    let clamp = |shows, header: &str| Channel::new(shows, header, "A", 0.1).noisy(0.5);
    let channels = vec![
        volts("battery voltage", 0.01),
        clamp(Shows::AlternatorCurrent, "alternator current").off_by(0.006, 0.2),
        clamp(Shows::BatteryCurrent, "battery current").off_by(-0.004, -0.2),
        rpm("engine rpm"),
        Channel::new(Shows::AlternatorRpm, "alternator rpm", "rpm", 1.0).noisy(12.0),
        coolant("coolant temp"),
        relay(FAN_LOW, "fan low", LoadWords::ZeroOne),
        relay(FAN_HIGH, "fan high", LoadWords::ZeroOne),
        relay(AC_CLUTCH, "ac clutch", LoadWords::ZeroOne),
        duty(BLOWER, "blower"),
        relay(LAMPS, "lamps", LoadWords::ZeroOne),
    ];
    Ok(Recording {
        name: "output-sweep",
        story: "All loads on at increasing speeds, with clamps on alternator and battery: is the old alternator weak, or too small?",
        car: coupe::old_alternator()?,
        script,
        logger: Logger { started_at: at(15, 30), ..logger(8.0, channels, invented_dialect()) },
        seed: 112,
        expected_verdict: Some(VerdictWord::FallsShort),
        findings: &["short-at-every-speed", "battery-draining"],
    })
}
