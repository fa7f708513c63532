//! `report.html`: one page, nothing fetched, no script. What the customer asks
//! stands first, what the next mechanic asks after it.

mod evidence;
mod glance;
mod lines;
mod output;
mod provenance;
mod results;

use maud::{DOCTYPE, Markup, PreEscaped, html as markup};

use super::svg;
use super::words::{self, plain};
use crate::diagnosis::{Diagnosis, VerdictWord};
use crate::estimate::Estimate;

const STYLE: &str = include_str!("style.css");

/// The whole page.
pub fn html(diagnosis: &Diagnosis) -> String {
    page(diagnosis).into_string()
}

fn page(diagnosis: &Diagnosis) -> Markup {
    let source = &diagnosis.source;
    let dark = format!("@media screen and (prefers-color-scheme:dark){{{}}}", svg::dark_rules());
    markup! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { "Charging system: " (diagnosis.verdict.word.words()) ", " (plain(&source.file)) }
                style { (PreEscaped(STYLE)) (PreEscaped(dark)) }
            }
            body {
                header {
                    p.file { (plain(&source.file)) }
                    h1 { span class=(tone(diagnosis.verdict.word)) { (words::capital(diagnosis.verdict.word.words())) } }
                    p.headline { (words::headline(&diagnosis.verdict)) }
                    (glance::three_answers(diagnosis))
                    (glance::facts(diagnosis))
                }
                main {
                    section aria-labelledby="h-trace" {
                        h2 #h-trace { "The log at a glance" }
                        p { "Bus voltage from the first sample to the last. The "
                            dfn { "setpoint" } " is the voltage the regulator holds when it can. "
                            "Where the voltage is below it the system is " dfn { "slipping" }
                            @if diagnosis.battery.zero_current_v.is_some() {
                                "; on the shaded ground it is " dfn { "draining" }
                                ": the battery gives amps and will run down. On the lighter ground that is "
                                "not sure"
                            }
                            "."
                            @if !diagnosis.load_steps.is_empty() { " Numbered lines are load steps." }
                            @if !diagnosis.picture.loads.is_empty() {
                                " The bars under the trace show which loads are on, their height how hard."
                            } }
                        (plot(&svg::trace(diagnosis), "wide"))
                        (plot(&svg::trace_narrow(diagnosis), "narrow"))
                    }
                    (results::findings(diagnosis))
                    (results::cautions(diagnosis))
                    (results::operating_points(diagnosis))
                    (evidence::speed(diagnosis))
                    (evidence::deficit(diagnosis))
                    (output::output(diagnosis))
                    (evidence::heat(diagnosis))
                    (evidence::steps(diagnosis))
                    (results::system(diagnosis))
                    (lines::lines(diagnosis))
                    (results::cannot_tell(diagnosis))
                    (provenance::provenance(diagnosis))
                }
                footer {
                    p { "Written by stiffbus " (plain(&diagnosis.version))
                        " from one log. Every interval in brackets is a 90 % interval: the true value "
                        "lies in it nine times in ten; where no grade is named beside it, the value is "
                        "measured. A label in a picture tells the middle of what text and tables tell "
                        "with its interval." }
                }
            }
        }
    }
}

fn tone(word: VerdictWord) -> &'static str {
    match word {
        VerdictWord::KeepsUp => "tone good",
        VerdictWord::LittleInReserve => "tone fair",
        VerdictWord::CannotTell => "tone open",
        VerdictWord::FallsShortAtIdle
        | VerdictWord::FallsShort
        | VerdictWord::Overcharges
        | VerdictWord::NotCharging => "tone bad",
    }
}

/// An inlined plot. The svg module has escaped all text in it.
fn plot(svg: &str, class: &str) -> Markup {
    markup! { div class=(format!("plot {class}")) { (PreEscaped(svg)) } }
}

/// A table that scrolls within its own box where it is wider than the page.
fn table(caption: &str, heads: &[&str], rows: Vec<Vec<Markup>>) -> Markup {
    markup! {
        div.scroll role="region" tabindex="0" aria-label=(caption) {
            // A narrow page stacks the cells, each under its head; the roles keep it a table.
            table role="table" {
                caption { (caption) }
                thead role="rowgroup" {
                    tr role="row" {
                        @for head in heads { th scope="col" role="columnheader" { (head) } }
                    }
                }
                tbody role="rowgroup" {
                    @for row in rows {
                        tr role="row" {
                            @for (i, (cell, head)) in row.into_iter().zip(heads).enumerate() {
                                @if i == 0 {
                                    th scope="row" role="rowheader" data-head=(head) { (cell) }
                                } @else {
                                    td role="cell" data-head=(head) { (cell) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn text(text: impl AsRef<str>) -> Markup {
    let text = plain(text.as_ref());
    // A short cell broken in two is harder to read than a wider column.
    markup! { @if text.chars().count() <= 14 { span.value { (text) } } @else { (text) } }
}

/// A number over its interval and grade.
fn estimate(unit: words::Unit, estimate: Option<&Estimate>) -> Markup {
    markup! {
        @if let Some(e) = estimate {
            span.value { (unit.value(e)) }
            " " span.range { span.value { (unit.range(e)) } ", " (e.grade.word()) }
        } @else {
            span.range { (words::NOT_TOLD) }
        }
    }
}

/// A number over its interval; for a table whose caption tells the grade.
fn interval(unit: words::Unit, e: &Estimate) -> Markup {
    markup! { span.value { (unit.value(e)) } " " span.range { span.value { (unit.range(e)) } } }
}
