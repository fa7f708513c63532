//! How long a log shows the agreed loads carried together at idle, and how near to
//! the setpoint.

use crate::car::Acceptance;
use crate::compare::matching::parsed;
use crate::diagnosis::{Diagnosis, Heat, OperatingPoint};
use crate::estimate::{Estimate, Z90};
use crate::log::Span;

/// Steady running that a change of heat or of another load cuts loses its first
/// seconds; a pause this short breaks no hold.
const PAUSE_S: f64 = 3.0;
/// A mean hides how a hold ends: so much of it is looked at by itself.
const WINDOW_S: f64 = 10.0;
/// The lowest of a dozen windows lies two standard errors low by chance alone.
const CHANCE_ERRORS: f64 = 3.0;

/// What a log shows of the agreed loads at idle.
#[derive(Debug, Clone, Default)]
pub struct AgreedRunning<'d> {
    /// Every operating point that is at least what was agreed.
    pub points: Vec<&'d OperatingPoint>,
    pub longest: Option<Span>,
    /// The agreed loads at idle, but not hot enough.
    pub cooler: Vec<&'d OperatingPoint>,
    /// … but how hot is not known.
    pub heat_unknown: bool,
    /// No engine speed, so idle is not known.
    pub speed_unknown: bool,
}

impl AgreedRunning<'_> {
    /// The agreed point furthest under its setpoint.
    pub fn furthest_under_v(&self) -> Option<&Estimate> {
        let under = self.points.iter().filter_map(|point| point.under_setpoint_v.as_ref());
        under.max_by(|a, b| a.value.total_cmp(&b.value))
    }

    /// The lowest ten seconds on end, where they lie lower than their point's mean
    /// by more than chance: volts under the setpoint, and when.
    pub fn lowest(&self, diagnosis: &Diagnosis) -> Option<(Estimate, Span)> {
        let noise = &diagnosis.noise;
        let memory_s = noise.correlation_time_s.max(diagnosis.source.sample_interval_s);
        let error_v = noise.sigma_v * (memory_s / WINDOW_S).min(1.0).sqrt();
        let mut lowest: Option<(Estimate, Span)> = None;
        for point in &self.points {
            let Some(under_v) = &point.under_setpoint_v else { continue };
            for (window, mean_v) in point.spans.iter().flat_map(|span| windows(diagnosis, *span)) {
                let sinks_v = point.voltage_v.value - mean_v;
                if sinks_v <= CHANCE_ERRORS * error_v {
                    continue;
                }
                let value = under_v.value + sinks_v;
                let half_width = under_v.half_width().hypot(Z90 * error_v);
                let how = "setpoint less voltage of the lowest ten seconds";
                let estimate = Estimate::around(value, half_width, under_v.grade, how);
                if lowest.as_ref().is_none_or(|(least, _)| least.value < value) {
                    lowest = Some((estimate, window));
                }
            }
        }
        lowest
    }
}

/// Means of the trace over whole windows of `span`, by the middle of its envelope.
fn windows(diagnosis: &Diagnosis, span: Span) -> Vec<(Span, f64)> {
    let trace = &diagnosis.picture.voltage;
    let count = (span.seconds() / WINDOW_S).floor() as usize;
    let mut sums = vec![(0.0, 0.0); count];
    let buckets = trace.time_s.iter().zip(trace.low.iter().zip(&trace.high));
    for (t_s, (low, high)) in buckets {
        let (Some(low), Some(high)) = (low, high) else { continue };
        let since_s = t_s - span.start_s;
        if since_s >= 0.0
            && let Some((sum, n)) = sums.get_mut((since_s / WINDOW_S) as usize)
        {
            *sum += (low + high) / 2.0;
            *n += 1.0;
        }
    }
    let window = |k: usize| {
        let start_s = span.start_s + k as f64 * WINDOW_S;
        Span { start_s, end_s: start_s + WINDOW_S }
    };
    let seen = sums.into_iter().enumerate().filter(|(_, (_, n))| *n > 0.0);
    seen.map(|(k, (sum, n))| (window(k), sum / n)).collect()
}

/// `loads` as this log names them, with the least duty of each in per cent.
pub fn held<'d>(
    diagnosis: &'d Diagnosis,
    names: &[String],
    loads: &[(String, f64)],
    acceptance: &Acceptance,
) -> AgreedRunning<'d> {
    let mut held = AgreedRunning::default();
    let on_together = |point: &&OperatingPoint| {
        parsed(&point.loads, names).is_some_and(|set| {
            loads.iter().all(|(load, least)| {
                set.loads.iter().any(|(name, duty)| name == load && duty >= least)
            })
        })
    };
    for point in diagnosis.operating_points.iter().filter(on_together) {
        match point.rpm_low {
            Some(0.0) => {}
            Some(_) => continue,
            None => {
                held.speed_unknown = true;
                continue;
            }
        }
        if acceptance.heat.is_met_by(point.heat) {
            held.points.push(point);
        } else if point.heat == Heat::Unknown {
            held.heat_unknown = true;
        } else {
            held.cooler.push(point);
        }
    }
    let mut spans: Vec<Span> = held.points.iter().flat_map(|p| p.spans.iter().copied()).collect();
    spans.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    held.longest = unbroken(&spans).into_iter().max_by(|a, b| a.seconds().total_cmp(&b.seconds()));
    held
}

/// `spans`, sorted, with those joined that no more than a pause parts.
fn unbroken(spans: &[Span]) -> Vec<Span> {
    let mut joined: Vec<Span> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.start_s - last.end_s <= PAUSE_S => {
                last.end_s = last.end_s.max(span.end_s);
            }
            _ => joined.push(*span),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pause_breaks_no_hold_and_a_rev_does() {
        let span = |start_s, end_s| Span { start_s, end_s };
        let joined = unbroken(&[span(0.0, 30.0), span(32.0, 70.0), span(80.0, 90.0)]);
        assert_eq!(joined, [span(0.0, 70.0), span(80.0, 90.0)]);
    }
}
