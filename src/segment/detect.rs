//! Load steps that no channel declares: abrupt changes of level that engine speed does not
//! explain, and sharp sags that the regulator corrects.

use std::ops::Range;

use crate::log::{Log, Span};
use crate::parallel::flat_shared;
use crate::segment::kinds::Phase;
use crate::segment::levels::{self, ANY_CHANGE, BusPiece, LevelStep, UNLIKELY_CHANGE};
use crate::segment::noise_model::NoiseModel;
use crate::segment::onset::{Onset, Trace};
use crate::segment::{indices, mean};
use crate::stats::changepoint::{Trend, pelt};
use crate::stats::robust::median;

/// Averaging blocks: short against anything a person switches,
const BLOCK_S: f64 = 0.1;
/// and, for levels that last, short against any of these.
const LEVEL_BLOCK_S: f64 = 0.2;
/// The search runs over stretches this long, overlapping, so that its cost
/// grows with the log's length and no faster.
const CHAPTER_S: f64 = 120.0;
const OVERLAP_S: f64 = 10.0;
/// and over at least this many blocks: a logger may take one sample an hour.
const LEAST_CHAPTER: usize = 16;
/// Least blocks of a chapter, and its overlap with the next in blocks or seconds: a change near
/// the end of a chapter is left to the next.
const LEVEL_CHAPTER: usize = 240;
const LEVEL_OVERLAP: usize = 24;
const LEVEL_OVERLAP_S: f64 = 40.0;
/// Chapters that the wander of the bus is estimated from.
const MOST_WANDERING: usize = 40;
/// Fewer chapters are not worth a thread.
const LEAST_CHAPTERS: usize = 8;
/// A slower logger shows no sag that is corrected.
const SLOWEST_SAG_S: f64 = 0.25;
/// Two changes within this count as one: the second may be inrush, or the response of the
/// regulator or the idle governor to the first.
const TOGETHER_S: f64 = 2.5;
/// The next break ends a change, unless it is this close: inrush and regulator bend the voltage
/// at once.
const BENDING_S: f64 = 1.0;
/// Right after the start everything moves, for this long or this many samples.
const AFTER_START_S: f64 = 4.0;
const AFTER_START_SAMPLES: f64 = 2.0;
/// For this long after the start the bus may rise within seconds, as the charge current falls,
const RECOVERING_S: f64 = 90.0;
/// and this soon, as the alternator begins to charge.
const TAKING_OVER_S: f64 = 20.0;
/// Share of the change by which a load that goes off lifts the bus at once.
const AT_ONCE_SHARE: f64 = 0.2;

/// Steps within `phase` away from speed changes and from the moments
/// `known_s` of declared steps, both in time order.
pub fn detect(
    log: &Log,
    phase: &Phase,
    speed_changes: &[Span],
    known_s: &[f64],
    noise_model: &NoiseModel,
) -> Vec<Onset> {
    let after_start_s = AFTER_START_S.max(AFTER_START_SAMPLES * noise_model.interval_s);
    let begin_s = phase.start_s + if phase.start_s > 0.0 { after_start_s } else { 0.0 };
    let span = Span { start_s: begin_s, end_s: phase.end_s };
    let started_s = if phase.start_s > 0.0 { phase.start_s } else { f64::NEG_INFINITY };
    let mut found = lasting(log, span, started_s, speed_changes, noise_model);
    if noise_model.interval_s <= SLOWEST_SAG_S {
        let mut sags = sags(log, phase, begin_s, speed_changes, known_s, noise_model);
        sags.retain(|sag| {
            let next = found.partition_point(|step| step.at_s < sag.at_s - TOGETHER_S);
            found.get(next).is_none_or(|step| step.at_s > sag.at_s + TOGETHER_S)
        });
        found.extend(sags);
        found.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    }
    found
}

