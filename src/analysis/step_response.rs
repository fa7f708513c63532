//! Baseline, trough, sag, settled, shift and recovery of every load step.
//!
//! For a step that switches a load off everything is mirrored: the "trough" is
//! the highest voltage reached, sag and shift are negative.

use std::ops::Range;

use statrs::distribution::{ContinuousCDF, Normal, Triangular};

use crate::analysis::level::{Level, half_width_v, level};
use crate::diagnosis::{Direction, LoadStep};
use crate::estimate::{Estimate, Grade};
use crate::estimate::{LEVEL, Z90};
use crate::log::{Log, MovedMark, Span};
use crate::segment::onset::Trace;
use crate::segment::steps::TOGETHER_S;
use crate::segment::{NoiseModel, Segments, Step, index_at, indices, mean};
use crate::stats::long_run::Shape;
use crate::stats::robust::{median, nondecreasing};

/// Baseline and settled are means over at most this long.
pub const WINDOW_S: f64 = 5.0;
/// and settled over at most this share of the time until the next change.
pub const SETTLED_SHARE: f64 = 0.4;
/// The trough is looked for this long after the onset.
const TROUGH_WITHIN_S: f64 = 10.0;
/// Single samples are too noisy to be a trough.
const TROUGH_MEAN_S: f64 = 0.15;

pub fn load_steps(log: &Log, segments: &Segments) -> Vec<LoadStep> {
    segments
        .steps
        .iter()
        .enumerate()
        .filter_map(|(k, step)| load_step(log, segments, k + 1, step))
        .collect()
}

/// Where the baseline of a step is read: the seconds before its onset, or
/// before the declared edge where that came first.
pub fn baseline_span(step: &Step, interval_s: f64) -> Span {
    let end_s = step.at_s - step.lag_s.unwrap_or(0.0) - 1.5 * interval_s;
    let calm_s = end_s - step.since_s;
    let start_s = (end_s - WINDOW_S).max(end_s - SETTLED_SHARE * calm_s.max(0.0));
    Span { start_s: start_s.min(end_s), end_s }
}

/// Where its settled value is read: the last seconds before the next change.
pub fn settled_span(step: &Step, interval_s: f64) -> Span {
    let end_s = (step.until_s - 1.5 * interval_s).max(step.at_s);
    let owned_s = end_s - step.at_s;
    Span { start_s: end_s - WINDOW_S.min(SETTLED_SHARE * owned_s), end_s }
}

fn load_step(log: &Log, segments: &Segments, number: usize, step: &Step) -> Option<LoadStep> {
    let (time_s, bus_v, noise_model) = (log.time_s(), log.bus_v(), &segments.noise_model);
    let baseline_span = baseline_span(step, noise_model.interval_s);
    let settled_span = settled_span(step, noise_model.interval_s);
    let at = |t_s: f64| nearest(time_s, bus_v, t_s, noise_model);
    let baseline =
        level(time_s, bus_v, baseline_span, noise_model).or_else(|| at(baseline_span.end_s))?;
    let settled =
        level(time_s, bus_v, settled_span, noise_model).or_else(|| at(settled_span.end_s))?;
    let sign = if step.direction == Direction::On { 1.0 } else { -1.0 };
    // The noise after this step.
    let noise_model = &noise_model.of_window(&bus_v[indices(time_s, settled_span)]);
    let trough = Trough::find(time_s, bus_v, step, &settled, sign, noise_model);
    let shift = baseline.minus(&settled, "baseline minus settled");
    let shared_v = shared_error_v(indices(time_s, baseline_span), trough.at, noise_model);
    let sag = baseline.estimate("").less(&trough.estimate, "baseline minus trough");
    let sag = narrowed(sag, shared_v);
    let recovery = trough.recovery(time_s, bus_v, step, &settled, sign, noise_model);
    let recovered_share = (trough.stands_out && sag.value.abs() > sag.half_width())
        .then(|| (sag.value - shift.value) / sag.value);
    let recovered = recovered_share
        .map(|share| regained(share, sag.value, &settled, &trough.estimate, &baseline));
    let rpm_over = |span: Span| {
        log.engine_rpm().map(|rpm| median(&rpm[indices(time_s, span)])).filter(|r| r.is_finite())
    };
    Some(LoadStep {
        number,
        at_s: step.at_s,
        until_s: step.until_s,
        load: step.load.clone(),
        direction: step.direction,
        duty_change: step.duty_change,
        origin: step.origin,
        lag_s: step.lag_s,
        lag: lag(log, step, noise_model),
        answered: step.answered,
        baseline_span,
        settled_span,
        baseline_v: baseline
            .estimate(format!("mean of the {:.1} s before the step", baseline_span.seconds())),
        trough_v: trough.estimate.value,
        trough_at_s: trough.at_s,
        trough: trough.estimate,
        sag_v: sag,
        settled_v: settled.estimate(format!(
            "mean of the last {:.1} s before the next change",
            settled_span.seconds()
        )),
        shift_v: shift,
        recovery_s: recovery.as_ref().map(|r| r.value),
        recovery,
        recovered_share,
        recovered,
        rpm_before: rpm_over(baseline_span),
        rpm_after: rpm_over(settled_span),
        loads_after: segments
            .stretches
            .get(segments.stretches.partition_point(|s| s.span.start_s < step.at_s - 1e-9))
            .filter(|s| s.span.start_s < step.until_s)
            .map(|s| s.loads.clone())
            .unwrap_or_default(),
    })
}

