//! What a reader needs first: what it means, the likeliest cause, the numbers, the next test.

use maud::{Markup, html as markup};

use super::live::{self, go};
use crate::diagnosis::{Bound, BusState, Diagnosis, NextTest, OperatingPoint, VerdictWord};
use crate::estimate::Estimate;
use crate::report::format::{self, AMP, RPM, VOLT, plain};
use crate::report::{summary, svg};

pub fn header(diagnosis: &Diagnosis) -> Markup {
    let verdict = &diagnosis.verdict;
    let word = format::capital(verdict.word.words());
    markup! {
        header {
            p.file { (plain(&diagnosis.source.file)) }
            @if let Some(at) = diagnosis.source.started_at {
                p.started { (at.format("%Y-%m-%d %H:%M").to_string()) }
            }
            h1 { span class=(tone(diagnosis)) { (word) } }
            @if let Some(danger) = &verdict.danger { p.danger { (plain(danger)) } }
            p.meaning { (summary::meaning(diagnosis)) (faults_besides(diagnosis)) }
            @if has_numbers(verdict.word) {
                (numbers(diagnosis))
            } @else {
                p.headline { (format::headline(verdict)) }
            }
        }
    }
}

/// The likeliest cause and the test that decides it, or what to log where nothing is decided.
pub fn next(diagnosis: &Diagnosis) -> Markup {
    markup! {
        @if let Some(finding) = summary::leading(diagnosis) {
            section.next aria-labelledby="h-next" {
                h2 #h-next { "Most likely cause" }
                p.cause { (plain(&finding.cause)) }
                @if !finding.test.steps.is_empty() {
                    h3 { "Test this next" }
                    (test(&finding.test))
                }
                @if let Some(caution) = diagnosis.cautions.first() { p.care { (plain(caution)) } }
            }
        }
        @if diagnosis.verdict.word == VerdictWord::CannotTell { (what_to_do(diagnosis)) }
    }
}

/// Numbered steps, and the reading that decides.
pub fn test(test: &NextTest) -> Markup {
    markup! {
        ol.steps { @for step in &test.steps { li { (plain(step)) } } }
        @if !test.bad_if.is_empty() { p.limit { strong { "Bad if " } (plain(&test.bad_if)) "." } }
    }
}

/// More of what the log lacks than this is left to the list further down.
const MOST_TO_LOG: usize = 3;

fn what_to_do(diagnosis: &Diagnosis) -> Markup {
    let columns = diagnosis.columns.iter().filter(|c| c.role != "ignored");
    let read: Vec<String> =
        columns.map(|c| format!("{}: “{}”", c.role.replace('_', " "), plain(&c.name))).collect();
    markup! {
        section.next aria-labelledby="h-do" {
            h2 #h-do { "What to do" }
            ul { @for item in diagnosis.verdict.cannot_tell.iter().take(MOST_TO_LOG) { li { (plain(item)) } } }
            p { "Columns as read: " (read.join(", ")) ". If one is wrong, read the log again with "
                code { "--column ROLE=NAME" } ", for example "
                code { "--column voltage=\"Battery V\"" } "." }
        }
    }
}

/// Green only where nothing calls for work.
fn tone(diagnosis: &Diagnosis) -> &'static str {
    match diagnosis.verdict.word {
        VerdictWord::KeepsUp if summary::leading(diagnosis).is_none() => "tone good",
        VerdictWord::KeepsUp | VerdictWord::LittleInReserve => "tone fair",
        VerdictWord::CannotTell => "tone open",
        VerdictWord::FallsShortAtIdle
        | VerdictWord::FallsShort
        | VerdictWord::Overcharges
        | VerdictWord::NotCharging => "tone bad",
    }
}

/// An alternator that keeps up must not hide a fault found elsewhere.
fn faults_besides(diagnosis: &Diagnosis) -> &'static str {
    let keeps_up =
        matches!(diagnosis.verdict.word, VerdictWord::KeepsUp | VerdictWord::LittleInReserve);
    if keeps_up && summary::leading(diagnosis).is_some() {
        " But something else needs attention."
    } else {
        ""
    }
}

/// Elsewhere the headline has the numbers that count.
fn has_numbers(word: VerdictWord) -> bool {
    !matches!(word, VerdictWord::KeepsUp | VerdictWord::CannotTell)
}

