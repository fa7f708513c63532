//! The evidence behind the findings: engine speed and every load step.

use maud::{Markup, html as markup};

use super::{estimate, fold, go, interval, long_list, long_table, plot, text};
use crate::diagnosis::{Bound, Diagnosis, LoadStep};
use crate::estimate::Estimate;
use crate::report::format::{self, AMP, PERCENT, RPM, SECOND, VOLT, plain};
use crate::report::{summary, svg, tables};

/// More plots than this make the page slow and tell nobody more; the folder has them all.
const MOST_PLOTS: usize = 48;

pub fn speed(diagnosis: &Diagnosis) -> Markup {
    markup! {
        (fold("h-speed", "Voltage against engine speed", summary::speed_claim(diagnosis, |rpm| RPM.with_range(rpm)), markup! {
            @if let Some(svg) = svg::speed(diagnosis) {
                p { "Steady running only. The " dfn { "keep-up speed" }
                    " of a set of loads is the engine speed from which the regulator is in control"
                    @if diagnosis.keep_up.is_empty() { ": " (format::NOT_TOLD) }
                    "." }
                (plot(&svg, "middling"))
                @if let Some(narrow) = svg::speed_narrow(diagnosis) { (plot(&narrow, "narrow")) }
            } @else {
                p { "Engine speed in steady running is " (format::NOT_TOLD) "." }
            }
        }))
    }
}

/// Amps short by engine speed, and each set's keep-up speed in a sentence.
pub fn deficit(diagnosis: &Diagnosis) -> Markup {
    let short = diagnosis.keep_up.iter().filter(|item| item.bound != Bound::BelowSeen);
    let told = short.filter(|item| !item.told.is_empty());
    markup! {
        @if let Some(svg) = svg::deficit(diagnosis) {
            (fold("h-deficit", "Alternator shortfall against engine speed", summary::shortfall_claim(diagnosis, |amps| AMP.with_range(amps)), markup! {
                p { "For each set of loads: the ring is the alternator shortfall, the filled mark the battery discharge. The arrow on the zero line marks the keep-up speed." }
                (plot(&svg, "middling"))
                @if let Some(narrow) = svg::deficit_narrow(diagnosis) { (plot(&narrow, "narrow")) }
                (long_list(told.map(|item| markup! {
                    (plain(&item.told)) @if let Some(ratio) = &item.pulley_ratio {
                        " That is a pulley ratio of " (format::RATIO.graded(Some(ratio))) "."
                    }
                })))
            }))
        }
    }
}

/// The same running early and late.
pub fn heat(diagnosis: &Diagnosis) -> Markup {
    markup! {
        @if let Some(svg) = svg::heat(diagnosis) {
            (fold("h-heat", "Cold versus hot", None, markup! {
                p { "Each row is one set of loads at one engine speed. If its voltage moved left by more than the green setpoint, the regulator is not the reason." }
                (plot(&svg, "middling"))
                @if let Some(narrow) = svg::heat_narrow(diagnosis) { (plot(&narrow, "narrow")) }
                @let told = diagnosis.heat.iter().filter(|p| !p.told.is_empty());
                (long_list(told.map(|pair| markup! { (plain(&pair.told)) })))
            }))
        }
    }
}

pub fn steps(diagnosis: &Diagnosis) -> Markup {
    let steps = &diagnosis.load_steps;
    markup! {
        (fold("h-steps", "Load steps", Some(summary::steps_claim(diagnosis)), markup! {
            @if steps.is_empty() {
                p { "No load step stands out in this log." }
            } @else {
                p { "The " dfn { "baseline" } " is the voltage just before it, the " dfn { "trough" }
                    " the lowest after it, " dfn { "settled" } " the voltage before the next step. " dfn { "Sag" }
                    " is baseline minus trough: the dip. " dfn { "Shift" }
                    " is baseline minus settled: the lasting drop. "
                    dfn { "Recovery" } " is the time from the trough to the settled voltage, and the share of the sag regained. When a load is switched off the voltage rises: the trough is then a peak, and sag and shift are negative. A " dfn { "declared" } " step is in the log or was marked; a " dfn { "detected" } " one shows only in the voltage." }
                div.multiples {
                    @for index in 0..svg::pictured(diagnosis).min(MOST_PLOTS) { (plot(&svg::step(diagnosis, index), "small")) }
                }
                @let pictured = svg::pictured(diagnosis);
                @if pictured > MOST_PLOTS {
                    p { "The plots of steps " (MOST_PLOTS + 1) " to " (pictured)
                        " are in the folder of this report." }
                }
                (steps_table(steps))
            }
        }))
    }
}

