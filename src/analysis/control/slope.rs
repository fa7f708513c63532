//! How much the voltage follows engine speed while nothing else changes.
//!
//! Engine speed counts as the share of its rated current that an alternator of common
//! shape can deliver there. Level and linear drift are removed from every block, so that only what
//! moves within seconds counts: hunting idle, slow sweeps, small changes.

use crate::analysis::amps::output_share;
use crate::diagnosis::PhaseKind;
use crate::log::{Log, Span};
use crate::segment::{Point, Segments, Stretch, indices, mean};
use crate::stats::density::normal;

/// Level and drift are free in each block of this length.
const BLOCK_S: f64 = 25.0;
/// Shorter blocks, and fewer means, show no slope beside level and drift.
const LEAST_ROWS: usize = 6;
/// Length of the means: a regulator responds within it.
const ROW_S: f64 = 1.0;
/// After a load is switched the idle governor and the regulator are busy.
const AFTER_STEP_S: f64 = 3.0;
/// Right after the start the battery takes back what the starter took.
const AFTER_START_S: f64 = 10.0;
/// A slower engine is not at this speed; with a much faster one the limit may be left.
const SLOWER: f64 = 0.9;
const FASTER_SHARE: f64 = 0.25;
/// Loads that are not logged and channels that are not read at one moment move a block by this
/// much beside what its samples show, V (common practice, no source).
const UNSEEN_V: f64 = 0.02;
/// Even a very quiet log does not know the slope better, V per unit share.
const LEAST_ERROR: f64 = 0.05;

/// Volts for each unit of output share, with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    pub value: f64,
    pub error: f64,
}

impl Slope {
    /// Natural log odds of "at its limit". In control the bus may rise a little with speed
    /// for its droop or a command that goes with idle; at the limit it rises by some volts
    /// while it charges, and by some tenths once the battery carries it.
    pub fn log_odds(&self, level_v: f64) -> f64 {
        let charging = ((level_v - 12.6) / 0.6).clamp(0.1, 0.9);
        let log_normal = |slope: f64, middle: f64, width: f64| {
            if slope > 0.0 { normal(slope.ln(), middle.ln(), width) / slope } else { 0.0 }
        };
        let (mut limited, mut regulated) = (0.0, 0.0);
        const STEP: f64 = 0.02;
        for k in -100..1000 {
            let slope = STEP * f64::from(k);
            let seen = STEP * normal(self.value, slope, self.error);
            regulated += seen * (0.85 * normal(slope, 0.1, 0.2) + 0.15 * normal(slope, 0.2, 0.6));
            limited += seen
                * (charging * log_normal(slope, 3.0, 0.8)
                    + (1.0 - charging) * log_normal(slope, 0.7, 0.7));
        }
        // Both vanish for a slope that neither explains, which is then no evidence.
        const NEITHER: f64 = 1e-4;
        ((limited + NEITHER) / (regulated + NEITHER)).ln()
    }
}

/// Of all visits to an operating point.
pub fn of_point(
    log: &Log,
    segments: &Segments,
    point: &Point,
    pulley_ratio: Option<f64>,
) -> Option<Slope> {
    let rpm = log.engine_rpm()?;
    let mut blocks: Vec<SlopeBlock> = Vec::new();
    for stretch in point.stretches.iter().filter_map(|&k| segments.stretches.get(k)) {
        let window = window(segments, stretch);
        let own_rpm = stretch.rpm?;
        let own_share = output_share(own_rpm, pulley_ratio);
        let mut from_s = window.start_s;
        while from_s < window.end_s {
            let until_s = (from_s + BLOCK_S).min(window.end_s);
            let rows = rows(log, rpm, Span { start_s: from_s, end_s: until_s }, |row_rpm| {
                let share = output_share(row_rpm, pulley_ratio);
                (row_rpm >= SLOWER * own_rpm && share <= own_share + FASTER_SHARE).then_some(share)
            });
            blocks.extend(SlopeBlock::of(&rows));
            from_s = until_s;
        }
    }
    slope(&blocks)
}

