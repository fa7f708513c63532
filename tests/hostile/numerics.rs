//! Sums, means and variances that keep their digits, and one answer whatever the
//! number of threads.
//!
//! The series follow the pattern of NIST's NumAcc sets (StRD, univariate summary
//! statistics): a large value and an alternating small deviation, so that mean,
//! standard deviation and lag-1 autocorrelation are known without a computation.
//! NumAcc3 and NumAcc4 are given by that pattern in whole (1001 values around
//! 1000000.2 and 10000000.2, standard deviation 0.1, lag-1 −0.999; from memory).

use stiffbus::stats::autocorrelation::lag1;
use stiffbus::stats::fit::linear::ordinary;
use stiffbus::stats::moments::{mean, squared_deviations, standard_deviation};

use crate::support::{binary, rows};

/// Digits that agree.
#[track_caller]
fn agrees(what: &str, found: f64, known: f64, digits: f64) {
    let off = (found - known).abs() / known.abs();
    let agreed = if off == 0.0 { 17.0 } else { -off.log10() };
    println!("{what}: {found} ({agreed:.1} digits)");
    assert!(agreed >= digits, "{what}: {found} instead of {known}: {agreed:.1} digits");
}

/// `centre` once, then `centre` less and plus `deviation` in turn.
fn numacc(count: usize, centre: f64, deviation: f64) -> Vec<f64> {
    let around = |i: usize| if i % 2 == 1 { centre - deviation } else { centre + deviation };
    std::iter::once(centre).chain((1..count).map(around)).collect()
}

#[test]
fn numacc_is_certified() {
    // Rounding of the inputs alone costs NumAcc4 all but some 8 digits of its deviation.
    for (name, centre, digits) in [("NumAcc3", 1_000_000.2, 8.0), ("NumAcc4", 10_000_000.2, 7.0)] {
        let x = numacc(1001, centre, 0.1);
        agrees(&format!("{name} mean"), mean(&x), centre, 14.5);
        agrees(&format!("{name} sd"), standard_deviation(&x), 0.1, digits);
        agrees(&format!("{name} lag 1"), lag1(&x), -0.999, digits);
    }
    agrees("NumAcc1 mean", mean(&[10_000_001.0, 10_000_003.0, 10_000_002.0]), 10_000_002.0, 15.9);
    agrees(
        "NumAcc1 sd",
        standard_deviation(&[10_000_001.0, 10_000_003.0, 10_000_002.0]),
        1.0,
        15.9,
    );
}

/// A stretch of ten million samples that never ends: 14 V ± 1 mV, and every level the
/// stages take is the level.
#[test]
fn the_mean_of_a_long_stretch_keeps_its_digits() {
    let x = numacc(10_000_001, 14.0, 0.001);
    agrees("mean of a stretch", stiffbus::segment::mean(&x), 14.0, 14.0);
    let tenth: Vec<f64> = x.iter().map(|v| v / 140.0).collect();
    agrees("mean of tenths", stiffbus::segment::mean(&tenth), 0.1, 13.5);
}

/// 14 V ± 1 mV for 27 hours at a hundred samples a second.
#[test]
fn ten_million_samples_of_a_millivolt_on_fourteen_volts() {
    let n = 10_000_001;
    let x = numacc(n, 14.0, 0.001);
    let squares = (n - 1) as f64 * 1e-6;
    agrees("mean", mean(&x), 14.0, 15.0);
    agrees("sd", standard_deviation(&x), (squares / (n - 1) as f64).sqrt(), 11.5);
    agrees("squares", squared_deviations(&x, 14.0), squares, 11.5);
    // About a centre that is wrong by a volt as well.
    agrees("squares off centre", squared_deviations(&x, 13.0), squares, 8.0);
    agrees("lag 1", lag1(&x), -1.0, 6.0);
    // A slope of a microvolt an hour, far from the origin of time.
    let t: Vec<f64> = (0..n).map(|i| 1e6 + i as f64 / 100.0).collect();
    let slope = 1e-6 / 3600.0;
    let y: Vec<f64> = t.iter().zip(&x).map(|(t, v)| v + slope * (t - 1e6)).collect();
    let line = ordinary(&t, &y).expect("a line");
    assert!((line.slope - slope).abs() < 1e-3 * slope, "{} instead of {slope}", line.slope);
    agrees("scatter about the line", line.sigma, 0.001, 6.0);
}

/// A log of three hundred thousand rows: with one thread, two, four, and once more.
#[test]
fn threads_do_not_change_a_byte() {
    let home = tempfile::tempdir().expect("a folder");
    let path = home.path().join("x.csv");
    let mut text = "time (s),battery voltage (V),engine rpm,fan,coolant (C)\n".to_owned();
    for (i, row) in rows(300_000).iter().enumerate() {
        let noise = 0.004 * ((i * 7919 % 101) as f64 / 101.0 - 0.5);
        let fan = u8::from(row.fan);
        text.push_str(&format!(
            "{:.2},{:.4},{:.0},{fan},{:.1}\n",
            row.t / 10.0,
            row.v + noise,
            row.rpm,
            70.0 + row.t / 2000.0
        ));
    }
    std::fs::write(&path, text).expect("the test's own file");
    let json = |threads: &str, out: &str| {
        let mut command = binary();
        command.arg(&path).args(["--json", "-", "--out"]).arg(home.path().join(out));
        let output = command.env("POLARS_MAX_THREADS", threads).output().expect("it runs");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        output.stdout
    };
    let one = json("1", "one");
    assert!(one.len() > 10_000);
    for threads in ["2", "4", "1"] {
        assert!(json(threads, "other") == one, "{threads} threads tell something else than one");
    }
    // The other route, that reads cell by cell, as it does for a note.
    let noted = std::fs::read_to_string(&path).expect("the file").replacen(
        "coolant (C)\n",
        "coolant (C),note\n",
        1,
    );
    let noted = noted.replace("\n", ",\n").replacen(",note,\n", ",note\n", 1);
    std::fs::write(&path, noted).expect("the test's own file");
    let of = |bytes: &[u8]| serde_json::from_slice::<serde_json::Value>(bytes).expect("JSON");
    let (fast, careful) = (of(&one), of(&json("2", "noted")));
    for part in ["operating_points", "load_steps", "phases", "setpoint_v", "battery", "keep_up"] {
        assert_eq!(fast[part], careful[part], "{part}");
    }
}
