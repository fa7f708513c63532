//! `report.html`: one page, nothing fetched. What the customer asks stands first, what
//! the next mechanic asks after it. All of it reads without the script that makes the
//! picture of the log live.

mod evidence;
pub(super) mod frame;
mod glance;
mod lines;
mod live;
mod output;
mod provenance;
mod results;

use maud::{Markup, html as markup};

use super::format::{self, plain};
use super::svg;
use crate::diagnosis::{Diagnosis, VerdictWord};
use crate::units::Spoken;

use frame::{document, estimate, interval, long_list, long_table, plot, scripted, table, text};
use live::go;

const STYLE: &str = include_str!("style.css");
const LIVE_STYLE: &str = include_str!("live.css");

/// The whole page.
pub fn html(diagnosis: &Diagnosis) -> String {
    page(&diagnosis.spoken()).into_string()
}

fn page(diagnosis: &Diagnosis) -> Markup {
    let file = plain(&diagnosis.source.file);
    let title = format!("Charging system: {}, {file}", diagnosis.verdict.word.words());
    let body = markup! {
        header {
            p.file { (file) }
            h1 { span class=(tone(diagnosis.verdict.word)) { (format::capital(diagnosis.verdict.word.words())) } }
            (glance::meaning(diagnosis))
            p.headline { (format::headline(&diagnosis.verdict)) }
            (glance::three_numbers(diagnosis))
            (glance::facts(diagnosis))
        }
        main {
            (trace(diagnosis))
            (results::findings(diagnosis))
            (results::next(diagnosis))
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
                "measured. A label in a picture shows the middle of what text and tables give "
                "with its interval." }
        }
        (live::samples(diagnosis))
    };
    let style = format!("{STYLE}{LIVE_STYLE}");
    if live::lives(diagnosis) {
        scripted(&title, &style, live::SCRIPT, body)
    } else {
        document(&title, &style, body)
    }
}

/// The picture of the whole log, at rest; where a script runs, live in its place.
fn trace(diagnosis: &Diagnosis) -> Markup {
    markup! {
        section aria-labelledby="h-trace" {
            h2 #h-trace { "The log at a glance" }
            p { "Bus voltage from the first sample to the last. Below the setpoint it may be "
                dfn { "at its limit" } ": the alternator delivers all it can"
                @if diagnosis.battery.zero_current_v.is_some() {
                    "; on the hatched ground it is " dfn { "draining" }
                    ": the battery discharges and will run down. On the plain ground above it that is "
                    "not sure"
                }
                "."
                @if !svg::held_spans(diagnosis).is_empty() {
                    " Each pale band is the interval of what the bus holds at that operating point, \
                     over all visits."
                }
                @if !diagnosis.load_steps.is_empty() {
                    " Numbered lines are " dfn { "load steps" } ": a load going on or off."
                }
                @if !diagnosis.picture.loads.is_empty() {
                    " The bars under the trace show which loads are on, their height how hard."
                } }
            (live::place(diagnosis))
            (plot(&svg::trace(diagnosis), "wide still"))
            (plot(&svg::trace_narrow(diagnosis), "narrow still"))
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
