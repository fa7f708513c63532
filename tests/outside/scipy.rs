//! scipy and statsmodels (PyPI; versions in data/scipy.json): intervals,
//! autocorrelation and fits. Written by scripts/scipy_reference.py.

use serde_json::Value;
use stiffbus::stats::autocorrelation::lag1;
use stiffbus::stats::fit::linear::{ordinary, theil_sen};
use stiffbus::stats::interval::{Summary, Welch, welch};
use stiffbus::stats::long_run::Shape;
use stiffbus::stats::quantization::{Scatter, mean_half_width};

use crate::{agrees, json, number, numbers};

fn cases(key: &str) -> Vec<Value> {
    let cases = json("data/scipy.json")[key].as_array().expect("cases").clone();
    assert!(!cases.is_empty(), "{key}");
    cases
}

fn name(case: &Value) -> &str {
    case["name"].as_str().expect("a name")
}

fn independent(x: &[f64]) -> Summary {
    use stiffbus::stats::moments::{mean, standard_deviation};
    Summary { mean: mean(x), sigma: standard_deviation(x), effective_n: x.len() as f64 }
}

fn same_welch(what: &str, found: Welch, case: &Value) {
    let scale = number(&case["high"]) - number(&case["low"]);
    for (field, value) in
        [("difference", found.difference), ("low", found.low), ("high", found.high)]
    {
        let off = (value - number(&case[field])).abs() / scale;
        assert!(off < 1e-8, "{what} {field}: {value}, off by {off} of the width");
    }
    agrees(&format!("{what} dof"), found.dof, number(&case["dof"]), 9.0);
    agrees(&format!("{what} p"), found.p, number(&case["p"]), 8.0);
}

/// scipy.stats.ttest_ind(equal_var=False) with its confidence_interval(0.90).
#[test]
fn welch_is_scipys_for_independent_samples() {
    for case in cases("welch") {
        let (a, b) = (numbers(&case["a"]), numbers(&case["b"]));
        let found = welch(independent(&a), independent(&b), number(&case["level"]));
        same_welch(name(&case), found, &case);
    }
}

/// statsmodels.tsa.stattools.acf.
#[test]
fn autocorrelation_is_statsmodels() {
    for case in cases("correlation") {
        let (found, known) = (lag1(&numbers(&case["x"])), number(&case["acf"][1]));
        assert!((found - known).abs() < 1e-12, "{}: {found}, {known}", name(&case));
    }
}

/// statsmodels OLS: estimates and covariance; scipy.stats.theilslopes.
#[test]
fn lines_are_statsmodels_and_scipys() {
    for case in cases("line") {
        let (x, y) = (numbers(&case["x"]), numbers(&case["y"]));
        let line = ordinary(&x, &y).expect("a line");
        agrees(name(&case), line.slope, number(&case["slope"]), 8.0);
        agrees(name(&case), line.intercept, number(&case["intercept"]), 8.0);
        agrees(name(&case), line.sigma, number(&case["sigma"]), 8.0);
        for i in 0..2 {
            for (j, known) in numbers(&case["covariance"][i]).into_iter().enumerate() {
                agrees(name(&case), line.covariance[i][j], known, 7.0);
            }
        }
        let (intercept, slope) = theil_sen(&x, &y).expect("a robust line");
        agrees(name(&case), slope, number(&case["theil_sen_slope"]), 10.0);
        agrees(name(&case), intercept, number(&case["theil_sen_intercept"]), 10.0);
    }
}

/// The 90 % point of |mean of rounded samples − level|, drawn 400 000 times by
/// numpy for a uniform level: within four standard errors of that draw and 1 %,
/// the latter for means of few samples, which are not yet normal.
#[test]
fn the_window_interval_is_what_numpy_draws() {
    for case in cases("rounded_means") {
        let (ratio, n) = (number(&case["ratio"]), number(&case["n"]));
        let known = number(&case["half_width"]);
        let scatter = Scatter { sigma: ratio, shape: Shape::WHITE, dof: f64::INFINITY };
        let found = mean_half_width(n as usize, &scatter, Some(1.0), 0.90);
        let allowed = 4.0 * number(&case["standard_error"]) + 0.01 * known;
        assert!((found - known).abs() < allowed, "σ/step {ratio}, n {n}: {found}, drawn {known}");
    }
}
