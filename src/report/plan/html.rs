//! `plan.html`: what to fit, how far to trust it, why, and what it takes.

use maud::{Markup, html as markup};

use crate::car::cable::Gauge;
use crate::estimate::Estimate;
use crate::plan::{CableRow, Margin, Plan, PredictedPoint, Proposal, Suitability, Wiring};
use crate::report::format::{self, AMP, RATIO, RPM, VOLT, plain};
use crate::report::html::frame::{document, estimate, fold, plot, table, text};
use crate::report::svg;

use crate::units::Units;

use super::terminal::tightest;

const STYLE: &str = "h1{font-size:2.2rem;margin-bottom:.6rem}\
.tone.fair{border-bottom-style:double;border-bottom-width:6px}.tone.open{border-bottom-style:dotted}\
.tone.bad{border-bottom-width:8px}td .state{display:inline}\
.answers.buy{grid-template-columns:repeat(3,1fr)}.answers.buy>div:last-child{grid-column:auto}.buy .big{font-size:1.3rem}\
.boxes{list-style:\"☐  \"}\
@media screen and (max-width:34rem){.answers.buy{grid-template-columns:1fr 1fr}}\
@media print{table{font-size:8pt}.wide svg{max-height:80mm}[aria-labelledby=h-machines] tbody tr{break-after:auto}}";

/// The whole page.
pub fn html(plan: &Plan) -> String {
    let best = plan.candidates.first();
    let word = match best.map(|best| best.standing) {
        Some(Suitability::Carries) => format!("Fit {}", best.map_or("", |b| b.name.as_str())),
        Some(Suitability::May) => "May carry it".to_owned(),
        Some(_) => "None of these carries it".to_owned(),
        None => "The car as it is".to_owned(),
    };
    let body = markup! {
        header {
            p.file { "Plan from " (plain(&plan.source.file)) }
            h1 { span class=(tone(best.map(|b| b.standing))) { (plain(&word)) } }
            p.headline { (plain(&plan.headline)) }
        }
        main {
            (shopping_list(plan))
            section aria-labelledby="h-machines" {
                h2 #h-machines { "The alternators, best first" }
                (choices(plan))
                @for proposal in &plan.candidates { (ratios(proposal)) }
            }
            @if let Some(svg) = svg::capacity(plan) {
                section aria-labelledby="h-capacity" {
                    h2 #h-capacity { "What each alternator supplies, and what the loads need" }
                    p { "Each curve is an alternator's hot output on its pulleys; each dashed line is what a set "
                        "of loads needs. Where they cross is the " dfn { "keep-up speed" } ": from there up "
                        "the bus holds." }
                    (plot(&svg, "wide"))
                    @if let Some(narrow) = svg::capacity_narrow(plan) { (plot(&narrow, "narrow")) }
                }
            }
            (fold("h-detail", "Supply, need and speeds of each alternator", None, markup! {
                p { "At hot idle, with each set of loads that the log had on there. "
                    dfn { "To spare" } ": what the alternator can supply at the setpoint, less what holding it needs; "
                    "below zero, the voltage sags." }
                (machines(plan))
            }))
            (fold("h-trust", "How well the prediction matches the log", None, markup! {
                p { (plain(&plan.reproduction.told)) }
                @if let Some(svg) = svg::replay(plan) {
                    p { "The logged voltage, the same reproduced by the fitted cars with the current "
                        "alternator, and what they predict with the best of the candidates. The bands contain "
                        "nine of ten fitted cars." }
                    (plot(&svg, "wide"))
                    @if let Some(narrow) = svg::replay_narrow(plan) { (plot(&narrow, "narrow")) }
                }
                        }))
            (points(plan))
            (ledger(plan))
            @if let Some(wiring) = &plan.wiring { (cables(wiring, plan.units)) }
            (fold("h-assumed", "Assumptions", None, markup! {
                ul { @for item in &plan.assumed { li { (plain(item)) } } }
            }))
            (checklist())
            section.cautions aria-labelledby="h-cautions" {
                h2 #h-cautions { "Safety before any work" }
                ul { @for caution in &plan.cautions { li { (plain(caution)) } } }
            }
        }
        footer {
            p { "Written by stiffbus " (plain(&plan.version)) " from one log, SHA-256 "
                (plain(&plan.source.sha256)) ". Every interval in brackets or below a number is a 90 % "
                "interval over simulated cars that fit the log. A label in a picture shows the middle value; "
                "the tables also show its interval." }
        }
    };
    let title = format!("Plan: {}", plan.source.file);
    document(&title, STYLE, body).into_string()
}

