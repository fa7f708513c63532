//! One fault a car: what is broken, and which finding has to say so.
//! Every range is invented to span the trade (common practice, no source).

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use stiffbus::demo::car::{BeltSlip, CarModel, Dropout, LoadModel};
use stiffbus::demo::logger::{Channel, Logger, Shows};
use stiffbus::demo::script::{Demand, EngineChange, Script};
use stiffbus::log::Tap;
use stiffbus::physics::alternator::OutputCurve;
use stiffbus::physics::battery::{Battery, BatteryState};
use stiffbus::physics::bus::Node;
use stiffbus::physics::load::{Inrush, LoadKind};

use crate::random_car::{Case, Options, random_case_with};
use crate::warming;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    Healthy,
    /// Battery tap alone, post too, and with its current.
    ThinGround,
    ThinGroundTwoTaps,
    ThinGroundTwoTapsAmps,
    /// Slips under load; engine speed alone is logged, and both speeds.
    SlippingBelt,
    SlippingBeltBothSpeeds,
    /// Lets go whenever the engine is revved; engine speed alone.
    BeltLetsGo,
    RegulatorHigh,
    RegulatorLow,
    TiredBattery,
    /// As good as new and half empty.
    FlatBattery,
    IntermittentTerminal,
    WeakAlternator,
    WeakAlternatorTwoTaps,
    ModuleWiring,
    NotCharging,
    /// With both taps, a ground tap and current: sound, a bad ground, a thin cable.
    HealthyTapped,
    BadGroundTapped,
    ThinCableTapped,
    /// Long at idle with everything on: the machine loses a third and more.
    FadesWithHeat,
    /// From cold to warm, the setpoint staying where it is, and falling.
    RegulatorStays,
    RegulatorDrifts,
}

pub const FAULTS: [Fault; 22] = [
    Fault::Healthy,
    Fault::ThinGround,
    Fault::ThinGroundTwoTaps,
    Fault::ThinGroundTwoTapsAmps,
    Fault::SlippingBelt,
    Fault::SlippingBeltBothSpeeds,
    Fault::BeltLetsGo,
    Fault::RegulatorHigh,
    Fault::RegulatorLow,
    Fault::TiredBattery,
    Fault::FlatBattery,
    Fault::IntermittentTerminal,
    Fault::WeakAlternator,
    Fault::WeakAlternatorTwoTaps,
    Fault::ModuleWiring,
    Fault::NotCharging,
    Fault::HealthyTapped,
    Fault::BadGroundTapped,
    Fault::ThinCableTapped,
    Fault::FadesWithHeat,
    Fault::RegulatorStays,
    Fault::RegulatorDrifts,
];

impl Fault {
    pub fn name(self) -> &'static str {
        match self {
            Fault::Healthy => "healthy",
            Fault::ThinGround => "thin ground, one tap",
            Fault::ThinGroundTwoTaps => "thin ground, two taps",
            Fault::ThinGroundTwoTapsAmps => "thin ground, two taps and amps",
            Fault::SlippingBelt => "slipping belt",
            Fault::SlippingBeltBothSpeeds => "slipping belt, both speeds",
            Fault::BeltLetsGo => "belt lets go when revved",
            Fault::RegulatorHigh => "regulator high",
            Fault::RegulatorLow => "regulator low",
            Fault::TiredBattery => "tired battery",
            Fault::FlatBattery => "flat battery",
            Fault::IntermittentTerminal => "intermittent terminal",
            Fault::WeakAlternator => "weak alternator, one tap",
            Fault::WeakAlternatorTwoTaps => "weak alternator, two taps",
            Fault::ModuleWiring => "module wiring",
            Fault::NotCharging => "not charging",
            Fault::HealthyTapped => "healthy, ground tap",
            Fault::BadGroundTapped => "bad ground, ground tap",
            Fault::ThinCableTapped => "thin cable, ground tap",
            Fault::FadesWithHeat => "output fades with heat",
            Fault::RegulatorStays => "setpoint stays, cold to warm",
            Fault::RegulatorDrifts => "setpoint drifts, cold to warm",
        }
    }

    /// The finding that names the cause; `None` where no log of one tap could.
    pub fn finding(self) -> Option<&'static str> {
        match self {
            Fault::Healthy
            | Fault::HealthyTapped
            | Fault::ThinGround
            | Fault::SlippingBelt
            | Fault::RegulatorDrifts => None,
            Fault::ThinGroundTwoTaps | Fault::ThinGroundTwoTapsAmps | Fault::ThinCableTapped => {
                Some("line-drop-high")
            }
            Fault::BadGroundTapped => Some("ground-drop-high"),
            Fault::BeltLetsGo => Some("dips-on-acceleration"),
            Fault::SlippingBeltBothSpeeds => Some("belt-slip"),
            Fault::RegulatorHigh => Some("setpoint-high"),
            Fault::RegulatorLow => Some("setpoint-low"),
            Fault::TiredBattery => Some("tired-battery"),
            Fault::FlatBattery => Some("low-rest-voltage"),
            Fault::IntermittentTerminal => Some("drop-outs"),
            Fault::WeakAlternator | Fault::WeakAlternatorTwoTaps => Some("weak-output"),
            Fault::ModuleWiring => Some("module-wiring"),
            Fault::NotCharging => Some("not-charging"),
            Fault::FadesWithHeat => Some("output-fades-with-heat"),
            Fault::RegulatorStays => Some("setpoint-not-drifting"),
        }
    }
}

