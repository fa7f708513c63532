//! What the plan predicted of the alternator that was fitted, and what the later logs show.

use maud::{Markup, html as markup};

use crate::comparison::{Comparison, PointPrediction, PredictionOfLog, PredictionResult};
use crate::diagnosis::Bound;
use crate::report::format::{self, PERCENT, RPM, plain};
use crate::report::html::frame::table;
use crate::report::proof::narrative;

use super::measure;

/// Rows that are printed of each log: all are on the screen and in the table beside
/// the page.
const PRINTED: usize = 4;

pub fn prediction(comparison: &Comparison) -> Markup {
    let Some(prediction) = &comparison.prediction else { return markup! {} };
    markup! {
        section aria-labelledby="h-prediction" {
            h2 #h-prediction { "What the plan predicted" }
            p { (tone(prediction.kept)) " " (plain(&narrative::plan_said(prediction))) }
            @for after in &prediction.afters {
                @if prediction.afters.len() > 1 {
                    p { (format::capital(&plain(&after.name))) ": " (tone(after.kept)) ", " (plain(&after.headline)) "." }
                }
                (points(after))
                (keep_up(after))
            }
        }
    }
}

fn tone(kept: PredictionResult) -> Markup {
    let tone = match kept {
        PredictionResult::Held | PredictionResult::Better => "reading good",
        PredictionResult::Worse => "reading bad",
        PredictionResult::CannotTell => "reading open",
    };
    markup! { span class=(tone) { span.value { (format::capital(kept.words())) } } }
}

/// Where there is no room for all: what failed first, then the most loads.
fn printed(points: &[PointPrediction]) -> Vec<usize> {
    let mut ranked: Vec<usize> = (0..points.len()).collect();
    ranked.sort_by_key(|&k| {
        let point = points.get(k);
        std::cmp::Reverse(point.map(|p| (p.kept == PredictionResult::Worse, p.loads.len(), p.kept)))
    });
    ranked.truncate(PRINTED);
    ranked
}

fn points(after: &PredictionOfLog) -> Markup {
    let printed = printed(&after.points);
    let rows: Vec<Vec<Markup>> = after
        .points
        .iter()
        .enumerate()
        .map(|(k, point)| {
            let running =
                narrative::running(&point.loads, point.rpm_low, point.rpm_high, point.heat);
            let first = match printed.contains(&k) {
                true => markup! { (running) },
                false => markup! { span.off-paper { (running) } },
            };
            vec![first, predicted(point), seen(point), says(point.kept, &point.why)]
        })
        .collect();
    let heads = ["Loads on", "Predicted, V", "Seen, V", "Prediction"];
    markup! {
        @if !rows.is_empty() {
            (table("Voltage as the plan predicted it and as the later log shows it, with 90 % interval", &heads, rows))
            @if after.points.len() > PRINTED {
                p.on-paper { (format::plural(after.points.len() - PRINTED, "more row", "more rows")) " in foretold.csv." }
            }
        }
    }
}

fn predicted(point: &PointPrediction) -> Markup {
    let share = PERCENT.of(100.0 * point.predicted_share);
    markup! { (measure(format::VOLT, &point.predicted_v)) " " span.range { (point.predicted_state.label()) " in " (share) " of the fitted cars" } }
}

fn seen(point: &PointPrediction) -> Markup {
    markup! { (measure(format::VOLT, &point.seen_v)) " " span.range { (point.seen_state.label()) } }
}

fn says(kept: PredictionResult, why: &str) -> Markup {
    markup! { (tone(kept)) " " span.range { (plain(why)) } }
}

fn keep_up(after: &PredictionOfLog) -> Markup {
    let rows: Vec<Vec<Markup>> = after
        .keep_up
        .iter()
        .map(|speed| {
            let prediction = match &speed.predicted_rpm {
                Some(rpm) => measure(RPM, rpm),
                None => markup! { "at no speed of its curve" },
            };
            let seen = match (&speed.seen.rpm, speed.seen.bound) {
                (Some(rpm), Bound::Within) => measure(RPM, rpm),
                (_, Bound::AboveSeen) => markup! { "above " (RPM.of(speed.seen.seen_high_rpm)) },
                (_, _) => markup! { "below " (RPM.of(speed.seen.seen_low_rpm)) },
            };
            let loads = format::capital(&format::with_loads(&speed.loads));
            vec![markup! { (loads) }, prediction, seen, says(speed.kept, &speed.why)]
        })
        .collect();
    let heads = ["Loads on", "Predicted, rpm", "Seen, rpm", "Prediction"];
    markup! {
        @if !rows.is_empty() {
            div.off-paper { (table("Engine speed from which these loads are carried", &heads, rows)) }
        }
    }
}
