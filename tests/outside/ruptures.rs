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

/// ruptures' l1 cost needs two samples a segment. On rounded volts two
/// segmentations can cost exactly the same, and either is right.
#[test]
fn absolute_error_gives_the_same_breakpoints() {
    let mut equal = 0;
    for s in signals() {
        let known = s.ends("breakpoints_l1_at_ten_penalties");
        let found = pelt(&L1::new(&s.x), 10.0 * s.penalty, s.min_size.max(2), 1);
        equal += usize::from(found == known);
        let (ours, theirs) = (deviations(&s.x, &found), deviations(&s.x, &known));
        assert_eq!(found.len(), known.len(), "{}", s.name);
        assert!((ours - theirs).abs() < 1e-9, "{}: {ours}, theirs {theirs}", s.name);
    }
    assert!(equal >= 7, "{equal} of 8 without a tie");
}

/// Absolute deviations from the segments' medians, straight from the definition.
fn deviations(x: &[f64], ends: &[usize]) -> f64 {
    let starts = std::iter::once(0).chain(ends.iter().copied());
    starts
        .zip(ends)
        .map(|(start, &end)| {
            let mut segment = x[start..end].to_vec();
            segment.sort_by(f64::total_cmp);
            let median = segment[segment.len() / 2];
            segment.iter().map(|v| (v - median).abs()).sum::<f64>()
        })
        .sum()
}
