//! What the first screen answers: what it means, how low, how many amps short, from
//! which engine speed on it holds.

use maud::{Markup, html as markup};

use super::live::{self, go};
use crate::diagnosis::{
    Bound, BusState, Diagnosis, MoreSpeed, OperatingPoint, Severity, VerdictWord,
};
use crate::estimate::Estimate;
use crate::log::Span;
use crate::report::format::{self, AMP, RPM, VOLT};
use crate::report::svg;

/// What the verdict comes to for whoever owns the car, before any number.
pub fn meaning(diagnosis: &Diagnosis) -> Markup {
    markup! { p.meaning { (said(diagnosis)) (faults_besides(diagnosis)) } }
}

pub fn three_numbers(diagnosis: &Diagnosis) -> Markup {
    let (name, volts) = level(diagnosis);
    markup! {
        dl.answers {
            div { dt { (name) } dd { (volts) } }
            div { dt { "Amps short" } dd { (amps(diagnosis)) } }
            div { dt { "Keep-up speed" } dd { (keep_up(diagnosis)) } }
        }
        p.grades { "Each range is a 90 % interval. " dfn { "Measured" } " numbers are read off the log, "
            dfn { "inferred" } " ones follow from it and a stated fact about the car, " dfn { "assumed" }
            " ones rest on a common value that was not checked on this car." }
    }
}

pub fn facts(diagnosis: &Diagnosis) -> Markup {
    let fact = |name: &str, what: &str, value: String| {
        markup! { div { dt { dfn { (name) } (what) } dd { (value) } } }
    };
    let steps = format::plural(diagnosis.load_steps.len(), "load step", "load steps");
    markup! {
        dl.facts {
            (fact("Setpoint", ", what the regulator holds when it can",
                VOLT.graded(diagnosis.setpoint_v.as_ref())))
            (fact("Rest voltage", ", the battery's with nothing flowing",
                VOLT.graded(diagnosis.rest_voltage_v.as_ref())))
            (fact("Log", "", format!("{} system, {}, {steps}", diagnosis.source.nominal_v,
                format::duration(diagnosis.source.duration_s))))
        }
    }
}

/// Of the set of loads that asks for most speed.
fn keep_up(diagnosis: &Diagnosis) -> Markup {
    let Some(item) = svg::worst_keep_up(diagnosis) else {
        return markup! {
            p.big { "Not known" }
            p { "The engine speed from which the bus no longer sags is " (format::NOT_TOLD) "." }
        };
    };
    let loads = format::shorten(&format::loads(&item.loads), 60);
    markup! {
        @match (item.bound, &item.rpm) {
            (Bound::Within, Some(rpm)) => {
                (answer(&RPM.value(rpm), rpm, format!("{} rpm", RPM.range(rpm)),
                    markup! { "of the engine: from there on the bus holds with " (loads) }))
            }
            (Bound::BelowSeen, _) => {
                p.big { "Any speed seen" }
                p { (svg::answer(item)) ", with " (loads) }
            }
            _ => {
                p.big { "None seen" }
                p { (svg::answer(item)) ", with " (loads) }
            }
        }
    }
}

fn answer(value: &str, e: &Estimate, range: String, where_seen: Markup) -> Markup {
    markup! {
        p.big { (value) }
        p { (range) " (90 %), " (e.grade.word()) }
        p { (where_seen) }
    }
}

/// The steady level that speaks for the verdict: the lowest, but the highest
/// where the fault is too much.
fn level(diagnosis: &Diagnosis) -> (&'static str, Markup) {
    let too_much = diagnosis.verdict.word == VerdictWord::Overcharges;
    let name = if too_much { "Highest held voltage" } else { "Lowest held voltage" };
    let known = diagnosis.operating_points.iter().filter(|p| p.voltage_v.value.is_finite());
    let by_volts =
        |a: &&OperatingPoint, b: &&OperatingPoint| a.voltage_v.value.total_cmp(&b.voltage_v.value);
    let point = if too_much { known.max_by(by_volts) } else { known.min_by(by_volts) };
    let told = match point {
        Some(p) => {
            let e = &p.voltage_v;
            answer(&VOLT.value(e), e, format!("{} V", VOLT.range(e)), place(p))
        }
        None => markup! { p { (format::NOT_TOLD) } },
    };
    (name, told)
}

