//! Lists that show their first items and count the rest.

use anstyle::Style;

use super::format::{count, shorten};
use super::terminal::page::{DIM, Page};

/// How many of `all` are beyond the first `most`; `None` if none is.
pub fn more(all: usize, most: usize) -> Option<usize> {
    all.checked_sub(most).filter(|&rest| rest > 0)
}

/// The first items under a heading, each in two lines of the terminal at most. Nothing
/// for an empty list.
pub fn listed(page: &mut Page, heading: &str, items: &[String], most: usize) {
    if items.is_empty() {
        return;
    }
    page.heading(heading);
    for item in items.iter().take(most) {
        let room = 2 * page.width.saturating_sub(4);
        page.item("- ", &shorten(item, room), Style::new());
    }
    if let Some(rest) = more(items.len(), most) {
        page.item("  ", &format!("{} more on the page.", count(rest)), DIM);
    }
}
