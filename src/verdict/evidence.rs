//! Facts, and words for loads, speeds and times, used by rules and headlines alike.

use crate::diagnosis::{Evidence, OperatingPoint, PhaseKind};
use crate::estimate::Estimate;
use crate::format;
use crate::log::Span;
use crate::segment::points::BAND_EDGES_RPM;
use crate::verdict::Case;

pub use crate::format::with_loads;

/// A shortage, or a stop, of no more than a few seconds in all is none.
pub const FEW_S: f64 = 8.0;

/// "at 850 rpm", or nothing where speed is not logged.
pub fn at_speed(point: &OperatingPoint) -> String {
    point.rpm.map_or_else(String::new, |rpm| format!(" at {}", format::RPM.of(rpm)))
}

pub fn is_idle(point: &OperatingPoint) -> bool {
    point.rpm_low.is_none_or(|low| low == BAND_EDGES_RPM[0])
}

/// "24 A (12 to 41, assumed)".
pub fn amps(estimate: &Estimate) -> String {
    format::AMP.told(estimate)
}

/// "12.41 V (12.39 to 12.43)"; the grade too, where it is less than measured.
pub fn volts(estimate: &Estimate) -> String {
    format::VOLT.with_range(estimate)
}

/// "1.52 V (1.40 to 1.64) below the setpoint": the headline has the voltage itself.
pub fn how_low(case: &Case, point: &OperatingPoint) -> String {
    match case.under_setpoint(point) {
        Some(under) => format!("{} below the setpoint", volts(&under)),
        None => format!("at {}", volts(&point.voltage_v)),
    }
}

/// The longest of some points.
pub fn longest<'a>(points: impl Iterator<Item = &'a OperatingPoint>) -> Option<&'a OperatingPoint> {
    points.max_by(|a, b| a.seconds.total_cmp(&b.seconds))
}

/// So many lines of evidence are shown of findings that have a line for each event.
pub const SHOWN: usize = 6;

/// The first so many; the last of them tells how many more there are.
pub fn first(most: usize, mut all: Vec<Evidence>) -> Vec<Evidence> {
    let more = all.len().saturating_sub(most);
    all.truncate(most);
    if let Some(last) = all.last_mut().filter(|_| more > 0) {
        last.text.push_str(&format!("; and {more} more times"));
    }
    all
}

/// One line of evidence for each stretch of a point, the longest three.
pub fn of_point(point: &OperatingPoint, text: &str) -> Vec<Evidence> {
    let mut spans = point.spans.clone();
    spans.sort_by(|a, b| b.seconds().total_cmp(&a.seconds()));
    spans.truncate(3);
    spans.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    spans
        .into_iter()
        .map(|s| Evidence { start_s: s.start_s, end_s: s.end_s, text: text.to_owned() })
        .collect()
}

/// The longest rest after running that only the voltage shows, where nothing else makes it
/// doubtful.
pub fn stop_by_voltage(case: &Case) -> Option<Span> {
    let (log, segments) = (case.log, case.segments);
    let is_known = log.engine_rpm().is_some() || log.marks.engine_running.is_some();
    if is_known || case.has_generator() || !segments.doubtful_stops.is_empty() {
        return None;
    }
    let ran = segments.phases.iter().skip_while(|phase| phase.kind != PhaseKind::Running);
    ran.filter(|phase| phase.kind == PhaseKind::Rest)
        .map(|phase| Span { start_s: phase.start_s, end_s: phase.end_s })
        .max_by(|a, b| a.seconds().total_cmp(&b.seconds()))
        .filter(|stop| stop.seconds() > FEW_S)
}

/// The lowest and the highest of the readings that are known.
pub fn min_and_max(volts: &[f64]) -> (f64, f64) {
    let known = volts.iter().copied().filter(|v| v.is_finite());
    known.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_shown_is_counted() {
        let all = |count: usize| -> Vec<Evidence> {
            (0..count)
                .map(|k| Evidence { start_s: k as f64, end_s: k as f64, text: "dip".into() })
                .collect()
        };
        for few in [0, 1, SHOWN] {
            assert_eq!(first(SHOWN, all(few)), all(few));
        }
        let shown = first(SHOWN, all(SHOWN + 17));
        assert_eq!(shown[..SHOWN - 1], all(SHOWN)[..SHOWN - 1]);
        assert_eq!(shown.last().map(|e| e.text.as_str()), Some("dip; and 17 more times"));
    }
}
