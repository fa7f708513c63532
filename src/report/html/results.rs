//! What was found: findings, operating points, the parts of the system.

use maud::{Markup, html as markup};

use super::first_screen;
use super::live::{self, go};
use super::{estimate, fold, long_list, long_table, text};
use crate::diagnosis::{BusState, Diagnosis, Finding, Heat, OperatingPoint, Severity, VerdictWord};
use crate::estimate::Estimate;
use crate::report::format::{
    self, AMP, AMP_HOUR, HOUR, MILLIOHM, MILLIVOLT, MILLIVOLT_PER_MINUTE, PERCENT, RPM, SECOND,
    VOLT, plain,
};
use crate::report::{summary, svg};

/// So many reasons are open; the others are closed.
const MOST_OPEN: usize = 3;

/// The reasons for the verdict, worst first, each with what speaks for it and against it.
pub fn findings(diagnosis: &Diagnosis) -> Markup {
    let leading = summary::leading(diagnosis);
    let findings = summary::worst_first(diagnosis);
    let open = findings.iter().take_while(|f| f.severity > Severity::Note).count();
    let (open, closed) = findings.split_at(open.min(MOST_OPEN));
    let article = |finding: &Finding| {
        markup! { (reason(finding, leading.is_none_or(|leading| leading.id != finding.id))) }
    };
    markup! {
        @if !open.is_empty() {
            section aria-labelledby="h-findings" {
                h2 #h-findings { "Why" }
                @for finding in open { (article(finding)) }
            }
        } @else if diagnosis.verdict.word == VerdictWord::KeepsUp {
            p.nothing { "Nothing in this log calls for work." }
        }
        @if !closed.is_empty() {
            details.fold {
                summary { h2 #h-notes { (format::plural(closed.len(), "more finding", "more findings")) } }
                @for finding in closed { (article(finding)) }
            }
        }
    }
}

/// `in_full` adds the cause and the test, which the leading finding has further up.
fn reason(finding: &Finding, in_full: bool) -> Markup {
    markup! {
        article class=(format!("finding {}", finding.severity.word())) {
            h3 { span.severity { (finding.severity.word()) } " " (format::capital(&plain(&finding.statement))) }
            @if in_full && !finding.cause.is_empty() { p { (plain(&finding.cause)) } }
            @if !finding.alternatives.is_empty() {
                p.against { strong { "Could also be: " } (plain(&finding.alternatives.join("; "))) "." }
            }
            @if !finding.evidence.is_empty() {
                details {
                    summary { "Seen in the log" }
                    (long_list(finding.evidence.iter().map(|seen| markup! {
                        span.when { (go(seen.start_s, seen.end_s, markup! {
                            (format::from_to(seen.start_s, seen.end_s))
                        })) }
                        " " (plain(&seen.text))
                    })))
                }
            }
            @if in_full && !finding.test.steps.is_empty() {
                details { summary { "Test" } (first_screen::test(&finding.test)) }
            }
        }
    }
}

pub fn cautions(diagnosis: &Diagnosis) -> Markup {
    markup! {
        @if !diagnosis.cautions.is_empty() {
            details.fold {
                summary { h2 #h-cautions { "Before you work on the car" } }
                div.cautions { ul { @for caution in &diagnosis.cautions { li { (plain(caution)) } } } }
            }
        }
    }
}

pub fn operating_points(diagnosis: &Diagnosis) -> Markup {
    let rows = diagnosis.operating_points.iter().map(|point| {
        vec![
            loads(point),
            rpm(point),
            text(if point.heat == Heat::Unknown { "not known" } else { point.heat.word() }),
            text(format::duration(point.seconds)),
            estimate(VOLT, Some(&point.voltage_v)),
            state(point),
            deficit(point),
            shortfall(point),
        ]
    });
    markup! {
        (fold("h-points", "Operating points", Some(diagnosis.operating_points.len().to_string()), markup! {
            p { "An " dfn { "operating point" } " is a set of loads at one engine speed and one state of heat. "
                dfn { "Holding" } ": the regulator is in control. " dfn { "At its limit" }
                ": the alternator delivers all it can, and the battery still charges. " dfn { "Draining" }
                ": the battery discharges. The " dfn { "implied deficit" }
                " is the battery discharge there; the " dfn { "regulation shortfall" } " is how much more the alternator needs to make to hold the setpoint." }
            @if let Some(e) = &diagnosis.battery.zero_current_v {
                p { "Here the battery neither charges nor discharges at " (VOLT.graded(Some(e)))
                    ". The distance from there and from the setpoint decides how sure a state is." }
            }
            @if diagnosis.operating_points.is_empty() {
                p { "No steady running. Operating points are " (format::NOT_TOLD) "." }
            } @else {
                (long_table("Voltage by operating point, with 90 % interval and grade",
                    &["Loads on", "Engine speed, rpm", "Heat", "Time there", "Bus voltage, V", "State",
                      "Implied deficit, A", "Regulation shortfall, A"], rows.collect()))
                (amps_told(diagnosis))
            }
        }))
    }
}

/// How the amps off the setpoint are known: points known in the same way are
/// told by the one that costs most; every point and route stands in diagnosis.json.
fn amps_told(diagnosis: &Diagnosis) -> Markup {
    let mut ways: Vec<(&str, Vec<&OperatingPoint>)> = Vec::new();
    for point in diagnosis.operating_points.iter().filter(|p| p.state != BusState::Holding) {
        let Some(deficit) = point.implied_deficit_a.as_ref() else { continue };
        match ways.iter_mut().find(|(how, _)| *how == deficit.how) {
            Some((_, points)) => points.push(point),
            None => ways.push((&deficit.how, vec![point])),
        }
    }
    let given = |p: &OperatingPoint| p.implied_deficit_a.as_ref().map_or(0.0, |a| a.value);
    let told = ways.iter().filter_map(|(_, points)| {
        let worst = points.iter().max_by(|a, b| given(a).total_cmp(&given(b)))?;
        (!worst.deficit_told.is_empty()).then_some((*worst, points.len() - 1))
    });
    let told: Vec<(&OperatingPoint, usize)> = told.collect();
    markup! {
        @if !told.is_empty() {
            h3 { "How the battery current is known" }
            ul {
                @for (point, others) in told {
                    li {
                        (plain(&point.deficit_told))
                        @for route in point.deficit_routes_a.iter().skip(1) {
                            " Another estimate: " (AMP.graded(Some(route))) ": " (plain(&route.how)) "."
                        }
                        @if others > 0 {
                            " The amps at " (format::plural(others, "other point", "other points"))
                            " are estimated in the same way."
                        }
                    }
                }
            }
        }
    }
}

fn loads(point: &OperatingPoint) -> Markup {
    let loads = text(format::loads(&point.loads));
    match live::longest(point) {
        Some(span) => go(span.start_s, span.end_s, loads),
        None => loads,
    }
}

/// The speed seen most, over the band it stands for.
fn rpm(point: &OperatingPoint) -> Markup {
    let band = format::rpm_band(point.rpm_low, point.rpm_high);
    match (point.rpm.filter(|rpm| rpm.is_finite()), band) {
        (Some(rpm), Some(band)) => markup! {
            span.value { (RPM.bare(rpm)) } " " span.range { span.value { (band) } }
        },
        (Some(rpm), None) => text(RPM.bare(rpm)),
        (None, band) => text(band.unwrap_or_else(|| format::NOT_TOLD.to_owned())),
    }
}

/// By definition only a draining battery gives amps, and only a bus off its
/// setpoint is short: elsewhere an absent number is no gap in what is known.
fn deficit(point: &OperatingPoint) -> Markup {
    let absent_is_none = point.state != BusState::Draining;
    amps(point.implied_deficit_a.as_ref(), absent_is_none)
}

fn shortfall(point: &OperatingPoint) -> Markup {
    amps(point.regulation_shortfall_a.as_ref(), point.state == BusState::Holding)
}

fn amps(known: Option<&Estimate>, absent_is_none: bool) -> Markup {
    match known {
        None if absent_is_none => none(),
        Some(e) if AMP.is_nothing(e) => none(),
        known => estimate(AMP, known),
    }
}

/// Left out where a narrow page stacks the cells.
fn none() -> Markup {
    markup! { span.none { "none" } }
}

/// What decided it stands in full in operating_points.csv; the clause on the
/// battery is the same in every row and stands above the table.
fn state(point: &OperatingPoint) -> Markup {
    let how = plain(&point.state_how);
    let how = how.split(';').next().unwrap_or("").replace(" -", " −");
    markup! {
        span class=(format!("state {}", point.state.word())) { (point.state.label()) }
        @if point.state_confidence.is_finite() {
            " " span.range { (PERCENT.of(point.state_confidence * 100.0)) " sure" }
        }
        @if !how.is_empty() { " " span.range { (how) } }
    }
}

/// One row a fact of battery, regulator, start and heat.
pub fn system(diagnosis: &Diagnosis) -> Markup {
    let mut facts = Vec::new();
    battery(diagnosis, &mut facts);
    regulator(diagnosis, &mut facts);
    start(diagnosis, &mut facts);
    heat(diagnosis, &mut facts);
    markup! {
        (fold("h-system", "Battery, regulator, start and heat", None, markup! {
            (long_table("Parts of the system, with 90 % interval and grade", &["What", "Value", "How known"], facts))
            @if let Some(disagreement) = &diagnosis.battery.disagreement {
                p.warn { (plain(disagreement)) }
            }
        }))
    }
}

type Rows = Vec<Vec<Markup>>;

fn fact(facts: &mut Rows, name: impl AsRef<str>, unit: format::Unit, value: Option<&Estimate>) {
    let how = value.map_or("", |e| e.how.as_str());
    facts.push(vec![text(name), estimate(unit, value), text(how)]);
}

fn battery(diagnosis: &Diagnosis, facts: &mut Rows) {
    let battery = &diagnosis.battery;
    fact(
        facts,
        "Rest voltage: the battery with no current flowing",
        VOLT,
        diagnosis.rest_voltage_v.as_ref(),
    );
    fact(facts, "State of charge", PERCENT, diagnosis.state_of_charge_percent.as_ref());
    fact(facts, "Battery resistance", MILLIOHM, Some(&battery.resistance_ohm));
    for route in battery.routes.iter().filter(|route| **route != battery.resistance_ohm) {
        fact(facts, "Battery resistance, another estimate", MILLIOHM, Some(route));
    }
    fact(
        facts,
        "Voltage at which the battery neither charges nor discharges",
        VOLT,
        battery.zero_current_v.as_ref(),
    );
    if let Some(used) = &diagnosis.battery_use {
        fact(facts, "Charge lost by the battery over this log", AMP_HOUR, Some(&used.taken_ah));
        if let Some(hours) = &used.lasts_h {
            let name = "Battery life at the worst operating point, from the end of the log";
            fact(facts, name, HOUR, Some(hours));
        }
    }
}

fn regulator(diagnosis: &Diagnosis, facts: &mut Rows) {
    fact(
        facts,
        "Setpoint: the voltage the regulator holds when it can",
        VOLT,
        diagnosis.setpoint_v.as_ref(),
    );
    if let Some(drift) = &diagnosis.setpoint_drift {
        if drift.per_minute_v.is_some() {
            fact(
                facts,
                "Setpoint drift with time",
                MILLIVOLT_PER_MINUTE,
                drift.per_minute_v.as_ref(),
            );
        }
        if drift.per_degree_v.is_some() {
            let against = drift.against.as_deref().unwrap_or("the logged");
            let name = format!("Setpoint drift with {against} temperature");
            fact(facts, name, diagnosis.units.millivolt_per_degree(), drift.per_degree_v.as_ref());
        }
    }
    if let Some(regulation) = &diagnosis.regulation {
        let kinds: Vec<&str> = regulation.possible.iter().map(|kind| kind.label()).collect();
        facts.push(vec![
            text("Kind of regulator"),
            text(kinds.join(", or ")),
            text(&regulation.why),
        ]);
    }
    for item in &diagnosis.keep_up {
        let name = format!("Keep-up speed with {}", format::loads(&item.loads));
        match (&item.bound, &item.rpm) {
            (crate::diagnosis::Bound::Within, Some(rpm)) => fact(facts, name, RPM, Some(rpm)),
            _ => facts.push(vec![
                text(name),
                text(svg::answer(item)),
                text(format!(
                    "seen from {} to {}",
                    RPM.bare(item.seen_low_rpm),
                    RPM.of(item.seen_high_rpm)
                )),
            ]),
        }
    }
}

fn start(diagnosis: &Diagnosis, facts: &mut Rows) {
    let Some(cranking) = &diagnosis.cranking else {
        let why = "the log holds no start of the engine";
        facts.push(vec![text("Cranking"), text(format::NOT_TOLD), text(why)]);
        return;
    };
    let name = format!("Lowest voltage while cranking, at {}", SECOND.of(cranking.at_s));
    fact(facts, name, VOLT, cranking.lowest.as_ref());
    fact(facts, "Cranked for", SECOND, cranking.duration.as_ref());
    let name = "Time from cranking to the setpoint";
    fact(facts, name, SECOND, cranking.return_to_setpoint.as_ref());
}

fn heat(diagnosis: &Diagnosis, facts: &mut Rows) {
    for pair in &diagnosis.heat {
        let at = format::rpm_band(pair.rpm_low, pair.rpm_high)
            .map_or_else(String::new, |band| format!(", {band} rpm"));
        let what = format!(
            "{}{at}: {} against {}",
            format::loads(&pair.loads),
            format::from_to(pair.late.start_s, pair.late.end_s),
            format::from_to(pair.early.start_s, pair.early.end_s)
        );
        fact(facts, format!("Change with heat, {what}"), MILLIVOLT, Some(&pair.change_v));
        if pair.per_minute_v.is_some() {
            fact(facts, "… by time", MILLIVOLT_PER_MINUTE, pair.per_minute_v.as_ref());
        }
        if pair.per_degree_v.is_some() {
            fact(
                facts,
                "… by temperature",
                diagnosis.units.millivolt_per_degree(),
                pair.per_degree_v.as_ref(),
            );
        }
    }
}

pub fn cannot_tell(diagnosis: &Diagnosis) -> Markup {
    markup! {
        @if !diagnosis.verdict.cannot_tell.is_empty() {
            (fold("h-cannot", "What this log does not show", Some(diagnosis.verdict.cannot_tell.len().to_string()), markup! {
                ul { @for item in &diagnosis.verdict.cannot_tell { li { (plain(item)) } } }
            }))
        }
    }
}
