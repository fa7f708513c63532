//! The change between two windows of bus voltage, as a comparison tells it, against
//! scipy's Welch test with effective sample sizes (versions in data/change.json).
//! Written by scripts/change_reference.py.

use serde_json::Value;
use stiffbus::compare::change;
use stiffbus::diagnosis::{BusState, Heat, OperatingPoint, Scatter};
use stiffbus::estimate::{Estimate, Grade};
use stiffbus::stats::interval::Summary;

use crate::{agrees, json, number, numbers};

fn cases() -> Vec<Value> {
    let cases = json("data/change.json")["change"].as_array().expect("cases").clone();
    assert!(!cases.is_empty());
    cases
}

/// A window as an operating point knows it: by its own mean, scatter and memory.
fn point(side: &Value) -> OperatingPoint {
    let x = numbers(&side["x"]);
    let summary = Summary::of(&x);
    OperatingPoint {
        loads: Vec::new(),
        rpm_low: None,
        rpm_high: None,
        rpm: None,
        heat: Heat::Unknown,
        seconds: 0.1 * x.len() as f64,
        spans: Vec::new(),
        voltage_v: Estimate::around(summary.mean, 0.0, Grade::Measured, "mean"),
        scatter: Scatter {
            samples: x.len(),
            effective_samples: summary.effective_n,
            sigma_v: summary.sigma,
            shared_v: number(&side["shared_v"]),
        },
        under_setpoint_v: None,
        state: BusState::Holding,
        regulated_probability: None,
        short_probability: None,
        state_confidence: 1.0,
        state_how: String::new(),
        implied_deficit_a: None,
        regulation_shortfall_a: None,
        battery_gives_a: None,
        deficit_routes_a: Vec::new(),
        routes_disagree: None,
        deficit_told: String::new(),
    }
}

/// Mean, deviation and effective size by the same published definitions.
#[test]
fn windows_are_worth_what_scipy_and_statsmodels_say() {
    for case in cases() {
        for key in ["before", "after"] {
            let (side, found) = (&case[key], point(&case[key]));
            let what = format!("{} {key}", case["name"]);
            agrees(&what, found.voltage_v.value, number(&side["mean_v"]), 12.0);
            agrees(&what, found.scatter.sigma_v, number(&side["sigma_v"]), 9.0);
            let size = number(&side["effective_samples"]);
            agrees(&what, found.scatter.effective_samples, size, 9.0);
        }
    }
}

/// scipy.stats.ttest_ind_from_stats(equal_var=False) and scipy.stats.t.interval.
#[test]
fn changes_are_scipys() {
    for case in cases() {
        let name = case["name"].as_str().expect("a name");
        let (change_v, test) = change(&point(&case["before"]), &point(&case["after"]));
        let width = number(&case["high"]) - number(&case["low"]);
        for (field, value) in
            [("difference", change_v.value), ("low", change_v.low), ("high", change_v.high)]
        {
            let off = (value - number(&case[field])).abs() / width;
            assert!(off < 1e-8, "{name} {field}: {value}, off by {off} of the width");
        }
        agrees(&format!("{name} dof"), test.degrees_of_freedom, number(&case["dof"]), 8.0);
        let off = (test.p - number(&case["p"])).abs();
        assert!(off < 1e-9, "{name} p: {}, off by {off}", test.p);
    }
}
