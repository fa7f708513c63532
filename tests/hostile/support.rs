//! How many cases, and what every log that was read has to be.

use std::path::Path;

use proptest::test_runner::{Config, FileFailurePersistence, RngSeed};
use stiffbus::ingest::{self, IngestError, ReadOptions};
use stiffbus::log::Log;

/// `daily` cases of a property, the same ones every time, so that a change is judged by what
/// it changed. Where a number is asked for, other ones: that many of those that cost
/// microseconds, and of a heavier property `one_in` of them, so that a long run is minutes
/// of each. (proptest's own variable would put its number over every share.)
pub fn cases(daily: u32, one_in: u32) -> Config {
    let asked = std::env::var("HOSTILE_CASES").ok().and_then(|text| text.parse::<u32>().ok());
    let persistence = FileFailurePersistence::Direct("tests/hostile/found.txt");
    Config {
        cases: asked.map_or(daily, |cases| (cases / one_in).max(8)),
        failure_persistence: Some(Box::new(persistence)),
        max_global_rejects: 1 << 20,
        rng_seed: if asked.is_some() { RngSeed::Random } else { RngSeed::Fixed(14) },
        ..Config::default()
    }
}

/// What reading comes to. An error must say something, in words that a terminal shows.
pub fn read(bytes: &[u8], options: &ReadOptions) -> Option<Log> {
    let read = ingest::parse(Path::new("x.csv"), bytes.to_vec(), options);
    match read {
        Ok(log) => {
            is_sound(&log);
            Some(log)
        }
        Err(error) => {
            is_clear(&error);
            None
        }
    }
}

pub fn is_clear(error: &IngestError) {
    let text = error.to_string();
    assert!(text.contains(".csv") && text.len() > 20, "{text}");
    let unfit = text.chars().find(|&c| c != '\n' && stiffbus::format::is_unprintable(c));
    assert_eq!(unfit, None, "{text:?}");
    // A column's name may be as long as the file; an error is there to be read.
    assert!(text.len() < 20_000, "{} bytes", text.len());
}

/// What every later stage relies on.
pub fn is_sound(log: &Log) {
    assert!(log.len() >= 10);
    assert_eq!(log.time_s().first(), Some(&0.0));
    assert!(log.time_s().windows(2).all(|pair| pair[1] > pair[0]), "time rises");
    assert!(log.time_s().iter().all(|t| (0.0..31.5 * 86_400.0).contains(t)));
    assert!(log.bus_v().iter().all(|v| v.abs() <= 100.0));
    for (name, values) in log.channels() {
        assert_eq!(values.len(), log.len(), "{name}");
        assert!(values.iter().all(|v| v.is_nan() || v.abs() <= 1e9), "{name}");
    }
    for name in log.load_names() {
        let duty = log.load(name).expect("a load");
        assert!(duty.iter().all(|d| d.is_nan() || (0.0..=1.0).contains(d)), "{name}");
    }
    let rows = log.source.rows_read;
    assert_eq!(rows, log.len());
    assert!(log.source.sample_interval_s.is_finite() && log.source.jitter_s.is_finite());
}

/// A short recording: rest, a start, idle with a fan on for a while.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    pub t: f64,
    pub v: f64,
    pub rpm: f64,
    pub fan: bool,
}

pub fn rows(count: usize) -> Vec<Row> {
    (0..count)
        .map(|i| {
            let t = i as f64 / 10.0;
            let share = i as f64 / count as f64;
            let fan = (0.4..0.7).contains(&share);
            let noise_model = 0.01 * (i % 3) as f64;
            let (v, rpm) = match share {
                s if s < 0.15 => (12.60 + noise_model, 0.0),
                s if s < 0.18 => (10.20 + noise_model, 180.0),
                _ if fan => (13.70 + noise_model, 850.0),
                _ => (14.20 + noise_model, 850.0 + (i % 5) as f64),
            };
            Row { t, v, rpm, fan }
        })
        .collect()
}

/// As a plain CSV.
pub fn plain(count: usize) -> String {
    let mut text = "time (s),battery voltage (V),engine rpm,fan\n".to_owned();
    for Row { t, v, rpm, fan } in rows(count) {
        text.push_str(&format!("{t:.1},{v:.2},{rpm:.0},{}\n", u8::from(fan)));
    }
    text
}

/// The binary, in a folder of its own.
pub fn binary() -> std::process::Command {
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_stiffbus"));
    command.env_remove("NO_COLOR").env_remove("CLICOLOR_FORCE").env_remove("COLUMNS");
    command
}

pub fn sample_logs() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs")
}
