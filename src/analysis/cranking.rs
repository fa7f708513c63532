//! The first start: how deep the voltage falls, for how long, and when the bus
//! is back at its setpoint.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::analysis::level::level;
use crate::analysis::setpoint::Setpoint;
use crate::diagnosis::{Cranking, PhaseKind};
use crate::estimate::{Estimate, Grade, LEVEL};
use crate::levels;
use crate::log::{Log, Span};
use crate::segment::{NoiseModel, Segments, indices};

/// The bus is back once it has held for this long.
const HELD_S: f64 = 1.0;
/// A starter draws most in its first tenths of a second, so samples further apart than this miss
/// the bottom of the dip.
const BOTTOM_S: f64 = 0.25;
/// Most current there over that once it turns the engine; a battery that still starts an engine
/// does not fall below [`levels::WEAK_CRANKING`] (common practice, no source).
const STALLED_SHARE: f64 = 3.0;

pub fn cranking(log: &Log, segments: &Segments, setpoint: Option<&Setpoint>) -> Option<Cranking> {
    let phase = segments.phases.iter().find(|p| p.kind == PhaseKind::Cranking)?;
    let span = Span { start_s: phase.start_s, end_s: phase.end_s };
    // The deepest moment is shorter than the means of a condensed log.
    let (sampled, noise_model) = (log.as_sampled(), segments.noise_model.of_readings());
    let range = indices(sampled.time_s(), span);
    let bus_v = sampled.bus_v().get(range.clone())?;
    let lowest = lowest(bus_v, &noise_model)?;
    let before_v = range.start.checked_sub(1).map(|i| sampled.bus_v()[i]);
    let lowest = if noise_model.interval_s > BOTTOM_S {
        missed(&lowest, before_v.filter(|v| v.is_finite()).unwrap_or(lowest.value), &noise_model)
    } else {
        lowest
    };
    let at = bus_v.iter().position(|v| *v == lowest.value)?;
    let interval_s = segments.noise_model.interval_s;
    let lasts_s = span.seconds();
    let back = setpoint.and_then(|s| back(log, segments, s, phase.end_s));
    Some(Cranking {
        lowest_v: lowest.value,
        lowest: Some(lowest),
        at_s: *sampled.time_s().get(range.start + at)?,
        duration_s: lasts_s,
        // Either end lies somewhere between two samples.
        duration: Some(Estimate::new(
            lasts_s,
            (lasts_s - interval_s).max(0.0),
            lasts_s + interval_s,
            Grade::Measured,
            "first to last sample of the dip",
        )),
        return_to_setpoint_s: back.as_ref().map(|e| e.value),
        return_to_setpoint: back,
    })
}

/// The lowest sample, and where the lowest voltage may truly have been. Higher,
/// for the lowest of several samples of one level is low by their noise; lower,
/// for a sample may be high by its own, and between two samples the bus may have
/// been below by as much as it rises from one to the next.
fn lowest(bus_v: &[f64], noise_model: &NoiseModel) -> Option<Estimate> {
    let (at, &lowest_v) = bus_v.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1))?;
    let sigma_v = noise_model.unrounded_sigma_v;
    let alike = bus_v.iter().filter(|v| **v - lowest_v <= 4.0 * noise_model.sigma_v).count();
    let independent = (alike as f64 / noise_model.correlation_samples).max(1.0);
    let tail = (1.0 - LEVEL) / 2.0;
    // The least of n standard normal values is under −z with 1 − Φ(z)ⁿ.
    let quantile = |p: f64| Normal::standard().inverse_cdf(p);
    let rounded_v = noise_model.step_v.unwrap_or(0.0) / 2.0;
    // The next sample alone shows no rise where the bottom lies halfway to it.
    let rise_over = |samples: usize| {
        bus_v.get(at + samples).map_or(0.0, |later| (later - lowest_v) / samples as f64)
    };
    let rise_v = rise_over(1).max(rise_over(2)).max(0.0);
    let over_v = (sigma_v * quantile((1.0 - tail).powf(1.0 / independent))).hypot(rounded_v);
    let under_v = (sigma_v * quantile(1.0 - tail)).hypot(rounded_v) + (1.0 - tail) * rise_v;
    let how = "lowest sample; between samples the bus may have been lower";
    Some(Estimate::new(lowest_v, lowest_v - under_v, lowest_v + over_v, Grade::Measured, how))
}

/// The lowest sample of a slow logger as an upper bound of the bottom.
fn missed(lowest: &Estimate, before_v: f64, noise_model: &NoiseModel) -> Estimate {
    let stalled_v = before_v - STALLED_SHARE * (before_v - lowest.value).max(0.0);
    let weak_v = noise_model.nominal.volts(levels::WEAK_CRANKING);
    let low_v = stalled_v.min(weak_v).clamp(0.0, lowest.low.max(0.0));
    let how = format!(
        "lowest sample seen, one every {:.1} s: the true minimum is lower",
        noise_model.interval_s
    );
    Estimate::new(lowest.value, low_v, lowest.high, Grade::Measured, how)
}

