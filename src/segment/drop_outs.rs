//! Brief losses of contact: far below the level around them, and back at once. They concern a
//! joint, not the regulation, so steady stretches are cut at them.
//!
//! A load that is switched on lowers the bus too, but its inrush fades and the regulator needs
//! time, while a contact comes back from one sample to the next, to where the bus was. Only close
//! samples show the difference; slower ones must each be lower than any load pulls a bus.

use crate::levels;
use crate::log::{Log, Span};
use crate::segment::kinds::{Phase, PhaseKind};
use crate::segment::{NoiseModel, Stretch, indices};
use crate::stats::find_indices;
use crate::stats::robust::median;

/// A lost contact drops the bus by at least [`levels::LOST_CONTACT`], and by this many standard
/// deviations of the noise.
const LEAST_SIGMAS: f64 = 12.0;
/// Two dips closer than this are one loss of contact.
const TOGETHER_S: f64 = 0.5;
/// A longer loss of contact is not a drop-out.
const LONGEST_S: f64 = 1.5;
/// A single one may be a load that was on for a moment.
const LEAST_COUNT: usize = 2;
/// Length of the levels before and after, at least this many samples.
const BESIDE_S: f64 = 1.0;
const BESIDE_SAMPLES: f64 = 3.0;
/// Each edge covers at least this share of the depth within one sample,
const EDGE_SHARE: f64 = 0.6;
/// and no more than this is left of it by the next sample, or for good.
const LEFT_SHARE: f64 = 0.1;
/// Samples closer than this show how a dip ends: inrush fades with a tenth of a second or
/// more (common practice, no source).
const CLOSE_S: f64 = 0.11;
/// Of samples up to this far apart a regulator's and an inrush's end are one: there the dip
/// must take this share of the level, twice what a fan's inrush does to a bus that is held
/// afterwards (common practice, no source).
const NEAR_S: f64 = 0.26;
const DEEP_SHARE: f64 = 0.1;
/// Each of slower samples must be below this share of the level: a battery at the end of
/// its discharge, 1.75 V a cell, holds the bus up to three quarters of a charging one's
/// 2.35 (common practice, no source), so no load pulls it lower,
const UNHEARD_OF: f64 = 0.74;
/// and at least this many dips are needed, as with samples that are only near.
const LEAST_SLOW: usize = 3;

/// How far below its level the bus must fall.
pub fn far_v(noise_model: &NoiseModel) -> f64 {
    (LEAST_SIGMAS * noise_model.of_readings().sigma_v)
        .max(noise_model.nominal.volts(levels::LOST_CONTACT))
}

/// The drop-outs within `stretches`, in time order.
pub fn drop_outs(
    log: &Log,
    phases: &[Phase],
    stretches: &[Stretch],
    noise_model: &NoiseModel,
) -> Vec<Span> {
    // A contact is lost for moments: the logger's own samples show it.
    let sampled = log.as_sampled();
    // A slower logger does not resolve a moment.
    if sampled.source.sample_interval_s > LONGEST_S {
        return Vec::new();
    }
    let (time_s, bus_v) = (sampled.time_s(), sampled.bus_v());
    let readings = noise_model.of_readings();
    let dips = Dips {
        time_s,
        bus_v,
        far_v: far_v(noise_model),
        noise_v: 3.0 * readings.sigma_v + readings.step_v.unwrap_or(0.0),
        interval_s: readings.interval_s,
    };
    let mut spans: Vec<Span> = Vec::new();
    for stretch in stretches {
        let level_v = median(&log.bus_v()[indices(log.time_s(), stretch.settled)]);
        let range = indices(time_s, stretch.settled);
        let low = find_indices::of_values(&bus_v[range.clone()], |v| v < level_v - dips.far_v);
        for k in low.into_iter().map(|k| range.start + k) {
            match spans.last_mut() {
                Some(last) if time_s[k] - last.end_s < TOGETHER_S => last.end_s = time_s[k],
                _ => spans.push(Span { start_s: time_s[k], end_s: time_s[k] }),
            }
        }
    }
    let disturbed = disturbances(log, phases);
    let close = dips.interval_s <= CLOSE_S;
    spans.retain(|span| {
        let reach_s = dips.beside_s();
        let beside = |other: &Span| {
            other.start_s - reach_s <= span.end_s && span.start_s <= other.end_s + reach_s
        };
        dips.is_lost_contact(*span, close) && !disturbed.iter().any(beside)
    });
    let least = if close { LEAST_COUNT } else { LEAST_SLOW };
    if spans.len() < least { Vec::new() } else { spans }
}

/// Where a bus falls without a bad joint, or was not logged: starts and gaps.
fn disturbances(log: &Log, phases: &[Phase]) -> Vec<Span> {
    let cranking = phases.iter().filter(|phase| phase.kind == PhaseKind::Cranking);
    let cranking = cranking.map(|phase| Span { start_s: phase.start_s, end_s: phase.end_s });
    cranking.chain(log.gaps()).collect()
}

struct Dips<'a> {
    time_s: &'a [f64],
    bus_v: &'a [f64],
    far_v: f64,
    /// Levels that differ by less are one.
    noise_v: f64,
    interval_s: f64,
}

