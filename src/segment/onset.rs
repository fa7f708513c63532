//! The moment at which the voltage answers, and whether it answers at all.
//!
//! Switching breaks the course of the voltage. What follows (inrush, the regulator, the charging
//! of the battery's double layer) bends it more and more gently.

use std::ops::Range;

use crate::levels;
use crate::log::{Log, Span};
use crate::segment::noise_model::NoiseModel;
use crate::segment::{index_at, indices, mean};
use crate::stats::fit::linear::ordinary;
use crate::stats::fit::polynomial::residual_squares;
use crate::stats::robust::median;

/// Lengths of the levels compared before and after a moment: short for a sharp sag that the
/// regulator corrects, long for a slow slide.
const REACHES_S: [f64; 2] = [0.4, 1.2];
const LEAST_SAMPLES: usize = 2;
/// A slide is noticed this much after it began.
const NOTICED_LATE_S: f64 = 1.2;
/// The break is placed by fits over this long before and after.
const FIT_BEFORE_S: f64 = 2.0;
const FIT_AFTER_S: f64 = 1.2;
/// and, in a slow log, over this many samples.
const FIT_BEFORE_SAMPLES: f64 = 6.0;
/// A current that is switched has arrived after this.
const ARRIVES_S: f64 = 0.2;
/// Noise moves no sample this many standard deviations off its line.
const AWAY_SIGMAS: f64 = 3.0;
/// A break may be misplaced by this much.
const UNSURE_S: f64 = 0.6;
/// Parameters of a line before the break and a parabola after it.
const BREAK_TERMS: f64 = 5.0;
/// Where a change has arrived: past inrush and regulator.
const ARRIVED_S: (f64, f64) = (0.5, 2.5);
/// Past a change, before the trend into the next may be read off.
const CALM_AFTER_S: f64 = 0.3;
/// With less than this before a change, no trend into it is known.
const LEAST_BEFORE_S: f64 = 1.0;
/// A change of one resolution step may be a slow drift.
const LEAST_STEPS: f64 = 1.6;
/// A sag is corrected once no more than this share of it is left.
const MENDED_SHARE: f64 = 0.5;
/// A contact that is lost comes back by this share of its depth,
const LOST_CONTACT_BACK: f64 = 0.6;
/// this soon.
const LOST_CONTACT_S: f64 = 2.0;
/// Standard errors that a sag needs: chance has the whole log to produce one.
const SAG_WIDTHS: f64 = 6.5;
/// Standard errors that a change needs.
const WIDTHS: f64 = 5.0;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// The first sample of the new level.
    pub at_s: f64,
    /// By how much the level changes.
    pub jump_v: f64,
}

/// The bus voltage, and what its samples can show.
#[derive(Clone, Copy)]
pub struct Trace<'a> {
    time_s: &'a [f64],
    bus_v: &'a [f64],
    noise_model: &'a NoiseModel,
}

