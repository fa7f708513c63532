//! `proof.html`: one page, nothing fetched, no script, at most two sheets of paper
//! for one later log. What the customer wants to know comes first.

mod account;
mod agreed;
mod matched;
mod prediction;

use maud::{Markup, html as markup};

use crate::comparison::{After, Comparison, MatchedPoint, Outcome, PointSide};
use crate::diagnosis::Heat;
use crate::estimate::{Estimate, Grade};
use crate::report::format::{self, Unit, VOLT, plain};
use crate::report::html::frame::{document, estimate, fold, interval, plot};
use crate::report::svg;

use super::narrative;

const STYLE: &str = include_str!("style.css");
/// Room to write by hand.
const BLANK: &str = "________________";

/// The whole page.
pub fn html(comparison: &Comparison) -> String {
    let (before, afters) = narrative::files(comparison);
    let title = format!(
        "{}: {}, {before} and {}",
        narrative::title(comparison.outcome),
        comparison.outcome.words(),
        afters.join(", ")
    );
    let body = markup! {
        header {
            @for line in &comparison.job.shop { p.file { (plain(line)) } }
            p.file { (narrative::title(comparison.outcome)) ": " (before) " before, " (afters.join(" and ")) " after" }
            h1 { span class=(tone(comparison.outcome)) { (format::capital(comparison.outcome.words())) } }
            p.headline { (narrative::meaning(comparison)) }
            (job(comparison))
            (answers(comparison))
        }
        main {
            (pictured(comparison))
            (agreed::criteria(comparison))
            (agreed::missing(comparison))
            (cautions(comparison))
            (prediction::prediction(comparison))
            (fold("h-appendix", "Technical appendix", None, markup! {
                p { (format::capital(&plain(&comparison.headline))) }
                (matched::matched(comparison))
                (account::account(comparison))
            }))
        }
        footer {
            p { "Written by stiffbus " (plain(&comparison.version)) " from the logs alone. "
                "Every interval in brackets is a 90 % interval: the true value lies in it nine times "
                "in ten; where no grade is named beside it, the value is measured. A label in the "
                "picture shows the middle of what text and tables give with its interval." }
        }
    };
    document(&title, STYLE, body).into_string()
}

fn tone(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::RepairProven => "tone good",
        Outcome::ImprovedNotProven => "tone fair",
        Outcome::NoChange | Outcome::NotComparable => "tone open",
        Outcome::Worse => "tone bad",
    }
}

/// The same running before and after, side by side.
fn answers(comparison: &Comparison) -> Markup {
    let shown: Vec<(&After, &MatchedPoint)> = comparison
        .afters
        .iter()
        .filter_map(|after| Some((after, narrative::most_informative(after)?)))
        .collect();
    let Some((_, first)) = shown.first() else { return markup! {} };
    markup! {
        dl.answers.sides {
            (side("Before the repair", &first.before, first, None))
            @for (after, point) in &shown {
                (side(&heading(comparison, after), &point.after, point, Some(first)))
            }
        }
    }
}

/// "After the repair", or which of several and what it says by itself.
fn heading(comparison: &Comparison, after: &After) -> String {
    if comparison.afters.len() == 1 {
        return "After the repair".to_owned();
    }
    let name = format::capital(&plain(&after.side.name));
    let file = format::shorten(&after.side.source.file, 40);
    format!("{name}, {file}: {}", after.outcome.words())
}

/// `first` is the point that the card of the earlier log shows.
fn side(
    title: &str,
    side: &PointSide,
    point: &MatchedPoint,
    first: Option<&MatchedPoint>,
) -> Markup {
    let e = &side.voltage_v;
    let other =
        first.filter(|first| (&first.loads, first.rpm_low) != (&point.loads, point.rpm_low));
    markup! {
        div {
            dt { (title) }
            dd {
                p.big { (VOLT.value(e)) }
                p { (VOLT.range(e)) " V (90 %), " (e.grade.word()) }
                p { span class=(format!("state {}", side.state.word())) { (format::capital(&narrative::state(side))) }
                    @if let Some(discharge) = narrative::discharge(side) { ": " (discharge) } }
                p { (running(point)) " " (narrative::place(side)) }
                @if let Some(other) = other {
                    p { "Other loads or speed than in the first column (" (running(other)) "). Before: "
                        (VOLT.with_range(&point.before.voltage_v)) "." }
                }
            }
        }
    }
}

fn running(point: &MatchedPoint) -> String {
    narrative::running(&point.loads, point.rpm_low, point.rpm_high, Heat::Unknown)
}

/// Whose car, and what was done to it. What a customer's page needs is left blank where
/// it is not known, to be written by hand.
fn job(comparison: &Comparison) -> Markup {
    let job = &comparison.job;
    let last = comparison.afters.last().and_then(|after| after.side.source.started_at);
    let date = last.map(|at| at.format("%Y-%m-%d").to_string());
    let parts = (!job.parts.is_empty()).then(|| job.parts.join("; "));
    let facts = [
        ("Customer", &job.customer),
        ("Date", &date),
        ("Vehicle", &job.vehicle),
        ("Work order", &job.work_order),
        ("Parts", &parts),
        ("Technician", &job.technician),
        ("Signature", &None),
        ("Remarks", &job.remarks),
    ];
    let is_needed = |name: &str| !matches!(name, "Customer" | "Work order" | "Remarks");
    let shown = facts.into_iter().filter(|(name, text)| text.is_some() || is_needed(name));
    markup! {
        dl.facts {
            @for (name, text) in shown {
                div { dt { (name) } dd { (text.as_deref().map_or(BLANK.to_owned(), plain)) } }
            }
        }
    }
}

fn pictured(comparison: &Comparison) -> Markup {
    markup! {
        section aria-labelledby="h-picture" {
            h2 #h-picture { "The same load step, before and after" }
            @if let Some(svg) = svg::proof(comparison) {
                p { "Each line is the voltage of one log while the same load comes on. A healthy system "
                    "stays near its dotted " dfn { "setpoint" } ", the voltage that the regulator holds "
                    "when it can. In the shaded area the battery discharges, and will run down; in the "
                    "lighter area that is not certain." }
                (plot(&svg, "wide"))
                @if let Some(narrow) = svg::proof_narrow(comparison) { (plot(&narrow, "narrow")) }
            } @else {
                p { "No load step is in all of these logs, so there is no picture of it." }
            }
        }
    }
}

fn cautions(comparison: &Comparison) -> Markup {
    markup! {
        @if !comparison.cautions.is_empty() {
            section.cautions aria-labelledby="h-cautions" {
                h2 #h-cautions { "Safety before the next test" }
                ul { @for caution in &comparison.cautions { li { (plain(caution)) } } }
            }
        }
    }
}

/// A number over its interval; its grade where that is less than measured.
fn measure(unit: Unit, e: &Estimate) -> Markup {
    match e.grade {
        Grade::Measured => interval(unit, e),
        _ => estimate(unit, Some(e)),
    }
}