/// Seconds until the bus holds. The interval follows from the uncertainty of the setpoint and the
/// noise in how close the bus must come.
fn back(log: &Log, segments: &Segments, setpoint: &Setpoint, from_s: f64) -> Option<Estimate> {
    let open_v = setpoint.estimate.half_width() + segments.noise_model.band_v() / 2.0;
    let droop_v = log.nominal().volts(levels::DROOP);
    let within = |near_v: f64| back_at(log, segments, setpoint, from_s, near_v);
    let value_s = within(droop_v + open_v)?;
    let end_s = log.time_s().last().copied().unwrap_or(from_s);
    let high_s = within(droop_v).unwrap_or(end_s - from_s) + segments.noise_model.interval_s;
    let low_s = within(droop_v + 2.0 * open_v).unwrap_or(value_s);
    // The search steps by half of HELD_S.
    let low_s = (low_s - HELD_S / 2.0 - segments.noise_model.interval_s).max(0.0);
    let how = "end of cranking until the setpoint is held";
    let grade = setpoint.estimate.grade;
    Some(Estimate::new(value_s, low_s, high_s, grade, how))
}

fn back_at(
    log: &Log,
    segments: &Segments,
    setpoint: &Setpoint,
    from_s: f64,
    near_v: f64,
) -> Option<f64> {
    let time_s = log.time_s();
    let end_s = *time_s.last()?;
    let mut t_s = from_s;
    while t_s + HELD_S <= end_s {
        let window = Span { start_s: t_s, end_s: t_s + HELD_S };
        let here = level(time_s, log.bus_v(), window, &segments.noise_model);
        if here.is_some_and(|l| l.mean_v >= setpoint.at(t_s) - near_v) {
            return Some(t_s - from_s);
        }
        t_s += HELD_S / 2.0;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal as Gauss};

    const STEP_V: f64 = 0.01;

    fn noise_model() -> NoiseModel {
        NoiseModel { step_v: Some(STEP_V), dof: 1000.0, ..NoiseModel::white(0.02, 0.05) }
    }

    /// How often the interval holds the true lowest, 8 V, of dips of this shape
    /// sampled at a random moment, with noise and a resolution of 10 mV.
    fn coverage(over_v: impl Fn(f64) -> f64) -> f64 {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let noise = Gauss::new(0.0, 0.02).expect("a spread");
        let runs = 1000;
        let held = (0..runs).filter(|_| {
            let phase: f64 = rng.random();
            let bus_v: Vec<f64> = (0..20)
                .map(|k| 8.0 + over_v((f64::from(k) + phase) * 0.05) + noise.sample(&mut rng))
                .map(|v| (v / STEP_V).round() * STEP_V)
                .collect();
            lowest(&bus_v, &noise_model()).is_some_and(|e| e.contains(8.0))
        });
        held.count() as f64 / f64::from(runs)
    }

    /// Against the truth that the samples were drawn from.
    #[test]
    fn the_true_lowest_lies_in_its_interval_nine_times_in_ten() {
        let level = coverage(|_| 0.0);
        // Falls at once, and comes back by 2 V/s: the bottom is missed by up to a sample.
        let recovering = coverage(|t_s| 2.0 * t_s);
        let slowly = coverage(|t_s| 0.5 * t_s);
        let v_shaped = coverage(|t_s| 3.0 * (t_s - 0.4).abs());
        for share in [level, recovering, slowly, v_shaped] {
            assert!(share >= 0.9, "{level} {recovering} {slowly} {v_shaped}");
        }
        // A level is no riddle: its interval stays within the noise it was read with.
        let flat: Vec<f64> = vec![8.0; 20];
        let e = lowest(&flat, &noise_model()).expect("samples");
        assert!(e.high - e.low < 0.1, "{e:?}");
    }

    /// One sample a second, somewhere in the dip: the bottom was lower, as far as starters go.
    #[test]
    fn a_slow_logger_shows_an_upper_bound_only() {
        let slow = NoiseModel { interval_s: 1.0, ..noise_model() };
        let seen = lowest(&[10.9], &slow).expect("a sample");
        let bound = missed(&seen, 12.6, &slow);
        assert!(bound.value == 10.9 && bound.low < 7.51 && bound.high >= 10.9, "{bound:?}");
        assert!(bound.how.contains("true minimum is lower"), "{}", bound.how);
        // A dip that hardly shows says no more than that the engine was cranked.
        let shallow = missed(&lowest(&[12.3], &slow).expect("a sample"), 12.6, &slow);
        assert!(shallow.low <= 8.0, "{shallow:?}");
    }
}
