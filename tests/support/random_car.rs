//! Random cars, scripts and loggers for the measured tests: same seed, same case.
//! Every range is invented to span the trade (common practice, no source).
#![allow(dead_code)] // Each test binary uses its own part.

use chrono::{NaiveDate, TimeDelta};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use stiffbus::demo::car::{CarModel, Control, Idle, LoadModel, Starter};
use stiffbus::demo::dialect::{Clock, Dialect, Encoding, UnitStyle};
use stiffbus::demo::logger::{Channel, LoadWords, Logger, Noise, Shows};
use stiffbus::demo::script::{Demand, EngineChange, Script, Switch, Warming};
use stiffbus::demo::simulate::{Simulated, simulate};
use stiffbus::log::{Place, Tap};
use stiffbus::physics::alternator::{Derating, OutputCurve, Regulator};
use stiffbus::physics::battery::{Battery, BatteryState, CrankingStandard, resistance_from_cca};
use stiffbus::physics::bus::Node;
use stiffbus::physics::load::{Inrush, LoadKind};

/// What a test insists on; `None` leaves it to chance.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// Every load has a column, or none has.
    pub declared: Option<bool>,
    pub battery_current_logged: Option<bool>,
    pub alternator_current_logged: Option<bool>,
    pub rpm_logged: Option<bool>,
    pub coolant_logged: Option<bool>,
    /// The log begins with rest and a crank.
    pub starts_at_rest: Option<bool>,
    /// The largest load is also held for 30 to 60 s with the engine stopped.
    pub held_stopped: Option<Held>,
    /// Commas, points, seconds and plain English, whatever the seed.
    pub plain_dialect: bool,
    pub samples_per_s: Option<f64>,
    pub resolution_v: Option<f64>,
    /// Standard deviation of all the noise.
    pub noise_v: Option<f64>,
    /// A battery of other proportions than the tool's own; see [`any_battery`].
    pub any_battery: bool,
}

/// When a load is held with the engine stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Held {
    /// After some rest, until a little before the start; the log begins with rest then.
    BeforeTheStart,
    /// From the last of the log's idle on: the engine stops under it.
    AtTheEnd,
}

#[derive(Debug, Clone)]
pub struct Case {
    pub seed: u64,
    pub car: CarModel,
    pub script: Script,
    pub logger: Logger,
    pub simulated: Simulated,
}

pub fn random_case(seed: u64) -> Case {
    random_case_with(seed, &Options::default())
}

pub fn random_case_with(seed: u64, options: &Options) -> Case {
    let mut car = random_car(&mut stream(seed, 0));
    if options.any_battery {
        any_battery(&mut stream(seed, 5), &mut car.battery);
    }
    let mut script = random_script(&mut stream(seed, 1), &car, options);
    if let Some(held) = options.held_stopped {
        hold_stopped(&mut stream(seed, 4), &mut script, &car, held);
    }
    let mut logger = random_logger(&mut stream(seed, 2), &car, options);
    random_clamps(&mut stream(seed, 3), &mut logger);
    let simulated = simulate(&car, &script, &logger, seed);
    Case { seed, car, script, logger, simulated }
}

/// Car, script and logger have streams of their own, so that an option does not
/// change what it does not name.
pub fn stream(seed: u64, number: u64) -> Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(1000 + number);
    rng
}

pub type Rng = ChaCha8Rng;

pub fn pick<T: Copy>(rng: &mut Rng, choices: &[T]) -> T {
    *choices.choose(rng).expect("choices are never empty")
}

