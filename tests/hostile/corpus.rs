//! Every input that once broke the reading, and what the search for them starts from:
//! the files under tests/fuzz.

use std::path::{Path, PathBuf};

use stiffbus::car::Car;
use stiffbus::ingest::ReadOptions;

use crate::support::read;

fn files(folder: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz").join(folder);
    let Ok(entries) = std::fs::read_dir(&folder) else { return Vec::new() };
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.expect("an entry").path()).collect();
    files.sort();
    files
}

#[test]
fn what_was_found_stays_mended() {
    let all: Vec<PathBuf> = files("seeds").into_iter().chain(files("found")).collect();
    assert!(all.len() >= 10, "{} files", all.len());
    for path in all {
        let bytes = std::fs::read(&path).expect("a file of the corpus");
        println!("{}", path.display());
        // As the fuzz target takes it: the first byte chooses the options.
        let (choice, rest) = bytes.split_first().map_or((0, &[][..]), |(c, rest)| (*c, rest));
        let rate = ReadOptions { sample_rate_hz: Some(10.0), ..Default::default() };
        let options = if choice & 1 == 1 { rate } else { ReadOptions::default() };
        for bytes in [&bytes[..], rest] {
            if let Some(log) = read(bytes, &options)
                && let Ok(diagnosis) = stiffbus::diagnose(&log, &Car::default())
            {
                let _ = stiffbus::report::html(&diagnosis);
            }
        }
    }
}