/// Changes of level that last. For a while after the start only a sharp rise is one.
fn lasting(
    log: &Log,
    span: Span,
    started_s: f64,
    speed_changes: &[Span],
    noise_model: &NoiseModel,
) -> Vec<Onset> {
    // Thresholds are stated for six cells.
    let cells = noise_model.nominal.over_12_v();
    let step_v = noise_model.step_v.unwrap_or(0.0) / cells;
    let criteria = if log.load_names().is_empty() { ANY_CHANGE } else { UNLIKELY_CHANGE };
    let chapters = chapters(log, span, speed_changes, noise_model);
    let every = chapters.len().div_ceil(MOST_WANDERING).max(1);
    let some: Vec<&BusPiece> = chapters.iter().step_by(every).map(|c| &c.piece).collect();
    let Some(wander) = levels::wander(&some, step_v) else { return Vec::new() };
    let changes_in = |chapter: &Chapter| {
        let mut changes = levels::changes(&chapter.piece, &wander, step_v, &criteria);
        let is_own = |c: &LevelStep| chapter.own.start_s <= c.at_s && c.at_s < chapter.own.end_s;
        changes.retain(is_own);
        changes
    };
    let changes = flat_shared(&chapters, LEAST_CHAPTERS, changes_in);
    let block_s = LEVEL_BLOCK_S.max(noise_model.interval_s);
    let trace = Trace::of(log, noise_model);
    let onset = |change: LevelStep| {
        let at_s = if noise_model.interval_s < LEVEL_BLOCK_S {
            trace.placed(change.at_s, 2.0 * block_s, span)
        } else {
            change.at_s
        };
        let at_s = trace.began(at_s, change.jump_v.signum(), span);
        Onset { at_s, jump_v: change.jump_v * cells }
    };
    let mut fallen_v = 0.0;
    let lasts = |change: &LevelStep| {
        // Back up from a fall is a load that goes off, however slowly.
        let run_s = change.at_s - started_s;
        let is_sharp = run_s >= TAKING_OVER_S && change.edge_share >= AT_ONCE_SHARE;
        let recovers = run_s < RECOVERING_S && change.jump_v > 1.5 * fallen_v && !is_sharp;
        if !recovers {
            fallen_v = (fallen_v - change.jump_v).max(0.0);
        }
        !recovers
    };
    changes.into_iter().filter(lasts).map(onset).collect()
}

/// A piece of running, and the part of it whose changes are taken from this piece.
struct Chapter {
    piece: BusPiece,
    own: Span,
}

/// Running between speed changes and gaps within `span`, in overlapping chapters.
fn chapters(
    log: &Log,
    span: Span,
    speed_changes: &[Span],
    noise_model: &NoiseModel,
) -> Vec<Chapter> {
    let time_s = log.time_s();
    // The interval of an averaged log is exact but for the rounding of its stamps.
    let each = ((LEVEL_BLOCK_S / noise_model.interval_s * 1.002).floor() as usize).max(1);
    let block_s = each as f64 * noise_model.interval_s;
    let long = ((CHAPTER_S / block_s) as usize).max(LEVEL_CHAPTER) * each;
    let overlap = ((LEVEL_OVERLAP_S / block_s) as usize).max(LEVEL_OVERLAP) * each;
    let mut cuts = speed_changes.to_vec();
    cuts.extend(log.gaps());
    cuts.retain(|cut| cut.end_s > span.start_s && cut.start_s < span.end_s);
    cuts.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    cuts.push(Span { start_s: span.end_s, end_s: span.end_s });
    let mut chapters = Vec::new();
    let mut start_s = span.start_s;
    for cut in cuts {
        if cut.start_s > start_s {
            let range = indices(time_s, Span { start_s, end_s: cut.start_s });
            chapters_of(log, range, each, block_s, (long, overlap), &mut chapters);
        }
        start_s = start_s.max(cut.end_s);
    }
    chapters
}

