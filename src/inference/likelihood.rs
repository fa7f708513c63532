//! Kirchhoff's current law across the log: while the alternator is at its limit, the battery's
//! current is the alternator's output less what the loads draw,
//!
//! ```text
//! I(k) = A(speed) + drift·t − Σ duty(l, k)·a(l)
//! ```
//!
//! A and the a(l) are unknown, but constant through the log (where engine speed is not logged,
//! A may differ at each visit). Each parameter sample predicts the I(k); the better these
//! satisfy the law, the higher its likelihood. The priors of alternator and loads are
//! Gaussian, so the likelihood is that of a Gaussian process (C. E. Rasmussen, C. K. I.
//! Williams, Gaussian Processes for Machine Learning, 2006, equations 2.25, 2.26 and 2.30;
//! from memory), converted from amps to the logged volts by the battery's resistance. Which
//! parts of a log enter is decided in [`crate::analysis::current_balance`].

use statrs::distribution::{ContinuousCDF, Normal};

use crate::assumptions::Assumption;
use crate::stats::fit::cholesky::Cholesky;

/// Model error of a charging current, as a share of it: uneven acid and scarce sulfate are not
/// modeled (no source: chosen as [`levels::BATTERY_MODEL`](crate::levels::BATTERY_MODEL) is).
const CHARGING_SHARE: f64 = 0.1;
/// Output and loads vary by this much while nothing is switched: amps, and share of the
/// battery's current (common practice, no source).
const UNSTEADY_A: f64 = 0.3;
const UNSTEADY_SHARE: f64 = 0.02;

/// The model is misspecified, so the likelihood is tempered until this share of prior samples
/// stays effective (no source: each chosen on the random cars of `tests/measured/amps.rs`),
const EFFECTIVE_SHARE: f64 = 0.04;
/// where amps of a load or the starter are stated (also on the traces of
/// `tests/outside/pybamm.rs`),
const EFFECTIVE_SHARE_STATED: f64 = 0.02;
/// and where the alternator's current is logged.
const EFFECTIVE_SHARE_LOGGED: f64 = 0.003;

/// Gaussian prior of an unknown quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GaussianPrior {
    pub mean: f64,
    pub sd: f64,
}

impl From<Assumption> for GaussianPrior {
    fn from(row: Assumption) -> Self {
        GaussianPrior { mean: row.value, sd: row.sd() }
    }
}

/// An unknown quantity of the balance, and its coefficient in each entry.
#[derive(Debug, Clone)]
pub struct Term {
    pub coefficients: Vec<f64>,
    pub prior: GaussianPrior,
}

/// One window of the log that enters the balance.
#[derive(Debug, Clone, Copy)]
pub struct Entry {
    /// Index among the ensemble's windows.
    pub window: usize,
    pub volts: f64,
    /// Standard deviation of those volts, model error included.
    pub volts_error: f64,
}

/// A window over which the battery's current itself is known.
#[derive(Debug, Clone, Copy)]
pub struct Known {
    pub entry: Entry,
    /// Positive: charging.
    pub current_a: GaussianPrior,
}

/// What one parameter sample predicts for an entry.
#[derive(Debug, Clone, Copy)]
pub struct Prediction {
    pub current_a: f64,
    /// Resistance to a change of voltage within a second or two.
    pub ohm: f64,
}

#[derive(Debug, Clone, Default)]
pub struct CurrentBalance {
    /// At full output: the balance holds.
    full: Vec<Entry>,
    /// At the setpoint: the alternator could give more than it did.
    holding: Vec<Entry>,
    known: Vec<Known>,
    /// Prior mean and covariance of the currents of `full`, then `holding`, by alternator and
    /// loads alone.
    mean_a: Vec<f64>,
    covariance: Vec<f64>,
    /// Stated or logged amps that enter, in words.
    anchors: Vec<&'static str>,
    /// Whether the alternator's current is logged.
    output_logged: bool,
}

impl CurrentBalance {
    /// `terms` have one coefficient for each of `full`, then one for each of `holding`.
    pub fn new(full: Vec<Entry>, holding: Vec<Entry>, known: Vec<Known>, terms: &[Term]) -> Self {
        let all = full.len() + holding.len();
        let (mut mean_a, mut covariance) = (vec![0.0; all], vec![0.0; all * all]);
        for Term { coefficients, prior } in terms {
            for (i, own) in coefficients.iter().enumerate().filter(|(_, own)| **own != 0.0) {
                mean_a[i] += own * prior.mean;
                for (j, other) in coefficients.iter().enumerate() {
                    covariance[i * all + j] += own * other * prior.sd.powi(2);
                }
            }
        }
        CurrentBalance {
            full,
            holding,
            known,
            mean_a,
            covariance,
            anchors: Vec::new(),
            output_logged: false,
        }
    }

