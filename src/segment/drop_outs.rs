//! Brief losses of contact: far under the level around them, and back at once. They
//! tell of a joint, not of how the bus is held, so steady stretches are cut at them.

use crate::levels;
use crate::log::{Log, Span};
use crate::segment::{Grain, Stretch, indices};
use crate::stats::places;
use crate::stats::robust::median;

/// A contact that is lost takes at least [`levels::LOST_CONTACT`], and more than noise
/// ever does.
const LEAST_SIGMAS: f64 = 12.0;
/// Two dips closer than this are one loss of contact.
const TOGETHER_S: f64 = 0.5;
/// Contact that is away for longer is no drop-out.
const LONGEST_S: f64 = 1.5;
/// One alone may be a load that was on for a moment.
const LEAST_COUNT: usize = 2;

/// How far under its level the bus must fall.
pub fn far_v(grain: &Grain) -> f64 {
    (LEAST_SIGMAS * grain.of_readings().sigma_v).max(grain.nominal.volts(levels::LOST_CONTACT))
}

/// The drop-outs within `stretches`, in time order.
pub fn drop_outs(log: &Log, stretches: &[Stretch], grain: &Grain) -> Vec<Span> {
    // A contact is lost for moments: the logger's own samples show it.
    let sampled = log.as_sampled();
    // A slower logger cannot tell a moment from a stop.
    if sampled.source.sample_interval_s > LONGEST_S {
        return Vec::new();
    }
    let (time_s, bus_v) = (sampled.time_s(), sampled.bus_v());
    let far_v = far_v(grain);
    let level = |start_s, end_s| median(&bus_v[indices(time_s, Span { start_s, end_s })]);
    let mut spans: Vec<Span> = Vec::new();
    for stretch in stretches {
        let level_v = median(&log.bus_v()[indices(log.time_s(), stretch.settled)]);
        let range = indices(time_s, stretch.settled);
        let low = places::of_values(&bus_v[range.clone()], |v| v < level_v - far_v);
        for k in low.into_iter().map(|k| range.start + k) {
            match spans.last_mut() {
                Some(last) if time_s[k] - last.end_s < TOGETHER_S => last.end_s = time_s[k],
                _ => spans.push(Span { start_s: time_s[k], end_s: time_s[k] }),
            }
        }
    }
    // Back at once, to where it came from: a slide or a step is no drop-out.
    spans.retain(|s| {
        let before_v = level(s.start_s - 1.0, s.start_s - 1e-9);
        let after_v = level(s.end_s + 1e-9, s.end_s + 1.0);
        let lowest_v = bus_v[indices(time_s, *s)].iter().copied().fold(f64::INFINITY, f64::min);
        s.seconds() < LONGEST_S && lowest_v < before_v.min(after_v) - far_v
    });
    if spans.len() < LEAST_COUNT { Vec::new() } else { spans }
}

/// The stretches in pieces, without the drop-outs, which come in time order.
pub fn cut(stretches: Vec<Stretch>, drop_outs: &[Span], time_s: &[f64]) -> Vec<Stretch> {
    if drop_outs.is_empty() {
        return stretches;
    }
    let pieces = |whole: Stretch| -> Vec<Stretch> {
        let left = without(drop_outs, whole.settled, time_s);
        let starts_s = left.iter().skip(1).map(|piece| piece.start_s);
        let ends_s: Vec<f64> = starts_s.chain([whole.span.end_s]).collect();
        let mut start_s = whole.span.start_s;
        let piece = |(settled, end_s): (Span, f64)| {
            let span = Span { start_s, end_s };
            start_s = end_s;
            Stretch { span, settled, ..whole.clone() }
        };
        left.into_iter().zip(ends_s).map(piece).collect()
    };
    stretches.into_iter().flat_map(pieces).collect()
}

/// What is left of `span` without the drop-outs, and without the sample on either side
/// of each, over which the contact may have been lost in part.
fn without(drop_outs: &[Span], span: Span, time_s: &[f64]) -> Vec<Span> {
    let mut left = Vec::new();
    let mut from_s = span.start_s;
    let first = drop_outs.partition_point(|d| d.end_s < span.start_s);
    for drop in drop_outs[first..].iter().take_while(|d| d.start_s <= span.end_s) {
        let lost = indices(time_s, *drop);
        if let Some(&end_s) = lost.start.checked_sub(2).and_then(|k| time_s.get(k))
            && from_s < end_s
        {
            left.push(Span { start_s: from_s, end_s });
        }
        from_s = time_s.get(lost.end + 1).copied().unwrap_or(f64::INFINITY);
    }
    if from_s < span.end_s {
        left.push(Span { start_s: from_s, end_s: span.end_s });
    }
    left
}

#[cfg(test)]
mod tests {
    use super::*;

    fn span(start_s: f64, end_s: f64) -> Span {
        Span { start_s, end_s }
    }

    #[test]
    fn a_stretch_is_left_in_pieces_that_follow_each_other() {
        let time_s: Vec<f64> = (0..20).map(f64::from).collect();
        let whole = Stretch {
            span: span(0.0, 18.0),
            settled: span(1.0, 18.0),
            loads: vec!["fan".to_owned()],
            rpm: Some(850.0),
            heat: crate::diagnosis::Heat::Unknown,
        };
        let drops = [span(4.0, 5.0), span(12.0, 12.0)];
        let pieces = cut(vec![whole.clone()], &drops, &time_s);
        let spans: Vec<(Span, Span)> = pieces.iter().map(|p| (p.span, p.settled)).collect();
        assert_eq!(
            spans,
            [
                (span(0.0, 7.0), span(1.0, 2.0)),
                (span(7.0, 14.0), span(7.0, 10.0)),
                (span(14.0, 18.0), span(14.0, 18.0)),
            ]
        );
        assert!(pieces.iter().all(|piece| piece.loads == whole.loads));
        let untouched = cut(vec![whole.clone()], &[], &time_s);
        assert_eq!(untouched, std::slice::from_ref(&whole));
        assert_eq!(cut(vec![whole], &[span(0.0, 19.0)], &time_s), []);
    }
}