fn chapters_of(
    log: &Log,
    range: Range<usize>,
    each: usize,
    block_s: f64,
    (long, overlap): (usize, usize),
    chapters: &mut Vec<Chapter>,
) {
    let time_s = log.time_s();
    let cells = log.nominal().over_12_v();
    let (mut start, mut own_s) = (range.start, f64::NEG_INFINITY);
    while start + each < range.end {
        let end = (start + long).min(range.end);
        let is_last = end == range.end;
        let starts: Vec<usize> = (start..end).step_by(each).filter(|k| k + each <= end).collect();
        let means =
            |x: &[f64]| -> Vec<f64> { starts.iter().map(|&k| mean(&x[k..k + each])).collect() };
        let next_s = time_s[end - overlap.min(end - start) / 2 - 1];
        let own = Span { start_s: own_s, end_s: if is_last { f64::INFINITY } else { next_s } };
        let piece = BusPiece {
            time_s: starts.iter().map(|&k| time_s[k]).collect(),
            bus_v: means(log.bus_v()).into_iter().map(|v| v / cells).collect(),
            rpm: log.engine_rpm().map(means).unwrap_or_default(),
            interval_s: block_s,
        };
        chapters.push(Chapter { piece, own });
        if is_last {
            break;
        }
        (start, own_s) = (end - overlap, next_s);
    }
}

/// Sharp moves that are corrected, away from speed changes and declared steps.
fn sags(
    log: &Log,
    phase: &Phase,
    begin_s: f64,
    speed_changes: &[Span],
    known_s: &[f64],
    noise_model: &NoiseModel,
) -> Vec<Onset> {
    let trace = Trace::of(log, noise_model);
    let blocks = Blocks::over(log.time_s(), log.bus_v(), phase, noise_model);
    let reach_s = 2.0 * BLOCK_S.max(noise_model.interval_s);
    let mut found: Vec<Onset> = Vec::new();
    let moments = blocks.break_times(noise_model);
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
        let Some(step) = trace.undeclared_sag(around, own) else { continue };
        match last {
            Some(last) if step.at_s - last.at_s < TOGETHER_S => {}
            _ if near(step.at_s, speed_changes) || sped_up(log, &step) => {}
            _ => found.push(step),
        }
    }
    found
}

/// An idle governor varies the speed by less than this share.
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
    fn over(time_s: &[f64], bus_v: &[f64], phase: &Phase, noise_model: &NoiseModel) -> Blocks {
        let range = indices(time_s, Span { start_s: phase.start_s, end_s: phase.end_s });
        // The interval of an averaged log is exact but for the rounding of its stamps.
        let dust = if noise_model.reading.is_some() { 2e-3 } else { 0.0 };
        let each = ((BLOCK_S / noise_model.interval_s * (1.0 + dust)).floor() as usize).max(1);
        let starts: Vec<usize> = range.clone().step_by(each).collect();
        Blocks {
            time_s: starts.iter().map(|&i| time_s[i]).collect(),
            level_v: starts.iter().map(|&i| mean(&bus_v[i..(i + each).min(range.end)])).collect(),
            samples_each: each as f64,
        }
    }

    /// Times at which a new straight piece begins, in order.
    fn break_times(&self, noise_model: &NoiseModel) -> Vec<f64> {
        let block_s = BLOCK_S.max(noise_model.interval_s);
        let chapter = ((CHAPTER_S / block_s) as usize).max(LEAST_CHAPTER);
        let overlap = (OVERLAP_S / block_s) as usize;
        // Long-run variance of a block's noise.
        let memory = (noise_model.correlation_samples / self.samples_each).max(1.0);
        let variance = noise_model.sigma_v.powi(2).max(1e-10)
            / self.samples_each.min(noise_model.correlation_samples).max(1.0);
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
        let mut moments = flat_shared(&chapters, LEAST_CHAPTERS, breaks_in);
        moments.sort_by(f64::total_cmp);
        moments
    }
}
