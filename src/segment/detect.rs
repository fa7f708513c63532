//! Load steps that no channel declares: abrupt changes of level that engine
//! speed does not explain.
//!
//! Two questions, one after the other. Where would straight lines fit the
//! voltage better in pieces? A penalised change-point search answers. And is
//! the join between two pieces a jump? Drift, polarisation and recovery bend
//! the voltage; only switching breaks it.

use std::ops::Range;

use crate::diagnosis::Phase;
use crate::log::{Log, Span};
use crate::segment::grain::Grain;
use crate::segment::onset::{Onset, undeclared_break};
use crate::segment::{indices, mean};
use crate::shared::shared;
use crate::stats::changepoint::{Trend, pelt};
use crate::stats::robust::median;

/// Averaging blocks: short against anything a person switches.
const BLOCK_S: f64 = 0.1;
/// The search runs over stretches this long, overlapping, so that its cost
/// grows with the log's length and no faster.
const CHAPTER_S: f64 = 120.0;
const OVERLAP_S: f64 = 10.0;
/// … and over at least this many blocks: a logger may take a sample an hour.
const LEAST_CHAPTER: usize = 16;
/// Fewer chapters are not worth a thread.
const LEAST_CHAPTERS: usize = 8;
/// Two changes within this are told as one: the second may be the inrush, the
/// regulator or the idle governor answering the first.
const TOGETHER_S: f64 = 2.5;
/// The next break ends a change's say, unless it is this close: inrush and
/// regulator bend the voltage at once.
const BENDING_S: f64 = 1.0;
/// Right after the start everything moves.
const AFTER_START_S: f64 = 4.0;

/// Steps within `phase` away from speed changes and from the moments
/// `known_s` of declared steps, both in time order.
pub fn detect(
    log: &Log,
    phase: &Phase,
    speed_changes: &[Span],
    known_s: &[f64],
    grain: &Grain,
) -> Vec<Onset> {
    let (time_s, bus_v) = (log.time_s(), log.bus_v());
    let blocks = Blocks::over(time_s, bus_v, phase, grain);
    let reach_s = 2.0 * BLOCK_S.max(grain.interval_s);
    let begin_s = phase.start_s + if phase.start_s > 0.0 { AFTER_START_S } else { 0.0 };
    let mut found: Vec<Onset> = Vec::new();
    let moments = blocks.break_times(grain);
    for (k, &moment_s) in moments.iter().enumerate() {
        let beside = known_s.partition_point(|k| *k <= moment_s - reach_s);
        let known = known_s.get(beside).is_some_and(|k| (k - moment_s).abs() < reach_s);
        if near(moment_s, speed_changes) || known {
            continue;
        }
        let last = found.last().copied();
        let ended = speed_changes.partition_point(|c| c.end_s < moment_s);
        let begun = speed_changes.partition_point(|c| c.start_s <= moment_s);
        let before_s = ended
            .checked_sub(1)
            .map(|k| speed_changes[k].end_s)
            .into_iter()
            .chain(known_s[..known_s.partition_point(|k| *k < moment_s)].last().copied())
            .chain(last.map(|l| l.at_s))
            .filter(|t| *t < moment_s)
            .fold(begin_s, f64::max);
        let after_s = speed_changes
            .get(begun)
            .map(|c| c.start_s)
            .into_iter()
            .chain(known_s.get(known_s.partition_point(|k| *k <= moment_s)).copied())
            .chain(moments[k..].iter().copied().find(|next| next - moment_s > BENDING_S))
            .filter(|t| *t > moment_s)
            .fold(phase.end_s, f64::min);
        let around = Span { start_s: moment_s - reach_s, end_s: moment_s + reach_s };
        let own = Span { start_s: before_s, end_s: after_s };
        let Some(step) = undeclared_break(time_s, bus_v, around, own, grain) else { continue };
        match last {
            Some(last) if step.at_s - last.at_s < TOGETHER_S => {}
            _ if near(step.at_s, speed_changes) || sped_up(log, &step) => {}
            _ => found.push(step),
        }
    }
    found
}

