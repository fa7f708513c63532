//! Kirchhoff held across the log: while the alternator gives all it has, what the
//! battery takes is what the alternator makes less what the loads draw,
//!
//! ```text
//! I(k) = A(speed) + drift·t − Σ duty(l, k)·a(l)
//! ```
//!
//! Nobody knows A or the a(l), but they are the same all through the log (where the
//! engine's speed is not logged, A may be another at each visit). A battery that this
//! one could be says what I(k) would have been; the better those currents keep the
//! balance, the likelier that battery. What is believed
//! of machine and loads is normal, so the likelihood is that of a Gaussian
//! process (C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine
//! Learning, 2006, equations 2.25, 2.26 and 2.30; from memory), carried from
//! amps to the volts that were logged by the battery's resistance.

mod entries;

use statrs::distribution::{ContinuousCDF, Normal};

use crate::analysis::observer::Window;
use crate::stats::fit::cholesky::Cholesky;

pub use entries::gather;

/// While the battery is charged, where acid is uneven and sulphate grows scarce, its
/// current better than this share of it (no source: chosen as
/// [`levels::BATTERY_MODEL`](crate::levels::BATTERY_MODEL) is).
const CHARGING_SHARE: f64 = 0.1;
/// Output and loads move by so much while nothing is switched: amps, and share
/// of the battery's current (common practice, no source).
const UNSTEADY_A: f64 = 0.3;
const UNSTEADY_SHARE: f64 = 0.02;

/// The entries of a log share more errors than the balance knows of: no battery is
/// a circuit, and machine and loads follow no simple law. So the likelihood is
/// flattened until this share of batteries at large would go on counting (no source: each
/// chosen on those batteries and on the random cars of `tests/measured/amps.rs`),
const COUNTING: f64 = 0.04;
/// … where stated amps of a load or the starter tie them down (also on the traces of
/// `tests/outside/pybamm.rs`),
const COUNTING_STATED: f64 = 0.02;
/// … and where the alternator's output need not be guessed.
const COUNTING_SEEN: f64 = 0.003;

/// A quantity before the log is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Belief {
    pub mean: f64,
    pub sd: f64,
}

/// One term of the balance: what it contributes to each entry per unit of a
/// quantity of which so much is believed.
#[derive(Debug, Clone)]
pub struct Term {
    pub shares: Vec<f64>,
    pub believed: Belief,
}

/// One window of the log as the balance sees it.
#[derive(Debug, Clone, Copy)]
pub struct Entry {
    /// Index among the observer's windows.
    pub window: usize,
    pub volts: f64,
    /// Standard deviation of those volts, the battery model's own error included.
    pub volts_error: f64,
}

/// A window over which the battery's current itself is known.
#[derive(Debug, Clone, Copy)]
pub struct Known {
    pub entry: Entry,
    /// Positive: charging.
    pub current_a: Belief,
}

/// What one battery says of an entry.
#[derive(Debug, Clone, Copy)]
pub struct Said {
    pub current_a: f64,
    /// To a change of voltage within a second or two.
    pub ohm: f64,
}

#[derive(Debug, Clone, Default)]
pub struct Balance {
    /// At full output: the balance holds.
    full: Vec<Entry>,
    /// At the setpoint: the alternator could give more than it did.
    holding: Vec<Entry>,
    known: Vec<Known>,
    /// Of the currents of `full`, then `holding`, by machine and loads alone.
    mean_a: Vec<f64>,
    covariance: Vec<f64>,
    /// What ties its amps to something stated or logged, in words.
    anchors: Vec<&'static str>,
    /// Whether the alternator's current is logged.
    seen: bool,
}

impl Balance {
    /// `terms` have one share for each of `full`, then one for each of `holding`.
    pub fn new(full: Vec<Entry>, holding: Vec<Entry>, known: Vec<Known>, terms: &[Term]) -> Self {
        let all = full.len() + holding.len();
        let (mut mean_a, mut covariance) = (vec![0.0; all], vec![0.0; all * all]);
        for Term { shares, believed } in terms {
            for (i, share) in shares.iter().enumerate().filter(|(_, share)| **share != 0.0) {
                mean_a[i] += share * believed.mean;
                for (j, other) in shares.iter().enumerate() {
                    covariance[i * all + j] += share * other * believed.sd.powi(2);
                }
            }
        }
        Balance { full, holding, known, mean_a, covariance, anchors: Vec::new(), seen: false }
    }