/// The time around a stretch in which its loads were on.
fn window(segments: &Segments, stretch: &Stretch) -> Span {
    let Span { start_s, end_s } = stretch.settled;
    let steps = &segments.steps;
    let later = steps.partition_point(|s| s.at_s <= start_s);
    let before = later.checked_sub(1).and_then(|k| steps.get(k)).map(|s| s.at_s + AFTER_STEP_S);
    let after = steps.get(later).map(|s| s.at_s - s.lag_s.unwrap_or(0.0));
    let middle_s = (start_s + end_s) / 2.0;
    let phases = &segments.phases;
    let phase = phases.iter().position(|p| p.start_s <= middle_s && middle_s <= p.end_s);
    let (mut from_s, mut until_s) = (start_s - BLOCK_S, end_s + BLOCK_S);
    if let Some((k, phase)) = phase.and_then(|k| Some((k, phases.get(k)?))) {
        let started = k.checked_sub(1).and_then(|k| phases.get(k));
        let started = started.is_some_and(|p| p.kind != PhaseKind::Running);
        from_s = from_s.max(phase.start_s + if started { AFTER_START_S } else { 0.0 });
        until_s = until_s.min(phase.end_s);
    }
    let from_s = from_s.max(before.unwrap_or(f64::NEG_INFINITY)).min(start_s);
    let until_s = until_s.min(after.unwrap_or(f64::INFINITY)).max(end_s);
    Span { start_s: from_s, end_s: until_s }
}

/// Time, share and volts, means of a second each.
fn rows(
    log: &Log,
    rpm: &[f64],
    span: Span,
    share_of: impl Fn(f64) -> Option<f64>,
) -> Vec<(f64, f64, f64)> {
    let (time_s, bus_v) = (log.time_s(), log.bus_v());
    let range = indices(time_s, span);
    let mut rows = Vec::new();
    let mut at = range.start;
    while at < range.end {
        let until = time_s[at] + ROW_S;
        let mut next = at + 1;
        while next < range.end && time_s[next] < until {
            next += 1;
        }
        let volts = mean(bus_v.get(at..next).unwrap_or_default()) / log.nominal().over_12_v();
        if let Some(share) = share_of(mean(rpm.get(at..next).unwrap_or_default()))
            && share.is_finite()
            && volts.is_finite()
        {
            rows.push((mean(&time_s[at..next]), share, volts));
        }
        at = next;
    }
    rows
}

/// Shares and volts of one block without level and drift.
struct SlopeBlock {
    share: Vec<f64>,
    volts: Vec<f64>,
}

impl SlopeBlock {
    fn of(rows: &[(f64, f64, f64)]) -> Option<SlopeBlock> {
        if rows.len() < LEAST_ROWS {
            return None;
        }
        let times: Vec<f64> = rows.iter().map(|r| r.0).collect();
        let share: Vec<f64> = rows.iter().map(|r| r.1).collect();
        let volts: Vec<f64> = rows.iter().map(|r| r.2).collect();
        Some(SlopeBlock {
            share: without_line(&times, &share),
            volts: without_line(&times, &volts),
        })
    }

    fn products(&self) -> (f64, f64) {
        let xy = self.share.iter().zip(&self.volts).map(|(x, y)| x * y).sum();
        let xx = self.share.iter().map(|x| x * x).sum();
        (xy, xx)
    }
}

fn without_line(times: &[f64], values: &[f64]) -> Vec<f64> {
    let (middle, level) = (mean(times), mean(values));
    let spread: f64 = times.iter().map(|t| (t - middle).powi(2)).sum();
    let rise: f64 = times.iter().zip(values).map(|(t, v)| (t - middle) * (v - level)).sum();
    let rate = if spread > 0.0 { rise / spread } else { 0.0 };
    times.iter().zip(values).map(|(t, v)| v - level - rate * (t - middle)).collect()
}

