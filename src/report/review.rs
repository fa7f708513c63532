//! What is shown of a review, drawn from a [`Review`] alone.

mod html;
mod narrative;
mod report_store;
mod tables;
mod terminal;

use std::io::{self, BufWriter, Write};
use std::path::Path;

use crate::files::{write_whole, write_whole_by};
use crate::json;
use crate::review::Review;

pub use html::html;
pub use report_store::{Shelf, table_files};
pub use tables::OfLog;
pub use terminal::terminal;

/// The file by which the folder of a review is known.
pub const REVIEW_FILE: &str = "review.json";
/// The page to open.
pub const PAGE_FILE: &str = "index.html";

/// Whether `name` is a file that is written into the folder of a review.
pub fn writes(name: &str) -> bool {
    [REVIEW_FILE, PAGE_FILE].contains(&name) || table_files().any(|table| table == name)
}

/// Writes the page and the JSON into `dir`, which is there already with the logs' own
/// reports and the tables in it. Each is written aside and renamed; the file that says
/// that the review stands comes last. The same review makes the same bytes.
pub fn write_review(review: &Review, dir: &Path) -> io::Result<()> {
    // One after the other and the JSON in pieces: of a thousand logs each is large.
    write_whole(&dir.join(PAGE_FILE), html(review).as_bytes())?;
    write_whole_by(&dir.join(REVIEW_FILE), |aside| {
        let mut pieces = BufWriter::new(aside);
        json::write(review, &mut pieces)?;
        pieces.flush()
    })
}
