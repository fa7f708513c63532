//! How long the pieces of a diagnosis take, by rows: reading, change points, all of it,
//! pictures. `cargo bench --bench pieces`; BENCH_ROWS is the largest log (10000000 takes
//! minutes), else a hundred thousand rows.

mod logs;

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use divan::Bencher;
use divan::counter::ItemsCount;
use logs::{Grows, log};
use stiffbus::block_average::block_average;
use stiffbus::car::Car;
use stiffbus::log::Log;
use stiffbus::stats::changepoint::{Trend, pelt};
use stiffbus::{diagnose, ingest, report, segment};
use tempfile::TempDir;

static FOLDER: LazyLock<TempDir> = LazyLock::new(|| tempfile::tempdir().expect("a folder"));

fn main() {
    divan::main();
}

fn sizes() -> Vec<usize> {
    let most = std::env::var("BENCH_ROWS").ok().and_then(|rows| rows.parse().ok());
    [10_000, 100_000, 1_000_000, 10_000_000]
        .into_iter()
        .filter(|rows| *rows <= most.unwrap_or(100_000))
        .collect()
}

fn path(rows: usize) -> PathBuf {
    log(FOLDER.path(), Grows::Faster, rows)
}

fn read(path: &Path) -> Log {
    ingest::read(path, &Default::default()).expect("a log")
}

#[divan::bench(args = sizes(), sample_count = 5, sample_size = 1)]
fn read_log(bencher: Bencher, rows: usize) {
    let path = path(rows);
    bencher.counter(ItemsCount::new(rows)).bench(|| read(&path));
}

#[divan::bench(args = sizes(), sample_count = 5, sample_size = 1)]
fn segment_log(bencher: Bencher, rows: usize) {
    let log = read(&path(rows));
    bencher.counter(ItemsCount::new(rows)).bench(|| segment::segment(&block_average(&log)));
}

/// Straight pieces, as undeclared steps are searched: 1200 blocks at a time.
#[divan::bench(args = sizes(), sample_count = 5, sample_size = 1)]
fn breaks_of_slope(bencher: Bencher, rows: usize) {
    let log = read(&path(rows));
    bencher.counter(ItemsCount::new(rows)).bench(|| {
        let chapters = log.bus_v().chunks(1200);
        chapters.map(|chapter| pelt(&Trend::new(chapter), 0.01, 3, 1).len()).sum::<usize>()
    });
}

#[divan::bench(args = sizes(), sample_count = 3, sample_size = 1)]
fn whole_diagnosis(bencher: Bencher, rows: usize) {
    let path = path(rows);
    bencher
        .counter(ItemsCount::new(rows))
        .bench(|| diagnose(&read(&path), &Car::default()).expect("a diagnosis"));
}

/// The same of a log that is long and not fast.
#[divan::bench(args = sizes(), sample_count = 3, sample_size = 1)]
fn whole_diagnosis_of_days(bencher: Bencher, rows: usize) {
    let path = log(FOLDER.path(), Grows::Longer, rows);
    bencher
        .counter(ItemsCount::new(rows))
        .bench(|| diagnose(&read(&path), &Car::default()).expect("a diagnosis"));
}

#[divan::bench(args = sizes(), sample_count = 3, sample_size = 1)]
fn pages_and_pictures(bencher: Bencher, rows: usize) {
    let diagnosis = diagnose(&read(&path(rows)), &Car::default()).expect("a diagnosis");
    let out = tempfile::tempdir().expect("a folder");
    bencher.counter(ItemsCount::new(rows)).bench(|| {
        let dir = out.path().join("report");
        report::write_folder(&diagnosis, &dir, report::Overwrite::Force).expect("a report");
    });
}