/// The mark made by hand behind a declared step, where it was moved.
fn moved_mark<'l>(log: &'l Log, step: &Step) -> Option<&'l MovedMark> {
    let edge_s = step.at_s - step.lag_s?;
    let loads = step.load.as_deref()?;
    let near_s = TOGETHER_S + 2.0 * log.interval_s();
    log.marks.moved.iter().find(|mark| {
        (mark.at_s - edge_s).abs() <= near_s
            && loads.split(" + ").any(|load| load.eq_ignore_ascii_case(&mark.load))
    })
}

/// Edge and response are each between two samples, so the error of their difference has a
/// triangular distribution of one interval either way; and the response may be at any sample that
/// fits the break well enough.
fn lag(log: &Log, step: &Step, noise_model: &NoiseModel) -> Option<Estimate> {
    let lag_s = step.lag_s?;
    let edge_s = step.at_s - lag_s;
    let own = Span { start_s: step.since_s, end_s: step.until_s };
    let chances = Trace::of(log, noise_model).chances(step.at_s, own);
    // A slow log has too few samples to fit a break to.
    let unfitted = if noise_model.interval_s > LONGEST_FITTED_S { 1.75 } else { 1.0 };
    let spread_s = unfitted * noise_model.interval_s;
    let between = Triangular::new(-spread_s, spread_s, 0.0).ok()?;
    let earlier =
        |t_s: f64| chances.iter().map(|(at_s, chance)| chance * between.cdf(t_s - at_s)).sum();
    let within_s = (chances.first()?.0 - spread_s, chances.last()?.0 + spread_s);
    let [low_s, high_s] = [(1.0 - LEVEL) / 2.0, (1.0 + LEVEL) / 2.0]
        .map(|share| passes(share, within_s, earlier) - edge_s);
    let how = match moved_mark(log, step) {
        Some(mark) => format!("mark moved {} to the voltage's response", mark.distance()),
        None => "declared edge to the answer, each between two samples".to_owned(),
    };
    let (low_s, high_s) = ((low_s.min(lag_s) - ARRIVES_S).max(0.0), high_s.max(lag_s));
    Some(Estimate::new(lag_s, low_s, high_s, Grade::Measured, how))
}

/// Where a rising `share` of a moment passes `wanted`, between two moments.
fn passes(wanted: f64, (mut low_s, mut high_s): (f64, f64), share: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..40 {
        let middle_s = (low_s + high_s) / 2.0;
        if share(middle_s) < wanted { low_s = middle_s } else { high_s = middle_s }
    }
    (low_s + high_s) / 2.0
}

/// Rise time of a current, before which it does not exceed the noise (common practice, no source).
const ARRIVES_S: f64 = 0.03;
/// The break is placed by lines through some samples of the 1.2 s after it.
const LONGEST_FITTED_S: f64 = 0.6;

/// Root of the covariance of the mean over the baseline and a sample soon after it.
fn shared_error_v(baseline: Range<usize>, at: usize, noise_model: &NoiseModel) -> f64 {
    let shape = noise_model.shape();
    let apart = (at + 1).saturating_sub(baseline.end) as f64;
    let n = baseline.len().max(1) as f64;
    let along =
        if shape.rho < 1.0 { (1.0 - shape.rho.powf(n)) / (n * (1.0 - shape.rho)) } else { 1.0 };
    noise_model.sigma_v * (shape.slow_share * shape.rho.powf(apart) * along).max(0.0).sqrt()
}

/// A difference of two readings that share this error; what is left is at least a third.
fn narrowed(difference: Estimate, shared_v: f64) -> Estimate {
    let less = |side_v: f64| {
        let left = side_v * side_v - 2.0 * (Z90 * shared_v).powi(2);
        left.max((side_v / 3.0).powi(2)).sqrt()
    };
    let Estimate { value, low, high, .. } = difference;
    Estimate { low: value - less(value - low), high: value + less(high - value), ..difference }
}

