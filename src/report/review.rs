//! What is shown of a review, drawn from a [`Review`] alone.

use std::io;
use std::path::Path;

use crate::files::write_whole;
use crate::json;
use crate::review::Review;

/// The file by which the folder of a review is known.
pub const REVIEW_FILE: &str = "review.json";
/// The page to open.
pub const PAGE_FILE: &str = "index.html";

/// Name and text of every file drawn from the review alone: the same review, the
/// same bytes. The tables need every log's steps and points and are written apart.
pub fn files(review: &Review) -> Vec<(String, String)> {
    vec![(REVIEW_FILE.to_owned(), json::text(review))]
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