impl Fault {
    pub fn is_tapped(self) -> bool {
        use Fault::{BadGroundTapped, HealthyTapped, ThinCableTapped};
        matches!(self, HealthyTapped | BadGroundTapped | ThinCableTapped)
    }

    /// Findings that this fault must raise too, being what the log shows: a bus
    /// that a cable or a belt keeps low at every speed looks, from one tap and
    /// one speed, like a machine that is weak, and a tired battery rests low.
    pub fn looks_like(self, id: &str) -> bool {
        matches!(
            (self, id),
            (Fault::ThinGround | Fault::SlippingBelt, "weak-output")
                | (Fault::TiredBattery, "low-rest-voltage")
                // Theirs do not drift either.
                | (Fault::RegulatorHigh | Fault::RegulatorLow, "setpoint-not-drifting")
        )
    }
}

/// A sound car with enough alternator and one fault, driven as the trade tests
/// charging: rest, start, loads, speeds, blips of the throttle.
pub fn case(fault: Fault, seed: u64) -> Case {
    let options = Options {
        declared: Some(true),
        rpm_logged: Some(true),
        starts_at_rest: Some(true),
        alternator_current_logged: Some(fault == Fault::ThinGroundTwoTapsAmps || fault.is_tapped()),
        ..Options::default()
    };
    let sound = random_case_with(seed, &options);
    let (mut car, mut script, mut logger) = (sound.car, sound.script, sound.logger);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(77);
    make_sound(&mut car, &mut rng);
    prove(&mut script, &car);
    warming::drive(fault, &mut car, &mut script, &mut logger, &mut rng);
    inject(fault, &mut car, &script, &mut logger, &mut rng);
    let simulated = stiffbus::demo::simulate::simulate(&car, &script, &logger, seed);
    Case { seed, car, script, logger, simulated }
}

/// Whatever chance drew, this car's alternator carries its loads at idle, its
/// regulator holds a usual level warm and its battery is charged.
fn make_sound(car: &mut CarModel, rng: &mut ChaCha8Rng) {
    let draws = |loads: &[LoadModel]| loads.iter().map(|l| l.reference_a).sum::<f64>();
    let all_a = draws(&car.loads) + draws(&car.base_loads) + 15.0;
    // A typical curve gives about 0.45 of its rating at idle, less when hot.
    car.rated_a = all_a / 0.30;
    car.curve = OutputCurve::typical(car.rated_a).expect("a rising curve");
    car.pulley_ratio = rng.random_range(2.7..3.2);
    car.regulator.setpoint_25c_v = rng.random_range(14.3..14.7);
    car.regulator.per_degree_v = -rng.random_range(0.002..0.006);
    car.battery_at_start = BatteryState::rested(rng.random_range(0.80..0.97), 0.02);
}