/// (S − T)/(B − T) of settled S, trough T and baseline B, their errors being
/// independent: its slopes are 1, share − 1 and −share over the sag B − T.
fn regained(
    share: f64,
    sag_v: f64,
    settled: &Level,
    trough: &Estimate,
    baseline: &Level,
) -> Estimate {
    let half_width = settled
        .half_width_v
        .hypot((1.0 - share) * trough.half_width())
        .hypot(share * baseline.half_width_v)
        / sag_v.abs();
    Estimate::around(share, half_width, Grade::Measured, "settled less trough, of the sag")
}

fn nearest(time_s: &[f64], bus_v: &[f64], t_s: f64, noise_model: &NoiseModel) -> Option<Level> {
    let k = index_at(time_s, t_s).min(bus_v.len().checked_sub(1)?);
    Some(Level { mean_v: bus_v[k], half_width_v: half_width_v(1, noise_model), samples: 1 })
}

struct Trough {
    estimate: Estimate,
    at_s: f64,
    /// Index of the sample at `at_s`.
    at: usize,
    /// Samples in each short mean.
    width: usize,
    /// Number of short means that might as well have been the lowest.
    alike: f64,
    /// False where the lowest short mean is no lower than chance takes it
    /// below a flat settled level: then there was no sag beyond the shift.
    stands_out: bool,
}

/// Short means within this many standard errors of the lowest might as well have been it.
const ALIKE_ERRORS: f64 = 1.5;

/// A short mean's noise, in parts.
struct ShortMeanNoise {
    half_width_v: f64,
    /// Standard errors: of what differs from one short mean to the next, and of what stays
    /// for a while.
    quick_v: f64,
    slow_v: f64,
    /// Samples after which the slow part is another one.
    slow_samples: f64,
}

impl ShortMeanNoise {
    fn of(width: usize, noise_model: &NoiseModel) -> ShortMeanNoise {
        let half_width_v = half_width_v(width, noise_model);
        let (error_v, shape) = (half_width_v / Z90, noise_model.shape());
        let quick = (1.0 - shape.slow_share) / (width as f64).max(1.0);
        let all = shape.mean_time(width as f64) / (width as f64).max(1.0);
        let quick = (quick / all).clamp(0.0, 1.0);
        ShortMeanNoise {
            half_width_v,
            quick_v: error_v * quick.sqrt(),
            slow_v: error_v * (1.0 - quick).sqrt(),
            // A first-order noise has new extremes well before it has forgotten the last.
            slow_samples: Shape { slow_share: 1.0, ..shape }.time() / 4.0,
        }
    }

    /// How far the lowest of this many short means of one level is expected below it.
    fn lift_v(&self, alike: f64, width: usize) -> f64 {
        let others = (alike - 1.0).max(0.0);
        let quick = expected_extreme(1.0 + others / width as f64);
        let slow = expected_extreme(1.0 + others / self.slow_samples.max(width as f64));
        (self.quick_v * quick).hypot(self.slow_v * slow)
    }
}

/// Of `n` standard normal values, by Blom's score (*Statistical Estimates and Transformed
/// Beta-Variables*, 1958; from memory).
fn expected_extreme(n: f64) -> f64 {
    if n > 1.0 { Normal::standard().inverse_cdf((n - 0.375) / (n + 0.25)) } else { 0.0 }
}