impl Dips<'_> {
    fn beside_s(&self) -> f64 {
        BESIDE_S.max(BESIDE_SAMPLES * self.interval_s)
    }

    fn level(&self, start_s: f64, end_s: f64) -> f64 {
        median(&self.bus_v[indices(self.time_s, Span { start_s, end_s })])
    }

    /// Whether the bus fell at once, and came back at once to where it was.
    fn is_lost_contact(&self, span: Span, close: bool) -> bool {
        if span.seconds() >= LONGEST_S {
            return false;
        }
        let before_v = self.level(span.start_s - self.beside_s(), span.start_s - 1e-9);
        let after_v = self.level(span.end_s + 1e-9, span.end_s + self.beside_s());
        let low = indices(self.time_s, span);
        let lowest_v = self.bus_v[low.clone()].iter().copied().fold(f64::INFINITY, f64::min);
        let depth_v = before_v.min(after_v) - lowest_v;
        let left_v = (LEFT_SHARE * depth_v).max(self.noise_v);
        if !(depth_v > self.far_v && (before_v - after_v).abs() <= left_v) {
            return false;
        }
        if self.interval_s > NEAR_S {
            return lowest_v < UNHEARD_OF * before_v.min(after_v);
        }
        if !close && depth_v < DEEP_SHARE * before_v.min(after_v) {
            return false;
        }
        let steepest = |around: std::ops::Range<usize>, sign: f64| {
            let pairs = self.bus_v.get(around).unwrap_or(&[]).windows(2);
            pairs.map(|pair| sign * (pair[1] - pair[0])).fold(0.0, f64::max)
        };
        let from = low.start.saturating_sub(2);
        let to = (low.end + 2).min(self.bus_v.len());
        // One sample may have caught the moment of contact; the next one is past it.
        let next_v = self.bus_v.get(low.end + 1).copied().unwrap_or(after_v);
        steepest(from..low.end, -1.0) >= EDGE_SHARE * depth_v
            && steepest(low.start..to, 1.0) >= EDGE_SHARE * depth_v
            && (after_v - next_v <= left_v)
    }
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

    /// Whether a bus of 14.2 V that does this from 10 s on, at so many samples a second, has
    /// lost a contact; at every moment the samples may fall.
    fn lost(samples_per_s: f64, under_v: impl Fn(f64) -> f64) -> Vec<bool> {
        let phases = 10;
        (0..phases)
            .map(|phase| {
                let shift_s = f64::from(phase) / f64::from(phases) / samples_per_s;
                let time_s: Vec<f64> = (0..(20.0 * samples_per_s) as u32)
                    .map(|k| f64::from(k) / samples_per_s)
                    .collect();
                let wobble = |k: usize| 0.005 * ((k * 7 % 5) as f64 - 2.0);
                let bus_v: Vec<f64> = time_s
                    .iter()
                    .enumerate()
                    .map(|(k, t)| 14.2 + wobble(k) - under_v(t + shift_s - 10.0))
                    .collect();
                let low: Vec<f64> = time_s
                    .iter()
                    .zip(&bus_v)
                    .filter(|(_, v)| **v < 13.7)
                    .map(|(t, _)| *t)
                    .collect();
                let [Some(&start_s), Some(&end_s)] = [low.first(), low.last()] else {
                    return false;
                };
                let interval_s = 1.0 / samples_per_s;
                let (time_s, bus_v) = (&time_s[..], &bus_v[..]);
                let dips = Dips { time_s, bus_v, far_v: 0.5, noise_v: 0.04, interval_s };
                dips.is_lost_contact(span(start_s, end_s), interval_s <= CLOSE_S)
            })
            .collect()
    }

    #[test]
    fn inrush_is_no_lost_contact() {
        for samples_per_s in [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0] {
            for time_s in [0.1, 0.25] {
                // Onto a lasting load, and of a load that the regulator then carries.
                for lasting_v in [0.0, 0.2, 0.6] {
                    let inrush = |t: f64| match t {
                        t if t < 0.0 => 0.0,
                        t => lasting_v + 1.2 * (-t / time_s).exp(),
                    };
                    let found = lost(samples_per_s, inrush);
                    assert!(!found.contains(&true), "{samples_per_s} {time_s} {lasting_v}");
                }
            }
        }
    }

    #[test]
    fn a_contact_that_lets_go_for_moments_is_lost() {
        let away = |t: f64| if (0.0..0.35).contains(&t) { 2.5 } else { 0.0 };
        for samples_per_s in [5.0, 10.0, 20.0, 50.0, 100.0] {
            let found = lost(samples_per_s, away);
            assert!(!found.contains(&false), "{samples_per_s}: {found:?}");
        }
    }

    /// A fan that hangs for a second, hunting, a sag of seconds: no lower than loads go.
    #[test]
    fn a_slow_log_shows_no_lost_contact_that_a_load_could_be() {
        for samples_per_s in [0.5, 1.0, 2.0] {
            let load = |t: f64| if (0.0..1.1).contains(&t) { 2.0 } else { 0.0 };
            assert!(!lost(samples_per_s, load).contains(&true), "{samples_per_s}");
        }
        let gone = |t: f64| if (0.0..1.0).contains(&t) { 14.0 } else { 0.0 };
        assert!(!lost(1.0, gone).contains(&false));
    }

    #[test]
    fn a_stretch_is_left_in_pieces_that_follow_each_other() {
        let time_s: Vec<f64> = (0..20).map(f64::from).collect();
        let settled = span(1.0, 18.0);
        let whole = Stretch { settled, ..Stretch::of_test(0.0, 18.0, 850.0, &["fan"]) };
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
