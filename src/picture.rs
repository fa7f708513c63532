//! The traces behind the pictures, decimated so that their size does not grow
//! with the log.

mod differences;
mod samples;

use std::collections::BTreeMap;

use crate::diagnosis::{Envelope, Lane, LaneRun, NamedEnvelope, Picture, SpeedCloud};
use crate::log::{Log, Role, Span, Tap};
use crate::parallel::{both, shared};
use crate::segment::{Segments, Step, edges, indices, mean};
use crate::stats::min_max::Extent;

pub use differences::encode;

/// Buckets over the whole log: more than a page has pixels for.
const WHOLE_BUCKETS: usize = 1600;
const STEP_BUCKETS: usize = 300;
/// Most load steps with a picture of their own.
const MOST_STEPS: usize = 240;
/// Points of one load set in the picture of voltage against speed.
const CLOUD_POINTS: usize = 300;
const CLOUD_BLOCK_S: f64 = 0.5;
/// Around a load step.
const BEFORE_STEP_S: f64 = 4.0;
const AFTER_STEP_S: f64 = 20.0;

pub fn picture(log: &Log, segments: &Segments) -> Picture {
    // Extremes are those of the logger's own samples.
    let sampled = log.as_sampled();
    let Some(whole) = whole(sampled) else { return Picture::default() };
    let over = |values: &[f64], span: Span, buckets| {
        envelope(sampled.time_s(), values, span, buckets, &log.source.gaps)
    };
    let others = Tap::ALL.into_iter().filter(|tap| *tap != log.bus);
    let others: Vec<(Tap, &[f64])> =
        others.filter_map(|tap| Some((tap, sampled.channel(Role::Voltage(tap))?))).collect();
    let traces = [sampled.bus_v()].into_iter().chain(sampled.engine_rpm());
    let traces: Vec<&[f64]> = traces.chain(others.iter().map(|(_, values)| *values)).collect();
    let steps: Vec<Span> = segments.steps.iter().take(MOST_STEPS).map(around).collect();
    let (samples, (traces, steps)) = both(
        || samples::samples(log),
        || {
            let whole = |values: &&[f64]| over(values, whole, WHOLE_BUCKETS);
            let step = |span: &Span| over(sampled.bus_v(), *span, STEP_BUCKETS);
            let traces = shared(&traces, 1, |part| part.iter().map(whole).collect::<Vec<_>>());
            (traces, steps.iter().map(step).collect())
        },
    );
    let mut traces = traces.into_iter().flatten();
    Picture {
        voltage: traces.next().unwrap_or_default(),
        engine_rpm: sampled.engine_rpm().and_then(|_| traces.next()),
        other_voltages: others
            .iter()
            .zip(traces)
            .map(|((tap, _), envelope)| NamedEnvelope { name: tap.word().to_owned(), envelope })
            .collect(),
        loads: lanes(log),
        steps,
        speed: clouds(log, segments),
        samples,
    }
}

/// What the picture of a load step shows.
fn around(step: &Step) -> Span {
    Span {
        start_s: step.at_s - BEFORE_STEP_S,
        end_s: step.until_s.clamp(step.at_s + 1.0, step.at_s + AFTER_STEP_S),
    }
}

fn whole(log: &Log) -> Option<Span> {
    Some(Span { start_s: *log.time_s().first()?, end_s: *log.time_s().last()? })
}

/// `values` within `span` as at most `buckets` pairs of lowest and highest.
fn envelope(time_s: &[f64], values: &[f64], span: Span, buckets: usize, gaps: &[Span]) -> Envelope {
    let range = indices(time_s, span);
    let mut envelope = Envelope::default();
    let mut push = |t: f64, low: f64, high: f64| {
        let known = low.is_finite() && high.is_finite();
        envelope.time_s.push(t);
        envelope.low.push(known.then_some(low));
        envelope.high.push(known.then_some(high));
    };
    let bucket_s = if range.len() <= buckets { 0.0 } else { span.seconds() / buckets as f64 };
    // A gap that is shorter than a bucket shows nowhere.
    let shows = |g: &&Span| g.start_s >= span.start_s && g.seconds() >= bucket_s;
    let first = gaps.partition_point(|g| g.start_s < span.start_s);
    let mut gaps = gaps.iter().skip(first).filter(shows).peekable();
    let mut k = range.start;
    while k < range.end {
        let start_s = time_s[k];
        if gaps.next_if(|g| g.end_s <= start_s + 1e-9).is_some() {
            push(start_s, f64::NAN, f64::NAN);
        }
        let stop_s = gaps.peek().map_or(f64::INFINITY, |g| g.start_s);
        let later = &time_s[k + 1..range.end];
        let full = later.partition_point(|&t| t < start_s + bucket_s);
        let end = k + 1 + full.min(later.partition_point(|&t| t <= stop_s));
        let Extent { low, high, .. } = Extent::of(&values[k..end]);
        push(start_s, low, high);
        k = end;
    }
    envelope
}

fn lanes(log: &Log) -> Vec<Lane> {
    log.load_names()
        .iter()
        .filter_map(|name| {
            let runs = edges::runs(log.time_s(), log.load(name)?)
                .into_iter()
                .map(|r| LaneRun { start_s: r.start_s, end_s: r.end_s, duty: r.duty })
                .collect();
            Some(Lane { load: name.clone(), runs })
        })
        .collect()
}

/// Short means of voltage and speed in steady running, by load set.
fn clouds(log: &Log, segments: &Segments) -> Vec<SpeedCloud> {
    let Some(rpm) = log.engine_rpm() else { return Vec::new() };
    let mut sets: BTreeMap<&[String], Vec<(f64, f64)>> = BTreeMap::new();
    for stretch in &segments.stretches {
        let blocks = sets.entry(&stretch.loads).or_default();
        let range = indices(log.time_s(), stretch.settled);
        let each = ((CLOUD_BLOCK_S / log.interval_s()) as usize).max(1);
        for start in range.clone().step_by(each) {
            let end = (start + each).min(range.end);
            let block = (mean(&rpm[start..end]), mean(&log.bus_v()[start..end]));
            if block.0.is_finite() && block.1.is_finite() {
                blocks.push(block);
            }
        }
    }
    sets.into_iter()
        .filter(|(_, blocks)| !blocks.is_empty())
        .map(|(loads, blocks)| {
            let stride = blocks.len().div_ceil(CLOUD_POINTS);
            let kept = blocks.iter().step_by(stride);
            let (rpm, voltage_v) = kept.copied().unzip();
            SpeedCloud { loads: loads.to_vec(), rpm, voltage_v }
        })
        .collect()
}
