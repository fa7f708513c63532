//! The alternator's output curve: a sentence, the picture, the points.

use maud::{Markup, html as markup};

use super::{estimate, fold, long_table, plot, text};
use crate::diagnosis::{Diagnosis, Heat, OutputPoint, OutputSeen};
use crate::estimate::Estimate;
use crate::report::format::{self, AMP, PERCENT, RPM, VOLT, plain};
use crate::report::svg;
use crate::units::Units;

/// Nothing where alternator current is not logged.
pub fn output(diagnosis: &Diagnosis) -> Markup {
    markup! {
        @if let Some(output) = &diagnosis.output {
            (fold("h-output", "Alternator output", None, markup! {
                p { (plain(&output.statement)) }
                p { dfn { "Full output" } ": the voltage is below the setpoint, so the alternator makes all it can at that speed. While the setpoint is held it makes what the loads need, so its output is " dfn { "at least" } " that."
                    @if let Some(sheet) = &output.sheet {
                        " Its sheet, " (plain(&sheet.file)) ", was taken at "
                        (VOLT.graded(Some(&sheet.test_v))) " (" (plain(&sheet.test_v.how)) ") and "
                        (diagnosis.units.degree().graded(Some(&sheet.test_c))) " (" (plain(&sheet.test_c.how))
                        "). Each point is converted to the voltage there and to a hot alternator, whose output falls 10 to 25 % (common practice)."
                    }
                }
                @if let Some(svg) = svg::output(diagnosis) { (plot(&svg, "middling")) }
                @if let Some(narrow) = svg::output_narrow(diagnosis) { (plot(&narrow, "narrow")) }
                (points(output, diagnosis.units))
            }))
        }
    }
}

fn points(output: &OutputSeen, units: Units) -> Markup {
    let mut heads =
        vec!["Speed, rpm", "Output", "Current, A", "Voltage there, V", "Time there", "Heat"];
    if output.sheet.is_some() {
        heads.extend(["Sheet there, A", "Of the sheet, %"]);
    }
    let rows = output.points.iter().map(|point| {
        let mut row = vec![
            speed(point),
            text(if point.full_output { "full" } else { "at least" }),
            estimate(AMP, Some(&point.amps_a)),
            estimate(VOLT, Some(&point.at_v)),
            text(format::duration(point.seconds)),
            heat(point, units),
        ];
        if output.sheet.is_some() {
            row.push(told(AMP, point.sheet_a.as_ref(), "beyond the sheet"));
            row.push(told(PERCENT_OF_ONE, point.share_of_sheet.as_ref(), ""));
        }
        row
    });
    long_table("Alternator output by speed, with 90 % interval and grade", &heads, rows.collect())
}

const PERCENT_OF_ONE: format::Unit = PERCENT.of_shares();

fn told(unit: format::Unit, value: Option<&Estimate>, otherwise: &str) -> Markup {
    match value {
        Some(_) => estimate(unit, value),
        None => markup! { span.none { (otherwise) } },
    }
}

fn speed(point: &OutputPoint) -> Markup {
    match (point.alternator_rpm, point.engine_rpm) {
        (Some(rpm), Some(engine)) => markup! {
            span.value { (RPM.bare(rpm)) } " " span.range { "engine " span.value { (RPM.bare(engine)) } }
        },
        (Some(rpm), None) => text(RPM.bare(rpm)),
        (None, Some(engine)) => {
            markup! { span.range { "engine " span.value { (RPM.bare(engine)) } } }
        }
        (None, None) => text(format::NOT_TOLD),
    }
}

fn heat(point: &OutputPoint, units: Units) -> Markup {
    let word = if point.heat == Heat::Unknown { "not known" } else { point.heat.word() };
    markup! {
        (word)
        @if let (Some(c), Some(place)) = (point.temperature_c, &point.temperature_at) {
            " " span.range { (plain(place)) " " (units.degree().of(c)) }
        }
    }
}
