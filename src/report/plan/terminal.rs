//! The summary of a plan for the terminal: what to fit, how far to trust it, the
//! machines in their order, cable and fuse, what was assumed.

use std::path::Path;

use anstyle::{AnsiColor, Style};

use crate::plan::{Margin, Plan, PredictedPoint, Proposal, Suitability};
use crate::report::Kind;
use crate::report::format::{self, AMP, RATIO, RPM, VOLT, plain, shorten};
use crate::report::terminal::page::{BOLD, DIM, Page, RULED};

/// Machines shown; the rest stand in the page.
const MOST_MACHINES: usize = 6;
const MOST_ASSUMED: usize = 4;
/// From this width the table has room for ratio and keep-up speed.
const ROOMY: usize = 90;

/// Text of at most `width` columns a line (80 where less than 60 is asked),
/// ending in a newline.
pub fn terminal(plan: &Plan, dir: Option<&Path>, width: usize) -> String {
    let mut page = Page::new(width);
    let best = plan.candidates.first();
    let (style, word) = match best.map(|best| best.standing) {
        Some(Suitability::Carries) => (AnsiColor::Green.on_default(), "PLAN"),
        Some(Suitability::May) => (AnsiColor::Yellow.on_default(), "PLAN"),
        Some(Suitability::FallsShort | Suitability::TooFast) => {
            (AnsiColor::Red.on_default(), "PLAN")
        }
        None => (AnsiColor::Cyan.on_default(), "PLAN"),
    };
    let style = style.bold();
    let file = shorten(&plan.source.file, page.width.saturating_sub(6));
    page.line(&format!("{style}{word}{style:#}  {DIM}{file}{DIM:#}"));
    page.item("", &plan.headline, BOLD);
    page.heading("How far to trust it");
    page.item("", &plan.reproduction.told, Style::new());
    machines(&mut page, plan);
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
    if let Some(more) = plan.assumed.len().checked_sub(MOST_ASSUMED).filter(|&n| n > 0) {
        page.item("        ", &format!("{more} more in the plan."), DIM);
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

/// "14.05 (13.98–14.12)", or only the range.
fn predicted(point: &PredictedPoint) -> String {
    match point.voltage_is_told {
        true => VOLT.compact(&point.predicted_v),
        false => VOLT.range(&point.predicted_v).replace(" to ", "–"),
    }
}

fn machines(page: &mut Page, plan: &Plan) {
    page.heading("At hot idle, the set of loads with least to spare");
    let all: Vec<&Proposal> =
        plan.candidates.iter().take(MOST_MACHINES).chain([&plan.present]).collect();
    // A narrow screen keeps what decides.
    let roomy = page.width >= ROOMY;
    let kept = |k: &usize| roomy || ![2, 5].contains(k);
    let rows = all.iter().map(|proposal| {
        let margin = tightest(proposal);
        let cells = vec![
            shorten(&proposal.name, 30),
            proposal.standing.words().to_owned(),
            RATIO.bare(proposal.ratio.value),
            margin.map_or_else(String::new, |m| AMP.compact(&m.margin_a)),
            heaviest(proposal).map_or_else(String::new, predicted),
            proposal
                .keep_up
                .first()
                .and_then(|k| k.rpm.as_ref())
                .map_or_else(|| "none".to_owned(), |rpm| RPM.bare(rpm.value)),
        ];
        cells.into_iter().enumerate().filter(|(k, _)| kept(k)).map(|(_, cell)| cell).collect()
    });
    let heads = ["alternator", "result", "ratio", "spare, A", "predicted, V", "keeps up, rpm"];
    let heads: Vec<&str> =
        heads.into_iter().enumerate().filter(|(k, _)| kept(k)).map(|(_, head)| head).collect();
    page.table(RULED, &heads, &[0], rows.collect());
    let mut note =
        "In brackets: 90 % interval, assumed. Predicted: at idle with most on. Keeps up: \
                    the heaviest set."
            .to_owned();
    let ranges = all.iter().filter_map(|p| heaviest(p)).any(|point| !point.voltage_is_told);
    if ranges {
        note.push_str(" A range alone: no voltage can be predicted.");
    }
    if let Some(more) = plan.candidates.len().checked_sub(MOST_MACHINES).filter(|&n| n > 0) {
        note.push_str(&format!(
            " {} in the plan.",
            format::plural(more, "more alternator", "more alternators")
        ));
    }
    page.item("", &note, DIM);
}
