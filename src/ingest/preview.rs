//! First cells of each column, shown to a user who has to say what the columns mean.

use serde::Serialize;

use super::dialect;
use super::encoding;
use super::header;
use super::sample::Sample;

/// Name of a column, and its first cells as written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ColumnPreview {
    pub name: String,
    pub cells: Vec<String>,
}

const CELLS: usize = 4;

/// Every column of the table; empty if no table is found.
pub fn preview(bytes: &[u8]) -> Vec<ColumnPreview> {
    let Ok(decoded) = encoding::decode(bytes) else { return Vec::new() };
    let dialect = dialect::sniff(&Sample::of(&decoded.text).joined());
    let aligned = dialect.align(&decoded.text);
    let head = Sample::of(aligned.as_deref().unwrap_or(&decoded.text)).head;
    let Ok(layout) = header::find(&dialect, &head) else { return Vec::new() };
    let rows = dialect.rows(head.get(layout.body_byte..).unwrap_or(""), CELLS);
    let seen = |(column, heading): (usize, &header::Heading)| ColumnPreview {
        name: heading.raw.clone(),
        cells: rows.iter().filter_map(|row| Some(row.get(column)?.to_owned())).collect(),
    };
    layout.headings.iter().enumerate().map(seen).collect()
}