impl<'a> Trace<'a> {
    pub fn of(log: &'a Log, noise_model: &'a NoiseModel) -> Trace<'a> {
        Trace { time_s: log.time_s(), bus_v: log.bus_v(), noise_model }
    }

    fn reach(&self, reach_s: f64) -> usize {
        ((reach_s / self.noise_model.interval_s).round() as usize).max(LEAST_SAMPLES)
    }

    /// Where within `window` the voltage changes most in `direction` (−1 falls, +1 rises), if it
    /// changes by more than the noise; samples outside `own` belong to other changes.
    pub fn answer(&self, window: Span, own: Span, direction: f64) -> Option<Onset> {
        let own = indices(self.time_s, own);
        let (sharpest, jump_v) = REACHES_S.iter().find_map(|reach_s| {
            let reach = self.reach(*reach_s);
            let best = indices(self.time_s, window)
                .filter(|&k| k > own.start && k < own.end)
                .map(|k| {
                    let before = &self.bus_v[k.saturating_sub(reach).max(own.start)..k];
                    let after = &self.bus_v[k..(k + reach).min(own.end)];
                    (k, mean(after) - mean(before))
                })
                .filter(|(_, jump_v)| jump_v.is_finite())
                .max_by(|a, b| (direction * a.1).total_cmp(&(direction * b.1)))?;
            (direction * best.1 >= self.noise_model.visible_change_v(reach, WIDTHS)).then_some(best)
        })?;
        let earliest =
            index_at(self.time_s, (self.time_s[sharpest] - NOTICED_LATE_S).max(window.start_s));
        let at = self.break_near(earliest..sharpest + 1, own.clone());
        let at = self.first_away(at, own.start, direction);
        Some(Onset { at_s: self.time_s[at], jump_v })
    }

    /// A sharp sag, or its mirror image, near `around` that no channel declares and that is
    /// corrected soon, if there is one.
    pub fn undeclared_sag(&self, around: Span, own: Span) -> Option<Onset> {
        let own_range = indices(self.time_s, own);
        let candidates = indices(self.time_s, around);
        let candidates =
            candidates.start.max(own_range.start + 1)..candidates.end.min(own_range.end);
        if candidates.is_empty() {
            return None;
        }
        let at = self.break_near(candidates, own_range.clone());
        let at_s = self.time_s[at];
        let before = indices(
            self.time_s,
            Span { start_s: (at_s - FIT_BEFORE_S).max(own.start_s + CALM_AFTER_S), end_s: at_s },
        );
        let before = before.start..before.end.min(at);
        let arrived =
            Span { start_s: at_s + ARRIVED_S.0, end_s: (at_s + ARRIVED_S.1).min(own.end_s) };
        let after = indices(self.time_s, arrived);
        let enough = ((LEAST_BEFORE_S / self.noise_model.interval_s) as usize).max(4);
        if before.len() < enough || after.len() < LEAST_SAMPLES {
            return None;
        }
        let left_v = self.common_level(&self.bus_v[after]) - median(&self.bus_v[before.clone()]);
        self.sharp_move(at, before, own_range.end)
            .filter(|sag| left_v.abs() < MENDED_SHARE * sag.jump_v.abs())
    }

    /// The first sample of the change at `at_s`, which goes in `direction`.
    pub fn began(&self, at_s: f64, direction: f64, own: Span) -> f64 {
        let own = indices(self.time_s, own);
        let at = index_at(self.time_s, at_s);
        if !own.contains(&at) {
            return at_s;
        }
        let first = self.first_away(at, own.start, direction);
        if first < at { self.time_s[first] } else { at_s }
    }

    /// The sample within `reach_s` of `at_s` at which a new course begins.
    pub fn placed(&self, at_s: f64, reach_s: f64, own: Span) -> f64 {
        let own = indices(self.time_s, own);
        let near = indices(self.time_s, Span { start_s: at_s - reach_s, end_s: at_s + reach_s });
        let near = near.start.max(own.start + 1)..near.end.min(own.end);
        if near.is_empty() { at_s } else { self.time_s[self.break_near(near, own)] }
    }

    /// Mean of the samples near the median, so that a drop-out does not count.
    fn common_level(&self, bus_v: &[f64]) -> f64 {
        let middle_v = median(bus_v);
        let near_v = 6.0 * self.noise_model.sigma_v + self.noise_model.step_v.unwrap_or(0.0);
        let near: Vec<f64> =
            bus_v.iter().copied().filter(|v| (v - middle_v).abs() <= near_v).collect();
        if near.len() * 2 < bus_v.len() { mean(bus_v) } else { mean(&near) }
    }

    /// A sharp move off a quiet level, as of a load that the regulator then corrects. One outlier
    /// is not enough.
    fn sharp_move(&self, at: usize, before: Range<usize>, end: usize) -> Option<Onset> {
        let reach = self.reach(REACHES_S[0]);
        let after = &self.bus_v[at..(at + reach).min(end)];
        let quiet_v = median(&self.bus_v[before.clone()]);
        let moved_v = mean(after) - quiet_v;
        let apart_v = |v: &f64| moved_v.signum() * (v - quiet_v);
        // The break may be placed a moment late: what leads into it is left out.
        let lead = before.start..before.end.saturating_sub(LEAST_SAMPLES + reach / 4);
        let quiet = !self.bus_v[lead].iter().any(|v| apart_v(v) > 0.5 * moved_v.abs());
        let whole = after.iter().filter(|v| apart_v(v) > 3.0 * self.noise_model.sigma_v).count()
            >= LEAST_SAMPLES;
        let least_v = (self.noise_model.visible_change_v(reach, SAG_WIDTHS))
            .max(LEAST_STEPS * self.noise_model.step_v.unwrap_or(0.0));
        // A lost contact comes back in one jump; a regulator needs time.
        let soon = (LOST_CONTACT_S / self.noise_model.interval_s) as usize;
        let soon = &self.bus_v[at..(at + soon).clamp(at, end)];
        let back_v = soon.windows(2).map(|w| apart_v(&w[0]) - apart_v(&w[1])).fold(0.0, f64::max);
        let deepest_v = soon.iter().map(apart_v).fold(0.0, f64::max);
        let deep_v = self.noise_model.nominal.volts(levels::LOST_CONTACT);
        let lost_contact =
            moved_v < 0.0 && deepest_v > deep_v && back_v > LOST_CONTACT_BACK * deepest_v;
        (quiet && whole && !lost_contact && moved_v.abs() >= least_v)
            .then_some(Onset { at_s: self.time_s[at], jump_v: moved_v })
    }

    /// The candidate that best parts a straight line before from a bending one
    /// after: an index into the samples.
    fn break_near(&self, candidates: Range<usize>, own: Range<usize>) -> usize {
        let first = candidates.start;
        self.parted(candidates, own).min_by(|a, b| a.1.total_cmp(&b.1)).map_or(first, |best| best.0)
    }

    /// The first sample of the unbroken run before `at` that is further off the line before it
    /// than noise. The current takes a moment to rise, and the fit places the break after that.
    fn first_away(&self, at: usize, own_start: usize, direction: f64) -> usize {
        let before_s = FIT_BEFORE_S.max(FIT_BEFORE_SAMPLES * self.noise_model.interval_s);
        let arrives_s = ARRIVES_S.max(1.5 * self.noise_model.interval_s);
        let from = index_at(self.time_s, self.time_s[at] - before_s).max(own_start);
        let calm = from..index_at(self.time_s, self.time_s[at] - arrives_s).max(from);
        let Some(line) = ordinary(&self.time_s[calm.clone()], &self.bus_v[calm.clone()]) else {
            return at;
        };
        let far_v = AWAY_SIGMAS * self.noise_model.sigma_v + self.noise_model.step_v.unwrap_or(0.0);
        let is_away = |k: &usize| direction * (self.bus_v[*k] - line.at(self.time_s[*k])) > far_v;
        (calm.end..at).rev().take_while(is_away).last().unwrap_or(at)
    }

    /// Each candidate with the residual squares before and after it, over one window for all.
    fn parted(
        &self,
        candidates: Range<usize>,
        own: Range<usize>,
    ) -> impl Iterator<Item = (usize, f64)> {
        let window = self.fitted(&candidates, own);
        candidates.map(move |k| {
            let left = residual_squares(&self.bus_v[window.start..k], 1);
            let right = residual_squares(&self.bus_v[k..window.end], 2);
            (k, left + right)
        })
    }

    /// The samples that a break among `candidates` is fitted to.
    fn fitted(&self, candidates: &Range<usize>, own: Range<usize>) -> Range<usize> {
        let (first, last) =
            (candidates.start, candidates.end.saturating_sub(1).max(candidates.start));
        let start =
            index_at(self.time_s, self.time_s[first] - FIT_BEFORE_S).max(own.start).min(first);
        start..index_at(self.time_s, self.time_s[last] + FIT_AFTER_S).min(own.end).max(last)
    }

    /// Possible moments of a break placed at `at_s`, with their probabilities: the course, about
    /// that moment, of the likelihood of a change point under normal
    /// noise, with even odds before (Smith, Biometrika 62, 1975; from memory). The chances add
    /// up to one.
    pub fn chances(&self, at_s: f64, own: Span) -> Vec<(f64, f64)> {
        let own = indices(self.time_s, own);
        let near = indices(self.time_s, Span { start_s: at_s - UNSURE_S, end_s: at_s + UNSURE_S });
        let near = near.start.max(own.start + 1)..near.end.min(own.end);
        if near.len() < 2 {
            return vec![(at_s, 1.0)];
        }
        let samples = self.fitted(&near, own.clone()).len() as f64;
        let left: Vec<(usize, f64)> = self.parted(near, own).collect();
        let least = left.iter().map(|(_, squares)| *squares).fold(f64::INFINITY, f64::min);
        let variance =
            (least / (samples - BREAK_TERMS).max(1.0)).max(self.noise_model.sigma_v.powi(2));
        let weights = left.iter().map(|(_, squares)| (-(squares - least) / (2.0 * variance)).exp());
        let all: f64 = weights.clone().sum();
        let best =
            left.iter().min_by(|a, b| a.1.total_cmp(&b.1)).map_or(at_s, |best| self.time_s[best.0]);
        let moment_s = |k: usize| self.time_s[k] + at_s - best;
        left.iter().zip(weights).map(|((k, _), weight)| (moment_s(*k), weight / all)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOISE: NoiseModel = NoiseModel::white(0.01, 0.05);

    fn series(shape: impl Fn(f64) -> f64) -> (Vec<f64>, Vec<f64>) {
        let time_s: Vec<f64> = (0..300).map(|i| f64::from(i) * 0.05).collect();
        let wobble = |i: usize| 0.005 * ((i * 7 % 5) as f64 - 2.0);
        let bus_v = time_s.iter().enumerate().map(|(i, &t)| shape(t) + wobble(i)).collect();
        (time_s, bus_v)
    }

    fn trace<'a>(time_s: &'a [f64], bus_v: &'a [f64]) -> Trace<'a> {
        Trace { time_s, bus_v, noise_model: &NOISE }
    }

    const OWN: Span = Span { start_s: 0.0, end_s: 15.0 };

    #[test]
    fn finds_the_first_low_sample() {
        let (time_s, bus_v) = series(|t| if t < 5.0 { 14.2 } else { 13.8 });
        let window = Span { start_s: 3.0, end_s: 8.0 };
        let found = trace(&time_s, &bus_v).answer(window, OWN, -1.0).unwrap();
        assert!((found.at_s - 5.0).abs() < 0.051, "{found:?}");
        assert_eq!(trace(&time_s, &bus_v).answer(window, OWN, 1.0), None);
    }

    #[test]
    fn finds_the_beginning_of_a_slide() {
        let slide = |t: f64| if t < 5.0 { 13.7 } else { 13.2 + 0.5 * (-(t - 5.0) / 1.5).exp() };
        let (time_s, bus_v) = series(slide);
        let window = Span { start_s: 3.0, end_s: 7.5 };
        let found = trace(&time_s, &bus_v).answer(window, OWN, -1.0).unwrap();
        assert!((found.at_s - 5.0).abs() < 0.3, "{found:?}");
    }

    #[test]
    fn a_sag_that_is_mended_is_found_and_a_step_is_left_alone() {
        let around = Span { start_s: 5.8, end_s: 6.2 };
        let sag = |t: f64| 14.2 - if t < 6.0 { 0.0 } else { 0.5 * (-(t - 6.0) / 0.3).exp() };
        let (time_s, bus_v) = series(sag);
        let found = trace(&time_s, &bus_v).undeclared_sag(around, OWN).unwrap();
        assert!((found.at_s - 6.0).abs() < 0.051 && found.jump_v < -0.25, "{found:?}");
        let (time_s, bus_v) = series(|t| if t < 6.0 { 14.2 } else { 13.8 });
        assert_eq!(trace(&time_s, &bus_v).undeclared_sag(around, OWN), None);
        assert!((trace(&time_s, &bus_v).placed(6.2, 0.4, OWN) - 6.0).abs() < 1e-9);
    }
}