/// The worst the battery has to give; else the most the alternator lacks.
fn amps(diagnosis: &Diagnosis) -> Markup {
    let points = &diagnosis.operating_points;
    let worst = |state: BusState, of: fn(&OperatingPoint) -> Option<&Estimate>| {
        let known = points.iter().filter(|p| p.state == state);
        let known = known.filter_map(|p| Some((p, of(p).filter(|e| e.value.is_finite())?)));
        known.max_by(|a, b| a.1.value.total_cmp(&b.1.value))
    };
    let told = |lead: &str, p: &OperatingPoint, e: &Estimate| {
        let range = format!("{} A", AMP.range(e));
        answer(&AMP.value(e), e, range, markup! { (lead) "; " (place(p)) })
    };
    if let Some((p, e)) = worst(BusState::Draining, |p| p.implied_deficit_a.as_ref()) {
        return markup! {
            (told("taken from the battery", p, e))
            @if let Some(short) = &p.regulation_shortfall_a {
                p { "Holding the setpoint there takes " (AMP.graded(Some(short))) "." }
            }
        };
    }
    if points.iter().any(|p| p.state == BusState::Draining) {
        return markup! { p { "The battery is draining; how many amps is " (format::NOT_TOLD) "." } };
    }
    if let Some((p, e)) = worst(BusState::Limited, |p| p.regulation_shortfall_a.as_ref()) {
        return told("to hold the setpoint; battery not draining", p, e);
    }
    markup! {
        @if points.is_empty() {
            p { (format::NOT_TOLD) }
        } @else if diagnosis.verdict.word == VerdictWord::CannotTell {
            p.big { "Not known" }
            p { "The battery does not discharge where the log shows the state; elsewhere it is not known." }
        } @else {
            p.big { "Battery not draining" }
            @if points.iter().all(|p| p.state == BusState::Holding) {
                p { "No amps short: the setpoint is held at every operating point seen." }
            } @else {
                p { "The bus is below its setpoint; how many amps short is " (format::NOT_TOLD) "." }
            }
        }
    }
}

/// When and where a point was seen: its longest stretch, its speed, its loads.
fn place(point: &OperatingPoint) -> Markup {
    let mut parts = Vec::new();
    if let Some(rpm) = point.rpm.filter(|rpm| rpm.is_finite()) {
        parts.push(RPM.of(rpm));
    }
    parts.push(format::loads(&point.loads));
    let parts = parts.join(", ");
    markup! {
        @if let Some(span) = live::longest(point) {
            (go(span.start_s, span.end_s, text_of(span))) ", "
        }
        (parts)
    }
}

fn text_of(span: &Span) -> Markup {
    markup! { (format::from_to(span.start_s, span.end_s)) }
}

/// An alternator that keeps up must not hide a fault found elsewhere.
fn faults_besides(diagnosis: &Diagnosis) -> &'static str {
    let keeps_up =
        matches!(diagnosis.verdict.word, VerdictWord::KeepsUp | VerdictWord::LittleInReserve);
    if keeps_up && diagnosis.findings.iter().any(|f| f.severity > Severity::Note) {
        " The findings below call for work all the same."
    } else {
        ""
    }
}

/// The verdict in words a car's owner can act on.
fn said(diagnosis: &Diagnosis) -> String {
    let said = match diagnosis.verdict.word {
        VerdictWord::FallsShort | VerdictWord::FallsShortAtIdle => return falls_short(diagnosis),
        VerdictWord::KeepsUp => {
            "The alternator carries every load this log switched on, and the battery stays charged."
        }
        VerdictWord::LittleInReserve => {
            "The alternator just carries these loads. One more load, more heat or a slower idle may \
             be too much for it."
        }
        VerdictWord::Overcharges => {
            "The voltage is more than a battery stands for long: it loses water, and lamps and \
             electronics suffer."
        }
        VerdictWord::NotCharging => {
            "The car runs on its battery alone and stops when that is empty."
        }
        VerdictWord::CannotTell => {
            "This log does not show enough to judge. Below stands what is missing."
        }
    };
    said.to_owned()
}

/// What the battery suffers, and whether driving ends it.
fn falls_short(diagnosis: &Diagnosis) -> String {
    // Whoever reads only this must not go and buy an alternator.
    if diagnosis.findings.iter().any(|f| f.id == "line-drop-high") {
        return "The cable or the ground to the battery loses volts. Repair that first: a bigger \
                alternator does not cure it."
            .to_owned();
    }
    let verdict = &diagnosis.verdict;
    let at_idle = verdict.word == VerdictWord::FallsShortAtIdle;
    let with = if at_idle { "Standing with" } else { "With" };
    let suffers = if verdict.battery_drains == Some(true) {
        "the car runs on its battery and discharges it"
    } else {
        "the alternator is at its limit: the battery charges little or not at all"
    };
    let driving = match verdict.more_speed {
        Some(MoreSpeed::Cures) => "Driving charges it again.",
        Some(MoreSpeed::DoesNotCure) => "Driving does not cure it.",
        Some(MoreSpeed::Unsure) => "Whether driving cures it, this log leaves open.",
        Some(MoreSpeed::NotSeen) | None => {
            "Whether driving charges it again, this log does not show."
        }
    };
    format!("{with} these loads on, {suffers}. {driving}")
}
