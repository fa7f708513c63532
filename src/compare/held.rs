//! How long a log shows the agreed loads carried together at idle, and how near to
//! the setpoint.

use crate::car::Acceptance;
use crate::compare::matching::parsed;
use crate::diagnosis::{Diagnosis, Heat, OperatingPoint};
use crate::estimate::Estimate;
use crate::log::Span;

/// Steady running that a change of heat or of another load cuts loses its first
/// seconds; a pause this short breaks no hold.
const PAUSE_S: f64 = 3.0;

/// What a log shows of the agreed running.
#[derive(Debug, Clone, Default)]
pub struct Held<'d> {
    /// Every operating point that is at least what was agreed.
    pub points: Vec<&'d OperatingPoint>,
    pub longest: Option<Span>,
    /// The agreed loads at idle, but not hot enough.
    pub cooler: Vec<&'d OperatingPoint>,
    /// … but how hot is not known.
    pub heat_unknown: bool,
    /// Idle cannot be told from speed.
    pub speed_unknown: bool,
}

impl Held<'_> {
    /// The agreed point furthest under its setpoint.
    pub fn furthest_under_v(&self) -> Option<&Estimate> {
        let under = self.points.iter().filter_map(|point| point.under_setpoint_v.as_ref());
        under.max_by(|a, b| a.value.total_cmp(&b.value))
    }
}

/// `loads` as this log names them, with the least duty of each in per cent.
pub fn held<'d>(
    diagnosis: &'d Diagnosis,
    names: &[String],
    loads: &[(String, f64)],
    acceptance: &Acceptance,
) -> Held<'d> {
    let mut held = Held::default();
    let on_together = |point: &&OperatingPoint| {
        parsed(&point.loads, names).is_some_and(|set| {
            loads
                .iter()
                .all(|(load, least)| set.iter().any(|(name, duty)| name == load && duty >= least))
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
