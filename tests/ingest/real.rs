//! Values that look like errors of the logger and are real.

use stiffbus::log::{Log, Place, Role};

use crate::support::*;

/// A log of `rows` samples, ten a second, that is at rest for 20 s: volts, rpm and another column.
fn log(header: &str, rows: usize, cells: impl Fn(f64, usize) -> (f64, f64, f64)) -> Log {
    let mut text = format!("time (s),battery voltage (V),engine rpm,{header}\n");
    for row in 0..rows {
        let t = row as f64 / 10.0;
        let (volts, rpm, other) = cells(t, row);
        text.push_str(&format!("{t:.1},{volts:.2},{rpm},{other}\n"));
    }
    read(text)
}

/// Noise of a few steps of a hundredth.
fn noise(row: usize) -> f64 {
    0.01 * ((row * 7919 % 13) as f64 - 6.0)
}

#[test]
fn a_level_that_lasts_is_not_frozen() {
    // At a resolution of a tenth of a volt, one level for minutes.
    let coarse = |t: f64, _| if t < 20.0 { 12.6 } else { 14.2 };
    // At its limit the level changes; in control it does not.
    let both = |t: f64, row: usize| match t {
        t if t < 20.0 => 12.6,
        t if t < 100.0 => 13.0 + 10.0 * noise(row),
        _ => 14.2,
    };
    // A battery at rest is constant; the running engine is not.
    let rest = |t: f64, row: usize| if t < 20.0 { 12.62 } else { 14.2 + noise(row) };
    let courses: [&dyn Fn(f64, usize) -> f64; 3] = [&coarse, &both, &rest];
    for volts in courses {
        let rpm = |t: f64| if t < 20.0 { 0.0 } else { 850.0 };
        let log = log("spare", 3000, |t, row| (volts(t, row), rpm(t), 1.0));
        assert_eq!(log.len(), 3000, "{:?}", log.source.notices);
        assert!(log.bus_v().iter().all(|volts| volts.is_finite()));
    }
}

#[test]
fn jumps_that_are_real_stay() {
    // Alternating full speed and idle, near the end of the range of a field.
    let rpm = |row: usize| [700.0, 2480.0][row / 20 % 2];
    let byte = |row: usize| [0.0, 0.0, 255.0][row / 20 % 3];
    let log = log("coolant (°C)", 400, |_, row| (14.2 + noise(row), rpm(row), byte(row)));
    let speeds: Vec<f64> = (0..400).map(rpm).collect();
    assert_eq!(log.engine_rpm().expect("a speed"), speeds);
    let bytes: Vec<f64> = (0..400).map(byte).collect();
    assert_eq!(log.channel(Role::Temperature(Place::Coolant)).expect("a temperature"), bytes);
}

#[test]
fn a_code_among_other_values_is_a_value() {
    let hot = |row: usize| 120.0 + 1.5 * row as f64;
    let one = log("coolant (°C)", 100, |_, row| (14.2 + noise(row), 850.0, hot(row)));
    let values: Vec<f64> = (0..100).map(hot).collect();
    assert!(values.contains(&255.0));
    assert_eq!(one.channel(Role::Temperature(Place::Coolant)).expect("a temperature"), values);
    // A byte that is off, low or fully on.
    let byte = |row: usize| [0.0, 51.0, 255.0][row / 10 % 3];
    let one = log("fan", 90, |_, row| (14.2 + noise(row), 850.0, byte(row)));
    let duties: Vec<f64> = (0..90).map(|row| byte(row) / 255.0).collect();
    let fan = one.load("fan").expect("a load");
    assert!(fan.iter().zip(&duties).all(|(a, b)| (a - b).abs() < 1e-12), "{fan:?}");
}

#[test]
fn a_count_is_not_a_time_of_day_in_one_number() {
    // A row each second, each minute, and each hundred seconds.
    for each in [1, 60, 100] {
        let row = |k: usize| format!("{},{:.2}\n", k * each, 14.2 + noise(k));
        let rows: String = (0..200).map(row).collect();
        let log = read(format!("time (s),battery voltage (V)\n{rows}"));
        assert_eq!(log.source.duration_s, 199.0 * each as f64);
    }
}

#[test]
fn a_moment_at_0_v_is_a_lost_contact() {
    let volts = |row: usize| if (40..42).contains(&row) { 0.0 } else { 14.2 + noise(row) };
    let log = log("spare", 100, |_, row| (volts(row), 850.0, 1.0));
    assert_eq!(log.bus_v().iter().filter(|volts| **volts == 0.0).count(), 2);
}
