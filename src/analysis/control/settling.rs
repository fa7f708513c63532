//! How much the voltage still drifts after a change of load or speed.
//!
//! A regulator in control reaches a new level at once and holds it, even where a thin cable,
//! droop or a command makes it lower. At the limit the battery carries the difference, and
//! its voltage keeps falling after a load is switched on, or rising after one is switched
//! off, for minutes. Diffusion has no single time constant, so the voltage follows roughly
//! the logarithm of time (common practice, no source).

use statrs::function::erf::erfc;

use crate::analysis::control::pairs::StretchLevel;
use crate::diagnosis::{Phase, PhaseKind};
use crate::log::{Log, Span};
use crate::segment::{Segments, Step, indices};
use crate::stats::autocorrelation::lag1;
use crate::stats::density::normal;
use crate::stats::fit::linear::ordinary;

/// After a smaller change a drift is lost in the noise, V.
const LEAST_MOVE_V: f64 = 0.08;
/// With a longer gap between stretches, the time of the change is unknown.
const NEXT_S: f64 = 15.0;
/// Inrush is over by then, and most regulators have responded.
const FROM_S: f64 = 1.0;
/// Shorter stretches,
const LEAST_S: f64 = 8.0;
/// and fewer samples, show no drift.
const LEAST_SAMPLES: usize = 8;
/// The voltage follows ln(1 + t/τ).
const TAU_S: f64 = 2.0;
/// Drift of a held level, V per unit of that logarithm (standard deviation). This and the
/// constants below were chosen on seeds 71300..71600.
const HELD_V: f64 = 0.006;
/// Probability that a held level drifts more (load response, or a thin cable to a battery
/// that settles).
const HELD_MOVES: f64 = 0.2;
/// Drift at the limit (mean),
const LIMITED_V: f64 = 0.06;
/// and the probability that something else masks it.
const HIDDEN: f64 = 0.3;
/// Drift from other causes, in either direction (mean).
const OTHER_V: f64 = 0.04;
/// Floor of both densities, 1/V: a drift that neither explains counts for neither.
const NEITHER: f64 = 1e-3;

/// Drift after a change, V per unit of ln(1 + t/τ), positive in the direction of the
/// change.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Drift {
    value_v: f64,
    error_v: f64,
}

/// Natural log odds that stretch `k` was at its limit, by the drift of its voltage.
pub fn log_odds(log: &Log, segments: &Segments, held: &[StretchLevel], k: usize) -> f64 {
    drift(log, segments, held, k).map_or(0.0, |drift| drift.log_odds())
}

fn drift(log: &Log, segments: &Segments, held: &[StretchLevel], k: usize) -> Option<Drift> {
    let (before, here) = (held.get(k.checked_sub(1)?)?, held.get(k)?);
    let move_v = here.level_v - before.level_v;
    let (ended_s, span) = (before.stretch.settled.end_s, here.stretch.settled);
    let is_next =
        span.start_s - ended_s <= NEXT_S && is_running(&segments.phases, ended_s, span.start_s);
    if !is_next || !move_v.is_finite() || move_v.abs() < LEAST_MOVE_V {
        return None;
    }
    let changed_s = changed_s(&segments.steps, ended_s, span.start_s);
    let span = Span { start_s: span.start_s.max(changed_s + FROM_S), end_s: span.end_s };
    let range = indices(log.time_s(), span);
    if span.seconds() < LEAST_S || range.len() < LEAST_SAMPLES {
        return None;
    }
    let times_s = &log.time_s()[range.clone()];
    let since: Vec<f64> = times_s.iter().map(|t| ((t - changed_s) / TAU_S).ln_1p()).collect();
    let cells = log.nominal().over_12_v();
    let volts: Vec<f64> = log.bus_v()[range].iter().map(|v| v / cells).collect();
    let resolution_v = segments.noise_model.step_v.unwrap_or(0.0) / cells;
    let (rate_v, error_v) = rate(&since, &volts, resolution_v)?;
    Some(Drift { value_v: rate_v * move_v.signum(), error_v })
}

/// Whether the engine ran throughout: a start in between changes the level too.
fn is_running(phases: &[Phase], from_s: f64, to_s: f64) -> bool {
    let mut between = phases.iter().filter(|p| p.start_s < to_s && p.end_s > from_s);
    between.all(|p| p.kind == PhaseKind::Running)
}

