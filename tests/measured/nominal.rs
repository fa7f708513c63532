//! The same car with half or twice the cells: half or twice the volts of every sample,
//! the same amps. What is said of it must be the same.

use std::path::Path;

use stiffbus::car::{Car, ChargerKind};
use stiffbus::diagnosis::{Diagnosis, Severity};
use stiffbus::ingest::{self, ReadOptions};
use stiffbus::log::Log;
use stiffbus::nominal::Nominal;

use crate::random_car::{Options, random_case_with};

const SEEDS: std::ops::Range<u64> = 60_000..60_008;

/// A log as canonical columns, every volt of it `factor` times as high.
fn scaled(log: &Log, factor: f64) -> String {
    let name = |key: &str| match key.strip_prefix("load:") {
        Some(load) => format!("{load} (load)"),
        None => match key {
            "time_s" => "time (s)".to_owned(),
            "engine_rpm" => "engine speed (rpm)".to_owned(),
            "voltage_battery_v" => "battery voltage (V)".to_owned(),
            "battery_current_a" => "battery current charging (A)".to_owned(),
            "alternator_current_a" => "alternator current (A)".to_owned(),
            "temperature_coolant_c" => "coolant temperature (°C)".to_owned(),
            other => panic!("a column for {other}"),
        },
    };
    let wanted = |key: &str| {
        !key.starts_with("voltage_alternator")
            && !key.starts_with("voltage_module")
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
        car.alternator.kind = Some(ChargerKind::Alternator);
        let loads: Vec<String> = log.load_names().iter().map(|l| format!("{l} (load)")).collect();
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