/// The slope over all blocks. Its error is the larger of two: by what is left over within
/// the blocks, with its memory, and by how far the blocks differ.
fn slope(blocks: &[SlopeBlock]) -> Option<Slope> {
    let products: Vec<(f64, f64)> = blocks.iter().map(SlopeBlock::products).collect();
    let xy: f64 = products.iter().map(|p| p.0).sum();
    let xx: f64 = products.iter().map(|p| p.1).sum();
    if xx <= 0.0 {
        return None;
    }
    let value = xy / xx;
    let (mut squares, mut next, mut dof) = (0.0, 0.0, 0.0);
    let (mut x_squares, mut x_next) = (0.0, 0.0);
    for block in blocks {
        let left: Vec<f64> =
            block.share.iter().zip(&block.volts).map(|(x, y)| y - value * x).collect();
        squares += left.iter().map(|r| r * r).sum::<f64>();
        next += left.windows(2).map(|p| p[0] * p[1]).sum::<f64>();
        x_squares += block.share.iter().map(|r| r * r).sum::<f64>();
        x_next += block.share.windows(2).map(|p| p[0] * p[1]).sum::<f64>();
        dof += left.len() as f64 - 2.0;
    }
    let memory = |next: f64, squares: f64| if squares > 0.0 { next / squares } else { 0.0 };
    let both = (memory(next, squares) * memory(x_next, x_squares)).clamp(0.0, 0.9);
    let within = squares / (dof - 1.0).max(1.0) * (1.0 + both) / (1.0 - both) / xx;
    let between: f64 = products.iter().map(|(xy, xx)| (xy - value * xx).powi(2)).sum();
    let few = blocks.len() as f64 / (blocks.len() as f64 - 1.0).max(0.5);
    let count: usize = blocks.iter().map(|b| b.share.len()).sum();
    let unseen = UNSEEN_V * UNSEEN_V * count as f64 / blocks.len() as f64 / xx;
    let error = ((between * few / (xx * xx)).max(within) * (1.0 + 2.0 / blocks.len() as f64)
        + unseen)
        .sqrt()
        .max(LEAST_ERROR);
    error.is_finite().then_some(Slope { value, error })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An idle that hunts by 3 % over 12 s, the bus following it by `follows` V per unit
    /// share on top of a drift.
    fn hunting(follows: f64) -> Option<Slope> {
        let blocks = (0..8).filter_map(|block| {
            let rows: Vec<(f64, f64, f64)> = (0..25)
                .map(|k| {
                    let t = f64::from(block * 25 + k);
                    let rpm = 800.0 * (1.0 + 0.03 * (t / 12.0 * std::f64::consts::TAU).sin());
                    let share = output_share(rpm, None);
                    let noise = 0.004 * ((t * 7.3).sin() + (t * 3.1).cos());
                    (t, share, 13.4 - 0.001 * t + follows * share + noise)
                })
                .collect();
            SlopeBlock::of(&rows)
        });
        slope(&blocks.collect::<Vec<_>>())
    }

    #[test]
    fn a_bus_that_follows_speed_is_told_from_one_that_does_not() {
        let flat = hunting(0.0).expect("a slope");
        assert!(flat.value.abs() < 3.0 * flat.error && flat.log_odds(13.3) < -1.5, "{flat:?}");
        let follows = hunting(4.0).expect("a slope");
        assert!((follows.value - 4.0).abs() < 0.5 && follows.log_odds(13.3) > 3.0, "{follows:?}");
    }

    #[test]
    fn a_slope_that_is_not_known_says_nothing() {
        let unsure = Slope { value: 1.0, error: 20.0 };
        assert!(unsure.log_odds(13.3).abs() < 0.4, "{}", unsure.log_odds(13.3));
    }
}