    /// The share of batteries at large that must go on counting, however well
    /// few of them keep the balance.
    pub fn counting(&self) -> f64 {
        if self.seen {
            COUNTING_SEEN
        } else if self.is_anchored() {
            COUNTING_STATED
        } else {
            COUNTING
        }
    }

    /// Whether something stated or logged ties its amps down.
    pub fn is_anchored(&self) -> bool {
        !self.anchors.is_empty()
    }

    /// "loads of stated amps and the logged alternator current"
    pub fn anchors(&self) -> String {
        self.anchors.join(" and ")
    }

    /// −2 ln of how likely the logged voltages are with a battery that says
    /// `said` of an entry, up to a constant; NaN where it says nothing sensible.
    pub fn misfit(&self, said: impl Fn(&Entry) -> Said) -> f64 {
        let (all, n) = (self.mean_a.len(), self.full.len());
        let mut covariance = vec![0.0; n * n];
        let mut left_a = Vec::with_capacity(n);
        let mut misfit = 0.0;
        for (i, entry) in self.full.iter().enumerate() {
            let row = &self.covariance[i * all..i * all + n];
            covariance[i * n..(i + 1) * n].copy_from_slice(row);
            let battery = said(entry);
            covariance[i * n + i] += battery.unsure_a(entry).powi(2);
            left_a.push(battery.current_a - self.mean_a[i]);
            misfit += 2.0 * battery.ohm.ln();
        }
        for known in &self.known {
            let battery = said(&known.entry);
            let sd_a = battery.unsure_a(&known.entry).hypot(known.current_a.sd);
            let z = (battery.current_a - known.current_a.mean) / sd_a;
            misfit += z * z + 2.0 * sd_a.ln() + 2.0 * battery.ohm.ln();
        }
        if n == 0 {
            return misfit;
        }
        let Some(factor) = Cholesky::new(&covariance, n) else { return f64::NAN };
        let weighed = factor.solve(&left_a);
        misfit += dot(&weighed, &left_a) + factor.log_determinant();
        // One load that would not have been carried is enough; many like it say no more.
        let holding = (n..all).zip(&self.holding);
        let mut reserves: Vec<Reserve> =
            holding.map(|(h, entry)| self.reserve(h, entry, &said(entry), &weighed)).collect();
        reserves.sort_by(|a, b| a.at_least().total_cmp(&b.at_least()));
        let mut least = f64::INFINITY;
        for reserve in &reserves {
            if reserve.at_least() >= least {
                break;
            }
            least = least.min(reserve.over(&factor));
        }
        misfit - 2.0 * ln_normal_below(least)
    }

    /// Where the bus holds.
    fn reserve(&self, h: usize, entry: &Entry, battery: &Said, weighed: &[f64]) -> Reserve<'_> {
        let (all, n) = (self.mean_a.len(), self.full.len());
        let with_full = &self.covariance[h * all..h * all + n];
        let could_take_a = self.mean_a[h] + dot(with_full, weighed);
        Reserve {
            amps_a: could_take_a - battery.current_a,
            own_sd_a: battery.unsure_a(entry),
            variance: self.covariance[h * all + h],
            with_full,
        }
    }
}

/// Amps that the machine could give beyond what it did, by machine and loads.
struct Reserve<'a> {
    amps_a: f64,
    /// Of the battery's current there.
    own_sd_a: f64,
    /// Of what machine and loads leave over, before it is known what they left over at full
    /// output.
    variance: f64,
    with_full: &'a [f64],
}