    /// With the stated or logged amps that enter, and whether the alternator's current is logged.
    pub fn anchored(self, anchors: Vec<&'static str>, output_logged: bool) -> Self {
        CurrentBalance { anchors, output_logged, ..self }
    }

    /// Share of prior samples that tempering keeps effective.
    pub fn least_effective_share(&self) -> f64 {
        if self.output_logged {
            EFFECTIVE_SHARE_LOGGED
        } else if self.is_anchored() {
            EFFECTIVE_SHARE_STATED
        } else {
            EFFECTIVE_SHARE
        }
    }

    /// Whether stated or logged amps enter.
    pub fn is_anchored(&self) -> bool {
        !self.anchors.is_empty()
    }

    /// "loads of stated amps and the logged alternator current"
    pub fn anchors(&self) -> String {
        self.anchors.join(" and ")
    }

    /// Deviance (−2 ln likelihood, up to a constant) of the logged voltages for the sample that
    /// makes these predictions; NaN where a prediction is not finite.
    pub fn deviance(&self, predict: impl Fn(&Entry) -> Prediction) -> f64 {
        let (all, n) = (self.mean_a.len(), self.full.len());
        let mut covariance = vec![0.0; n * n];
        let mut left_a = Vec::with_capacity(n);
        let mut deviance = 0.0;
        for (i, entry) in self.full.iter().enumerate() {
            let row = &self.covariance[i * all..i * all + n];
            covariance[i * n..(i + 1) * n].copy_from_slice(row);
            let battery = predict(entry);
            covariance[i * n + i] += battery.sd_a(entry).powi(2);
            left_a.push(battery.current_a - self.mean_a[i]);
            deviance += 2.0 * battery.ohm.ln();
        }
        for known in &self.known {
            let battery = predict(&known.entry);
            let sd_a = battery.sd_a(&known.entry).hypot(known.current_a.sd);
            let z = (battery.current_a - known.current_a.mean) / sd_a;
            deviance += z * z + 2.0 * sd_a.ln() + 2.0 * battery.ohm.ln();
        }
        if n == 0 {
            return deviance;
        }
        let Some(factor) = Cholesky::new(&covariance, n) else { return f64::NAN };
        let weighed = factor.solve(&left_a);
        deviance += dot(&weighed, &left_a) + factor.log_determinant();
        // Only the smallest reserve counts: the others are strongly correlated with it.
        let holding = (n..all).zip(&self.holding);
        let mut reserves: Vec<Reserve> =
            holding.map(|(h, entry)| self.reserve(h, entry, &predict(entry), &weighed)).collect();
        reserves.sort_by(|a, b| a.at_least().total_cmp(&b.at_least()));
        let mut least = f64::INFINITY;
        for reserve in &reserves {
            if reserve.at_least() >= least {
                break;
            }
            least = least.min(reserve.standardized(&factor));
        }
        deviance - 2.0 * ln_normal_below(least)
    }

    /// Of an entry at the setpoint.
    fn reserve(
        &self,
        h: usize,
        entry: &Entry,
        battery: &Prediction,
        weighed: &[f64],
    ) -> Reserve<'_> {
        let (all, n) = (self.mean_a.len(), self.full.len());
        let with_full = &self.covariance[h * all..h * all + n];
        let could_take_a = self.mean_a[h] + dot(with_full, weighed);
        Reserve {
            amps_a: could_take_a - battery.current_a,
            own_sd_a: battery.sd_a(entry),
            variance: self.covariance[h * all + h],
            with_full,
        }
    }
}

/// Alternator output beyond what was needed at the setpoint, A.
struct Reserve<'a> {
    amps_a: f64,
    /// Standard deviation of the battery's own current there.
    own_sd_a: f64,
    /// Prior variance, before conditioning on the entries at full output.
    variance: f64,
    with_full: &'a [f64],
}

impl Reserve<'_> {
    /// In standard deviations, given the entries at full output.
    fn standardized(&self, factor: &Cholesky) -> f64 {
        let explained = dot(self.with_full, &factor.solve(self.with_full));
        self.amps_a / (self.variance - explained).max(0.0).sqrt().hypot(self.own_sd_a)
    }

    /// A lower bound of [`Reserve::standardized`] that is cheap to compute: conditioning makes
    /// the standard deviation smaller.
    fn at_least(&self) -> f64 {
        if self.amps_a > 0.0 {
            self.amps_a / self.variance.max(0.0).sqrt().hypot(self.own_sd_a)
        } else {
            f64::NEG_INFINITY
        }
    }
}

