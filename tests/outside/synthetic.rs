//! Small synthetic logs, read and diagnosed as a file from a logger would be.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use stiffbus::car::Car;
use stiffbus::diagnose;
use stiffbus::diagnosis::Diagnosis;
use stiffbus::ingest::{self, ReadOptions};

/// Normal noise of `sigma_v`, the same each time.
pub fn noise(seed: u64, sigma_v: f64) -> impl FnMut() -> f64 {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let normal = Normal::new(0.0, sigma_v).expect("a finite width");
    move || normal.sample(&mut rng)
}

/// What the tool makes of a log of these columns; the header names them.
#[track_caller]
pub fn diagnosis(header: &str, rows: impl Iterator<Item = Vec<f64>>) -> Diagnosis {
    let mut text = format!("{header}\n");
    for row in rows {
        let cells: Vec<String> = row.iter().map(|value| format!("{value:.4}")).collect();
        text.push_str(&cells.join(","));
        text.push('\n');
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("log.csv");
    std::fs::write(&path, text).expect("the test's own file");
    let log = ingest::read(&path, &ReadOptions::default()).unwrap_or_else(|e| panic!("{e}"));
    diagnose(&log, &Car::default()).unwrap_or_else(|e| panic!("{e}"))
}

pub fn raises(diagnosis: &Diagnosis, id: &str) -> bool {
    diagnosis.findings.iter().any(|finding| finding.id == id)
}
