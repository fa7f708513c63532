//! A row a log, the worst first. PredictionResult short: a day may have a thousand.

use maud::{Markup, html as markup};

use super::ranks::{COLUMNS, ranks};
use super::{MOST_NAME, log};
use crate::diagnosis::VerdictWord;
use crate::estimate::Estimate;
use crate::report::format::{self, AMP, RPM, Unit, VOLT, plain};
use crate::report::review::narrative;
use crate::report::svg::{SketchScale, sketch};
use crate::review::{Review, Row, Summary};

/// From so many rows the table scrolls in a box of its own, its heads in sight.
const TALL: usize = 25;
/// Findings named in a row; its report has them all.
const MOST_FINDINGS: usize = 3;
const MOST_REMARKS: usize = 3;
/// Columns of a reason; review.json has all of it.
const MOST_REASON: usize = 400;

pub fn logs(review: &Review) -> Markup {
    let scale = SketchScale::of(review);
    let shown = review.rows.iter().zip(ranks(review));
    let scroll = if review.rows.len() > TALL { "scroll tall" } else { "scroll" };
    markup! {
        section aria-labelledby="h-logs" {
            h2 #h-logs { "Every log, the worst first" }
            (controls(review))
            div class=(scroll) role="region" tabindex="0" aria-label="Table of all logs" {
                table #logs {
                    caption { "The small pictures are all on one scale (" (format::number(scale.low_v, 1))
                        " to " (format::number(scale.high_v, 1)) " V): the line is the bus voltage, dashed the "
                        "setpoint, shaded where the battery drains. The range below a number is a 90 % interval." }
                    thead {
                        tr {
                            @for (head, first, ..) in COLUMNS {
                                th scope="col" data-first=(first.word()) { (head) }
                            }
                        }
                    }
                    tbody {
                        @for (row, ranks) in shown { (line(row, &ranks, scale)) }
                    }
                }
            }
            details {
                summary { "What the columns mean" }
            p { "The lowest voltage is the lowest steady level while the engine ran. "
                dfn { "Draining" } ": the battery discharges; " dfn { "at its limit" }
                ": the alternator delivers all it can, and the battery still charges; " dfn { "holding" }
                ": the regulator is in control. The " dfn { "battery discharge" } " is the current the battery supplies because the alternator does not; the "
                dfn { "keep-up speed" } " is the engine speed from which the regulator is in control "
                "with the set of loads that needs most. " dfn { "Measured" } " numbers are read from the log, " dfn { "inferred" }
                " ones follow from it and a stated fact about the car, " dfn { "assumed" }
                " ones depend on a common value that was not checked on this car." }
            }
        }
    }
}

/// Of no use without the script, which shows them.
fn controls(review: &Review) -> Markup {
    let mut verdicts: Vec<&str> = review.rows.iter().map(narrative::verdict).collect();
    verdicts.dedup();
    markup! {
        div.controls hidden {
            label { "Find " input #find type="search" autocomplete="off" placeholder="name, load, finding"; }
            label { "Verdict " select #verdict {
                option value="" { "all" }
                @for word in verdicts { option { (word) } }
            } }
            @if review.cars.len() > 1 {
                label { "Car " select #car {
                    option value="" { "all" }
                    @for car in &review.cars { option { (plain(&car.name)) } }
                } }
            }
            button #worst type="button" { "Worst first, all logs" }
            output #shown role="status" {}
        }
    }
}

fn line(row: &Row, ranks: &str, scale: SketchScale) -> Markup {
    let verdict = narrative::verdict(row);
    markup! {
        tr data-r=(ranks) {
            @if let Some(summary) = row.summary() {
                th scope="row" { (log(row, summary)) }
                (car(row))
                td {
                    (sketch(&summary.sketch, summary.setpoint_v.as_ref().map(|e| e.value), scale))
                    span.range { (format::duration(summary.duration_s)) }
                }
                td { b class=(tone(summary.verdict)) { (verdict) } }
                td { (worst(summary)) }
                td {
                    (estimate(VOLT, summary.lowest.as_ref().map(|lowest| &lowest.voltage_v)))
                }
                td { (deficit(summary)) }
                td { (keep_up(summary)) }
                td {
                    @match &summary.heat_loss {
                        Some(loss) => (estimate(VOLT, Some(&loss.lost_v))),
                        None => span.none { "none seen" },
                    }
                }
                td { (findings(summary)) }
                td { (quality(summary)) }
            } @else {
                th scope="row" { (format::shorten(&row.log, MOST_NAME)) }
                (car(row))
                td { span.range { "no trace" } }
                td { b.open { (verdict) } }
                td.reason colspan="7" { (format::shorten(&narrative::reason(row).or(narrative::copy(row)).unwrap_or_default(), MOST_REASON)) }
            }
        }
    }
}

