//! The verdict in one word and one sentence.

use crate::analysis::deficit::CHARGING_A;
use crate::diagnosis::{
    Bound, BusState, Finding, MoreSpeed, OperatingPoint, PhaseKind, Verdict, VerdictWord,
};
use crate::format::RPM;
use crate::levels;
use crate::log::Span;
use crate::segment::indices;
use crate::verdict::Case;
use crate::verdict::evidence::{
    FEW_S, amps, at_speed, how_low, is_idle, min_and_max, stop_by_voltage, volts, with_loads,
};
use crate::verdict::rules::post_holding;

/// At this probability a point falls short; from there down to even odds the log does not
/// decide.
const SHORT: f64 = 0.8;
const OPEN: f64 = 0.5;
/// Slower than the 1500 to 2000 rpm at which a charging system is tested, an engine idles,
/// fast or slow (common practice, no source).
const AT_SPEED_RPM: f64 = 1500.0;
/// Less running than this shows nothing.
const LEAST_RUNNING_S: f64 = 10.0;

/// The verdicts, by what the steady running shows, in this order:
///
/// | word | when |
/// |---|---|
/// | cannot tell | only the voltage is logged, and nothing shows that the engine ran |
/// | cannot tell | less than 10 s of running, or no steady stretch |
/// | overcharges | held over 15.0 V |
/// | not charging | never above what the battery shows alone |
/// | falls short (at idle) | for more than a few seconds, with a probability of at least 0.8, the battery discharges, or the alternator is at its limit at a voltage at which the battery gets almost no charge (under 13.2 V) |
/// | falls short | nowhere as much as 13.0 V, whatever holds it there |
/// | cannot tell | a shortage with a probability between 0.5 and 0.8: the log does not decide |
/// | cannot tell | no shortage, but a rest of more than a few seconds that may have been a running engine, by a log of voltage alone |
/// | keeps up, little in reserve | at its limit in places, the battery still charging |
/// | keeps up | the regulator in control wherever it was tested, at whatever level |
pub fn is_short(point: &OperatingPoint) -> bool {
    point.short_probability.is_some_and(|p| p >= SHORT)
}

/// Neither short nor surely not.
fn is_open(point: &OperatingPoint) -> bool {
    point.short_probability.is_some_and(|p| (OPEN..SHORT).contains(&p))
}

/// The short points, worst (lowest) first; none where they last a few seconds in all.
pub fn short_points<'a>(case: &Case<'a>) -> Vec<&'a OperatingPoint> {
    let mut short: Vec<&OperatingPoint> = case.points().filter(|p| is_short(p)).collect();
    if seconds(&short) <= FEW_S {
        return Vec::new();
    }
    short.sort_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value));
    short
}

/// The point at the highest speed that these loads were on at.
fn fastest<'a>(case: &Case<'a>, loads: &[String]) -> Option<(&'a OperatingPoint, f64)> {
    let seen = case.points().filter(|p| p.loads == loads).filter_map(|p| Some((p, p.rpm?)));
    seen.max_by(|a, b| a.1.total_cmp(&b.1))
}

/// Whether the battery is charged there, more likely than not.
fn likely_charges(point: &OperatingPoint) -> bool {
    point.battery_gives_a.as_ref().is_some_and(|gives| gives.value < -CHARGING_A)
}

/// What more engine speed was seen to do for loads that are short somewhere.
pub fn more_speed(case: &Case, loads: &[String]) -> MoreSpeed {
    match fastest(case, loads) {
        Some((point, _)) if !is_idle(point) && !is_short(point) && !is_open(point) => {
            MoreSpeed::Cures
        }
        Some((_, rpm)) if rpm < AT_SPEED_RPM => MoreSpeed::NotSeen,
        Some((point, _)) if is_short(point) && !likely_charges(point) => MoreSpeed::DoesNotCure,
        Some(_) => MoreSpeed::Unsure,
        None => MoreSpeed::NotSeen,
    }
}

