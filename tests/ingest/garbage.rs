//! Any bytes: an error or a log, never a panic.

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stiffbus::ingest::ReadOptions;

use crate::support::*;

/// Reads and looks at what every later stage relies on.
fn survives(bytes: &[u8], path: &std::path::Path, options: &ReadOptions) {
    std::fs::write(path, bytes).expect("the test's own file");
    match stiffbus::ingest::read(path, options) {
        Ok(log) => {
            assert!(
                log.time_s().windows(2).all(|p| p[1] > p[0]),
                "time rises: {:?}",
                String::from_utf8_lossy(bytes)
            );
            assert!(log.bus_v().iter().all(|v| v.is_finite()));
            assert!(log.len() >= 10);
            assert_eq!(log.time_s().first(), Some(&0.0));
            for name in log.load_names() {
                assert!(
                    log.load(name)
                        .expect("a load")
                        .iter()
                        .all(|d| d.is_nan() || (0.0..=1.0).contains(d))
                );
            }
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

#[test]
fn random_bytes_and_random_cells() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("x.csv");
    let mut random = ChaCha8Rng::seed_from_u64(20_240_506);
    let rate = ReadOptions { sample_rate_hz: Some(10.0), ..Default::default() };
    let plain = ReadOptions::default();
    let cells = [
        "13.8",
        "14,2",
        "12.6",
        "",
        "-",
        "NaN",
        "on",
        "off",
        "00:00:01",
        "2024-05-06T07:08:09Z",
        "1e308",
        "-1e308",
        "1e-320",
        "99999999999999999999",
        "24:61:61",
        "31.02.2024",
        "\"",
        "\"a\"\"b\"",
        "µ",
        "日本",
        "5 V",
        "1.234.567,8",
        "=1+1",
        "1_000",
        "0x10",
        "+",
        "--1",
        "1714979289",
        "45418.25",
        "0",
        "1",
        "100",
        "12:00 PM",
        "13:00 PM",
        "\u{0}",
        "\u{feff}",
        "1:2:3:4:5",
        "9999-99-99",
    ];
    let names = [
        "time",
        "Time (ms)",
        "battery_v",
        "Voltage",
        "rpm",
        "fan",
        "",
        "\"x",
        "Battery current (A)",
        "Coolant (K)",
        "date",
        "note",
        "B+",
    ];
    for case in 0..3000 {
        let mut bytes: Vec<u8> = Vec::new();
        if case % 3 == 0 {
            let length = random.random_range(0..600);
            bytes.resize(length, 0);
            random.fill_bytes(&mut bytes);
        } else {
            let separator = [",", ";", "\t", "|", " ", "  "][random.random_range(0..6)];
            let end = ["\n", "\r\n", "\r"][random.random_range(0..3)];
            let width = random.random_range(1..6);
            let pick = |from: &[&str], random: &mut ChaCha8Rng| {
                let row: Vec<&str> =
                    (0..width).map(|_| from[random.random_range(0..from.len())]).collect();
                row.join(separator)
            };
            let mut text = pick(&names, &mut random) + end;
            let good = random.random_range(0..10) > 3;
            for i in 0..random.random_range(0..40) {
                if good && random.random_range(0..5) > 0 {
                    let mut row = vec![
                        format!("{}", f64::from(i) * 0.1),
                        format!("{}", 12.0 + f64::from(random.random_range(0..30)) / 10.0),
                    ];
                    row.extend(
                        (2..width).map(|_| cells[random.random_range(0..cells.len())].to_owned()),
                    );
                    text.push_str(&row.join(separator));
                } else {
                    text.push_str(&pick(&cells, &mut random));
                }
                text.push_str(end);
            }
            bytes.extend_from_slice(text.as_bytes());
            if case % 7 == 0 && !bytes.is_empty() {
                let at = random.random_range(0..bytes.len());
                bytes[at] = random.random();
            }
        }
        survives(&bytes, &path, if case % 2 == 0 { &plain } else { &rate });
    }
}

#[test]
fn good_logs_with_bytes_knocked_out() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("x.csv");
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let logs = [
        write("Time (s),Battery voltage (V),RPM,Fan,note", |r| {
            format!("{:.1},{:.2},{:.0},{},\"a\"", r.t, r.v, r.rpm, r.fan)
        }),
        write("Zeit;Spannung;Lüfter", |r| {
            format!("07:08:{:04.1};{:.2};ein", r.t, r.v).replace('.', ",")
        }),
        write("Date Time Battery", |r| format!("2024-05-06 07:08:{:04.1} {:.2}", r.t, r.v)),
    ];
    for case in 0..1500 {
        let mut bytes = logs[case % 3].clone().into_bytes();
        for _ in 0..random.random_range(1..12) {
            let at = random.random_range(0..bytes.len());
            match random.random_range(0..3) {
                0 => bytes[at] = random.random(),
                1 => {
                    bytes.remove(at);
                }
                _ => bytes.insert(at, b",;\t\"\n0:.-"[random.random_range(0..9)]),
            }
        }
        survives(&bytes, &path, &ReadOptions::default());
    }
}

#[test]
fn lines_and_cells_of_absurd_length() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("x.csv");
    let plain = ReadOptions::default();
    let log = write("time_s,battery_v,note", |r| format!("{:.1},{:.2},", r.t, r.v));
    survives("1".repeat(3 << 20).as_bytes(), &path, &plain);
    survives("1,".repeat(1 << 20).as_bytes(), &path, &plain);
    survives("\n".repeat(1 << 20).as_bytes(), &path, &plain);
    survives(format!("{log}6.0,13.8,{}\n", "x".repeat(3 << 20)).as_bytes(), &path, &plain);
    survives(format!("{log}\"{}", "6.0,13\n".repeat(1 << 16)).as_bytes(), &path, &plain);
}