/// Less than this share of its speed is what an idle governor gives and takes.
const SPED_UP_SHARE: f64 = 0.05;

/// Whether the engine changed speed along with the voltage: a higher idle for
/// the air conditioner lifts the bus, and no load does.
fn sped_up(log: &Log, step: &Onset) -> bool {
    let Some(rpm) = log.engine_rpm() else { return false };
    let level =
        |start_s: f64, end_s: f64| median(&rpm[indices(log.time_s(), Span { start_s, end_s })]);
    let change =
        level(step.at_s + 0.5, step.at_s + 2.5) / level(step.at_s - 2.0, step.at_s - 0.2) - 1.0;
    change.abs() > SPED_UP_SHARE && change.signum() == step.jump_v.signum()
}

fn near(t_s: f64, speed_changes: &[Span]) -> bool {
    let ended = speed_changes.partition_point(|c| c.end_s + 0.5 < t_s);
    speed_changes.get(ended).is_some_and(|c| c.start_s - 0.5 <= t_s)
}

/// The bus voltage averaged to blocks of [`BLOCK_S`] or one sample.
struct Blocks {
    time_s: Vec<f64>,
    level_v: Vec<f64>,
    samples_each: f64,
}

impl Blocks {
    fn over(time_s: &[f64], bus_v: &[f64], phase: &Phase, grain: &Grain) -> Blocks {
        let range = indices(time_s, Span { start_s: phase.start_s, end_s: phase.end_s });
        // Of a condensed log the interval is as told, but for the stamps' rounding.
        let dust = if grain.reading.is_some() { 2e-3 } else { 0.0 };
        let each = ((BLOCK_S / grain.interval_s * (1.0 + dust)).floor() as usize).max(1);
        let starts: Vec<usize> = range.clone().step_by(each).collect();
        Blocks {
            time_s: starts.iter().map(|&i| time_s[i]).collect(),
            level_v: starts.iter().map(|&i| mean(&bus_v[i..(i + each).min(range.end)])).collect(),
            samples_each: each as f64,
        }
    }

    /// Times at which a new straight piece begins, in order.
    fn break_times(&self, grain: &Grain) -> Vec<f64> {
        let block_s = BLOCK_S.max(grain.interval_s);
        let chapter = ((CHAPTER_S / block_s) as usize).max(LEAST_CHAPTER);
        let overlap = (OVERLAP_S / block_s) as usize;
        // What one sample's noise is worth once averaged and remembered.
        let memory = (grain.memory_samples / self.samples_each).max(1.0);
        let variance =
            grain.sigma_v.powi(2).max(1e-10) / self.samples_each.min(grain.memory_samples).max(1.0);
        let mut chapters = Vec::new();
        let mut start = 0;
        while start + 4 <= self.level_v.len() {
            let end = (start + chapter).min(self.level_v.len());
            chapters.push(start..end);
            if end == self.level_v.len() {
                break;
            }
            start = end - overlap;
        }
        let breaks_in = |chapter: &Range<usize>| {
            let piece = &self.level_v[chapter.clone()];
            let penalty = 3.0 * variance * memory * (piece.len() as f64).ln().max(1.0) * 1.5;
            let breaks = pelt(&Trend::new(piece), penalty, 3, 1);
            let inside = breaks.into_iter().filter(|&b| b < piece.len());
            inside.map(|b| self.time_s[chapter.start + b]).collect::<Vec<f64>>()
        };
        let parts = shared(&chapters, LEAST_CHAPTERS, |part| {
            part.iter().flat_map(breaks_in).collect::<Vec<f64>>()
        });
        let mut moments = parts.concat();
        moments.sort_by(f64::total_cmp);
        moments
    }
}