/// Whether the regulator is in control there, or the battery only charges; a level that
/// follows the output all the way up is not held ([`crate::analysis::keep_up`]).
pub fn holds_at_speed(case: &Case, loads: &[String]) -> bool {
    let keep_up = case.analysis.keep_up.iter().find(|item| item.loads == loads);
    let nowhere = keep_up.is_some_and(|item| item.bound == Bound::AboveSeen);
    !nowhere && fastest(case, loads).is_some_and(|(point, _)| point.state == BusState::Holding)
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
        danger: None,
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
    if case.segments.running_is_assumed {
        return (CannotTell, unknown_engine(case));
    }
    if cut_off && case.points().next().is_none() {
        return (
            CannotTell,
            "Cannot tell: the voltage stays at that of the battery, as it does with a DC generator below its cut-in speed. Log some minutes at speed, with engine speed.".to_owned(),
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
    let short = short_points(case);
    if let Some(worst) = told_of(case, &short) {
        return falls_short(case, worst);
    }
    let highest = case.points().max_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value));
    if let Some(highest) = highest.filter(|p| p.voltage_v.high < case.volts(levels::NEVER_CHARGED))
    {
        return (
            FallsShort,
            format!(
                "Falls short: nowhere more than {}. At that voltage the battery gets almost no charge.",
                volts(&highest.voltage_v)
            ),
        );
    }
    let open: Vec<&OperatingPoint> = case.points().filter(|p| is_short(p) || is_open(p)).collect();
    if let Some(lowest) = lowest(&open).filter(|_| seconds(&open) > FEW_S) {
        return (CannotTell, open_headline(case, lowest));
    }
    if let Some(headline) = doubtful_stop(case) {
        return (CannotTell, headline);
    }
    let limited: Vec<&OperatingPoint> =
        case.points().filter(|p| p.state != BusState::Holding).collect();
    if let Some(point) = lowest(&limited).filter(|_| seconds(&limited) > FEW_S) {
        return (
            LittleInReserve,
            format!(
                "Keeps up, little in reserve: {}{} the alternator is at its limit at {}. The battery still charges.{}",
                with_loads(&point.loads),
                at_speed(point),
                volts(&point.voltage_v),
                if_stopped(case)
            ),
        );
    }
    let heaviest = case
        .points()
        .filter(|p| is_idle(p))
        .max_by(|a, b| a.loads.len().cmp(&b.loads.len()).then(a.seconds.total_cmp(&b.seconds)));
    let tested = heaviest.map_or_else(
        || " at the speeds seen; idle was not".to_owned(),
        |p| format!(" {}{}", with_loads(&p.loads), at_speed(p)),
    );
    let all: Vec<&OperatingPoint> = case.points().collect();
    let setpoint = case.analysis.setpoint.as_ref().filter(|s| s.is_known());
    let holds = setpoint.map_or_else(
        || "the regulator is in control".to_owned(),
        |s| format!("the regulator holds {}", volts(&s.estimate)),
    );
    let lowest = lowest(&all).map_or_else(String::new, |p| volts(&p.voltage_v));
    let if_stopped = if_stopped(case);
    (KeepsUp, format!("Keeps up: {holds}{tested}. Lowest steady voltage {lowest}.{if_stopped}"))
}

/// A dead or overloaded alternator, by its voltage alone, is a battery left on its own.
fn unknown_engine(case: &Case) -> String {
    let (low_v, high_v) = min_and_max(case.log.bus_v());
    format!(
        "Cannot tell: the voltage stays between {low_v:.2} and {high_v:.2} V. If the engine ran, the alternator does not keep up. If it was stopped, this is the battery alone. Log engine speed, or add --mark {:.0}=engine:on if it ran.",
        began_s(case)
    )
}

/// When the engine first ran, as far as the voltage shows it.
fn began_s(case: &Case) -> f64 {
    let mut phases = case.segments.phases.iter();
    phases.find(|p| p.kind == PhaseKind::Running).map_or(0.0, |p| p.start_s)
}

