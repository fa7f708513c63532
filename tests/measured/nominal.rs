//! The same car with half or twice the cells: half or twice the volts of every sample,
//! the same amps. What is said of it must be the same.

use std::path::Path;

use stiffbus::car::{Car, ChargerKind};
use stiffbus::diagnosis::{Diagnosis, Severity};
use stiffbus::ingest::{self, ReadOptions};
use stiffbus::log::{Log, Role};
use stiffbus::nominal::Nominal;
use stiffbus::physics::battery::CrankingStandard;

use crate::random_car::{Options, random_case_with};

const SEEDS: std::ops::Range<u64> = 60_000..60_008;

/// A log as canonical columns, every volt of it `factor` times as high.
fn scaled(log: &Log, factor: f64) -> String {
    let bus = Role::Voltage(log.bus).key();
    let name = |key: &str| match key.strip_prefix("load:") {
        Some(load) => format!("load {load}"),
        None => match key {
            "time_s" => "time (s)".to_owned(),
            "engine_rpm" => "engine speed (rpm)".to_owned(),
            key if key == bus => "battery voltage (V)".to_owned(),
            "battery_current_a" => "battery current charging (A)".to_owned(),
            "alternator_current_a" => "alternator current (A)".to_owned(),
            "temperature_coolant_c" => "coolant temperature (°C)".to_owned(),
            other => panic!("a column for {other}"),
        },
    };
    let wanted = |key: &str| {
        (!key.starts_with("voltage") || key == bus)
            && !key.starts_with("ground")
            && !key.starts_with("alternator_rpm")
            && !key.starts_with("temperature_intake")
            && !key.starts_with("temperature_alternator")
    };
    let columns: Vec<(&str, &[f64])> = log.channels().filter(|(key, _)| wanted(key)).collect();
    let heads: Vec<String> = columns.iter().map(|(key, _)| name(key)).collect();
    let mut text = heads.join(",") + "\n";
    for row in 0..log.len() {
        let cells: Vec<String> = columns
            .iter()
            .map(|(key, values)| {
                let value = values[row] * if key.starts_with("voltage") { factor } else { 1.0 };
                if value.is_finite() { format!("{value}") } else { String::new() }
            })
            .collect();
        text.push_str(&cells.join(","));
        text.push('\n');
    }
    text
}

fn read(text: &str, car: &Car) -> Diagnosis {
    let options = ReadOptions {
        columns: stiffbus::ingest::RoleRequest::from_car(car).expect("columns"),
        ..Default::default()
    };
    let log = ingest::parse(Path::new("log.csv"), text.as_bytes().to_vec(), &options);
    stiffbus::diagnose(&log.expect("a log"), car).expect("a diagnosis")
}

fn near(a: f64, b: f64, share: f64) -> bool {
    (a - b).abs() <= share * a.abs().max(b.abs()) + 1e-6
}

/// Of each point: state, volts of a 12 V car, amps.
fn points(diagnosis: &Diagnosis) -> Vec<(String, f64, f64, Option<f64>)> {
    let nominal = diagnosis.source.nominal_v;
    diagnosis
        .operating_points
        .iter()
        .map(|p| {
            let of = |e: &Option<stiffbus::estimate::Estimate>| e.as_ref().map(|e| e.value);
            let state = format!("{:?} with {:?}", p.state, p.loads);
            let volts = nominal.as_12_v(p.voltage_v.value);
            (state, volts, of(&p.implied_deficit_a).unwrap_or(0.0), of(&p.regulation_shortfall_a))
        })
        .collect()
}

