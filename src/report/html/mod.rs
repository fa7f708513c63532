//! `report.html`: one page, nothing fetched, no script. What the customer asks
//! stands first, what the next mechanic asks after it.

mod evidence;
mod provenance;
mod results;

use maud::{DOCTYPE, Markup, PreEscaped, html as markup};

use super::svg;
use super::words::{self, plain};
use crate::diagnosis::{Diagnosis, VerdictWord};

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
                    h1 { span class=(tone(diagnosis.verdict.word)) { (capital(diagnosis.verdict.word.words())) } }
                    p.headline { (plain(&diagnosis.verdict.headline)) }
                    (at_a_glance(diagnosis))
                }
                main {
                    section aria-labelledby="h-trace" {
                        h2 #h-trace { "The log at a glance" }
                        p { "Bus voltage from the first sample to the last. The "
                            dfn { "setpoint" } " is the voltage the regulator holds when it can. "
                            "Where the voltage is below it the system is " dfn { "slipping" }
                            "; on the shaded ground it is " dfn { "draining" }
                            ": the battery gives amps and will run down. Numbered lines are load steps; "
                            "the bars under the trace show which loads are on, their height how hard." }
                        (plot(&svg::trace(diagnosis), "wide"))
                    }
                    (results::findings(diagnosis))
                    (results::cautions(diagnosis))
                    (results::operating_points(diagnosis))
                    (evidence::speed(diagnosis))
                    (evidence::steps(diagnosis))
                    (results::system(diagnosis))
                    (results::cannot_tell(diagnosis))
                    (provenance::provenance(diagnosis))
                }
                footer {
                    p { "Written by stiffbus " (plain(&diagnosis.version))
                        " from one log. Every interval in brackets is a 90 % interval: the true value "
                        "lies in it nine times in ten." }
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

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

fn at_a_glance(diagnosis: &Diagnosis) -> Markup {
    let fact = |name: &str, value: String| markup! { div { dt { (name) } dd { (value) } } };
    markup! {
        dl.facts {
            (fact("Setpoint", words::VOLT.graded(diagnosis.setpoint_v.as_ref())))
            (fact("Rest voltage", words::VOLT.graded(diagnosis.rest_voltage_v.as_ref())))
            (fact("Log", format!("{}, {}", words::duration(diagnosis.source.duration_s),
                words::plural(diagnosis.load_steps.len(), "load step", "load steps"))))
        }
    }
}

/// An inlined plot. The svg module has escaped all text in it.
fn plot(svg: &str, class: &str) -> Markup {
    markup! {
        div class=(format!("plot {class}")) role="group" tabindex="0" aria-label="plot, scrolls sideways on a narrow screen" {
            (PreEscaped(svg))
        }
    }
}

/// A table that scrolls within its own box where the page is narrow.
fn table(caption: &str, heads: &[&str], rows: Vec<Vec<Markup>>) -> Markup {
    markup! {
        div.scroll role="region" tabindex="0" aria-label=(caption) {
            table {
                caption { (caption) }
                thead { tr { @for head in heads { th scope="col" { (head) } } } }
                tbody {
                    @for row in rows {
                        tr {
                            @for (i, cell) in row.into_iter().enumerate() {
                                @if i == 0 { th scope="row" { (cell) } } @else { td { (cell) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn text(text: impl AsRef<str>) -> Markup {
    markup! { (plain(text.as_ref())) }
}

/// A number over its interval and grade.
fn estimate(unit: words::Unit, estimate: Option<&crate::estimate::Estimate>) -> Markup {
    markup! {
        @if let Some(e) = estimate {
            span.value { (unit.of(e.value)) }
            " " span.range { (unit.range(e)) ", " (e.grade.word()) }
        } @else {
            span.range { (words::NOT_TOLD) }
        }
    }
}
