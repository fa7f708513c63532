//! What a person sees of a log's columns when only they can say what is what.

use serde::Serialize;

use super::dialect;
use super::encoding;
use super::header;
use super::sample::Sample;

/// A column by name, with its first cells as they stand.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ColumnPreview {
    pub name: String,
    pub cells: Vec<String>,
}

const CELLS: usize = 4;

/// Every column of the log's table; none where no table is found.
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
