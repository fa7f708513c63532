//! A small invented log, and ways to write it down and read it back.

use std::path::{Path, PathBuf};

use stiffbus::ingest::{self, IngestError, ReadOptions};
use stiffbus::log::Log;
use tempfile::TempDir;

/// One sample of the invented log.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    pub i: usize,
    pub t: f64,
    pub v: f64,
    pub rpm: f64,
    pub fan: u8,
    pub coolant_c: f64,
}

/// Rest, cranking, running with a fan on for a while, at ten samples a second.
pub fn rows(count: usize) -> Vec<Row> {
    (0..count)
        .map(|i| {
            let running = i >= 12;
            let fan = u8::from((30..45).contains(&(i % 60)));
            let v = match i {
                0..10 => 12.6 + 0.01 * (i % 2) as f64,
                10 | 11 => 9.8,
                _ => 14.25 + 0.01 * (i % 3) as f64 - 0.35 * f64::from(fan),
            };
            let rpm = if running { 850.0 + 5.0 * (i % 7) as f64 } else { 0.0 };
            Row { i, t: i as f64 / 10.0, v, rpm, fan, coolant_c: 80.0 + (i / 10) as f64 }
        })
        .collect()
}

/// `header`, then one line a row.
pub fn write(header: &str, line: impl Fn(&Row) -> String) -> String {
    let mut text = format!("{header}\n");
    for row in rows(60) {
        text.push_str(&line(&row));
        text.push('\n');
    }
    text
}

pub fn file(bytes: impl AsRef<[u8]>) -> (TempDir, PathBuf) {
    named("log.csv", bytes)
}

pub fn named(name: &str, bytes: impl AsRef<[u8]>) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).expect("the test's own file");
    (folder, path)
}

pub fn try_read(bytes: impl AsRef<[u8]>, options: &ReadOptions) -> Result<Log, IngestError> {
    let (_folder, path) = file(bytes);
    ingest::read(&path, options)
}

#[track_caller]
pub fn read(bytes: impl AsRef<[u8]>) -> Log {
    read_with(bytes, &ReadOptions::default())
}

#[track_caller]
pub fn read_with(bytes: impl AsRef<[u8]>, options: &ReadOptions) -> Log {
    match try_read(bytes, options) {
        Ok(log) => log,
        Err(error) => panic!("{error}"),
    }
}

#[track_caller]
pub fn error(bytes: impl AsRef<[u8]>) -> String {
    match try_read(bytes, &ReadOptions::default()) {
        Ok(log) => panic!("read as {:#?}", log.columns),
        Err(error) => error.to_string(),
    }
}

#[track_caller]
pub fn close(found: &[f64], expected: &[f64], tolerance: f64) {
    assert_eq!(found.len(), expected.len(), "length");
    for (i, (a, b)) in found.iter().zip(expected).enumerate() {
        assert!((a - b).abs() <= tolerance, "sample {i}: {a} instead of {b}");
    }
}

/// Time and bus voltage are those of [`rows`].
#[track_caller]
pub fn is_the_log(log: &Log) {
    is_the_log_within(log, 1e-6, 1e-9);
}

#[track_caller]
pub fn is_the_log_within(log: &Log, time_s: f64, volts: f64) {
    let rows = rows(60);
    close(log.time_s(), &rows.iter().map(|r| r.t).collect::<Vec<_>>(), time_s);
    close(log.bus_v(), &rows.iter().map(|r| r.v).collect::<Vec<_>>(), volts);
}

#[track_caller]
pub fn has_rpm(log: &Log) {
    let expected: Vec<f64> = rows(60).iter().map(|r| r.rpm).collect();
    close(log.engine_rpm().expect("an engine speed"), &expected, 1e-6);
}

#[track_caller]
pub fn has_fan(log: &Log, name: &str) {
    let expected: Vec<f64> = rows(60).iter().map(|r| f64::from(r.fan)).collect();
    close(
        log.load(name).unwrap_or_else(|| panic!("no load {name} in {:?}", log.load_names())),
        &expected,
        1e-9,
    );
}

/// Role word of the column called `name`.
#[track_caller]
pub fn role(log: &Log, name: &str) -> String {
    let column = log.columns.iter().find(|c| c.name == name);
    let column = column.unwrap_or_else(|| panic!("no column {name} in {:#?}", log.columns));
    match &column.tap {
        Some(tap) => format!("{}.{tap}", column.role),
        None => column.role.clone(),
    }
}

#[track_caller]
pub fn why(log: &Log, name: &str) -> String {
    log.columns.iter().find(|c| c.name == name).expect("the column").why.clone()
}

#[track_caller]
pub fn skipped(log: &Log, reason: &str) -> (usize, usize) {
    let found = log.source.rows_skipped.iter().find(|s| s.reason == reason);
    let found =
        found.unwrap_or_else(|| panic!("no \"{reason}\" in {:#?}", log.source.rows_skipped));
    (found.count, found.first_line)
}

#[track_caller]
pub fn notice(log: &Log, part: &str) {
    assert!(
        log.source.notices.iter().any(|n| n.contains(part)),
        "no \"{part}\" in {:#?}",
        log.source.notices
    );
}

#[track_caller]
pub fn says(text: &str, parts: &[&str]) {
    for part in parts {
        assert!(text.contains(part), "no \"{part}\" in: {text}");
    }
}

pub fn name_of(path: &Path) -> String {
    path.file_name().expect("a file").to_string_lossy().into_owned()
}