impl Trough {
    fn find(
        time_s: &[f64],
        bus_v: &[f64],
        step: &Step,
        settled: &Level,
        sign: f64,
        noise_model: &NoiseModel,
    ) -> Trough {
        let width = ((TROUGH_MEAN_S / noise_model.interval_s).round() as usize).max(1);
        let end_s = step.until_s.min(step.at_s + TROUGH_WITHIN_S);
        let range = indices(time_s, Span { start_s: step.at_s, end_s: end_s - 1e-9 });
        // As if all steps were loads switched on.
        let means: Vec<(usize, f64)> = range
            .clone()
            .filter(|k| k + width <= range.end)
            .map(|k| (k, sign * mean(&bus_v[k..k + width])))
            .filter(|(_, v)| v.is_finite())
            .collect();
        let scatter = ShortMeanNoise::of(width, noise_model);
        let half_width_v = scatter.half_width_v;
        let independent =
            (range.len() as f64 / (width as f64).max(noise_model.correlation_samples)).max(2.0);
        // The least of n standard normal values lies about this far out.
        let chance_v = (2.0 * independent.ln()).sqrt() * half_width_v / Z90;
        let settled_v = sign * settled.mean_v;
        let estimate = |value_v: f64, low_v: f64, high_v: f64, how: &str| {
            let [a, b] = [sign * low_v, sign * high_v];
            Estimate::new(sign * value_v, a.min(b), a.max(b), Grade::Measured, how)
        };
        let not_found = |low_v: f64, alike: f64, how: &str| Trough {
            estimate: estimate(settled_v, low_v, settled_v + settled.half_width_v, how),
            at_s: step.until_s,
            at: index_at(time_s, step.until_s),
            width,
            alike,
            stands_out: false,
        };
        let settled_low_v = settled_v - settled.half_width_v;
        let Some(&(k, lowest_v)) = means.iter().min_by(|a, b| a.1.total_cmp(&b.1)) else {
            return not_found(settled_low_v, 1.0, "settled level");
        };
        let near_v = ALIKE_ERRORS * half_width_v / Z90;
        let alike = means.iter().map(|(_, v)| (-0.5 * ((v - lowest_v) / near_v).powi(2)).exp());
        let alike = alike.sum();
        let lifted_v = lowest_v + scatter.lift_v(alike, width);
        let low_v = lifted_v - half_width_v;
        if settled_v - lowest_v > chance_v {
            let how = "lowest short mean after the step, less what noise takes it down by";
            let estimate = estimate(lifted_v, low_v, lifted_v + half_width_v, how);
            let at = (k + width / 2).min(time_s.len() - 1);
            return Trough { estimate, at_s: time_s[at], at, width, alike, stands_out: true };
        }
        let how = "settled level: no lower one stands out of the noise";
        not_found(low_v.min(settled_low_v), alike, how)
    }

    /// Time from the trough until the bus is back in the noise band of the settled level,
    /// along the rising curve that fits the short means best: where noise crosses the band
    /// first says little. The interval is that of a bus that has to come further, or less
    /// far, by what the noise leaves open.
    fn recovery(
        &self,
        time_s: &[f64],
        bus_v: &[f64],
        step: &Step,
        settled: &Level,
        sign: f64,
        noise_model: &NoiseModel,
    ) -> Option<Estimate> {
        if !self.stands_out {
            return None;
        }
        let scatter = ShortMeanNoise::of(self.width, noise_model);
        let band_v = scatter.half_width_v.max(0.5 * noise_model.step_v.unwrap_or(0.0));
        let end = indices(time_s, Span { start_s: self.at_s, end_s: step.until_s }).end;
        let (at_s, short_v): (Vec<f64>, Vec<f64>) = (self.at..end)
            .map(|k| (time_s[k] - self.at_s, sign * mean(&bus_v[k..(k + self.width).min(end)])))
            .filter(|(_, v)| v.is_finite())
            .unzip();
        let rising_v = nondecreasing(&short_v);
        let back_within = |band_v: f64| {
            let back = rising_v.partition_point(|v| sign * settled.mean_v - v > band_v);
            at_s.get(back).map(|t_s| t_s.max(0.0))
        };
        let value = back_within(band_v)?;
        let slow_v = scatter.slow_v.hypot(settled.half_width_v / Z90);
        let open_v = Z90 * (QUICK_OPEN.sqrt() * scatter.quick_v).hypot(SLOW_OPEN.sqrt() * slow_v);
        let open_v = open_v.hypot(rounding_v(noise_model));
        let high = back_within(band_v - open_v).unwrap_or(step.until_s - self.at_s).max(value);
        let low = back_within(band_v + open_v).unwrap_or(0.0).min(value);
        let how = format!("within {:.0} mV of settled", band_v * 1000.0);
        // The trough itself is placed no better than among those like it.
        let slack_s = 0.4 * noise_model.interval_s * self.alike.clamp(1.0, self.width as f64 + 2.0);
        Some(Estimate::new(value, (low - slack_s).max(0.0), high + slack_s, Grade::Measured, how))
    }
}

/// How far rounding alone keeps a mean off its level, nine times in ten: next to nothing
/// where the noise dithers it away (see [`crate::stats::quantization`]).
fn rounding_v(noise_model: &NoiseModel) -> f64 {
    let Some(step_v) = noise_model.step_v.filter(|step_v| *step_v > 0.0) else { return 0.0 };
    let ratio = noise_model.scatter().sigma / step_v;
    LEVEL / 2.0 * step_v * (-2.0 * (std::f64::consts::PI * ratio).powi(2)).exp()
}

/// What the noise leaves open of the place where a rising curve crosses a level, as shares
/// of the variance of a short mean: little of what the curve averages over (chosen by
/// measured coverage over exponential recoveries, white to slow noise, 1 to 20 samples a
/// second).
const QUICK_OPEN: f64 = 0.5;
const SLOW_OPEN: f64 = 0.7;
