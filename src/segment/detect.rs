//! Load steps that no channel declares: abrupt changes of level that engine
//! speed does not explain.
//!
//! Two questions, one after the other. Where would straight lines fit the
//! voltage better in pieces? A penalised change-point search answers. And is
//! the join between two pieces a jump? Drift, polarisation and recovery bend
//! the voltage; only switching breaks it.

use crate::diagnosis::Phase;
use crate::log::{Log, Span};
use crate::segment::grain::Grain;
use crate::segment::onset::sharpest;
use crate::segment::{indices, mean};
use crate::stats::changepoint::{Trend, pelt};

/// Averaging blocks: short against anything a person switches.
const BLOCK_S: f64 = 0.1;
/// The search runs over stretches this long, overlapping, so that its cost
/// grows with the log's length and no faster.
const CHAPTER_S: f64 = 120.0;
const OVERLAP_S: f64 = 10.0;
/// Over this long a jump is told from a ramp.
const SHARP_S: f64 = 0.5;
/// A change the other way within this is the recovery from the last one.
const RECOVERY_S: f64 = 2.5;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    pub at_s: f64,
    /// Level after minus level before.
    pub jump_v: f64,
}

/// Steps within `phase`; `known_s` are the moments of declared steps, which
/// cut the search so that they need no finding again.
pub fn detect(
    log: &Log,
    phase: &Phase,
    speed_changes: &[Span],
    known_s: &[f64],
    grain: &Grain,
) -> Vec<Found> {
    let blocks = Blocks::over(log.time_s(), log.bus_v(), phase, grain);
    let mut found: Vec<Found> = Vec::new();
    for moment_s in blocks.break_times(grain) {
        if near_speed_change(moment_s, speed_changes)
            || known_s.iter().any(|k| (k - moment_s).abs() < SHARP_S)
        {
            continue;
        }
        let Some(step) = confirm(log, phase, moment_s, grain) else { continue };
        if near_speed_change(step.at_s, speed_changes) {
            continue;
        }
        match found.last() {
            // The same moment met twice, from two chapters or two breaks.
            Some(last) if step.at_s - last.at_s < SHARP_S => {
                if step.jump_v.abs() > last.jump_v.abs() {
                    found.pop();
                    found.push(step);
                }
            }
            Some(last)
                if step.at_s - last.at_s < RECOVERY_S
                    && step.jump_v.signum() != last.jump_v.signum()
                    && step.jump_v.abs() < last.jump_v.abs() => {}
            _ => found.push(step),
        }
    }
    found
}

fn near_speed_change(t_s: f64, speed_changes: &[Span]) -> bool {
    speed_changes.iter().any(|c| c.start_s - 0.5 <= t_s && t_s <= c.end_s + 0.5)
}

/// A break is a step if the level jumps within [`SHARP_S`], by more than the
/// noise shows, and stays: lines through the seconds either side still miss
/// each other there.
fn confirm(log: &Log, phase: &Phase, moment_s: f64, grain: &Grain) -> Option<Found> {
    let (time_s, bus_v) = (log.time_s(), log.bus_v());
    let window = Span {
        start_s: (moment_s - 2.0 * BLOCK_S.max(grain.interval_s)).max(phase.start_s + SHARP_S),
        end_s: (moment_s + 2.0 * BLOCK_S.max(grain.interval_s)).min(phase.end_s - SHARP_S),
    };
    let onset = sharpest(time_s, bus_v, window, 0.0, grain).filter(|o| o.clear)?;
    let before = indices(
        time_s,
        Span { start_s: onset.at_s - 2.0, end_s: onset.at_s - 0.5 * grain.interval_s },
    );
    let after =
        indices(time_s, Span { start_s: onset.at_s + SHARP_S, end_s: onset.at_s + SHARP_S + 2.0 });
    let n = before.len().min(after.len());
    if n < 2 {
        return None;
    }
    let jump_v = mean(&bus_v[after]) - mean(&bus_v[before]);
    let stays = jump_v.signum() == onset.jump_v.signum()
        && jump_v.abs() >= grain.visible_change_v(n, 4.0).max(0.15 * onset.jump_v.abs());
    stays.then_some(Found { at_s: onset.at_s, jump_v })
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
        let each = ((BLOCK_S / grain.interval_s).floor() as usize).max(1);
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
        let chapter = (CHAPTER_S / block_s) as usize;
        let overlap = (OVERLAP_S / block_s) as usize;
        // What one sample's noise is worth once averaged and remembered.
        let memory = (grain.memory_samples / self.samples_each).max(1.0);
        let variance =
            grain.sigma_v.powi(2).max(1e-10) / self.samples_each.min(grain.memory_samples).max(1.0);
        let mut moments = Vec::new();
        let mut start = 0;
        while start + 4 <= self.level_v.len() {
            let end = (start + chapter).min(self.level_v.len());
            let piece = &self.level_v[start..end];
            let penalty = 3.0 * variance * memory * (piece.len() as f64).ln().max(1.0) * 1.5;
            let breaks = pelt(&Trend::new(piece), penalty, 3, 1);
            moments.extend(
                breaks.iter().filter(|&&b| b < piece.len()).map(|&b| self.time_s[start + b]),
            );
            if end == self.level_v.len() {
                break;
            }
            start = end - overlap;
        }
        moments.sort_by(f64::total_cmp);
        moments
    }
}
