//! Bytes of any kind as a log, and where they are one, the whole way to its report.
//! The first byte chooses how they are read.

#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use stiffbus::car::Car;
use stiffbus::ingest::{self, ReadOptions, Sheet, Stated};
use stiffbus::{diagnose, report};

fuzz_target!(|bytes: &[u8]| {
    let Some((choice, bytes)) = bytes.split_first() else { return };
    let path = Path::new("x.csv");
    let mut options = ReadOptions::default();
    if choice & 1 == 1 {
        options.sample_rate_hz = Some(10.0);
    }
    if choice & 2 == 2 {
        let _ = Sheet::parse(path, bytes.to_vec(), Stated::default());
    }
    match ingest::parse(path, bytes.to_vec(), &options) {
        Ok(log) => {
            assert!(log.len() >= 10 && log.time_s().windows(2).all(|pair| pair[1] > pair[0]));
            assert!(log.bus_v().iter().all(|v| v.is_finite()));
            // The way to the report costs a hundred times the reading.
            if choice & 0x1c == 0x1c
                && let Ok(diagnosis) = diagnose(&log, &Car::default())
            {
                assert!(!report::html(&diagnosis).is_empty());
            }
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
});
