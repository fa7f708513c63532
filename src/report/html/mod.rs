//! `report.html`: one page, nothing fetched, no script. What the customer asks
//! stands first, what the next mechanic asks after it.

mod evidence;
pub(super) mod frame;
mod glance;
mod lines;
mod output;
mod provenance;
mod results;

use maud::{Markup, html as markup};

use super::svg;
use super::words::{self, plain};
use crate::diagnosis::{Diagnosis, VerdictWord};

use frame::{document, estimate, interval, long_table, plot, table, text};

const STYLE: &str = include_str!("style.css");

/// The whole page.
pub fn html(diagnosis: &Diagnosis) -> String {
    page(diagnosis).into_string()
}

fn page(diagnosis: &Diagnosis) -> Markup {
    let file = plain(&diagnosis.source.file);
    let title = format!("Charging system: {}, {file}", diagnosis.verdict.word.words());
    let body = markup! {
        header {
            p.file { (file) }
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
    };
    document(&title, STYLE, body)
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