impl Reserve<'_> {
    /// Over their standard deviation.
    fn over(&self, factor: &Cholesky) -> f64 {
        let explained = dot(self.with_full, &factor.solve(self.with_full));
        self.amps_a / (self.variance - explained).max(0.0).sqrt().hypot(self.own_sd_a)
    }

    /// No more than [`Reserve::over`], and soon told: what is learnt at full output makes
    /// the deviation smaller.
    fn at_least(&self) -> f64 {
        if self.amps_a > 0.0 {
            self.amps_a / self.variance.max(0.0).sqrt().hypot(self.own_sd_a)
        } else {
            f64::NEG_INFINITY
        }
    }
}

impl Said {
    pub fn of(window: &Window, ohm: f64) -> Said {
        Said { current_a: window.mean_a(), ohm }
    }

    /// Standard deviation of the current by what noise, the model and unsteady
    /// loads leave open.
    fn unsure_a(&self, entry: &Entry) -> f64 {
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

    fn term(shares: &[f64], mean: f64, sd: f64) -> Term {
        Term { shares: shares.to_vec(), believed: Belief { mean, sd } }
    }

    /// A load of 20 A that goes off between two windows at full output.
    fn one_load() -> Balance {
        let terms = [term(&[1.0, 1.0], 0.0, 50.0), term(&[-1.0, 0.0], 20.0, 1.0)];
        Balance::new(vec![entry(0), entry(1)], vec![], vec![], &terms)
    }

    #[test]
    fn a_battery_whose_current_changes_by_the_load_is_likeliest() {
        let of = |change_a: f64| {
            one_load().misfit(|e| Said {
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
        let balance =
            Balance::new(vec![entry(0), entry(1)], vec![], vec![], &[term(&[1.0, 1.0], 0.0, 2.0)]);
        let ohm = 1.0;
        let misfit = balance.misfit(|e| {
            let current_a = if e.window == 0 { -1.0 } else { -3.0 };
            Said { current_a, ohm }
        });
        let own =
            |amps_a: f64| MODEL_V.powi(2) + UNSTEADY_A.powi(2) + (UNSTEADY_SHARE * amps_a).powi(2);
        let (a, b, c) = (4.0 + own(1.0), 4.0, 4.0 + own(3.0));
        let determinant = a * c - b * b;
        let expected = (1.0 * c - 2.0 * 3.0 * b + 9.0 * a) / determinant + determinant.ln();
        assert!((misfit - expected).abs() < 1e-9, "{misfit} {expected}");
    }

    /// The same jump of current speaks louder where the battery gives than where it takes.
    #[test]
    fn a_current_that_goes_in_is_trusted_less() {
        let worse = |from_a: f64, to_a: f64| {
            let of = |change_a: f64| {
                one_load().misfit(|e| Said {
                    current_a: if e.window == 0 { from_a } else { to_a + change_a },
                    ohm: 0.006,
                })
            };
            of(8.0) - of(0.0)
        };
        assert!(worse(-50.0, -30.0) > 1.5 * worse(30.0, 50.0));
    }

    #[test]
    fn a_bus_that_holds_bounds_what_the_battery_gives_without_reserve() {
        // Held with nothing on, short with a load of 20 A: no more than 20 A are lacking.
        let terms = [term(&[1.0, 1.0], 0.0, 50.0), term(&[-1.0, 0.0], 20.0, 1.0)];
        let balance = Balance::new(vec![entry(0)], vec![entry(1)], vec![], &terms);
        let of = |given_a: f64| {
            balance.misfit(|e| Said {
                current_a: if e.window == 0 { -given_a } else { 2.0 },
                ohm: 0.006,
            })
        };
        assert!(of(40.0) > of(15.0) + 10.0);
    }

    /// Φ(−6) = 9.8659e-10 (tables of the normal distribution, from memory).
    #[test]
    fn the_tail_goes_on_where_the_table_ends() {
        let far = ln_normal_below(-6.000001);
        assert!((far - 9.8659e-10_f64.ln()).abs() < 0.03, "{far}");
        assert!(ln_normal_below(-40.0).is_finite());
        assert!(ln_normal_below(f64::INFINITY) == 0.0);
    }
}
