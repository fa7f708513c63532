//! Building blocks of the scenario: scripts, channels, loggers.

use chrono::{NaiveDate, NaiveDateTime};

use super::coupe::{AC_CLUTCH, BLOWER, FAN_LOW};
use super::dialect::Dialect;
use super::logger::{Channel, LoadWords, Logger, Noise, Shows};
use super::script::{Demand, EngineChange, Script, Switch, Warming};
use crate::log::{Place, Tap};

/// First line of every log.
pub const INVENTED: &str = "# invented demonstration data, no real car: written by `stiffbus demo`";

pub fn engine(at_s: f64, demand: Demand, ramp_s: f64) -> EngineChange {
    EngineChange { at_s, demand, ramp_s }
}

pub fn switch(at_s: f64, load: usize, duty: f64) -> Switch {
    // A relay takes a tenth of a second; the controller of the AC clutch takes longer.
    let lag_s = if load == AC_CLUTCH { 0.6 } else { 0.1 };
    Switch { at_s, lag_s, load, duty }
}

pub fn warming(start_c: f64, end_c: f64, time_constant_s: f64) -> Warming {
    Warming { start_c, end_c, time_constant_s }
}

/// Rest, crank, idle; nothing switched yet.
pub fn started(duration_s: f64) -> Script {
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
pub fn heat_soaked(mut script: Script) -> Script {
    script.coolant = warming(86.0, 96.0, 120.0);
    script.underhood = warming(72.0, 84.0, 120.0);
    script
}

/// Switches each load on for a while and off again, then all on one after the other. Returns when
/// the last was switched on, and the script.
pub fn load_sequence(
    mut script: Script,
    begin_s: f64,
    load_sequence: &[(usize, f64)],
) -> (f64, Script) {
    let mut at_s = begin_s;
    for &(load, duty) in load_sequence {
        script.switches.push(switch(at_s, load, duty));
        script.switches.push(switch(at_s + 24.0, load, 0.0));
        at_s += 42.0;
    }
    for &(load, duty) in load_sequence {
        script.switches.push(switch(at_s, load, duty));
        at_s += 9.0;
    }
    (at_s - 9.0, script)
}

pub fn all_off(script: &mut Script, begin_s: f64, load_sequence: &[(usize, f64)]) {
    for (index, &(load, _)) in load_sequence.iter().enumerate() {
        script.switches.push(switch(begin_s + 8.0 * index as f64, load, 0.0));
    }
}

pub const DAY_LOADS: [(usize, f64); 3] = [(FAN_LOW, 1.0), (AC_CLUTCH, 1.0), (BLOWER, 0.6)];

/// The load sequence at idle, all loads on for `idle_s`, then higher engine speeds.
pub fn load_test(base: Script, idle_s: f64, speeds: &[f64]) -> Script {
    let (all_on_s, mut script) = load_sequence(base, 60.0, &DAY_LOADS);
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

pub fn at(hour: u32, minute: u32) -> NaiveDateTime {
    let day = NaiveDate::from_ymd_opt(2031, 5, 17);
    day.and_then(|day| day.and_hms_opt(hour, minute, 0)).unwrap_or_default()
}

pub fn invented_dialect() -> Dialect {
    Dialect { preamble: vec![INVENTED.into()], ..Dialect::plain() }
}

pub fn volts(header: &str, resolution: f64) -> Channel {
    Channel::new(Shows::Voltage(Tap::Battery), header, "V", resolution)
}

pub fn rpm(header: &str) -> Channel {
    Channel::new(Shows::EngineRpm, header, "rpm", 1.0).noisy(5.0)
}

pub fn coolant(header: &str) -> Channel {
    Channel::new(Shows::Temperature(Place::Coolant), header, "°C", 0.5)
}

pub fn relay(load: usize, header: &str, words: LoadWords) -> Channel {
    Channel::new(Shows::Load(load), header, "", 0.01).worded(words)
}

/// The blower is logged as a duty in percent.
pub fn duty(load: usize, header: &str) -> Channel {
    Channel { unit: "%".into(), ..relay(load, header, LoadWords::DutyPercent) }
}

/// `own` channels, and those of fan, AC clutch and blower with these names.
pub fn with_day_loads(own: Vec<Channel>, names: [&str; 3], words: LoadWords) -> Vec<Channel> {
    let [fan, clutch, blower] = names;
    let mut channels = own;
    channels.extend([relay(FAN_LOW, fan, words), relay(AC_CLUTCH, clutch, words)]);
    channels.push(duty(BLOWER, blower));
    channels
}

/// The channels of the workshop's own logger.
pub fn usual_channels() -> Vec<Channel> {
    let own = vec![volts("battery voltage", 0.01), rpm("engine rpm"), coolant("coolant temp")];
    with_day_loads(own, ["fan", "ac clutch", "blower"], LoadWords::ZeroOne)
}

pub fn logger(samples_per_s: f64, channels: Vec<Channel>, dialect: Dialect) -> Logger {
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
