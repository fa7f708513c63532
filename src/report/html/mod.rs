//! `report.html`: one page, nothing fetched. The first screen has the verdict, its meaning,
//! the likeliest cause and the next test; the picture and the reasons follow. Everything else
//! is closed until the reader opens it. All of it reads without the script that makes the
//! picture of the log live.

mod evidence;
mod first_screen;
pub(super) mod frame;

mod lines;
mod live;
mod output;
mod provenance;
mod results;

use maud::{Markup, html as markup};

use super::format::plain;
use super::svg;
use crate::diagnosis::Diagnosis;
use crate::units::Spoken;

use frame::{
    document, estimate, fold, interval, long_list, long_table, plot, scripted, table, text,
};
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
        (first_screen::header(diagnosis))
        main {
            (first_screen::next(diagnosis))
            (trace(diagnosis))
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
            p { "Written by stiffbus " (plain(&diagnosis.version)) " from one log. Every range is a 90 % \
                interval. " dfn { "Measured" } " numbers are read from the log, " dfn { "inferred" }
                " ones follow from it and a stated fact about the car, " dfn { "assumed" }
                " ones depend on a common value that was not checked on this car. A number without a \
                grade is measured. A label in a picture shows the middle value." }
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
        section.log aria-label="The log" {
            (live::place(diagnosis))
            (plot(&svg::trace(diagnosis), "wide still"))
            (plot(&svg::trace_narrow(diagnosis), "narrow still"))
            details {
                summary { "How to read this picture" }
                p { "Voltage from the first sample to the last. " dfn { "At its limit" }
                    ": below the setpoint, the alternator delivers all it can."
                    @if diagnosis.battery.zero_current_v.is_some() {
                        " " dfn { "Draining" } ": in the hatched area the battery discharges; in the plain \
                         area above it that is not certain."
                    }
                    @if !svg::held_spans(diagnosis).is_empty() {
                        " Each pale band is the interval of the steady voltage there."
                    }
                    @if !diagnosis.load_steps.is_empty() {
                        " Numbered lines are " dfn { "load steps" } ": a load switched on or off."
                    }
                    @if !diagnosis.picture.loads.is_empty() {
                        " The bars below show which loads are on, and their duty."
                    } }
            }
        }
    }
}
