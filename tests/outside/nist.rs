//! NIST StRD, Statistical Reference Datasets (National Institute of Standards and
//! Technology, public domain): data and certified values.

use stiffbus::stats::autocorrelation::lag1;
use stiffbus::stats::fit::linear::ordinary;
use stiffbus::stats::moments::{mean, standard_deviation};

use crate::{agrees, read};

fn numbers_in(line: &str) -> Vec<f64> {
    line.split_whitespace().filter_map(|w| w.parse().ok()).collect()
}

/// Norris (linear regression, 36 observations of an ozone monitor's calibration; data and
/// certified values from memory).
#[test]
fn a_line_is_certified() {
    #[rustfmt::skip]
    let points = [
        (0.2, 0.1), (337.4, 338.8), (118.2, 118.1), (884.6, 888.0), (10.1, 9.2), (226.5, 228.1),
        (666.3, 668.5), (996.3, 998.5), (448.6, 449.1), (777.0, 778.9), (558.2, 559.2), (0.4, 0.3),
        (0.6, 0.1), (775.5, 778.1), (666.9, 668.8), (338.0, 339.3), (447.5, 448.9), (11.6, 10.8),
        (556.0, 557.7), (228.1, 228.3), (995.8, 998.0), (887.6, 888.8), (120.2, 119.6), (0.3, 0.3),
        (0.3, 0.6), (556.8, 557.6), (339.1, 339.3), (887.2, 888.0), (999.0, 998.5), (779.0, 778.9),
        (11.1, 10.2), (118.3, 117.6), (229.2, 228.9), (669.1, 668.4), (448.9, 449.2), (0.5, 0.2),
    ];
    let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
    let fit = ordinary(&x, &y).expect("a line");
    agrees("intercept", fit.intercept, -0.262323073774029, 11.0);
    agrees("slope", fit.slope, 1.00211681802045, 12.0);
    agrees("intercept sd", fit.covariance[0][0].sqrt(), 0.232818234301152, 11.0);
    agrees("slope sd", fit.slope_error(), 0.429796848199937e-03, 11.0);
    agrees("residual sd", fit.sigma, 0.884796396144373, 11.0);
}

/// Certified mean, standard deviation and lag-1 autocorrelation of the univariate sets.
#[test]
fn univariate_summaries_are_certified() {
    for (file, n, certified_mean, certified_sd, certified_lag1) in [
        ("lew.txt", 200, -177.435, 277.332168044316, -0.307304800605679),
        ("mavro.txt", 50, 2.001856, 0.000429123454003053, 0.937989183438248),
        ("michaelso.txt", 100, 299.8524, 0.0790105478190518, 0.535199668621283),
    ] {
        let x = numbers_in(&read(&format!("nist/{file}")));
        assert_eq!(x.len(), n, "{file}");
        agrees(&format!("{file} mean"), mean(&x), certified_mean, 14.0);
        agrees(&format!("{file} sd"), standard_deviation(&x), certified_sd, 12.0);
        agrees(&format!("{file} lag 1"), lag1(&x), certified_lag1, 12.0);
    }
}