/// When the level changed: the last step between two stretches, or else the end of the first.
fn changed_s(steps: &[Step], ended_s: f64, starts_s: f64) -> f64 {
    let until = steps.partition_point(|s| s.at_s <= starts_s);
    let last = until.checked_sub(1).and_then(|k| steps.get(k)).map(|s| s.at_s);
    last.filter(|at_s| *at_s >= ended_s).unwrap_or(ended_s)
}

/// Slope of `volts` on `since` with its standard error, from the residuals and their
/// autocorrelation. A coarse resolution hides a drift of up to one step.
fn rate(since: &[f64], volts: &[f64], resolution_v: f64) -> Option<(f64, f64)> {
    let fit = ordinary(since, volts)?;
    let residuals: Vec<f64> = since.iter().zip(volts).map(|(x, v)| v - fit.at(*x)).collect();
    let lag1 = Some(lag1(&residuals)).filter(|r| r.is_finite()).map_or(0.0, |r| r.clamp(0.0, 0.95));
    let scatter_v = fit.slope_error() * ((1.0 + lag1) / (1.0 - lag1)).sqrt();
    let hidden_v = resolution_v / 12f64.sqrt() / (since.last()? - since.first()?);
    let error_v = scatter_v.hypot(hidden_v);
    (fit.slope.is_finite() && error_v.is_finite()).then_some((fit.slope, error_v))
}

impl Drift {
    fn log_odds(self) -> f64 {
        let sigma_v = HELD_V.hypot(self.error_v);
        let either = 0.5
            * (exponential_with_noise(self.value_v, OTHER_V, sigma_v)
                + exponential_with_noise(-self.value_v, OTHER_V, sigma_v));
        let held = (1.0 - HELD_MOVES) * normal(self.value_v, 0.0, sigma_v) + HELD_MOVES * either;
        let limited = (1.0 - HIDDEN) * exponential_with_noise(self.value_v, LIMITED_V, sigma_v)
            + HIDDEN * either;
        ((limited + NEITHER) / (held + NEITHER)).ln()
    }
}

/// Density of an exponential variable of this mean plus normal noise (the exponentially
/// modified Gaussian).
fn exponential_with_noise(x: f64, mean: f64, sigma: f64) -> f64 {
    let ratio = sigma / mean;
    // The exponential must not overflow where erfc underflows to zero.
    let exponent = (0.5 * ratio * ratio - x / mean).min(500.0);
    0.5 / mean * exponent.exp() * erfc((ratio - x / sigma) / std::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_that_stays_is_held_and_one_that_goes_on_is_not() {
        let odds = |value_v: f64| Drift { value_v, error_v: 0.003 }.log_odds();
        assert!(odds(0.0) < -1.5, "{}", odds(0.0));
        assert!(odds(0.05) > 1.5, "{}", odds(0.05));
        // Recovery after the load: a regulator with load response.
        assert!(odds(-0.2) < 0.5, "{}", odds(-0.2));
        let unsure = Drift { value_v: 0.05, error_v: 1.0 }.log_odds();
        assert!(unsure.abs() < 0.2, "{unsure}");
    }

    #[test]
    fn the_density_is_one() {
        for (mean, sigma) in [(0.06, 0.006), (0.05, 0.3), (0.03, 0.0005)] {
            const STEP: f64 = 1e-4;
            let sum: f64 = (-30_000..30_000)
                .map(|k| STEP * exponential_with_noise(STEP * f64::from(k), mean, sigma))
                .sum();
            assert!((sum - 1.0).abs() < 0.01, "{mean} {sigma} {sum}");
        }
    }

    #[test]
    fn a_rate_is_found_within_its_error() {
        let x: Vec<f64> = (1..60).map(|k| (f64::from(k) / TAU_S).ln_1p()).collect();
        let noise = |k: usize| 0.004 * ((k as f64 * 7.3).sin() + (k as f64 * 3.1).cos());
        let y: Vec<f64> = x.iter().enumerate().map(|(k, x)| 13.0 - 0.04 * x + noise(k)).collect();
        let (rate, error) = rate(&x, &y, 0.001).expect("a rate");
        assert!((rate + 0.04).abs() < 3.0 * error && error < 0.005, "{rate} {error}");
        // What 0.05 V hides is not known.
        let (_, coarse) = super::rate(&x, &vec![13.0; x.len()], 0.05).expect("a rate");
        assert!(coarse > 0.003, "{coarse}");
    }
}