fn steps_table(steps: &[LoadStep]) -> Markup {
    let grades = || steps.iter().flat_map(estimates).map(|e| e.grade);
    let one_grade = grades().next().filter(|first| grades().all(|grade| grade == *first));
    let caption = match one_grade {
        Some(grade) => format!("Load steps, with 90 % interval, all {}", grade.word()),
        None => "Load steps, with 90 % interval and grade".to_owned(),
    };
    let volts = |e: &Estimate| match one_grade {
        Some(_) => interval(VOLT, e),
        None => estimate(VOLT, Some(e)),
    };
    let rows = steps.iter().map(|step| {
        let number = go(step.at_s, step.until_s, text(step.number.to_string()));
        let mut row = vec![number, change(step), text(speeds(step))];
        let told = [&step.baseline_v, &step.trough, &step.sag_v, &step.settled_v, &step.shift_v];
        row.extend(told.map(volts));
        row.push(recovery(step, one_grade.is_some()));
        row
    });
    let heads = [
        "Step",
        "Change",
        "Engine speed, rpm",
        "Baseline, V",
        "Trough, V",
        "Sag, V",
        "Settled, V",
        "Shift, V",
        "Recovery, s",
    ];
    long_table(&caption, &heads, rows.collect())
}

fn estimates(step: &LoadStep) -> impl Iterator<Item = &Estimate> {
    let volts = [&step.baseline_v, &step.trough, &step.sag_v, &step.settled_v, &step.shift_v];
    volts.into_iter().chain(&step.recovery)
}

fn change(step: &LoadStep) -> Markup {
    markup! {
        (plain(&svg::what(step)))
        " " span.range { "at " (SECOND.of(step.at_s)) ", " (tables::origin(step)) }
        // A lag shorter than the tenth it is told to is none.
        @if let Some(lag) = step.lag_s.filter(|lag| *lag >= 0.05) {
            " " span.range { "voltage responded after "
                @match &step.lag {
                    Some(e) => (SECOND.with_range(e)),
                    None => (format::duration(lag)),
                } }
        }
        @if !step.answered { " " span.range { "no response above the noise" } }
    }
}

fn speeds(step: &LoadStep) -> String {
    match (step.rpm_before, step.rpm_after) {
        (Some(before), Some(after)) => format!("{} then {}", RPM.bare(before), RPM.bare(after)),
        (Some(one), None) | (None, Some(one)) => RPM.bare(one),
        (None, None) => format::NOT_TOLD.to_owned(),
    }
}

fn recovery(step: &LoadStep, graded_above: bool) -> Markup {
    markup! {
        @match (&step.recovery, step.recovery_s) {
            (Some(e), _) if graded_above => (interval(SECOND, e)),
            (Some(e), _) => (estimate(SECOND, Some(e))),
            (None, Some(seconds)) => span.value { (SECOND.of(seconds)) },
            (None, None) => span.range { "none seen" },
        }
        @if let Some(share) = &step.recovered {
            " " span.range { (PERCENT.of_shares().with_range(share)) " of the sag regained" }
        } @else if let Some(share) = step.recovered_share.filter(|s| s.is_finite()) {
            " " span.range { (PERCENT.of(share * 100.0)) " of the sag regained" }
        }
    }
}
