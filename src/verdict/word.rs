//! The verdict in one word and one sentence.

use crate::diagnosis::{
    BusState, Finding, MoreSpeed, OperatingPoint, PhaseKind, Verdict, VerdictWord,
};
use crate::estimate::Estimate;
use crate::levels;
use crate::verdict::Case;
use crate::verdict::evidence::{amps, at_speed, how_low, is_idle, volts, with_loads};
use crate::verdict::rules::{loses_no_more_than_lines_do, post_holding};
use crate::words::RPM;

/// Slower than the 1500 to 2000 rpm at which a charging system is tested, an engine idles,
/// fast or slow (common practice, no source).
const AT_SPEED_RPM: f64 = 1500.0;
/// Less running than this shows nothing.
const LEAST_RUNNING_S: f64 = 10.0;

/// Whether a point misses acceptance.
pub fn is_short(case: &Case, point: &OperatingPoint) -> bool {
    match point.state {
        BusState::Holding => false,
        BusState::Draining => true,
        BusState::Slipping => is_under(case, point, |under| under.value),
    }
}

/// … whatever its interval leaves open.
fn is_surely_short(case: &Case, point: &OperatingPoint) -> bool {
    let drains = point.state == BusState::Draining && point.is_sure();
    point.state != BusState::Holding && (drains || is_under(case, point, |under| under.low))
}

fn is_under(case: &Case, point: &OperatingPoint, by_v: fn(&Estimate) -> f64) -> bool {
    case.under_setpoint(point).is_some_and(|under| by_v(&under) > case.volts(levels::ACCEPTED))
        && !loses_no_more_than_lines_do(case, point)
}

/// The short points, worst (lowest) first.
pub fn short_points<'a>(case: &Case<'a>) -> Vec<&'a OperatingPoint> {
    let mut short: Vec<&OperatingPoint> = case.points().filter(|p| is_short(case, p)).collect();
    short.sort_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value));
    short
}

/// The point at the highest speed that these loads were on at.
fn fastest<'a>(case: &Case<'a>, loads: &[String]) -> Option<(&'a OperatingPoint, f64)> {
    let seen = case.points().filter(|p| p.loads == loads).filter_map(|p| Some((p, p.rpm?)));
    seen.max_by(|a, b| a.1.total_cmp(&b.1))
}

/// What more engine speed was seen to do for loads that are short somewhere.
pub fn more_speed(case: &Case, loads: &[String]) -> MoreSpeed {
    match fastest(case, loads) {
        Some((point, _)) if !is_idle(point) && !is_short(case, point) => MoreSpeed::Cures,
        Some((_, rpm)) if rpm < AT_SPEED_RPM => MoreSpeed::NotSeen,
        Some((point, _)) if is_surely_short(case, point) => MoreSpeed::DoesNotCure,
        Some(_) => MoreSpeed::Unsure,
        None => MoreSpeed::NotSeen,
    }
}

/// Whether they come back to the setpoint itself, or only so near to it as is accepted.
pub fn holds_at_speed(case: &Case, loads: &[String]) -> bool {
    fastest(case, loads).is_some_and(|(point, _)| {
        let under_v = case.under_setpoint_v(point);
        point.state == BusState::Holding
            || under_v.is_some_and(|under_v| under_v <= case.volts(levels::LITTLE))
    })
}

pub fn verdict(case: &Case, findings: &[Finding]) -> Verdict {
    let (word, headline) = decide(case, findings);
    let falls_short = matches!(word, VerdictWord::FallsShort | VerdictWord::FallsShortAtIdle);
    let told_of = told_of(case, &short_points(case)).filter(|_| falls_short);
    Verdict {
        word,
        headline,
        more_speed: told_of.map(|point| more_speed(case, &point.loads)),
        battery_drains: told_of.map(|p| p.state == BusState::Draining && p.is_sure()),
        cannot_tell: Vec::new(),
    }
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
    let cut_off = case.analysis.operating_points.iter().any(|p| case.is_cut_off(p));
    if cut_off && case.points().next().is_none() {
        return (
            CannotTell,
            "Cannot tell: the bus stays at battery voltage, as it does with a DC generator below its cut-in speed. Log some minutes at speed, with engine speed.".to_owned(),
        );
    }
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
    if let Some(worst) = told_of(case, &short_points(case)) {
        return falls_short(case, worst);
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
        .filter(|p| {
            case.under_setpoint_v(p).is_some_and(|under_v| under_v > case.volts(levels::LITTLE))
        })
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

/// The short point that makes the word: one that speed does not cure before all others.
fn told_of<'a>(case: &Case, short: &[&'a OperatingPoint]) -> Option<&'a OperatingPoint> {
    let uncured = short.iter().copied().find(|p| is_uncured(case, p));
    uncured.or_else(|| slowest_first(short.iter().copied()))
}

/// The first at idle, else at a fast idle, else of all.
pub fn slowest_first<'a>(
    mut short: impl Iterator<Item = &'a OperatingPoint> + Clone,
) -> Option<&'a OperatingPoint> {
    let idle = short.clone().find(|p| is_idle(p));
    idle.or_else(|| short.clone().find(|p| is_slow(p))).or_else(|| short.next())
}

/// Without engine speed nothing says that idle is all that lacks.
pub fn is_uncured(case: &Case, point: &OperatingPoint) -> bool {
    point.rpm.is_none() || more_speed(case, &point.loads) == MoreSpeed::DoesNotCure
}

/// Slow enough for an idle, fast or not.
fn is_slow(point: &OperatingPoint) -> bool {
    point.rpm.is_some_and(|rpm| rpm < AT_SPEED_RPM)
}

fn falls_short(case: &Case, worst: &OperatingPoint) -> (VerdictWord, String) {
    let (word, lead) = if is_slow(worst) && !is_uncured(case, worst) {
        (VerdictWord::FallsShortAtIdle, "Falls short at idle")
    } else {
        (VerdictWord::FallsShort, "Falls short")
    };
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
    let recovers = match (post_holding(case, worst), more_speed(case, &worst.loads)) {
        (Some(lost), _) => format!(
            " The alternator's own post holds its setpoint there: {} are lost in cable or ground.",
            volts(&lost)
        ),
        (None, MoreSpeed::Cures) if holds_at_speed(case, &worst.loads) => {
            format!(" With more engine speed the same loads hold{}.", from_speed(case, worst))
        }
        (None, MoreSpeed::Cures) => {
            format!(" With more engine speed they nearly hold{}.", at_top_speed(case, worst))
        }
        (None, MoreSpeed::DoesNotCure) => " More engine speed does not cure it.".to_owned(),
        (None, MoreSpeed::Unsure) => {
            format!(" Whether more engine speed cures it is not sure{}.", at_top_speed(case, worst))
        }
        (None, MoreSpeed::NotSeen) => String::new(),
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

/// ": at 3000 rpm the bus sits 0.19 V (0.17 to 0.67, inferred) under its setpoint"
fn at_top_speed(case: &Case, point: &OperatingPoint) -> String {
    fastest(case, &point.loads).map_or_else(String::new, |(top, _)| {
        format!(":{} the bus sits {}", at_speed(top), how_low(case, top))
    })
}

/// ", from 1240 rpm up (1180 to 1330, measured)", where the log tells it.
fn from_speed(case: &Case, point: &OperatingPoint) -> String {
    let of_set = case.analysis.keep_up.iter().find(|item| item.loads == point.loads);
    of_set.and_then(|item| item.rpm.as_ref()).map_or_else(String::new, |rpm| {
        format!(", from {} up ({}, {})", RPM.value(rpm), RPM.range(rpm), rpm.grade.word())
    })
}
