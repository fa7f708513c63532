//! Checks against published values and independent libraries; each names its source.

mod change;
mod common_practice;
mod long_run;
mod more_speed;
mod ngspice;
mod nist;
mod pybamm;
mod ruptures;
mod scipy;
mod starting_profiles;
mod synthetic;

use std::path::Path;

/// A committed reference file, by its path under tests/outside.
fn read(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn json(name: &str) -> serde_json::Value {
    serde_json::from_str(&read(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

fn numbers(value: &serde_json::Value) -> Vec<f64> {
    value.as_array().expect("an array").iter().map(number).collect()
}

fn number(value: &serde_json::Value) -> f64 {
    value.as_f64().expect("a number")
}

/// Digits that agree: −log₁₀ of the relative error, NIST's measure (LRE).
fn digits(found: f64, certified: f64) -> f64 {
    let error = if certified == 0.0 { found.abs() } else { (found / certified - 1.0).abs() };
    if error == 0.0 { 17.0 } else { -error.log10() }
}

#[track_caller]
fn agrees(what: &str, found: f64, certified: f64, least_digits: f64) {
    let agreed = digits(found, certified);
    assert!(agreed >= least_digits, "{what}: {found}, certified {certified}: {agreed:.1} digits");
}