fn numbers(diagnosis: &Diagnosis) -> Markup {
    let (name, volts) = level(diagnosis);
    let (amps_name, amps) = amps(diagnosis);
    markup! {
        dl.answers {
            div { dt { (name) } dd { (volts) } }
            div { dt { (amps_name) } dd { (amps) } }
            div { dt { "Keep-up speed" } dd { (keep_up(diagnosis)) } }
        }
    }
}

/// Of the set of loads that needs the most speed.
fn keep_up(diagnosis: &Diagnosis) -> Markup {
    let Some(item) = svg::worst_keep_up(diagnosis) else {
        return markup! { p.big { "Not known" } p { (capital_absent()) "." } };
    };
    let loads = format::shorten(&format::loads(&item.loads), 60);
    match (item.bound, &item.rpm) {
        (Bound::Within, Some(rpm)) => {
            answer(&RPM.value(rpm), rpm, RPM.range(rpm), markup! { (loads) })
        }
        (Bound::BelowSeen, _) => markup! { p.big { "Any speed seen" } p { (loads) } },
        _ => {
            markup! { p.big { "None seen" } p { "up to " (RPM.of(item.seen_high_rpm)) ", " (loads) } }
        }
    }
}

fn capital_absent() -> String {
    format::capital(format::NOT_TOLD)
}

fn answer(value: &str, e: &Estimate, range: String, at: Markup) -> Markup {
    markup! {
        p.big { (value) }
        p { "(" (range) ", " (e.grade.word()) ")" }
        p { (at) }
    }
}

/// The steady level behind the verdict: the lowest, or the highest where it is too high.
fn level(diagnosis: &Diagnosis) -> (&'static str, Markup) {
    let too_high = diagnosis.verdict.word == VerdictWord::Overcharges;
    let name = if too_high { "Highest steady voltage" } else { "Lowest steady voltage" };
    let known = diagnosis.operating_points.iter().filter(|p| p.voltage_v.value.is_finite());
    let by_volts =
        |a: &&OperatingPoint, b: &&OperatingPoint| a.voltage_v.value.total_cmp(&b.voltage_v.value);
    let point = if too_high { known.max_by(by_volts) } else { known.min_by(by_volts) };
    let shown = point.map_or_else(
        || markup! { p { (capital_absent()) "." } },
        |p| {
            let e = &p.voltage_v;
            answer(&VOLT.value(e), e, VOLT.range(e), place(p))
        },
    );
    (name, shown)
}

/// The largest battery discharge, or else the largest alternator shortfall.
fn amps(diagnosis: &Diagnosis) -> (&'static str, Markup) {
    let points = &diagnosis.operating_points;
    let worst = |state: BusState, of: fn(&OperatingPoint) -> Option<&Estimate>| {
        let known = points.iter().filter(|p| p.state == state);
        let known = known.filter_map(|p| Some((p, of(p).filter(|e| e.value.is_finite())?)));
        known.max_by(|a, b| a.1.value.total_cmp(&b.1.value))
    };
    let shown = |p: &OperatingPoint, e: &Estimate| answer(&AMP.value(e), e, AMP.range(e), place(p));
    if let Some((p, e)) = worst(BusState::Draining, |p| p.implied_deficit_a.as_ref()) {
        return ("Battery discharge", shown(p, e));
    }
    if let Some((p, e)) = worst(BusState::Limited, |p| p.regulation_shortfall_a.as_ref()) {
        return ("Alternator shortfall", shown(p, e));
    }
    let none = points.iter().all(|p| p.state == BusState::Holding);
    let text = if none { "None" } else { "Not known" };
    ("Battery discharge", markup! { p.big { (text) } })
}

/// When and where a point was seen: its longest stretch, its speed, its loads.
fn place(point: &OperatingPoint) -> Markup {
    let loads = format::shorten(&format::loads(&point.loads), 60);
    let rpm = point.rpm.filter(|rpm| rpm.is_finite()).map(|rpm| RPM.of(rpm));
    let told = markup! { @if let Some(rpm) = rpm { "at " (rpm) } @else { "there" } };
    markup! {
        @if let Some(span) = live::longest(point) { (go(span.start_s, span.end_s, told)) } @else { (told) }
        ", " (loads)
    }
}