/// What to buy, what the battery then does at hot idle, and how far to rely on it.
fn shopping_list(plan: &Plan) -> Markup {
    let Some(best) = plan.candidates.first() else { return markup! {} };
    let row = |at: Option<usize>| plan.wiring.as_ref().and_then(|wiring| wiring.rows.get(at?));
    let wiring = plan.wiring.as_ref();
    let feed = row(wiring.and_then(|w| w.feed));
    let ground = row(wiring.and_then(|w| w.ground));
    let fuse_a = wiring.and_then(|w| w.fuse_a);
    let gauge = |row: Option<&CableRow>| row.map(|row| row.gauge_in(plan.units));
    let margin = tightest(best);
    markup! {
        dl.answers.buy {
            div { dt { "Alternator" } dd { p.big { (plain(&best.name)) }
                @if let Some(sheet) = &best.sheet { p { (plain(sheet)) } } } }
            div { dt { "Pulley ratio" } dd { p.big { (RATIO.value(&best.ratio)) }
                @if best.ratio.low < best.ratio.high { p { "(" (RATIO.range(&best.ratio)) ", " (best.ratio.grade.word()) ")" } } } }
            div { dt { "Charge cable" } dd { p.big { (text(gauge(feed).unwrap_or_else(|| "Not known".to_owned()))) }
                @if wiring.is_none() { p { "State --cable and --ground to size it." } }
                @if let Some(row) = row(wiring.and_then(|w| w.stated_feed)) { p { (suits(row, row.feed_serves, plan.units)) } } } }
            div { dt { "Ground cable" } dd { p.big { (text(gauge(ground).unwrap_or_else(|| "Not known".to_owned()))) }
                @if let Some(row) = row(wiring.and_then(|w| w.stated_ground)) { p { (suits(row, row.ground_serves, plan.units)) } } } }
            div { dt { "Fuse at the battery" } dd { p.big { (fuse_a.map_or_else(|| "Not known".to_owned(), |a| AMP.of(a))) } } }
            div { dt { "Battery at hot idle" } dd { p.big { (at_hot_idle(margin)) }
                @if let Some(margin) = margin { p { "spare " (AMP.told(&margin.margin_a)) ", " (plain(&format::with_loads(&margin.loads))) } } } }
        }
        p { (plain(&plan.reproduction.told)) }
    }
}

/// What the stated cable is worth.
fn suits(row: &CableRow, serves: bool, units: Units) -> String {
    let is = if serves { "is enough" } else { "is too thin" };
    format!("Your {} {is}.", plain(&row.gauge_in(units)))
}

/// By the amps to spare with the heaviest loads.
fn at_hot_idle(margin: Option<&Margin>) -> &'static str {
    match margin.map(|m| &m.margin_a) {
        Some(spare) if spare.low >= 0.0 => "Charges",
        Some(spare) if spare.high < 0.0 => "Not held",
        Some(_) => "Not certain",
        None => "Not known",
    }
}

