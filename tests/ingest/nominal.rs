//! 6, 12 and 24 V: told by the levels, or stated; anything else is sent back.

use stiffbus::car::{Car, ChargerKind};
use stiffbus::ingest::ReadOptions;
use stiffbus::log::Log;
use stiffbus::nominal::Nominal;

use crate::support::{read, read_with, rows, try_read, write};

fn with(nominal: Nominal) -> ReadOptions {
    ReadOptions { nominal: Some(nominal), ..Default::default() }
}

fn scaled(factor: f64) -> String {
    write("time_s,Battery voltage (V)", |r| format!("{:.1},{:.3}", r.t, r.v * factor))
}

/// A voltage alone: seconds, volts.
fn steady(levels: &[(u32, f64)], every_s: u32) -> String {
    let mut text = "time (s),voltage (V)\n".to_owned();
    let mut t = 0;
    for &(seconds, volts) in levels {
        for k in 0..seconds / every_s {
            let volts = if volts == 0.0 { 0.0 } else { volts + 0.01 * f64::from(k % 2) };
            text.push_str(&format!("{t},{volts:.2}\n"));
            t += every_s;
        }
    }
    text
}

#[test]
fn the_levels_name_the_system() {
    for (levels, nominal) in [
        (&[(300, 6.4), (300, 7.3)][..], Nominal::V6),
        // Ignition on with the engine off, discharged, loads on.
        (&[(300, 6.2), (300, 5.9)], Nominal::V6),
        (&[(600, 7.6)], Nominal::V6),
        (&[(300, 12.6), (300, 14.2)], Nominal::V12),
        (&[(600, 11.6)], Nominal::V12),
        (&[(600, 14.9)], Nominal::V12),
        (&[(300, 25.3), (300, 28.2)], Nominal::V24),
        (&[(600, 23.5)], Nominal::V24),
        // Zeros while the logger's supply is off, for most of the log.
        (&[(1200, 0.0), (200, 6.4), (200, 7.4)], Nominal::V6),
        (&[(1200, 0.0), (200, 12.6), (200, 14.2)], Nominal::V12),
    ] {
        let log = read(steady(levels, 10));
        assert_eq!(log.source.nominal_v, nominal, "{levels:?}");
        assert!(log.source.nominal_how.contains("median"), "{}", log.source.nominal_how);
        let noticed = log.source.notices.iter().any(|n| n.contains("--nominal"));
        assert_eq!(noticed, nominal != Nominal::V12, "{:?}", log.source.notices);
    }
}

#[test]
fn millivolts_of_a_six_volt_system() {
    let text = write("time_s,battery (mV)", |r| format!("{:.1},{:.0}", r.t, r.v * 500.0));
    let log = read(text);
    assert_eq!(log.source.nominal_v, Nominal::V6);
    assert!((log.bus_v()[0] - rows(1)[0].v / 2.0).abs() < 1e-3);
}

#[test]
fn volts_stay_as_they_were_logged() {
    for (factor, nominal) in [(0.5, Nominal::V6), (1.0, Nominal::V12), (2.0, Nominal::V24)] {
        let log = read(scaled(factor));
        assert_eq!((log.nominal(), log.source.nominal_v), (nominal, nominal));
        let expected: Vec<f64> = rows(60).iter().map(|r| r.v * factor).collect();
        crate::support::close(log.bus_v(), &expected, 1e-3);
    }
}

#[test]
fn other_systems_are_sent_back() {
    let sent_back = |volts: f64, words: &[&str]| {
        let text = steady(&[(600, volts)], 10);
        let seen = try_read(text, &ReadOptions::default()).expect_err("no system").to_string();
        for word in words {
            assert!(seen.contains(word), "{volts} V: {seen}");
        }
    };
    for volts in [37.0, 44.0, 48.0, 52.5] {
        sent_back(volts, &["48 V mild hybrid", "12 V side"]);
    }
    sent_back(9.0, &["between a 6 V and a 12 V system", "--nominal 6", "--nominal 12"]);
    sent_back(18.0, &["between a 12 V and a 24 V system", "--nominal 12", "--nominal 24"]);
    sent_back(72.0, &["not the level of a 6, 12 or 24 V"]);
    // A sensor's supply of 5 V is no bus.
    sent_back(5.0, &["no column could be the bus voltage", "6, 12 or 24 V"]);
}

