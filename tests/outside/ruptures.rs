//! ruptures (PyPI; version in data/ruptures.json): PELT with the same cost,
//! penalty and least size finds the same breakpoints. Written by
//! scripts/ruptures_reference.py.

use stiffbus::stats::changepoint::{L1, L2, functional_pruning, pelt};

use crate::{json, number, numbers};

struct Signal {
    name: String,
    x: Vec<f64>,
    penalty: f64,
    min_size: usize,
    reference: serde_json::Value,
}

impl Signal {
    fn ends(&self, key: &str) -> Vec<usize> {
        numbers(&self.reference[key]).iter().map(|b| *b as usize).collect()
    }
}

fn signals() -> Vec<Signal> {
    let file = json("data/ruptures.json");
    let signals: Vec<Signal> = file["signals"]
        .as_array()
        .expect("signals")
        .iter()
        .map(|s| Signal {
            name: s["name"].as_str().expect("a name").to_owned(),
            x: numbers(&s["values"]),
            penalty: number(&s["penalty"]),
            min_size: number(&s["min_size"]) as usize,
            reference: s.clone(),
        })
        .collect();
    assert_eq!(signals.len(), 8);
    signals
}

#[test]
fn squared_error_gives_the_same_breakpoints() {
    for s in signals() {
        let known = s.ends("breakpoints");
        assert_eq!(pelt(&L2::new(&s.x), s.penalty, s.min_size, 1), known, "{}", s.name);
        assert_eq!(functional_pruning(&s.x, s.penalty, s.min_size, 1), known, "{}", s.name);
    }
}

#[test]
fn a_coarser_grid_gives_the_same_breakpoints() {
    for s in signals() {
        let known = s.ends("breakpoints_jump_5");
        assert_eq!(pelt(&L2::new(&s.x), s.penalty, s.min_size, 5), known, "{}", s.name);
        assert_eq!(functional_pruning(&s.x, s.penalty, s.min_size, 5), known, "{}", s.name);
    }
}

/// ruptures' l1 cost needs two samples a segment.
#[test]
fn absolute_error_gives_the_same_breakpoints() {
    for s in signals() {
        let known = s.ends("breakpoints_l1_at_ten_penalties");
        let found = pelt(&L1::new(&s.x), 10.0 * s.penalty, s.min_size.max(2), 1);
        assert_eq!(found, known, "{}", s.name);
    }
}
