//! statsmodels (PyPI; versions in data/long_run.json): level and trend removed under noise
//! with a memory, and how uncertain a long mean is. Written by scripts/long_run_reference.py.

use stiffbus::stats::long_run::{Piece, PooledNoise, SearchLimits, Shape};

use crate::{agrees, json, number, numbers};

/// statsmodels GLS with the dense covariance; determinants by numpy.
#[test]
fn residues_are_those_of_generalized_least_squares() {
    let data = json("data/long_run.json");
    for case in data["pieces"].as_array().expect("pieces") {
        let (readings, other) = (numbers(&case["readings"]), numbers(&case["other"]));
        let degree = number(&case["degree"]) as usize;
        let piece = Piece::new(&readings, degree, &[&other]);
        for fit in case["fits"].as_array().expect("fits") {
            let shape = Shape { slow_share: number(&fit["share"]), rho: number(&fit["rho"]) };
            let residue = piece.residue(shape).expect("a residue");
            assert_eq!(residue.dof, number(&fit["freedom"]));
            agrees("squares", residue.squares, number(&fit["squares"]), 7.0);
            let known = -0.5 * number(&fit["log_determinants"]);
            agrees("determinants", residue.log_determinants, known, 8.0);
        }
    }
}

/// statsmodels SARIMAX(1,0,1): a maximum-likelihood fit of the same noise to one long
/// series; here from eight pieces of it, each with a level and a trend of its own.
#[test]
fn the_long_run_is_that_of_a_fitted_arma() {
    let data = json("data/long_run.json");
    for case in data["series"].as_array().expect("series") {
        let readings = numbers(&case["readings"]);
        let pieces: Vec<Piece> =
            readings.chunks(250).map(|piece| Piece::new(piece, 1, &[])).collect();
        let search = SearchLimits { longest: 100.0, usual: 20.0, least_usual: 0.0 };
        let noise = PooledNoise::of(&pieces, &search).expect("noise");
        let long_run = noise.sigma * noise.shape.time().sqrt();
        // The logarithm of a long-run deviation of N readings varies by about τ/2N.
        let unsure = (noise.shape.time() / (2.0 * readings.len() as f64)).sqrt();
        for (what, found, known) in [
            ("sigma", noise.sigma, number(&case["sigma"])),
            ("long run", long_run, number(&case["long_run_sigma"])),
        ] {
            let off = (found / known).ln().abs();
            assert!(off < 2.0 * unsure, "{} {what}: {found}, {known}", case["name"]);
        }
    }
}
