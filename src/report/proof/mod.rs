//! The proof of a repair: the page that the customer keeps, the picture and the
//! tables beside it, and the summary for the terminal.

mod html;
mod narrative;
mod tables;
mod terminal;

pub use html::html;
pub use tables::{criteria_csv, points_csv, steps_csv};

use std::path::Path;

use super::product::{Kind, LogRead, Product, made};
use super::svg;
use crate::comparison::Comparison;
use crate::json;

/// Every file beside the page and the JSON.
pub const OTHER_FILES: [&str; 5] =
    ["proof.svg", "matched_points.csv", "matched_steps.csv", "criteria.csv", "foretold.csv"];

impl Product for Comparison {
    const KIND: Kind = Kind::Proof;

    fn logs(&self) -> Vec<LogRead> {
        let afters = self.afters.iter().map(|after| &after.side.source);
        [&self.before.source].into_iter().chain(afters).map(LogRead::of).collect()
    }

    fn files(&self) -> Vec<(String, String)> {
        let [picture, points, steps, criteria, prediction] = OTHER_FILES;
        made([
            (Kind::Proof.page(), Some(html(self))),
            (Kind::Proof.marker(), Some(json::text(self))),
            (picture, svg::proof(self)),
            (points, Some(points_csv(self))),
            (steps, Some(steps_csv(self))),
            (criteria, Some(criteria_csv(self))),
            (prediction, self.prediction.as_ref().map(tables::prediction_csv)),
        ])
    }

    fn terminal(&self, dir: Option<&Path>, width: usize) -> String {
        terminal::terminal(self, dir, width)
    }
}