/// Everything off: blips at idle. Everything on: blips, two speeds, off again.
fn prove(script: &mut Script, car: &CarModel) {
    let last_on = |load| {
        let of_load = script.switches.iter().filter(|s| s.load == load);
        of_load.max_by(|a, b| a.at_s.total_cmp(&b.at_s)).is_some_and(|s| s.duty > 0.0)
    };
    let on: Vec<usize> = (0..car.loads.len()).filter(|&load| last_on(load)).collect();
    let mut at_s = script.duration_s + 5.0;
    for load in on {
        script.switches.push(stiffbus::demo::script::Switch { at_s, lag_s: 0.1, load, duty: 0.0 });
    }
    let mut engine =
        |at_s, demand, ramp_s| script.engine.push(EngineChange { at_s, demand, ramp_s });
    engine(at_s, Demand::Idle, 1.0);
    at_s += 12.0;
    for _ in 0..3 {
        engine(at_s, Demand::Speed(2600.0), 0.7);
        engine(at_s + 2.5, Demand::Idle, 0.8);
        at_s += 9.0;
    }
    let on_s = at_s;
    at_s += 6.0 * car.loads.len() as f64 + 25.0;
    for _ in 0..4 {
        engine(at_s, Demand::Speed(2600.0), 0.7);
        engine(at_s + 2.5, Demand::Idle, 0.8);
        at_s += 9.0;
    }
    for rpm in [1500.0, 2500.0] {
        engine(at_s, Demand::Speed(rpm), 1.5);
        at_s += 25.0;
    }
    engine(at_s, Demand::Idle, 2.0);
    at_s += 12.0;
    for load in 0..car.loads.len() {
        let mut switch = |at_s, duty| {
            script.switches.push(stiffbus::demo::script::Switch { at_s, lag_s: 0.1, load, duty });
        };
        switch(on_s + 6.0 * load as f64, 1.0);
        switch(at_s + 6.0 * load as f64, 0.0);
    }
    script.duration_s = at_s + 6.0 * car.loads.len() as f64 + 25.0;
}