/// Common practice, no source; the makers' sheets and local codes decide.
const CHECKLIST: [&str; 9] = [
    "Disconnect the negative battery terminal first, and connect it last.",
    "Run the charge cable from the alternator output post to the battery, with its fuse at the battery.",
    "Run grounds of the same size from the battery to the engine and from the engine to the chassis.",
    "Connect sense and exciter wires as the alternator's data sheet shows.",
    "Match the pulley's ribs to the belt, and align it with the other pulleys.",
    "Check belt wrap and tension, cold and after the first hot run.",
    "Keep cables away from hot and moving parts; protect them where they pass through sheet metal.",
    "Tighten every terminal to the maker's torque.",
    "Start, log the same loads at hot idle, and compare with this plan.",
];

fn checklist() -> Markup {
    markup! {
        section aria-labelledby="h-checklist" {
            h2 #h-checklist { "Installation checklist" }
            ul.boxes { @for item in CHECKLIST { li { (item) } } }
            p { "The maker's data sheet, local codes and a licensed technician decide." }
        }
    }
}

fn tone(standing: Option<Suitability>) -> &'static str {
    match standing {
        Some(Suitability::Carries) => "tone good",
        Some(Suitability::May) => "tone fair",
        Some(Suitability::FallsShort | Suitability::TooFast) => "tone bad",
        None => "tone open",
    }
}

fn all(plan: &Plan) -> impl Iterator<Item = &Proposal> {
    plan.candidates.iter().chain([&plan.present])
}

/// What decides, in one line for each alternator.
fn choices(plan: &Plan) -> Markup {
    let rows = all(plan).map(|proposal| {
        vec![
            text(&proposal.name),
            text(proposal.standing.words()),
            estimate(AMP, tightest(proposal).map(|m| &m.margin_a)),
            estimate(RPM, proposal.keep_up.first().and_then(|k| k.rpm.as_ref())),
        ]
    });
    let heads = ["Alternator", "Result", "To spare at hot idle", "Keeps up from"];
    table("With the set of loads that leaves least", &heads, rows.collect())
}

fn machines(plan: &Plan) -> Markup {
    let rows = all(plan).map(|proposal| {
        let margin = tightest(proposal);
        let speeds = &proposal.speeds;
        vec![
            markup! { (text(&proposal.name))
            @if let Some(sheet) = &proposal.sheet { span.range { (plain(sheet)) } } },
            markup! { (proposal.standing.words()) span.range.told { (plain(&proposal.why)) } },
            estimate(RATIO, Some(&proposal.ratio)),
            estimate(AMP, margin.map(|m| &m.available_a)),
            estimate(AMP, margin.map(|m| &m.needed_a)),
            estimate(AMP, margin.map(|m| &m.margin_a)),
            estimate(RPM, proposal.keep_up.first().and_then(|k| k.rpm.as_ref())),
            markup! { div { "idle " (estimate(RPM, Some(&speeds.at_idle_rpm))) }
            div { "cruise " (estimate(RPM, Some(&speeds.at_cruise_rpm))) }
            div { "redline " (estimate(RPM, Some(&speeds.at_redline_rpm))) }
            @if let Some(beyond) = &proposal.beyond_sheet { span.range { (plain(beyond)) } } },
        ]
    });
    let speeds = &plan.present.speeds;
    let caption = format!(
        "With the set of loads that leaves least; alternator speed at idle ({}), cruise ({}) and \
         redline ({})",
        RPM.of(speeds.idle_rpm),
        RPM.of(speeds.cruise_rpm),
        RPM.of(speeds.redline_rpm)
    );
    let heads = [
        "Alternator",
        "Result",
        "Ratio",
        "Available",
        "Needed",
        "To spare",
        "Keeps up from",
        "Alternator rpm",
    ];
    table(&caption, &heads, rows.collect())
}

fn ratios(proposal: &Proposal) -> Markup {
    markup! {
        @if let Some(ratios) = &proposal.ratios {
            p { strong { (plain(&proposal.name)) } ": " (plain(&ratios.told)) }
        }
    }
}

