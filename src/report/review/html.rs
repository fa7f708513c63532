//! `index.html` of a review: what the day came to, every log in a table that can be
//! sorted and filtered, then car by car what changed from log to log. Nothing is
//! fetched; the page's one script, ours, only reorders and hides rows, and without it
//! the worst log comes first.

mod cars;
mod ranks;
mod rows;

use maud::{Markup, html as markup};

use crate::diagnosis::{BusState, VerdictWord};
use crate::report::format::{self, AMP, VOLT, plain, plural};
use crate::report::html::frame::{fold, href, scripted};
use crate::review::{Review, Row, Summary};

use super::narrative;

const STYLE: &str = include_str!("html/style.css");
const SCRIPT: &str = include_str!("html/table.js");
const NOT_LOGGED: &str = "not in these logs";
/// Columns of a log's path; review.json has all of it.
const MOST_NAME: usize = 120;

/// The whole page.
pub fn html(review: &Review) -> String {
    let came_to = narrative::came_to(review);
    let body = markup! {
        header {
            p.file { "Review of " (plural(review.logs(), "log", "logs")) ", "
                (plural(review.counted_cars(), "car", "cars")) }
            h1 { span class=(tone(review)) { (came_to) } }
            @if let Some(change) = narrative::setpoint_change(review) { p.headline { (change) } }
            p.headline { (plain(&review.headline)) @if let Some(worst) = narrative::worst(review) { " " (worst) } }
            (answers(review))
        }
        main {
            (rows::logs(review))
            (cars::cars(review))
            (left_out(review))
            @if !review.cautions.is_empty() {
                (fold("h-cautions", "Safety before the next test", None, markup! {
                    ul { @for caution in &review.cautions { li { (plain(caution)) } } }
                }))
            }
        }
        footer {
            p { "Written by stiffbus " (plain(&review.version)) " from "
                (plural(review.logs(), "log", "logs"))
                ". Every interval in brackets or below a number is a 90 % interval: the true value lies "
                "in it nine times in ten; where no grade is named beside it, the value is measured. A "
                "label in a picture shows the middle of what text and tables give with its interval." }
        }
    };
    let title = format!("Review: {came_to}");
    scripted(&title, STYLE, SCRIPT, body).into_string()
}

/// Of the worst verdict of the day.
fn tone(review: &Review) -> &'static str {
    let verdicts = || review.rows.iter().filter_map(Row::summary).map(|summary| summary.verdict);
    if verdicts().any(narrative::is_bad) {
        "tone bad"
    } else if verdicts().any(|word| word == VerdictWord::LittleInReserve) {
        "tone fair"
    } else if verdicts().any(|word| word == VerdictWord::KeepsUp) {
        "tone good"
    } else {
        "tone open"
    }
}

/// The lowest voltage, the most amps short and what could not be read.
fn answers(review: &Review) -> Markup {
    let read = || review.rows.iter().filter_map(|row| Some((row, row.summary()?)));
    let lowest = read()
        .filter_map(|(row, summary)| Some((row, summary, summary.lowest.as_ref()?)))
        .filter(|(.., lowest)| lowest.voltage_v.value.is_finite())
        .min_by(|a, b| a.2.voltage_v.value.total_cmp(&b.2.voltage_v.value));
    let short = read()
        .filter_map(|(row, summary)| Some((row, summary, narrative::deficit(summary)?)))
        .max_by(|a, b| a.2.value.total_cmp(&b.2.value));
    markup! {
        dl.answers {
            div { dt { "Lowest steady voltage of all" } dd {
                @if let Some((row, summary, lowest)) = lowest {
                    p.big { (VOLT.value(&lowest.voltage_v)) }
                    p { (VOLT.range(&lowest.voltage_v)) " V (90 %), " (lowest.voltage_v.grade.word()) }
                    p { (log(row, summary)) ": " (format::with_loads(&lowest.loads))
                        @if let Some(at) = narrative::running(lowest.rpm, lowest.rpm_low, lowest.rpm_high, lowest.heat) {
                            " " (at)
                        } }
                } @else {
                    p { (NOT_LOGGED) }
                }
            } }
            div { dt { "Largest battery discharge" } dd {
                @if let Some((row, summary, amps)) = short {
                    p.big { (AMP.value(amps)) }
                    p { (AMP.range(amps)) " A (90 %), " (amps.grade.word()) }
                    p { (log(row, summary)) }
                } @else if read().any(|(_, summary)| drains(summary)) {
                    p.big { "A battery is discharging" }
                    p { "Its amps are " (NOT_LOGGED) "." }
                } @else if review.analysed > 0 {
                    p.big { "No battery discharging" }
                    p { "The battery discharges at no operating point of any log that could be read." }
                } @else {
                    p { "No log could be read." }
                }
            } }
            div { dt { "Of all logs" } dd {
                table.tally {
                    tbody {
                        @for (word, n) in narrative::verdict_counts(&review.rows) {
                            tr { td { (format::count(n)) } th scope="row" { (word) } }
                        }
                    }
                }
            } }
        }
    }
}

fn drains(summary: &Summary) -> bool {
    summary.worst.as_ref().is_some_and(|worst| worst.state == BusState::Draining)
}

/// Its name, leading to its report.
fn log(row: &Row, summary: &Summary) -> Markup {
    markup! { a href=(href(&summary.report)) { (format::shorten(&row.log, MOST_NAME)) } }
}

fn left_out(review: &Review) -> Markup {
    markup! {
        @if !review.left_out.is_empty() {
            (fold("h-left", "Not read as logs", None, markup! {
                ul {
                    @for left in &review.left_out {
                        li { (format::capital(&plain(&left.reason))) ": " (format::count(left.count)) " ("
                            (left.first.iter().map(|name| plain(name)).collect::<Vec<_>>().join(", "))
                            @if left.count > left.first.len() { ", …" } ")" }
                    }
                }
            }))
        }
    }
}