fn inject(
    fault: Fault,
    car: &mut CarModel,
    script: &Script,
    logger: &mut Logger,
    rng: &mut ChaCha8Rng,
) {
    let resolution_v = logger.channels.iter().find_map(|c| match c.shows {
        Shows::Voltage(_) => Some(c.resolution / c.scale),
        _ => None,
    });
    let mut show = |shows, name: &str, unit: &str, resolution: f64, noise: f64| {
        logger.channels.push(Channel::new(shows, name, unit, resolution).noisy(noise));
    };
    let volts_step = resolution_v.unwrap_or(0.01);
    let loads_a: f64 = car.loads.iter().chain(&car.base_loads).map(|l| l.reference_a).sum();
    match fault {
        Fault::Healthy => {}
        Fault::ThinGround | Fault::ThinGroundTwoTaps | Fault::ThinGroundTwoTapsAmps => {
            car.sense = Node::Alternator;
            car.alternator_line_ohm = rng.random_range(0.8..1.6) / loads_a;
            if fault != Fault::ThinGround {
                let post = Shows::Voltage(Tap::Alternator);
                show(post, "alternator voltage", "V", volts_step, 0.0);
            }
        }
        Fault::BeltLetsGo => {
            car.belt = Some(BeltSlip {
                grips_a: loads_a,
                share_per_a: rng.random_range(0.03..0.06),
                share_per_1000_rpm_s: rng.random_range(0.4..0.7),
            });
        }
        Fault::SlippingBelt | Fault::SlippingBeltBothSpeeds => {
            car.belt = Some(BeltSlip {
                grips_a: loads_a * rng.random_range(0.35..0.6),
                share_per_a: rng.random_range(0.03..0.06),
                share_per_1000_rpm_s: rng.random_range(0.15..0.35),
            });
            if fault == Fault::SlippingBeltBothSpeeds {
                show(Shows::AlternatorRpm, "alternator rpm", "rpm", 1.0, 15.0);
            }
        }
        Fault::RegulatorHigh => {
            car.regulator.setpoint_25c_v = rng.random_range(15.4..16.2);
            car.regulator.per_degree_v = 0.0;
        }
        Fault::RegulatorLow => {
            car.regulator.setpoint_25c_v = rng.random_range(13.3..13.65);
            car.regulator.per_degree_v = 0.0;
        }
        Fault::TiredBattery => {
            let (ohm, ah) = (car.battery.ohmic_ohm, car.battery.capacity_ah);
            let surface = car.battery.surface;
            let tired_ohm = (3.0 * ohm).max(0.014) * rng.random_range(0.9..1.3);
            car.battery = Battery::typical(ah * rng.random_range(0.4..0.6), tired_ohm);
            car.battery.surface = surface;
            car.battery_at_start = BatteryState::rested(rng.random_range(0.30..0.48), 0.02);
        }
        Fault::FlatBattery => {
            car.battery_at_start = BatteryState::rested(rng.random_range(0.25..0.42), 0.02);
        }
        Fault::IntermittentTerminal => {
            let mut at_s = 60.0;
            while at_s < script.duration_s - 20.0 {
                car.dropouts.push(Dropout {
                    at_s,
                    seconds: rng.random_range(0.2..0.6),
                    line: Node::Module,
                    extra_ohm: rng.random_range(0.15..0.4),
                });
                at_s += rng.random_range(15.0..60.0);
            }
            on_module(car, rng);
            logger.bus = Tap::Module;
            for channel in &mut logger.channels {
                if channel.shows == Shows::Voltage(Tap::Battery) {
                    channel.shows = Shows::Voltage(Tap::Module);
                    channel.header = "ECU voltage".into();
                }
            }
        }
        Fault::WeakAlternator | Fault::WeakAlternatorTwoTaps => {
            let most_a = loads_a * rng.random_range(0.45..0.75);
            car.curve = OutputCurve::typical(most_a).expect("a rising curve");
            if fault == Fault::WeakAlternatorTwoTaps {
                let post = Shows::Voltage(Tap::Alternator);
                show(post, "alternator voltage", "V", volts_step, 0.0);
            }
        }
        Fault::ModuleWiring => {
            on_module(car, rng);
            car.module_line_ohm = rng.random_range(0.06..0.12);
            show(Shows::Voltage(Tap::Module), "ECU voltage", "V", volts_step, 0.0);
        }
        Fault::HealthyTapped | Fault::BadGroundTapped | Fault::ThinCableTapped => {
            car.sense = Node::Alternator;
            // A sound line loses 0.06 to 0.12 V there and 0.03 to 0.06 V back.
            let (mut there_v, mut back_v) =
                (rng.random_range(0.06..0.12), rng.random_range(0.03..0.06));
            match fault {
                Fault::BadGroundTapped => back_v = rng.random_range(0.3..0.8),
                Fault::ThinCableTapped => there_v = rng.random_range(0.7..1.2),
                _ => {}
            }
            car.alternator_line_ohm = (there_v + back_v) / loads_a;
            car.ground_share = back_v / (there_v + back_v);
            show(Shows::Voltage(Tap::Alternator), "alternator voltage", "V", volts_step, 0.0);
            show(Shows::Ground, "alternator case to battery negative", "V", 0.001, 0.002);
            // Instruments are a little off, and the tool cannot see how far.
            for channel in &mut logger.channels {
                let (gain, zero) = match channel.shows {
                    Shows::Voltage(_) => (0.002, 0.020),
                    Shows::Ground => (0.01, 0.020),
                    Shows::AlternatorCurrent => (0.03, 1.0),
                    _ => continue,
                };
                channel.offset += rng.random_range(-zero..zero) * channel.scale;
                channel.scale *= 1.0 + rng.random_range(-gain..gain);
            }
        }
        Fault::NotCharging => {
            car.curve = OutputCurve::typical(0.2).expect("a rising curve");
        }
        // What warms has its own drive.
        Fault::FadesWithHeat | Fault::RegulatorStays | Fault::RegulatorDrifts => {}
    }
}

/// The engine controller's share of the loads hangs at its own tap.
fn on_module(car: &mut CarModel, rng: &mut ChaCha8Rng) {
    car.base_loads.push(LoadModel {
        name: "control".into(),
        kind: LoadKind::Electronic,
        reference_a: rng.random_range(7.0..12.0),
        inrush: Inrush::NONE,
        node: Node::Module,
        idle_up_rpm: 0.0,
    });
}