fn car(row: &Row) -> Markup {
    markup! {
        td { span { (plain(&row.car)) } " "
            span.range { "no. " (row.order) }
            @if let Some(started) = row.started {
                " " span.range { span.value { (started.format("%Y-%m-%d")) } " " (started.format("%H:%M")) }
            } }
    }
}

/// As on the other pages, in less markup.
fn estimate(unit: Unit, e: Option<&Estimate>) -> Markup {
    markup! {
        @match e {
            Some(e) => {
                (unit.value(e).replace(' ', "\u{a0}")) " "
                span.range { (unit.range(e)) ", " (e.grade.word()) }
            }
            None => span.range { (format::NOT_TOLD) },
        }
    }
}

fn tone(word: VerdictWord) -> &'static str {
    match word {
        VerdictWord::KeepsUp => "good",
        VerdictWord::LittleInReserve => "fair",
        VerdictWord::CannotTell => "open",
        _ => "bad",
    }
}

fn worst(summary: &Summary) -> Markup {
    let Some(point) = &summary.worst else {
        return markup! { span.range { (format::NOT_TOLD) } };
    };
    let loads = format::shorten(&format::loads(&point.loads), 60);
    markup! {
        (loads) " "
        @if let Some(at) = narrative::running(point.rpm, point.rpm_low, point.rpm_high, point.heat) {
            span.range { (at) } " "
        }
        span class=(format!("state {}", point.state.word())) { (narrative::state(point.state, point.state_confidence)) }
    }
}

fn deficit(summary: &Summary) -> Markup {
    markup! {
        @match (narrative::deficit(summary), &summary.deficit_a) {
            (Some(amps), _) => (estimate(AMP, Some(amps))),
            (None, Some(_)) => span.none { "none" },
            (None, None) if summary.worst.as_ref().is_some_and(|w| w.implied_deficit_a.is_none()
                && w.state != crate::diagnosis::BusState::Draining) => span.none { "none" },
            (None, None) => span.range { (format::NOT_TOLD) },
        }
    }
}

fn keep_up(summary: &Summary) -> Markup {
    markup! {
        @match &summary.keep_up {
            None => span.range { (format::NOT_TOLD) },
            Some(keep_up) => {
                @match (keep_up.bound, &keep_up.rpm) {
                    (crate::diagnosis::Bound::Within, Some(rpm)) => (estimate(RPM, Some(rpm))),
                    _ => span.range { (narrative::keep_up_bound(keep_up)) },
                }
            }
        }
    }
}

fn findings(summary: &Summary) -> Markup {
    let told = summary.findings.iter().take(MOST_FINDINGS);
    let more = summary.findings.len().saturating_sub(MOST_FINDINGS);
    markup! {
        @if summary.findings.is_empty() { span.none { "none" } }
        @for finding in told {
            span class=(format!("mark {}", finding.severity.word())) {
                (finding.severity.word()) " " (plain(&finding.id).replace('-', " "))
            }
        }
        @if more > 0 { span.range { "and " (format::count(more)) " more" } }
    }
}

fn quality(summary: &Summary) -> Markup {
    let remarks = &summary.quality.remarks;
    let told: Vec<String> = remarks.iter().take(MOST_REMARKS).map(|r| plain(r)).collect();
    let more = remarks.len().saturating_sub(MOST_REMARKS);
    markup! {
        @if told.is_empty() { span.none { "nothing to note" } } @else { (told.join("; ")) }
        @if more > 0 { "; " (format::count(more)) " more" }
        " " span.range { (format::plural(summary.rows_read, "row", "rows")) }
    }
}