/// The log's operating points, with the current alternator and the best.
fn points(plan: &Plan) -> Markup {
    let best = plan.candidates.first().unwrap_or(&plan.present);
    let rows = best.points.iter().zip(&plan.present.points).map(|(point, present)| {
        let band = format::rpm_band(point.rpm_low, point.rpm_high);
        vec![
            markup! { (text(format::loads(&point.loads)))
                span.range { (band.map_or(String::new(), |b| format!("{b} rpm, "))) (point.heat.word()) } },
            state(&point.logged_v, point.logged_state.label()),
            volts(present),
            markup! { (volts(point)) (word(point.state.label())) },
            estimate(AMP, Some(&point.margin_a)),
        ]
    });
    let caption =
        "Every operating point of the log: as logged, reproduced, and with the best candidate";
    let predicted = format!("With {}", best.name);
    let heads = ["Loads on", "Logged", "Reproduced", predicted.as_str(), "To spare"];
    markup! {
        (fold("h-points", "The same log with that alternator", None, markup! {
            (table(caption, &heads, rows.collect()))
        }))
    }
}

fn state(volts: &Estimate, state: &str) -> Markup {
    markup! { (estimate(VOLT, Some(volts))) (word(state)) }
}

fn word(state: &str) -> Markup {
    markup! { span class=(format!("state {state}")) { (state) } }
}

/// Predicted, or only the range it lies in.
fn volts(point: &PredictedPoint) -> Markup {
    markup! {
        @if point.voltage_is_told {
            (estimate(VOLT, Some(&point.predicted_v)))
        } @else {
            span.range { "cannot tell, " span.value { (VOLT.range(&point.predicted_v)) } " V, assumed" }
        }
    }
}

fn ledger(plan: &Plan) -> Markup {
    let rows = plan.ledger.iter().map(|item| {
        vec![
            text(&item.load),
            markup! { @if item.continuous { "always" } @else { "switched" } },
            estimate(AMP, Some(&item.entered_a)),
            estimate(AMP, Some(&item.at_setpoint_a)),
        ]
    });
    markup! {
        (fold("h-ledger", "Load budget", None, markup! {
            (table("Amps as entered, and at the setpoint after fitting to the log",
                &["Load", "Runs", "Entered", "At the setpoint"], rows.collect()))
            p { "Always on: " (AMP.told(&plan.continuous_a)) ". All switched loads, fully on: "
                (AMP.told(&plan.intermittent_a)) "." }
        }))
    }
}

fn cables(wiring: &Wiring, units: Units) -> Markup {
    let mark = |at: Option<usize>, k: usize| at == Some(k);
    let rows = wiring.rows.iter().enumerate().map(|(k, row)| {
        let serves = match (mark(wiring.feed, k), mark(wiring.ground, k)) {
            (true, true) => "the thinnest for feed and ground",
            (true, false) => "the thinnest for the feed",
            (false, true) => "the thinnest for the ground",
            _ if row.feed_serves => "suitable",
            _ => "",
        };
        vec![
            markup! {
                (text(row.gauge_in(units)))
                @if let Some(Gauge::Awg(_)) = row.size() {
                    span.range { (format::number(row.area_mm2, 1)) " mm²" }
                }
            },
            text(VOLT.of(row.feed_drop_v)),
            text(VOLT.of(row.ground_drop_v)),
            text(AMP.of(row.bears_a)),
            text(
                [serves, &row.why]
                    .into_iter()
                    .filter(|t| !t.is_empty())
                    .collect::<Vec<_>>()
                    .join("; "),
            ),
        ]
    });
    let caption = format!(
        "For the upper end of the {} that flow, copper at working temperature; ampacity by common practice; {} out, {} back; air {}, insulation for {}",
        AMP.told(&wiring.flows_a),
        units.length(wiring.feed_m),
        units.length(wiring.ground_m),
        units.degree().of(wiring.air_c),
        units.degree().of(wiring.insulation_c)
    );
    markup! {
        (fold("h-cables", "Cable and fuse", None, markup! {
            p { (plain(&wiring.sentence(units))) }
            (table(&caption, &["Cable", "Drop out", "Drop back", "Ampacity", "Result"], rows.collect()))
        }))
    }
}
