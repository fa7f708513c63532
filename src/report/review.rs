//! What is shown of a review, drawn from a [`Review`] alone.

mod html;
mod shelf;
mod tables;
mod terminal;
mod told;

use std::io;
use std::path::Path;

use crate::files::write_whole;
use crate::json;
use crate::review::Review;

pub use html::html;
pub use shelf::{Shelf, table_files};
pub use tables::OfLog;
pub use terminal::terminal;

/// The file by which the folder of a review is known.
pub const REVIEW_FILE: &str = "review.json";
/// The page to open.
pub const PAGE_FILE: &str = "index.html";

/// Name and text of every file drawn from the review alone: the same review, the
/// same bytes. The tables need every log's steps and points and are written apart.
pub fn files(review: &Review) -> Vec<(String, String)> {
    vec![(PAGE_FILE.to_owned(), html(review)), (REVIEW_FILE.to_owned(), json::text(review))]
}

/// Whether `name` is a file that is written into the folder of a review.
pub fn writes(name: &str) -> bool {
    [REVIEW_FILE, PAGE_FILE].contains(&name) || table_files().any(|table| table == name)
}

/// Writes [`files`] into `dir`, which is there already with the logs' own reports in
/// it. Each is written aside and renamed; the file that says that the review stands
/// comes last.
pub fn write_review(review: &Review, dir: &Path) -> io::Result<Vec<String>> {
    let mut files = files(review);
    files.sort_by_key(|(name, _)| name == REVIEW_FILE);
    for (name, text) in &files {
        write_whole(&dir.join(name), text.as_bytes())?;
    }
    Ok(files.into_iter().map(|(name, _)| name).collect())
}
