//! Baseline, trough, sag, settled, shift and recovery of every load step.
//!
//! For a step that switches a load off everything is mirrored: the "trough" is
//! the highest voltage reached, sag and shift are negative.

use crate::analysis::level::{Level, half_width_v, level};
use crate::analysis::{LEVEL, Z90};
use crate::diagnosis::{Direction, LoadStep};
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Span};
use crate::segment::{Grain, Segments, Step, index_at, indices, mean};
use crate::stats::robust::median;

/// Baseline and settled are means over at most this long.
pub const WINDOW_S: f64 = 5.0;
/// … and settled over at most this share of the time the step owns.
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
    let end_s = step.at_s - 1.5 * interval_s;
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
    let (time_s, bus_v, grain) = (log.time_s(), log.bus_v(), &segments.grain);
    let baseline_span = baseline_span(step, grain.interval_s);
    let settled_span = settled_span(step, grain.interval_s);
    let at = |t_s: f64| nearest(time_s, bus_v, t_s, grain);
    let baseline =
        level(time_s, bus_v, baseline_span, grain).or_else(|| at(baseline_span.end_s))?;
    let settled = level(time_s, bus_v, settled_span, grain).or_else(|| at(settled_span.end_s))?;
    let sign = if step.direction == Direction::On { 1.0 } else { -1.0 };
    let trough = Trough::find(time_s, bus_v, step, &settled, sign, grain);
    let shift = baseline.minus(&settled, "baseline minus settled");
    let sag = baseline.minus(&trough.level, "baseline minus trough");
    let recovery = trough.recovery(time_s, bus_v, step, &settled, sign, grain);
    let recovered_share = (trough.stands_out && sag.value.abs() > sag.half_width())
        .then(|| (sag.value - shift.value) / sag.value);
    let recovered =
        recovered_share.map(|share| regained(share, sag.value, &settled, &trough.level, &baseline));
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
        lag: step.lag_s.map(|lag_s| lag(lag_s, grain.interval_s)),
        answered: step.answered,
        baseline_span,
        settled_span,
        baseline_v: baseline
            .estimate(format!("mean of the {:.1} s before the step", baseline_span.seconds())),
        trough_v: trough.level.mean_v,
        trough_at_s: trough.at_s,
        trough: trough.level.estimate("lowest short mean after the step"),
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

/// Edge and answer each lie somewhere between two samples, and noise may put the
/// answer a sample off.
fn lag(lag_s: f64, interval_s: f64) -> Estimate {
    let how = "declared edge to the answer, each between two samples";
    Estimate::around(lag_s, 2.0 * interval_s, Grade::Measured, how)
}

/// (S − T)/(B − T) of settled S, trough T and baseline B, their errors being
/// independent: its slopes are 1, share − 1 and −share over the sag B − T.
fn regained(share: f64, sag_v: f64, settled: &Level, trough: &Level, baseline: &Level) -> Estimate {
    let half_width = settled
        .half_width_v
        .hypot((1.0 - share) * trough.half_width_v)
        .hypot(share * baseline.half_width_v)
        / sag_v.abs();
    Estimate::around(share, half_width, Grade::Measured, "settled less trough, of the sag")
}

fn nearest(time_s: &[f64], bus_v: &[f64], t_s: f64, grain: &Grain) -> Option<Level> {
    let k = index_at(time_s, t_s).min(bus_v.len().checked_sub(1)?);
    Some(Level { mean_v: bus_v[k], half_width_v: half_width_v(1, grain), samples: 1 })
}

struct Trough {
    level: Level,
    at_s: f64,
    /// Samples in each short mean.
    width: usize,
    /// False where the lowest short mean is no lower than chance takes it
    /// below a flat settled level: then there was no sag beyond the shift.
    stands_out: bool,
}

impl Trough {
    fn find(
        time_s: &[f64],
        bus_v: &[f64],
        step: &Step,
        settled: &Level,
        sign: f64,
        grain: &Grain,
    ) -> Trough {
        let width = ((TROUGH_MEAN_S / grain.interval_s).round() as usize).max(1);
        let end_s = step.until_s.min(step.at_s + TROUGH_WITHIN_S);
        let range = indices(time_s, Span { start_s: step.at_s, end_s: end_s - 1e-9 });
        let lowest = range
            .clone()
            .filter(|k| k + width <= range.end)
            .map(|k| (k, mean(&bus_v[k..k + width])))
            .filter(|(_, v)| v.is_finite())
            .min_by(|a, b| (sign * a.1).total_cmp(&(sign * b.1)));
        let half_width_v = half_width_v(width, grain);
        let independent = (range.len() as f64 / (width as f64).max(grain.memory_samples)).max(2.0);
        // The least of n standard normal values lies about this far out.
        let chance_v = (2.0 * independent.ln()).sqrt() * half_width_v / Z90;
        match lowest {
            Some((k, mean_v)) if sign * (settled.mean_v - mean_v) > chance_v => Trough {
                level: Level { mean_v, half_width_v, samples: width },
                at_s: time_s[(k + width / 2).min(time_s.len() - 1)],
                width,
                stands_out: true,
            },
            _ => Trough { level: *settled, at_s: step.until_s, width, stands_out: false },
        }
    }

    /// Time from the trough until the short mean is back in the noise band of
    /// the settled level; the interval spans a band half and twice as wide.
    fn recovery(
        &self,
        time_s: &[f64],
        bus_v: &[f64],
        step: &Step,
        settled: &Level,
        sign: f64,
        grain: &Grain,
    ) -> Option<Estimate> {
        if !self.stands_out {
            return None;
        }
        let band_v = half_width_v(self.width, grain).max(0.5 * grain.step_v.unwrap_or(0.0));
        let range = indices(time_s, Span { start_s: self.at_s, end_s: step.until_s });
        let back_within = |band_v: f64| {
            range.clone().find_map(|k| {
                let short = &bus_v[k..(k + self.width).min(range.end)];
                (sign * (settled.mean_v - mean(short)) <= band_v)
                    .then(|| (time_s[k] - self.at_s).max(0.0))
            })
        };
        let value = back_within(band_v)?;
        let high = back_within(band_v / 2.0).unwrap_or(step.until_s - self.at_s);
        let low = back_within(band_v * 2.0).unwrap_or(0.0);
        let how = format!("within {:.0} mV of settled", band_v * 1000.0);
        let slack_s = LEVEL * grain.interval_s;
        Some(Estimate::new(value, (low - slack_s).max(0.0), high + slack_s, Grade::Measured, how))
    }
}
