//! The change between two windows of bus voltage, as a comparison tells it, against
//! scipy's Welch test with effective sample sizes (versions in data/change.json).
//! Written by scripts/change_reference.py.

use serde_json::Value;
use stiffbus::compare::change;
use stiffbus::diagnosis::{BusState, Heat, OperatingPoint, Scatter};
use stiffbus::estimate::{Estimate, Grade};

use crate::{agrees, json, number, numbers};

fn cases() -> Vec<Value> {
    let cases = json("data/change.json")["change"].as_array().expect("cases").clone();
    assert!(!cases.is_empty());
    cases
}

/// A window as an operating point stores it: mean, scatter and effective sample size.
fn point(side: &Value) -> OperatingPoint {
    let x = numbers(&side["x"]);
    OperatingPoint {
        loads: Vec::new(),
        rpm_low: None,
        rpm_high: None,
        rpm: None,
        heat: Heat::Unknown,
        seconds: 0.1 * x.len() as f64,
        spans: Vec::new(),
        voltage_v: Estimate::around(number(&side["mean_v"]), 0.0, Grade::Measured, "mean"),
        scatter: Scatter {
            samples: x.len(),
            effective_samples: number(&side["effective_samples"]),
            sigma_v: number(&side["sigma_v"]),
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
