//! The summary of a plan for the terminal: what to fit, how far to trust it, the
//! alternators in their order, cable and fuse, what was assumed.

use std::path::Path;

use anstyle::{AnsiColor, Style};

use crate::plan::{Margin, Plan, PredictedPoint, Proposal, Suitability};
use crate::report::Kind;
use crate::report::format::{self, AMP, RATIO, RPM, VOLT, plain, shorten};
use crate::report::lists::more;
use crate::report::terminal::page::{BOLD, DIM, Page, RULED};

/// Alternators shown; the rest are on the page.
const MOST_ALTERNATORS: usize = 6;
const MOST_ASSUMED: usize = 4;
/// From this width the table has room for ratio and keep-up speed.
const ROOMY: usize = 90;

/// Text of at most `width` columns a line (80 where less than 60 is asked),
/// ending in a newline.
pub fn terminal(plan: &Plan, dir: Option<&Path>, width: usize) -> String {
    let mut page = Page::new(width);
    let best = plan.candidates.first();
    let style = match best.map(|best| best.standing) {
        Some(Suitability::Carries) => AnsiColor::Green,
        Some(Suitability::May) => AnsiColor::Yellow,
        Some(Suitability::FallsShort | Suitability::TooFast) => AnsiColor::Red,
        None => AnsiColor::Cyan,
    }
    .on_default()
    .bold();
    let file = shorten(&plan.source.file, page.width.saturating_sub(6));
    page.line(&format!("{style}PLAN{style:#}  {DIM}{file}{DIM:#}"));
    page.item("", &plan.headline, BOLD);
    page.heading("How far to trust it");
    page.item("", &plan.reproduction.told, Style::new());
    alternators(&mut page, plan);
    page.line("");
    if let Some(wiring) = &plan.wiring {
        page.item("Cable   ", &wiring.sentence(plan.units), Style::new());
    }
    let ratios = best.and_then(|best| best.ratios.as_ref());
    if let (Some(best), Some(ratios)) = (best, ratios) {
        page.item("Pulleys ", &format!("{}: {}", best.name, ratios.told), Style::new());
    }
    for (k, text) in plan.assumed.iter().take(MOST_ASSUMED).enumerate() {
        page.item(if k == 0 { "Assumed " } else { "        " }, text, Style::new());
    }
    if let Some(rest) = more(plan.assumed.len(), MOST_ASSUMED) {
        page.item("        ", &format!("{rest} more in the plan."), DIM);
    }
    if let Some(caution) = plan.cautions.iter().find(|text| text.contains("fuse")) {
        page.item("Caution ", caution, Style::new());
    }
    if let Some(dir) = dir {
        let path = dir.join(Kind::Plan.page()).display().to_string();
        page.line(&format!("{BOLD}Plan{BOLD:#}    {}", plain(&path)));
    }
    page.text
}

/// The margin nearest to none.
pub fn tightest(proposal: &Proposal) -> Option<&Margin> {
    proposal.margins.iter().min_by(|a, b| a.margin_a.value.total_cmp(&b.margin_a.value))
}

/// At idle with most on.
fn heaviest(proposal: &Proposal) -> Option<&PredictedPoint> {
    let idle = proposal.points.iter().filter(|p| p.rpm_low == Some(0.0));
    idle.max_by_key(|p| p.loads.len())
}

/// With its interval, or only the range.
fn predicted(point: &PredictedPoint) -> String {
    match point.voltage_is_told {
        true => VOLT.compact(&point.predicted_v),
        false => VOLT.range(&point.predicted_v),
    }
}

fn alternators(page: &mut Page, plan: &Plan) {
    page.heading("At hot idle, the set of loads with least to spare");
    let all: Vec<&Proposal> =
        plan.candidates.iter().take(MOST_ALTERNATORS).chain([&plan.present]).collect();
    type Column<'c> = (&'c str, fn(&Proposal) -> String);
    let mut columns: Vec<Column> = vec![
        ("alternator", |proposal| shorten(&proposal.name, 30)),
        ("result", |proposal| proposal.standing.words().to_owned()),
    ];
    // A narrow screen keeps what decides.
    let roomy = page.width >= ROOMY;
    if roomy {
        columns.push(("ratio", |proposal| RATIO.bare(proposal.ratio.value)));
    }
    columns.push(("spare, A", |proposal| {
        tightest(proposal).map_or_else(String::new, |margin| AMP.compact(&margin.margin_a))
    }));
    columns
        .push(("predicted, V", |proposal| heaviest(proposal).map_or_else(String::new, predicted)));
    if roomy {
        columns.push(("keeps up, rpm", |proposal| {
            let rpm = proposal.keep_up.first().and_then(|keep_up| keep_up.rpm.as_ref());
            rpm.map_or_else(|| "none".to_owned(), |rpm| RPM.bare(rpm.value))
        }));
    }
    let heads: Vec<&str> = columns.iter().map(|(head, _)| *head).collect();
    let row = |proposal: &&Proposal| columns.iter().map(|(_, cell)| cell(proposal)).collect();
    page.table(RULED, &heads, &[0], all.iter().map(row).collect());
    let mut note =
        "In brackets: 90 % interval, assumed. Predicted: at idle with most on. Keeps up: \
                    the heaviest set."
            .to_owned();
    let ranges = all.iter().filter_map(|p| heaviest(p)).any(|point| !point.voltage_is_told);
    if ranges {
        note.push_str(" A range alone: no voltage can be predicted.");
    }
    if let Some(rest) = more(plan.candidates.len(), MOST_ALTERNATORS) {
        let rest = format::plural(rest, "more alternator", "more alternators");
        note.push_str(&format!(" {rest} in the plan."));
    }
    page.item("", &note, DIM);
}
