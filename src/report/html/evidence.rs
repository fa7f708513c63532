//! The evidence behind the findings: engine speed and every load step.

use maud::{Markup, html as markup};

use super::{estimate, plot, table, text};
use crate::diagnosis::{Diagnosis, LoadStep};
use crate::report::words::{self, PERCENT, RPM, SECOND, VOLT, plain};
use crate::report::{svg, tables};

/// More plots than this make the page slow and tell nobody more; the folder has them all.
const MOST_PLOTS: usize = 48;

pub fn speed(diagnosis: &Diagnosis) -> Markup {
    markup! {
        section aria-labelledby="h-speed" {
            h2 #h-speed { "Voltage against engine speed" }
            @if let Some(svg) = svg::speed(diagnosis) {
                p { "Steady running only. The " dfn { "keep-up speed" }
                    " of a set of loads is the engine speed at which it stops slipping." }
                (plot(&svg, "middling"))
            } @else {
                p { "Engine speed in steady running is " (words::NOT_TOLD) "." }
            }
        }
    }
}

pub fn steps(diagnosis: &Diagnosis) -> Markup {
    let steps = &diagnosis.load_steps;
    markup! {
        section aria-labelledby="h-steps" {
            h2 #h-steps { "Load steps" }
            @if steps.is_empty() {
                p { "No change of load stands out in this log." }
            } @else {
                p { "A " dfn { "load step" } " is a load going on or off. The "
                    dfn { "baseline" } " is the voltage just before it, the " dfn { "trough" }
                    " the lowest after it, and " dfn { "settled" }
                    " where it ends up before the next step. " dfn { "Sag" }
                    " is baseline minus trough: the dip. " dfn { "Shift" }
                    " is baseline minus settled: what the step costs for good. "
                    dfn { "Recovery" } " is the time from the trough until the voltage is back where it settles, "
                    "and the share of the sag it regains. A " dfn { "declared" }
                    " step stands in the log or was marked; a " dfn { "detected" }
                    " one shows only in the voltage." }
                div.multiples {
                    @for index in 0..steps.len().min(MOST_PLOTS) { (plot(&svg::step(diagnosis, index), "small")) }
                }
                @if steps.len() > MOST_PLOTS {
                    p { "The plots of steps " (MOST_PLOTS + 1) " to " (steps.len())
                        " are in the folder of this report." }
                }
                (table("Load steps, with 90 % interval and grade",
                    &["Step", "Change", "Engine speed, rpm", "Baseline, V", "Trough, V", "Sag, V",
                      "Settled, V", "Shift, V", "Recovery, s"],
                    steps.iter().map(row).collect()))
            }
        }
    }
}

fn row(step: &LoadStep) -> Vec<Markup> {
    vec![
        text(step.number.to_string()),
        change(step),
        text(speeds(step)),
        estimate(VOLT, Some(&step.baseline_v)),
        estimate(VOLT, Some(&step.trough)),
        estimate(VOLT, Some(&step.sag_v)),
        estimate(VOLT, Some(&step.settled_v)),
        estimate(VOLT, Some(&step.shift_v)),
        recovery(step),
    ]
}

fn change(step: &LoadStep) -> Markup {
    markup! {
        (plain(&svg::what(step)))
        " " span.range { "at " (SECOND.of(step.at_s)) ", " (tables::origin(step)) }
        @if let Some(lag) = step.lag_s {
            " " span.range { "voltage answered after " (words::duration(lag)) }
        }
        @if !step.answered { " " span.range { "no answer above the noise" } }
    }
}

fn speeds(step: &LoadStep) -> String {
    match (step.rpm_before, step.rpm_after) {
        (Some(before), Some(after)) => format!("{} then {}", RPM.bare(before), RPM.bare(after)),
        (Some(one), None) | (None, Some(one)) => RPM.bare(one),
        (None, None) => words::NOT_TOLD.to_owned(),
    }
}

fn recovery(step: &LoadStep) -> Markup {
    markup! {
        @match (&step.recovery, step.recovery_s) {
            (Some(e), _) => (estimate(SECOND, Some(e))),
            (None, Some(seconds)) => span.value { (SECOND.of(seconds)) },
            (None, None) => span.range { "none seen before the next change" },
        }
        @if let Some(share) = step.recovered_share.filter(|s| s.is_finite()) {
            " " span.range { (PERCENT.of(share * 100.0)) " of the sag regained" }
        }
    }
}