/// A rest that may have been a shortage: the longest of them.
fn doubtful_stop(case: &Case) -> Option<String> {
    let stops = &case.segments.doubtful_stops;
    // Below its cut-in speed a generator charges no more than an engine that stands.
    if case.has_generator() || stops.iter().map(Span::seconds).sum::<f64>() <= FEW_S {
        return None;
    }
    let stop = stops.iter().max_by(|a, b| a.seconds().total_cmp(&b.seconds()))?;
    let (low_v, high_v) = min_and_max(&case.log.bus_v()[indices(case.log.time_s(), *stop)]);
    Some(format!(
        "Cannot tell: from {from_s:.0} to {:.0} s the voltage is between {low_v:.2} and {high_v:.2} V. If the engine was stopped then, the alternator keeps up. If it ran, it does not. Log engine speed, or add --mark {from_s:.0}=engine:off if it was stopped, --mark {:.0}=engine:on if it ran throughout.",
        stop.end_s,
        began_s(case),
        from_s = stop.start_s,
    ))
}

/// What a stop that only the voltage shows adds to a good word.
fn if_stopped(case: &Case) -> String {
    stop_by_voltage(case).map_or_else(String::new, |Span { start_s, end_s }| {
        format!(" The engine is taken as stopped from {start_s:.0} to {end_s:.0} s.")
    })
}

fn seconds(points: &[&OperatingPoint]) -> f64 {
    points.iter().map(|p| p.seconds).sum()
}

fn lowest<'a>(points: &[&'a OperatingPoint]) -> Option<&'a OperatingPoint> {
    points.iter().copied().min_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value))
}

/// What the log leaves open, and the one thing to log next.
fn open_headline(case: &Case, point: &OperatingPoint) -> String {
    let next = if case.log.engine_rpm().is_none() {
        "Log engine speed, and the same loads at idle and at 2000 rpm for 20 s each."
    } else if is_idle(point) {
        "Log the same loads at 2000 rpm for 20 s."
    } else {
        "Log the same loads at idle and at this speed for 20 s each, with battery current."
    };
    format!(
        "Cannot tell: {}{} the voltage is {}, and the log does not show whether the alternator is at its limit there. {next}",
        with_loads(&point.loads),
        at_speed(point),
        volts(&point.voltage_v),
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
            format!("Battery discharging at {}", amps(deficit))
        }
        (Some(deficit), BusState::Draining) => {
            format!("Battery possibly discharging at {}", amps(deficit))
        }
        _ => "The battery gets almost no charge".to_owned(),
    };
    let recovers = match (post_holding(case, worst), more_speed(case, &worst.loads)) {
        (Some(lost), _) => format!(
            " The alternator's own post holds its setpoint there: {} lost in cable or ground.",
            volts(&lost)
        ),
        (None, MoreSpeed::Cures) if holds_at_speed(case, &worst.loads) => {
            format!(" The same loads hold {}.", from_speed(case, worst))
        }
        (None, MoreSpeed::Cures) => {
            let top = fastest(case, &worst.loads);
            let sure = top.is_some_and(|(point, _)| point.state != BusState::Holding);
            format!(
                " At higher speed the battery charges, {} at its limit{}.",
                if sure { "the alternator still" } else { "but the alternator may still be" },
                at_top_speed(case, worst)
            )
        }
        (None, MoreSpeed::DoesNotCure) => " More engine speed does not help.".to_owned(),
        (None, MoreSpeed::Unsure) => {
            format!(" Whether more engine speed helps is not sure{}.", at_top_speed(case, worst))
        }
        (None, MoreSpeed::NotSeen) => String::new(),
    };
    (
        word,
        format!(
            "{lead}: {}{} the voltage is {}. {consequence}.{recovers}",
            with_loads(&worst.loads),
            at_speed(worst),
            volts(&worst.voltage_v),
        ),
    )
}

/// ": at 3000 rpm the voltage is 0.19 V (0.17 to 0.67, inferred) below the setpoint"
fn at_top_speed(case: &Case, point: &OperatingPoint) -> String {
    fastest(case, &point.loads).map_or_else(String::new, |(top, _)| {
        format!(":{} the voltage is {}", at_speed(top), how_low(case, top))
    })
}

/// "from 1240 rpm (1180 to 1330, measured)", or "at higher speed" where the speed is not known.
fn from_speed(case: &Case, point: &OperatingPoint) -> String {
    let of_set = case.analysis.keep_up.iter().find(|item| item.loads == point.loads);
    of_set.and_then(|item| item.rpm.as_ref()).map_or_else(
        || "at higher speed".to_owned(),
        |rpm| format!("from {} ({}, {})", RPM.value(rpm), RPM.range(rpm), rpm.grade.word()),
    )
}