/// Name, kind, least and most amps, inrush (least, most), idle-up.
type LoadRange = (&'static str, LoadKind, f64, f64, (f64, f64), f64);

const LOADS: [LoadRange; 8] = [
    ("fan", LoadKind::Resistive, 12.0, 35.0, (2.0, 4.0), 0.0),
    ("fan 2", LoadKind::Resistive, 10.0, 30.0, (2.0, 4.0), 0.0),
    ("ac clutch", LoadKind::Resistive, 4.0, 6.0, (1.0, 1.0), 120.0),
    ("blower", LoadKind::Resistive, 6.0, 22.0, (1.5, 3.0), 0.0),
    ("headlamps", LoadKind::Lamp, 8.0, 14.0, (2.0, 4.0), 0.0),
    ("rear defrost", LoadKind::Resistive, 12.0, 22.0, (1.0, 1.0), 0.0),
    ("fuel pump", LoadKind::Electronic, 5.0, 10.0, (1.5, 2.5), 0.0),
    ("seat heater", LoadKind::Resistive, 5.0, 12.0, (1.0, 1.0), 0.0),
];

pub fn random_car(rng: &mut Rng) -> CarModel {
    let capacity_ah = rng.random_range(40.0..100.0);
    let cca_a = capacity_ah * rng.random_range(8.0..10.5);
    let label_ohm =
        resistance_from_cca(cca_a, Some(CrankingStandard::Sae), 25.0).expect("a positive rating");
    let mut battery = Battery::typical(capacity_ah, label_ohm * rng.random_range(0.6..1.4));
    battery.surface.most_v = rng.random_range(0.3..0.8);
    let rested = BatteryState::rested(rng.random_range(0.6..0.97), rng.random_range(0.0..0.15));

    let rated_a = rng.random_range(50.0..180.0);
    let count = rng.random_range(2..=5);
    let loads = LOADS.sample(rng, count).copied().collect::<Vec<_>>();
    let loads = loads
        .into_iter()
        .map(|(name, kind, least, most, inrush, idle_up_rpm)| LoadModel {
            name: name.into(),
            kind,
            reference_a: rng.random_range(least..most),
            inrush: Inrush {
                factor: rng.random_range(inrush.0..=inrush.1),
                time_constant_s: rng.random_range(0.1..0.25),
            },
            node: Node::Battery,
            idle_up_rpm,
        })
        .collect();
    let base = |name: &str, kind, reference_a| LoadModel {
        name: name.into(),
        kind,
        reference_a,
        inrush: Inrush::NONE,
        node: Node::Battery,
        idle_up_rpm: 0.0,
    };
    let hot_rpm = rng.random_range(700.0..900.0);
    CarModel {
        battery,
        battery_at_start: rested,
        cca_a,
        curve: OutputCurve::typical(rated_a).expect("a rising curve"),
        rated_a,
        derating: Derating {
            cold_c: 25.0,
            soaked_c: 110.0,
            lost_share: rng.random_range(0.10..0.25),
        },
        self_heating_c: rng.random_range(10.0..30.0),
        control: Control::default(),
        regulator: Regulator {
            setpoint_25c_v: rng.random_range(13.9..14.7),
            per_degree_v: -rng.random_range(0.000..0.010),
            droop_v: rng.random_range(0.0..0.015),
            response_s: rng.random_range(0.1..0.3),
        },
        sense: pick(rng, &[Node::Battery, Node::Alternator]),
        pulley_ratio: rng.random_range(2.0..3.2),
        base_loads: vec![
            base("ignition", LoadKind::Electronic, rng.random_range(6.0..12.0)),
            base("pump", LoadKind::Resistive, rng.random_range(4.0..10.0)),
        ],
        rest_draw_a: rng.random_range(0.1..0.4),
        loads,
        alternator_line_ohm: rng.random_range(0.0001..0.0002),
        ground_share: 0.3,
        module_line_ohm: rng.random_range(0.002..0.008),
        starter: Starter {
            // Bigger engines have bigger batteries.
            stall_a: cca_a * rng.random_range(1.2..1.6),
            turning_a: cca_a * rng.random_range(0.4..0.6),
        },
        idle: Idle {
            cold_rpm: hot_rpm + rng.random_range(100.0..400.0),
            hot_rpm,
            dip_rpm_per_a: rng.random_range(0.5..2.5),
            residual_rpm_per_a: rng.random_range(0.0..0.4),
            governor_s: rng.random_range(0.6..1.8),
            hunting_rpm: 0.0,
            hunting_s: 1.0,
        },
        belt: None,
        dropouts: Vec::new(),
    }
}

/// How a battery of that resistance shares it out and how fast it moves, wider than the tool
/// believes: one in seven hardly lags at all, and one in seven loses its surface charge at once.
pub fn any_battery(rng: &mut Rng, battery: &mut Battery) {
    let total_ohm = battery.seconds_ohm();
    let fast_share = rng.random_range(0.1..0.5);
    let ohmic_share = rng.random_range(0.3..0.7);
    battery.fast.resistance_ohm = fast_share * total_ohm;
    battery.ohmic_ohm = ohmic_share * (1.0 - fast_share) * total_ohm;
    battery.transfer_ohm = (1.0 - ohmic_share) * (1.0 - fast_share) * total_ohm;
    battery.fast.time_constant_s = rng.random_range(1.2..7.0);
    let lags = if rng.random_bool(0.15) {
        rng.random_range(0.02..0.25)
    } else {
        rng.random_range(0.35..1.1)
    };
    battery.slow.resistance_ohm = lags * total_ohm;
    battery.slow.time_constant_s = rng.random_range(40.0..260.0);
    battery.acceptance_ohm_share *= 2.3_f64.powf(rng.random_range(-1.0..1.0));
    battery.surface.build_as *= 3.0_f64.powf(rng.random_range(-1.0..1.0));
    battery.surface.fade_s *= 3.0_f64.powf(rng.random_range(-1.0..1.0));
    battery.surface.strip_as *= if rng.random_bool(0.15) {
        rng.random_range(0.05..0.4)
    } else {
        rng.random_range(0.5..2.0)
    };
}

fn random_script(rng: &mut Rng, car: &CarModel, options: &Options) -> Script {
    let chance = rng.random_bool(0.85);
    let mut engine = Vec::new();
    let change = |at_s, demand, ramp_s| EngineChange { at_s, demand, ramp_s };
    let held_first = options.held_stopped == Some(Held::BeforeTheStart);
    let begin_s = if options.starts_at_rest.unwrap_or(chance) || held_first {
        let crank_s = rng.random_range(12.0..25.0);
        let fires_s = crank_s + rng.random_range(0.7..1.8);
        engine.push(change(0.0, Demand::Rest, 0.0));
        engine.push(change(crank_s, Demand::Crank, 0.0));
        engine.push(change(fires_s, Demand::Idle, 0.0));
        fires_s + rng.random_range(20.0..60.0)
    } else {
        engine.push(change(0.0, Demand::Idle, 0.0));
        rng.random_range(15.0..40.0)
    };
    let mut duty = vec![0.0; car.loads.len()];
    let mut switches: Vec<Switch> = Vec::new();
    let duration_s: f64 = rng.random_range(360.0..720.0);
    let wanted = rng.random_range(6..=20);
    let mut idling = true;
    let mut at_s = begin_s;
    while at_s < duration_s - 20.0 && switches.len() < wanted {
        if rng.random_bool(0.22) {
            idling = !idling && rng.random_bool(0.7);
            let demand = match idling {
                true => Demand::Idle,
                false => Demand::Speed(rng.random_range(1200.0..3200.0)),
            };
            engine.push(change(at_s, demand, rng.random_range(0.8..3.0)));
        } else {
            let load = rng.random_range(0..car.loads.len());
            duty[load] = if duty[load] > 0.0 { 0.0 } else { 1.0 };
            let lag_s = if rng.random_bool(0.6) { 0.0 } else { rng.random_range(0.05..1.5) };
            switches.push(Switch { at_s, lag_s, load, duty: duty[load] });
        }
        // Long enough apart that a lagging switch cannot overtake the next.
        at_s += match rng.random_range(0..20) {
            0..3 => rng.random_range(7.6..10.0),
            3..17 => rng.random_range(10.0..40.0),
            _ => rng.random_range(40.0..80.0),
        };
        at_s = (at_s * 1000.0).round() / 1000.0;
    }
    let ambient_c = rng.random_range(5.0..35.0);
    let warm = rng.random_bool(0.5);
    let start = |hot: f64| if warm { hot - 10.0 } else { ambient_c };
    Script {
        // A script that ran out of switches ends soon after; never under six minutes.
        duration_s: duration_s.min((at_s + 30.0).max(360.0)),
        engine,
        switches,
        ambient_c,
        coolant: Warming { start_c: start(90.0), end_c: 90.0, time_constant_s: 200.0 },
        underhood: Warming { start_c: start(70.0), end_c: 75.0, time_constant_s: 300.0 },
    }
}

/// The load of most amps.
pub fn largest_load(car: &CarModel) -> usize {
    let amps = |k: &usize| car.loads[*k].reference_a;
    let largest = (0..car.loads.len()).max_by(|a, b| amps(a).total_cmp(&amps(b)));
    largest.expect("a car has loads")
}

/// Puts the largest load on for a while with the engine stopped.
fn hold_stopped(rng: &mut Rng, script: &mut Script, car: &CarModel, held: Held) {
    let load = largest_load(car);
    let hold_s = (rng.random_range(30.0..60.0_f64) * 1000.0).round() / 1000.0;
    match held {
        Held::BeforeTheStart => {
            // The rest that was there goes before; a moment to reach for the key after.
            let crank_s = script.engine.get(1).map_or(0.0, |change| change.at_s);
            let later_s = hold_s + rng.random_range(3.0..8.0);
            for change in script.engine.iter_mut().skip(1) {
                change.at_s += later_s;
            }
            for switch in &mut script.switches {
                switch.at_s += later_s;
            }
            script.duration_s += later_s;
            for (at_s, duty) in [(crank_s, 1.0), (crank_s + hold_s, 0.0)] {
                script.switches.push(Switch { at_s, lag_s: 0.0, load, duty });
            }
        }
        Held::AtTheEnd => {
            let mut at_s = script.duration_s;
            script.engine.push(EngineChange { at_s, demand: Demand::Idle, ramp_s: 1.0 });
            at_s += 3.0;
            let on = |k: usize| {
                let mine = script.switches.iter().filter(|s| s.load == k);
                mine.max_by(|a, b| a.at_s.total_cmp(&b.at_s)).is_some_and(|s| s.duty > 0.0)
            };
            let switched: Vec<usize> =
                (0..car.loads.len()).filter(|&k| on(k) != (k == load)).collect();
            for k in switched {
                let duty = f64::from(u8::from(k == load));
                script.switches.push(Switch { at_s, lag_s: 0.0, load: k, duty });
                at_s += 2.0;
            }
            at_s += rng.random_range(15.0..30.0);
            script.engine.push(EngineChange { at_s, demand: Demand::Rest, ramp_s: 0.5 });
            script.duration_s = at_s + hold_s;
        }
    }
}

const VOLTAGE_WORDS: [&str; 8] = [
    "battery voltage",
    "Battery Voltage",
    "Batt V",
    "vbat",
    "U_Bat",
    "Batteriespannung",
    "tension batterie",
    "System Voltage",
];
const RPM_WORDS: [&str; 7] =
    ["engine speed", "Engine RPM", "RPM", "rpm", "Motordrehzahl", "Engine Speed", "regime moteur"];
const TIME_WORDS: [&str; 5] = ["time", "Time", "Timestamp", "Zeit", "t"];
const LOAD_ENDINGS: [&str; 5] = ["", " relay", " state", " on", " switch"];

pub fn random_logger(rng: &mut Rng, car: &CarModel, options: &Options) -> Logger {
    let dialect = random_dialect(rng);
    let noise_v = {
        // From 2 to 40 mV, as many in each octave.
        let drawn = 0.002 * 20f64.powf(rng.random_range(0.0..1.0));
        options.noise_v.unwrap_or(drawn)
    };
    let (slow_share, rho) = (rng.random_range(0.0..0.9_f64), rng.random_range(0.0..0.8));
    let ripple_v = if rng.random_bool(0.3) { noise_v * rng.random_range(0.3..1.0) } else { 0.0 };
    let resolution_v = {
        let drawn = pick(rng, &[0.005, 0.01, 0.01, 0.02, 0.05, 0.1]);
        options.resolution_v.unwrap_or(drawn)
    };
    let samples_per_s = {
        let drawn = pick(rng, &[5.0, 10.0, 10.0, 20.0, 25.0, 50.0, 100.0]);
        options.samples_per_s.unwrap_or(drawn)
    };
    let jitter_share = pick(rng, &[0.0, 0.02, 0.1]);
    let words = (pick(rng, &VOLTAGE_WORDS), pick(rng, &RPM_WORDS), pick(rng, &LOAD_ENDINGS));
    let millivolts = rng.random_bool(0.15);
    let fahrenheit = rng.random_bool(0.3);
    let mut chance = |share| rng.random_bool(share);
    let has_rpm = options.rpm_logged.unwrap_or(chance(0.85));
    let has_loads = options.declared.unwrap_or(chance(0.7));
    let has_battery_a = options.battery_current_logged.unwrap_or(chance(0.3));
    let has_alternator_a = options.alternator_current_logged.unwrap_or(chance(0.2));
    let has_coolant = options.coolant_logged.unwrap_or(chance(0.6));
    let load_words = pick(
        rng,
        &[
            LoadWords::ZeroOne,
            LoadWords::ZeroOne,
            LoadWords::OnOff,
            LoadWords::TrueFalse,
            LoadWords::YesNo,
            LoadWords::DutyPercent,
        ],
    );
    let (voltage_word, rpm_word, ending) =
        if options.plain_dialect { ("battery voltage", "engine rpm", "") } else { words };

    let volts = Shows::Voltage(Tap::Battery);
    let mut channels = vec![if millivolts && !options.plain_dialect {
        Channel::new(volts, voltage_word, "mV", resolution_v).scaled(
            1000.0,
            0.0,
            resolution_v * 1000.0,
        )
    } else {
        Channel::new(volts, voltage_word, "V", resolution_v)
    }];
    if has_rpm {
        channels.push(Channel::new(Shows::EngineRpm, rpm_word, "rpm", 1.0).noisy(4.0));
    }
    if has_battery_a {
        let amps = Channel::new(Shows::BatteryCurrent, "battery current", "A", 0.1);
        channels.push(amps.noisy(0.3));
    }
    if has_alternator_a {
        let amps = Channel::new(Shows::AlternatorCurrent, "alternator current", "A", 0.1);
        channels.push(amps.noisy(0.3));
    }
    if has_coolant {
        let shows = Shows::Temperature(Place::Coolant);
        channels.push(if fahrenheit && !options.plain_dialect {
            Channel::new(shows, "coolant temp", "°F", 1.0).scaled(1.8, 32.0, 1.0)
        } else {
            Channel::new(shows, "coolant temp", "°C", 0.5)
        });
    }
    if has_loads {
        for (index, load) in car.loads.iter().enumerate() {
            let mut channel =
                Channel::new(Shows::Load(index), &format!("{}{ending}", load.name), "", 0.01);
            if !options.plain_dialect {
                channel = channel.worded(load_words);
            }
            if channel.words == LoadWords::DutyPercent {
                channel.unit = "%".into();
            }
            channels.push(channel);
        }
    }
    let minutes = rng.random_range(0..24 * 60 - 30);
    let midnight = NaiveDate::from_ymd_opt(2031, 5, 4).and_then(|day| day.and_hms_opt(0, 0, 0));
    Logger {
        samples_per_s,
        jitter_share,
        channels,
        bus: Tap::Battery,
        noise: Noise {
            white_v: noise_v * (1.0 - slow_share * slow_share).sqrt(),
            autoregressive_v: noise_v * slow_share,
            rho,
            ripple_v,
        },
        started_at: midnight.expect("a valid day") + TimeDelta::minutes(minutes),
        dialect: if options.plain_dialect { Dialect::plain() } else { dialect },
    }
}

/// Clamps that nobody zeroed or calibrated today: 0.5 A and 2 % are each
/// kept in nine of ten (common practice, no source).
pub fn random_clamps(rng: &mut Rng, logger: &mut Logger) {
    let zero = Normal::new(0.0, 0.5 / 1.645).expect("a spread above 0");
    let gain = Normal::new(0.0, 0.02 / 1.645).expect("a spread above 0");
    // Both are drawn whether they are logged or not: same seed, same clamps.
    for shows in [Shows::BatteryCurrent, Shows::AlternatorCurrent] {
        let (zero_error, gain_error) = (zero.sample(rng), gain.sample(rng));
        for channel in logger.channels.iter_mut().filter(|c| c.shows == shows) {
            (channel.zero_error, channel.gain_error) = (zero_error, gain_error);
        }
    }
}

fn random_dialect(rng: &mut Rng) -> Dialect {
    let (separator, decimal) = pick(
        rng,
        &[(',', '.'), (',', '.'), (';', '.'), (';', ','), ('\t', '.'), ('\t', ','), ('|', '.')],
    );
    let encoding = pick(
        rng,
        &[
            Encoding::Utf8,
            Encoding::Utf8,
            Encoding::Utf8Bom,
            Encoding::Utf16Le,
            Encoding::Windows1252,
        ],
    );
    let preamble: &[&str] = match rng.random_range(0..3) {
        0 => &["# recorded on the bench, invented data"],
        1 => &["Session: invented drive", "Device: test logger", ""],
        _ => &[],
    };
    Dialect {
        separator,
        decimal,
        line_end: pick(rng, &["\n", "\r\n"]),
        encoding,
        units: pick(
            rng,
            &[UnitStyle::Parentheses, UnitStyle::Brackets, UnitStyle::Suffix, UnitStyle::Row],
        ),
        clock: pick(
            rng,
            &[
                Clock::Seconds,
                Clock::Seconds,
                Clock::Milliseconds,
                Clock::Elapsed,
                Clock::TimeOfDay,
                Clock::Iso,
                Clock::DateAndTime,
                Clock::SpreadsheetDays,
            ],
        ),
        time_header: pick(rng, &TIME_WORDS).into(),
        preamble: preamble.iter().map(|&line| line.into()).collect(),
    }
}