impl Prediction {
    /// Standard deviation of the current: noise, model error and unsteady loads.
    fn sd_a(&self, entry: &Entry) -> f64 {
        let by_volts_a = entry.volts_error / self.ohm;
        let share = if self.current_a > 0.0 { CHARGING_SHARE } else { UNSTEADY_SHARE };
        by_volts_a.hypot(UNSTEADY_A).hypot(share * self.current_a)
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// ln Φ(z), by its asymptote where Φ itself would vanish.
fn ln_normal_below(z: f64) -> f64 {
    const FAR: f64 = -6.0;
    if z < FAR {
        return -0.5 * z * z - (-z).ln() - 0.5 * std::f64::consts::TAU.ln();
    }
    Normal::standard().cdf(z).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    const MODEL_V: f64 = 0.005;

    fn entry(window: usize) -> Entry {
        Entry { window, volts: 12.5, volts_error: MODEL_V }
    }

    fn term(coefficients: &[f64], mean: f64, sd: f64) -> Term {
        Term { coefficients: coefficients.to_vec(), prior: GaussianPrior { mean, sd } }
    }

    /// A load of 20 A that goes off between two windows at full output.
    fn one_load() -> CurrentBalance {
        let terms = [term(&[1.0, 1.0], 0.0, 50.0), term(&[-1.0, 0.0], 20.0, 1.0)];
        CurrentBalance::new(vec![entry(0), entry(1)], vec![], vec![], &terms)
    }

    #[test]
    fn a_current_change_equal_to_the_load_is_most_likely() {
        let of = |change_a: f64| {
            one_load().deviance(|e| Prediction {
                current_a: if e.window == 0 { -15.0 } else { -15.0 + change_a },
                ohm: 0.006,
            })
        };
        assert!(of(20.0) < of(15.0) && of(20.0) < of(25.0));
        assert!(of(15.0) < of(10.0));
    }

    /// By hand: two entries, one quantity of variance 4 in both, nothing else
    /// but 1 A² of their own each: det = 5·5 − 4·4 = 9, and for left-overs of
    /// −1 and −3 A the quadratic form is (1·5 − 2·3·4 + 9·5)/9 = 26/9.
    #[test]
    fn the_likelihood_is_the_normal_one() {
        let balance = CurrentBalance::new(
            vec![entry(0), entry(1)],
            vec![],
            vec![],
            &[term(&[1.0, 1.0], 0.0, 2.0)],
        );
        let ohm = 1.0;
        let deviance = balance.deviance(|e| {
            let current_a = if e.window == 0 { -1.0 } else { -3.0 };
            Prediction { current_a, ohm }
        });
        let own =
            |amps_a: f64| MODEL_V.powi(2) + UNSTEADY_A.powi(2) + (UNSTEADY_SHARE * amps_a).powi(2);
        let (a, b, c) = (4.0 + own(1.0), 4.0, 4.0 + own(3.0));
        let determinant = a * c - b * b;
        let expected = (1.0 * c - 2.0 * 3.0 * b + 9.0 * a) / determinant + determinant.ln();
        assert!((deviance - expected).abs() < 1e-9, "{deviance} {expected}");
    }

    /// Model error is larger while charging.
    #[test]
    fn a_charging_current_is_weaker_evidence() {
        let worse = |from_a: f64, to_a: f64| {
            let of = |change_a: f64| {
                one_load().deviance(|e| Prediction {
                    current_a: if e.window == 0 { from_a } else { to_a + change_a },
                    ohm: 0.006,
                })
            };
            of(8.0) - of(0.0)
        };
        assert!(worse(-50.0, -30.0) > 1.5 * worse(30.0, 50.0));
    }

    #[test]
    fn holding_the_setpoint_bounds_the_deficit() {
        // At the setpoint with all off, short with a load of 20 A: the deficit is at most 20 A.
        let terms = [term(&[1.0, 1.0], 0.0, 50.0), term(&[-1.0, 0.0], 20.0, 1.0)];
        let balance = CurrentBalance::new(vec![entry(0)], vec![entry(1)], vec![], &terms);
        let of = |given_a: f64| {
            balance.deviance(|e| Prediction {
                current_a: if e.window == 0 { -given_a } else { 2.0 },
                ohm: 0.006,
            })
        };
        assert!(of(40.0) > of(15.0) + 10.0);
    }

    /// Φ(−6) = 9.8659e-10 (tables of the normal distribution, from memory).
    #[test]
    fn the_asymptote_continues_the_table() {
        let far = ln_normal_below(-6.000001);
        assert!((far - 9.8659e-10_f64.ln()).abs() < 0.03, "{far}");
        assert!(ln_normal_below(-40.0).is_finite());
        assert!(ln_normal_below(f64::INFINITY) == 0.0);
    }
}
