//! What is shown of a review, drawn from a [`Review`] alone.

mod html;
mod narrative;
mod table_writer;
mod tables;
mod terminal;

use std::path::Path;

use super::product::{Kind, LogRead, Product};
use crate::json;
use crate::review::Review;

pub use html::html;
pub use table_writer::{TABLE_FILES, TableWriter};
pub use tables::OfLog;

impl Product for Review {
    const KIND: Kind = Kind::Review;

    fn logs(&self) -> Vec<LogRead> {
        let read = self.rows.iter().filter_map(|row| Some((row, row.summary()?)));
        read.map(|(row, summary)| LogRead { file: row.log.clone(), sha256: summary.sha256.clone() })
            .collect()
    }

    /// Without the tables, which [`TableWriter`] writes log by log.
    fn files(&self) -> Vec<(String, String)> {
        let (page, marker) = (Kind::Review.page(), Kind::Review.marker());
        vec![(page.to_owned(), html(self)), (marker.to_owned(), json::text(self))]
    }

    fn terminal(&self, dir: Option<&Path>, width: usize) -> String {
        terminal::terminal(self, dir, width)
    }
}
