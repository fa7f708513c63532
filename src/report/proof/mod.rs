//! The proof of a repair: the page that the customer keeps, the picture and the
//! tables beside it, and the summary for the terminal.

mod html;
mod narrative;
mod tables;
mod terminal;

pub use html::html;
pub use tables::{criteria_csv, foretold_csv, points_csv, steps_csv};
pub use terminal::terminal;

use crate::comparison::Comparison;
use crate::units::Spoken;

use super::svg;

/// The file by which the folder of a proof is known.
pub const COMPARISON_FILE: &str = "comparison.json";

/// Every file of a proof, in the order a reader would open them.
pub const FILES: [&str; 7] = [
    "proof.html",
    COMPARISON_FILE,
    "proof.svg",
    "matched_points.csv",
    "matched_steps.csv",
    "criteria.csv",
    "foretold.csv",
];

/// `proof.svg`: all logs around the same load step; `None` where they share none.
pub fn picture(comparison: &Comparison) -> Option<String> {
    svg::proof(&comparison.spoken())
}

/// The same picture for a narrow screen.
pub fn picture_narrow(comparison: &Comparison) -> Option<String> {
    svg::proof_narrow(&comparison.spoken())
}

/// Name and text of every file of the proof: the same comparison, the same bytes.
pub fn files(comparison: &Comparison) -> Vec<(String, String)> {
    let texts = [
        Some(html(comparison)),
        Some(crate::json::text(comparison)),
        picture(comparison),
        Some(points_csv(comparison)),
        Some(steps_csv(comparison)),
        Some(criteria_csv(comparison)),
        comparison.foretold.as_ref().map(foretold_csv),
    ];
    let named = FILES.into_iter().zip(texts);
    named.filter_map(|(name, text)| Some((name.to_owned(), text?))).collect()
}