#[test]
fn six_and_twenty_four_volts_are_told_as_twelve() {
    let mut draining = 0;
    for seed in SEEDS {
        let options = Options {
            declared: Some(true),
            rpm_logged: Some(true),
            plain_dialect: true,
            samples_per_s: Some(10.0),
            resolution_v: Some(0.01),
            ..Options::default()
        };
        let case = random_case_with(seed, &options);
        let path = Path::new("log.csv");
        let log = ingest::parse(path, case.simulated.bytes(), &ReadOptions::default());
        let log = log.expect("a simulated log");
        let mut car = Car::default();
        car.battery.cca_a = seed.is_multiple_of(2).then_some(case.car.cca_a);
        car.battery.cca_standard = Some(CrankingStandard::Sae);
        car.alternator.kind = Some(ChargerKind::Alternator);
        let loads: Vec<String> = log.load_names().iter().map(|l| format!("load {l}")).collect();
        car.columns.insert("load".to_owned(), stiffbus::car::Names::Many(loads));
        let twelve = read(&scaled(&log, 1.0), &car);
        assert_eq!(twelve.source.nominal_v, Nominal::V12);
        for (nominal, factor) in [(Nominal::V6, 0.5), (Nominal::V24, 2.0)] {
            let other = read(&scaled(&log, factor), &car);
            assert_eq!(other.source.nominal_v, nominal, "seed {seed}");
            assert_eq!(other.verdict.word, twelve.verdict.word, "seed {seed}, {nominal}");
            let ids = |d: &Diagnosis| -> Vec<(String, Severity)> {
                d.findings.iter().map(|f| (f.id.clone(), f.severity)).collect()
            };
            assert_eq!(ids(&other), ids(&twelve), "seed {seed}, {nominal}");
            let (ours, theirs) = (points(&twelve), points(&other));
            assert_eq!(ours.len(), theirs.len(), "seed {seed}, {nominal}");
            for (a, b) in ours.iter().zip(&theirs) {
                assert_eq!(a.0, b.0, "seed {seed}, {nominal}");
                assert!(near(a.1, b.1, 1e-6), "seed {seed}, {nominal}: {a:?} {b:?}");
                assert!(near(a.2, b.2, 1e-3), "seed {seed}, {nominal}: {a:?} {b:?}");
                let lacks = (a.3.unwrap_or(0.0), b.3.unwrap_or(0.0));
                assert!(near(lacks.0, lacks.1, 1e-3), "seed {seed}, {nominal}: {a:?} {b:?}");
                draining += usize::from(a.2 > 1.0);
            }
            let ohm = |d: &Diagnosis| d.battery.resistance_ohm.value;
            assert!(near(ohm(&twelve) * factor, ohm(&other), 1e-3), "seed {seed}, {nominal}");
            let phases = |d: &Diagnosis| {
                d.phases.iter().map(|p| (p.kind, p.start_s, p.end_s)).collect::<Vec<_>>()
            };
            assert_eq!(phases(&twelve), phases(&other), "seed {seed}, {nominal}");
            let rpm = |d: &Diagnosis| -> Vec<Option<f64>> {
                d.keep_up.iter().map(|k| k.rpm.as_ref().map(|e| e.value)).collect()
            };
            for (a, b) in rpm(&twelve).iter().zip(rpm(&other)) {
                assert!(near(a.unwrap_or(0.0), b.unwrap_or(0.0), 0.01), "seed {seed}: {a:?} {b:?}");
            }
        }
    }
    assert!(draining >= 10, "{draining} points with amps to compare");
}

/// Seconds, volts, engine rpm.
type Part = (f64, f64, f64);

/// A log at ten samples a second or slower, with a little noise.
fn driven(parts: &[Part], every_s: f64, with_rpm: bool) -> String {
    let mut text =
        if with_rpm { "time (s),voltage (V),engine rpm\n" } else { "time (s),voltage (V)\n" }
            .to_owned();
    let mut row = 0_usize;
    for &(seconds, volts, rpm) in parts {
        for _ in 0..(seconds / every_s).round() as usize {
            let wobble = [0.0, 0.006, -0.004, 0.003, -0.006, 0.001, 0.005, -0.002][row * 5 % 8];
            text.push_str(&format!("{:.1},{:.3}", row as f64 * every_s, volts + wobble));
            if with_rpm {
                let turns = if rpm > 0.0 { rpm + [4.0, -6.0, 2.0][row % 3] } else { 0.0 };
                text.push_str(&format!(",{turns:.0}"));
            }
            text.push('\n');
            row += 1;
        }
    }
    text
}

fn faults(diagnosis: &Diagnosis) -> Vec<&str> {
    let faults = diagnosis.findings.iter().filter(|f| f.severity == Severity::Fault);
    faults.map(|f| f.id.as_str()).collect()
}

/// Six volts, a generator with a cut-out relay, voltage alone at a sample in ten seconds:
/// at stops the bus is the battery's, and single samples fall in between.
#[test]
fn a_sound_generator_is_not_failed_for_its_stops() {
    let mut parts = vec![(300.0, 6.38, 0.0)];
    for k in 0..14 {
        let level = [7.45, 7.55, 7.5][k % 3];
        parts.extend([(150.0, level, 2500.0), (10.0, 6.75, 1200.0), (60.0, 6.3, 700.0)]);
    }
    parts.push((300.0, 6.45, 0.0));
    let diagnosis = read(&driven(&parts, 10.0, false), &Car::default());
    assert_eq!(diagnosis.source.nominal_v, Nominal::V6);
    assert!(diagnosis.findings.iter().any(|f| f.id == "dc-generator"), "{:?}", diagnosis.findings);
    assert_eq!(faults(&diagnosis), Vec::<&str>::new(), "{}", diagnosis.verdict.headline);
    let told = format!("{:?} {:?}", diagnosis.verdict, diagnosis.findings);
    assert!(!told.contains("diode"), "{told}");
}

/// Below its cut-in speed a generator charges nothing and is sound; one that does not charge
/// at speed either is not.
#[test]
fn a_generator_is_judged_above_its_cut_in_speed() {
    let generator = Car {
        alternator: stiffbus::car::AlternatorFacts {
            kind: Some(ChargerKind::DcGenerator),
            ..Default::default()
        },
        ..Car::default()
    };
    let driven_at = |speed_v: f64| {
        let mut parts = vec![(20.0, 12.7, 0.0), (1.0, 10.2, 180.0)];
        for _ in 0..4 {
            parts.extend([(30.0, 12.2, 700.0), (40.0, speed_v, 2600.0)]);
        }
        read(&driven(&parts, 0.1, true), &generator)
    };
    let sound = driven_at(14.3);
    assert_eq!(faults(&sound), Vec::<&str>::new(), "{}", sound.verdict.headline);
    assert!(!sound.verdict.headline.contains("alternator"), "{}", sound.verdict.headline);
    let dead = driven_at(12.15);
    assert!(!faults(&dead).is_empty(), "{}", dead.verdict.headline);
}
