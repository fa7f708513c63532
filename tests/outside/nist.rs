//! NIST StRD, Statistical Reference Datasets (National Institute of Standards and
//! Technology, public domain): data, certified values and starting points are read
//! from NIST's own files in nist/.

use stiffbus::stats::autocorrelation::lag1;
use stiffbus::stats::fit::exponential::{fit_rise, fit_two_decays};
use stiffbus::stats::fit::least_squares::Fit;
use stiffbus::stats::moments::{mean, standard_deviation};

use crate::{agrees, read};

/// A nonlinear-regression file: two starts, certified parameters with their sds, RSS, data.
struct Regression {
    starts: [Vec<f64>; 2],
    parameters: Vec<f64>,
    deviations: Vec<f64>,
    rss: f64,
    sigma: f64,
    x: Vec<f64>,
    y: Vec<f64>,
}

fn numbers_in(line: &str) -> Vec<f64> {
    line.split_whitespace().filter_map(|w| w.parse().ok()).collect()
}

fn regression(file: &str) -> Regression {
    let text = read(&format!("nist/{file}"));
    let mut r = Regression {
        starts: [Vec::new(), Vec::new()],
        parameters: Vec::new(),
        deviations: Vec::new(),
        rss: f64::NAN,
        sigma: f64::NAN,
        x: Vec::new(),
        y: Vec::new(),
    };
    let mut in_data = false;
    for line in text.lines() {
        let found = numbers_in(line);
        if line.starts_with("Data:") {
            in_data = line.split_whitespace().nth(1) == Some("y");
        } else if in_data && found.len() == 2 {
            r.y.push(found[0]);
            r.x.push(found[1]);
        } else if line.trim_start().starts_with('b') && line.contains('=') && found.len() == 4 {
            r.starts[0].push(found[0]);
            r.starts[1].push(found[1]);
            r.parameters.push(found[2]);
            r.deviations.push(found[3]);
        } else if line.starts_with("Residual Sum of Squares") {
            r.rss = found[0];
        } else if line.starts_with("Residual Standard Deviation") {
            r.sigma = found[0];
        }
    }
    r
}

fn compare(file: &str, start: &str, fit: &Fit, known: &Regression) {
    for i in 0..known.parameters.len() {
        let name = format!("{file}, {start}, b{}", i + 1);
        agrees(&name, fit.parameters[i], known.parameters[i], 6.0);
        agrees(&format!("{name} sd"), fit.errors[i], known.deviations[i], 4.0);
    }
    agrees(&format!("{file}, {start}, RSS"), fit.rss, known.rss, 6.0);
    agrees(&format!("{file}, {start}, residual sd"), fit.sigma, known.sigma, 6.0);
}

#[test]
fn one_exponential_rise_is_certified() {
    for file in ["BoxBOD.dat", "Misra1a.dat"] {
        let known = regression(file);
        assert_eq!(known.parameters.len(), 2);
        for (i, start) in known.starts.iter().enumerate() {
            let fit = fit_rise(&known.x, &known.y, Some([start[0], start[1]]))
                .unwrap_or_else(|e| panic!("{file}, start {}: {e}", i + 1));
            compare(file, &format!("start {}", i + 1), &fit, &known);
        }
        let fit = fit_rise(&known.x, &known.y, None).expect("a fit from our own start");
        compare(file, "own start", &fit, &known);
    }
}

#[test]
fn offset_and_two_exponentials_are_certified() {
    let known = regression("MGH17.dat");
    assert_eq!((known.parameters.len(), known.x.len()), (5, 33));
    for (i, s) in known.starts.iter().enumerate() {
        let fit = fit_two_decays(&known.x, &known.y, Some([s[0], s[1], s[2], s[3], s[4]]))
            .unwrap_or_else(|e| panic!("MGH17, start {}: {e}", i + 1));
        compare("MGH17.dat", &format!("start {}", i + 1), &fit, &known);
    }
    // Without a start the two decays come with the slower rate first, as certified.
    let fit = fit_two_decays(&known.x, &known.y, None).expect("a fit from our own start");
    compare("MGH17.dat", "own start", &fit, &known);
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