#[test]
fn what_is_stated_counts() {
    let low = steady(&[(300, 8.9), (300, 8.7)], 10);
    assert_eq!(read_with(&low, &with(Nominal::V6)).nominal(), Nominal::V6);
    let log = read_with(&low, &with(Nominal::V12));
    assert_eq!(log.nominal(), Nominal::V12);
    assert!(log.source.nominal_how.contains("stated"), "{}", log.source.nominal_how);
    // Not what the levels cannot be.
    let seen = try_read(scaled(1.0), &with(Nominal::V6)).expect_err("14 V").to_string();
    assert!(seen.contains("does not fit the 6 V system stated with --nominal 6"), "{seen}");
    let seen = try_read(scaled(3.7), &with(Nominal::V24)).expect_err("48 V").to_string();
    assert!(seen.contains("--nominal 24"), "{seen}");
}

#[test]
fn voltages_of_another_system_are_not_the_bus() {
    let text = write("time_s,Battery voltage (V),Sensor voltage 2 (V)", |r| {
        format!("{:.1},{:.2},{:.2}", r.t, r.v, r.v / 2.0)
    });
    let log = read(text);
    assert_eq!(log.nominal(), Nominal::V12);
    assert!((log.bus_v()[0] - rows(1)[0].v).abs() < 1e-9);
}

#[test]
fn a_supply_that_is_off_is_counted_and_nothing_else() {
    let levels = [(60, 0.0), (300, 6.4), (10, 0.0), (300, 7.4), (120, 0.0), (300, 7.4), (50, 0.0)];
    let log = read(steady(&levels, 10));
    let off = log.source.rows_skipped.iter().find(|s| s.reason == "logger supply off (0 V)");
    let off = off.expect("zeros are accounted for");
    assert_eq!((off.count, off.first_line), (6 + 1 + 12 + 5, 2));
    assert!(log.bus_v().iter().all(|v| *v > 6.0));
    // The time goes on meanwhile.
    assert_eq!(log.time_s().last(), Some(&(300.0 + 10.0 + 300.0 + 120.0 + 300.0 - 10.0)));
    let diagnosis = stiffbus::diagnose(&log, &Car::default()).expect("a diagnosis");
    let ids: Vec<&str> = diagnosis.findings.iter().map(|f| f.id.as_str()).collect();
    assert!(!ids.contains(&"drop-outs") && !ids.contains(&"deep-cranking-dip"), "{ids:?}");
    assert!(diagnosis.cranking.is_none(), "{:?}", diagnosis.cranking);
}

/// While an engine turns, 0 V is a channel that is wrong and no supply that is off.
#[test]
fn zeros_under_a_running_engine_stay() {
    let text = write("time_s,battery voltage (V),engine rpm", |r| {
        let volts = if r.i >= 40 { 0.0 } else { r.v };
        format!("{:.1},{volts:.2},{:.0}", r.t, r.rpm)
    });
    assert_eq!(read(text).bus_v().iter().filter(|v| **v == 0.0).count(), 20);
}

#[test]
fn a_car_file_states_system_and_charger() {
    let car = |text: &str| Car::parse(std::path::Path::new("car.toml"), text);
    let facts = car("nominal_v = 6\n[alternator]\nkind = \"dc generator\"\n").expect("facts");
    assert_eq!(facts.nominal_v, Some(Nominal::V6));
    assert_eq!(facts.alternator.kind, Some(ChargerKind::DcGenerator));
    for wrong in ["nominal_v = 48\n", "[alternator]\nkind = \"magneto\"\n"] {
        let seen = car(wrong).expect_err("not supported").to_string();
        assert!(seen.contains("line") && seen.contains("6, 12 or 24"), "{seen}");
    }
    let magnet = car("[alternator]\nkind = \"permanent magnet\"\n").expect("facts");
    let log: Log = read(scaled(1.0));
    let seen = stiffbus::diagnose(&log, &magnet).expect_err("not supported").to_string();
    assert!(seen.contains("permanent-magnet"), "{seen}");
}
