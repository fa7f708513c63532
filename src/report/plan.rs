//! What is shown of a plan, drawn from a [`Plan`](crate::plan::Plan) alone.

mod html;
mod tables;
mod terminal;

pub use html::html;

use std::path::Path;

use super::product::{Kind, LogRead, Product, made};
use super::svg;
use crate::json;
use crate::plan::Plan;

/// Every file beside the page and the JSON.
pub const OTHER_FILES: [&str; 5] =
    ["capacity.svg", "replay.svg", "candidates.csv", "predicted_points.csv", "cables.csv"];

impl Product for Plan {
    const KIND: Kind = Kind::Plan;

    fn logs(&self) -> Vec<LogRead> {
        vec![LogRead::of(&self.source)]
    }

    fn files(&self) -> Vec<(String, String)> {
        let [capacity, replay, candidates, points, cables] = OTHER_FILES;
        made([
            (Kind::Plan.page(), Some(html(self))),
            (Kind::Plan.marker(), Some(json::text(self))),
            (capacity, svg::capacity(self)),
            (replay, svg::replay(self)),
            (candidates, Some(tables::candidates_csv(self))),
            (points, Some(tables::points_csv(self))),
            (cables, self.wiring.as_ref().map(tables::cables_csv)),
        ])
    }

    fn terminal(&self, dir: Option<&Path>, width: usize) -> String {
        terminal::terminal(self, dir, width)
    }
}
