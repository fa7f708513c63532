//! What is shown of a plan, drawn from a [`Plan`](crate::plan::Plan) alone.

mod html;
mod tables;
mod terminal;

use crate::json;
use crate::plan::Plan;

use super::svg;

pub use html::html;
pub use tables::{cables_csv, candidates_csv, points_csv};
pub use terminal::terminal;

/// The file by which the folder of a plan is known.
pub const PLAN_FILE: &str = "plan.json";

/// Every file of a plan, in the order a reader would open them.
pub const FILES: [&str; 7] = [
    "plan.html",
    PLAN_FILE,
    "capacity.svg",
    "replay.svg",
    "candidates.csv",
    "predicted_points.csv",
    "cables.csv",
];

/// Name and text of every file of the plan: the same plan, the same bytes.
pub fn files(plan: &Plan) -> Vec<(String, String)> {
    let [page, data, capacity, replay, candidates, points, cables] = FILES;
    let mut files = vec![(page, html(plan)), (data, json::text(plan))];
    files.extend(svg::capacity(plan).map(|svg| (capacity, svg)));
    files.extend(svg::replay(plan).map(|svg| (replay, svg)));
    files.push((candidates, candidates_csv(plan)));
    files.push((points, points_csv(plan)));
    files.extend(plan.wiring.as_ref().map(|wiring| (cables, cables_csv(wiring))));
    files.into_iter().map(|(name, text)| (name.to_owned(), text)).collect()
}
