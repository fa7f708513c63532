//! ruptures (PyPI; version in data/ruptures.json): PELT with the same cost,
//! penalty and least size finds the same breakpoints. Written by
//! scripts/ruptures_reference.py.

use stiffbus::stats::changepoint::{Trend, TrendWith, pelt};

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
    assert_eq!(signals.len(), 9);
    signals
}

fn same_ends(key: &str, jump: usize) {
    for s in signals() {
        let known = s.ends(key);
        assert_eq!(pelt(&Trend::new(&s.x), s.penalty, s.min_size, jump), known, "{}", s.name);
        // With nothing to follow, the cost that undeclared steps are searched with is the same.
        let alone = TrendWith::new(&s.x, &[], 0.0, 0.0);
        assert_eq!(pelt(&alone, s.penalty, s.min_size, jump), known, "{}", s.name);
    }
}

#[test]
fn straight_pieces_have_the_same_ends() {
    same_ends("breakpoints", 1);
}

#[test]
fn a_coarser_grid_has_the_same_ends() {
    same_ends("breakpoints_jump_5", 5);
}

/// The textbook change: the level drops after 1898.
#[test]
fn the_nile_drops_after_1898() {
    let nile = signals().pop().expect("the last signal");
    let ends = pelt(&Trend::new(&nile.x), nile.penalty, nile.min_size, 1);
    assert_eq!((nile.name.as_str(), &ends[..]), ("Nile", &[28, 100][..]));
}
