//! The verdict in one word and one sentence.

use crate::diagnosis::{BusState, Finding, OperatingPoint, PhaseKind, Verdict, VerdictWord};
use crate::verdict::Case;
use crate::verdict::evidence::{amps, at_speed, is_idle, volts, with_loads};
use crate::verdict::rules::{loses_no_more_than_lines_do, post_holding};
use crate::words::RPM;

/// Acceptance: within this of the setpoint, and never draining (common practice,
/// no source). Under it by less is little in reserve.
const ACCEPTED_V: f64 = 0.2;
/// Under the setpoint by more than this, output is at its end; by less it may be
/// the regulator's droop or its warming (common practice, no source).
const LITTLE_V: f64 = 0.1;
/// Over this is over-charging (common practice, no source).
pub const OVERCHARGE_V: f64 = 15.0;
/// Less running than this shows nothing.
const LEAST_RUNNING_S: f64 = 10.0;

/// Whether a point misses acceptance.
pub fn is_short(case: &Case, point: &OperatingPoint) -> bool {
    match point.state {
        BusState::Holding => false,
        BusState::Draining => true,
        BusState::Slipping => {
            case.under_setpoint_v(point).is_some_and(|under| under > ACCEPTED_V)
                && !loses_no_more_than_lines_do(case, point)
        }
    }
}

/// The short points, worst (lowest) first.
pub fn short_points<'a>(case: &Case<'a>) -> Vec<&'a OperatingPoint> {
    let mut short: Vec<&OperatingPoint> = case.points().filter(|p| is_short(case, p)).collect();
    short.sort_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value));
    short
}

/// Whether the same loads hold at the highest speed they were seen at.
pub fn holds_at_speed(case: &Case, loads: &[String]) -> Option<bool> {
    case.points()
        .filter(|p| p.loads == loads)
        .max_by(|a, b| a.rpm.unwrap_or(0.0).total_cmp(&b.rpm.unwrap_or(0.0)))
        .filter(|p| !is_idle(p))
        .map(|p| !is_short(case, p))
}

pub fn verdict(case: &Case, findings: &[Finding]) -> Verdict {
    let (word, headline) = decide(case, findings);
    Verdict { word, headline, cannot_tell: Vec::new() }
}

fn decide(case: &Case, findings: &[Finding]) -> (VerdictWord, String) {
    use VerdictWord::*;
    let raised = |id: &str| findings.iter().find(|f| f.id == id);
    let running_s: f64 = case
        .segments
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Running)
        .map(|p| p.end_s - p.start_s)
        .sum();
    if running_s < LEAST_RUNNING_S || case.points().next().is_none() {
        return (
            CannotTell,
            format!(
                "Cannot tell: the log holds {running_s:.0} s of running engine and no steady stretch long enough to judge."
            ),
        );
    }
    if let Some(finding) = raised("setpoint-high") {
        return (Overcharges, format!("Overcharges: {}", finding.statement));
    }
    if let Some(finding) = raised("not-charging") {
        return (NotCharging, format!("Not charging: {}", finding.statement));
    }
    let short = short_points(case);
    if !short.is_empty() {
        return falls_short(case, &short);
    }
    let Some(setpoint) = case.analysis.setpoint.as_ref().filter(|s| s.is_known()) else {
        return (
            CannotTell,
            "Cannot tell: nothing in the log shows a voltage that the regulator holds, so what the bus lacks has no measure; state it with --setpoint-v.".to_owned(),
        );
    };
    let heaviest = case
        .points()
        .filter(|p| is_idle(p))
        .max_by(|a, b| a.loads.len().cmp(&b.loads.len()).then(a.seconds.total_cmp(&b.seconds)));
    let tested = heaviest.map_or_else(
        || " at the speeds seen; idle was not".to_owned(),
        |p| format!(" {}{}", with_loads(&p.loads), at_speed(p)),
    );
    let lowest = case.points().min_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value));
    let slipping = case
        .points()
        .filter(|p| p.state == BusState::Slipping)
        .filter(|p| case.under_setpoint_v(p).is_some_and(|under_v| under_v > LITTLE_V))
        .min_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value));
    if let Some(point) = slipping {
        return (
            LittleInReserve,
            format!(
                "Keeps up, little in reserve: {}{} the bus slips to {}, under its setpoint of {}.",
                with_loads(&point.loads),
                at_speed(point),
                volts(&point.voltage_v),
                volts(&setpoint.estimate),
            ),
        );
    }
    (
        KeepsUp,
        format!(
            "Keeps up: the bus holds its setpoint of {}{tested}; lowest steady level {}.",
            volts(&setpoint.estimate),
            lowest.map_or_else(String::new, |p| volts(&p.voltage_v)),
        ),
    )
}

fn falls_short(case: &Case, short: &[&OperatingPoint]) -> (VerdictWord, String) {
    let speed_known = short.iter().all(|p| p.rpm.is_some());
    let catches_up = short.iter().all(|p| holds_at_speed(case, &p.loads).unwrap_or(is_idle(p)));
    let word = if speed_known && catches_up && short.iter().any(|p| is_idle(p)) {
        VerdictWord::FallsShortAtIdle
    } else {
        VerdictWord::FallsShort
    };
    let lead =
        if word == VerdictWord::FallsShortAtIdle { "Falls short at idle" } else { "Falls short" };
    // What is told of is what the word says: idle before any speed.
    let at_idle = short.iter().find(|p| is_idle(p) && word == VerdictWord::FallsShortAtIdle);
    let Some(worst) = at_idle.or(short.first()) else { return (word, format!("{lead}.")) };
    let consequence = match (&worst.implied_deficit_a, worst.state) {
        (Some(deficit), BusState::Draining) if worst.is_sure() => {
            format!("the battery gives {}", amps(deficit))
        }
        (Some(deficit), BusState::Draining) => {
            format!("the battery may be giving {}", amps(deficit))
        }
        _ if worst.is_sure() => "the battery still takes charge".to_owned(),
        _ => "whether the battery still takes charge is not sure".to_owned(),
    };
    let recovers = match (post_holding(case, worst), holds_at_speed(case, &worst.loads)) {
        (Some(lost), _) => format!(
            " The alternator's own post holds its setpoint there: {} are lost in cable or ground.",
            volts(&lost)
        ),
        (None, Some(true)) => {
            format!(" With more engine speed the same loads hold{}.", from_speed(case, worst))
        }
        (None, Some(false)) => " More engine speed does not cure it.".to_owned(),
        (None, None) => String::new(),
    };
    (
        word,
        format!(
            "{lead}: {}{} the bus sits at {}, and {consequence}.{recovers}",
            with_loads(&worst.loads),
            at_speed(worst),
            volts(&worst.voltage_v),
        ),
    )
}

/// ", from 1240 rpm up (1180 to 1330, measured)", where the log tells it.
fn from_speed(case: &Case, point: &OperatingPoint) -> String {
    let of_set = case.analysis.keep_up.iter().find(|item| item.loads == point.loads);
    of_set.and_then(|item| item.rpm.as_ref()).map_or_else(String::new, |rpm| {
        format!(", from {} up ({}, {})", RPM.value(rpm), RPM.range(rpm), rpm.grade.word())
    })
}
