//! Finds where the table begins: preamble, header, units row, and first row of numbers.

use std::collections::{HashMap, HashSet};

use csv::StringRecord;

use super::dialect::{Dialect, Separator};
use super::encoding::fold;
use super::error::{clip, list};
use super::number;
use super::stamp;
use super::units::Unit;

/// Name and unit of a column from the header.
#[derive(Debug, Clone, PartialEq)]
pub struct Heading {
    pub raw: String,
    /// Name without the unit; unique in the file.
    pub name: String,
    pub unit: Option<Unit>,
}

#[derive(Debug, Clone)]
pub struct Layout {
    /// Line number in the file, from 1; `None` if there is no header.
    pub header_line: Option<usize>,
    pub headings: Vec<Heading>,
    /// Where the data rows begin: byte and line of the (aligned) text.
    pub body_byte: usize,
    pub body_line: usize,
    /// Rows that may be repeated further down and are not samples.
    pub header_cells: Option<Vec<String>>,
    pub units_cells: Option<Vec<String>>,
    /// Many rows of this file are short: missing cells at the end are empty.
    pub short_rows: bool,
}

impl Layout {
    pub fn width(&self) -> usize {
        self.headings.len()
    }

    pub fn name(&self, column: usize) -> &str {
        self.headings.get(column).map_or("", |heading| heading.name.as_str())
    }
}

/// Rows from the top of the file that are searched for the header.
const TOP_ROWS: usize = 400;

/// No logger writes more columns; beyond this a separator was mistaken.
const MOST_COLUMNS: usize = 2000;

/// `head` is the aligned top of the file. `Err` describes what was found instead of a table.
pub fn find(dialect: &Dialect, head: &str) -> Result<Layout, String> {
    let mut rows = dialect.rows(head, TOP_ROWS);
    let width = body_width(&rows).ok_or("no line contains a number")?;
    let width = drop_empty_trailing_columns(&mut rows, width);
    if width > MOST_COLUMNS {
        return Err(format!("lines of {width} cells"));
    }
    let numeric = numeric_columns(&rows, width, dialect.decimal);
    if !numeric.iter().any(|&is| is) {
        return Err(format!("{} lines, and no column of numbers", rows.len()));
    }
    let is_data = |row: &StringRecord| is_data_row(row, &numeric, width, dialect.decimal);
    let first_data = rows.iter().position(is_data).ok_or("no line is a row of numbers")?;
    let textual: Vec<usize> = (0..first_data)
        .rev()
        .filter(|&i| rows.get(i).is_some_and(|row| is_textual(row, width, dialect.decimal)))
        .collect();
    let is_units = |i: usize| rows.get(i).is_some_and(is_units_row);
    let (header, units) = match textual.as_slice() {
        [] => (None, None),
        [last, before, ..] if is_units(*last) && !is_units(*before) => (Some(*before), Some(*last)),
        [last, ..] => (Some(*last), None),
    };
    let body = header.map_or(first_data, |header| units.unwrap_or(header) + 1);
    let (body_byte, body_line) = rows.get(body).map_or((head.len(), 1), |row| start_of(row, head));
    let header_cells = header.and_then(|i| rows.get(i)).map(|row| cells_of(row, dialect));
    let units_cells = units.and_then(|i| rows.get(i)).map(|row| cells_of(row, dialect));
    let named = header_cells.as_ref().map_or(0, |cells| {
        cells.iter().rposition(|cell| !cell.is_empty()).map_or(0, |last| last + 1)
    });
    let full = width.max(named);
    if full > MOST_COLUMNS {
        return Err(format!("a header of {full} cells"));
    }
    let short = rows.iter().skip(body).filter(|row| row.len() < full && !is_blank(row)).count();
    let data_rows = rows.len().saturating_sub(body).max(1);
    let short_rows = short * 5 >= data_rows;
    let width = if short_rows { full } else { width };
    let first_cell_is_date = rows
        .get(first_data)
        .and_then(|row| row.get(0))
        .and_then(stamp::parse_any)
        .is_some_and(|stamp| stamp.date.is_some() && stamp.clock_s.is_none());
    if !(first_cell_is_date && width == named + 1) {
        refuse_commas_in_numbers(dialect, &rows, body, named, width)?;
    }
    let headings =
        headings(header_cells.as_deref(), units_cells.as_deref(), width, first_cell_is_date);
    Ok(Layout {
        header_line: header.and_then(|i| rows.get(i)).map(|row| start_of(row, head).1),
        headings,
        body_byte,
        body_line,
        header_cells,
        units_cells,
        short_rows,
    })
}

/// The name of a column, for use in a sentence.
pub fn name_of(headings: &[Heading], column: usize) -> String {
    headings.get(column).map_or(String::new(), |heading| clip(&heading.name))
}

/// The order of the columns after a later header that names the same columns in another order, or
/// other columns too.
pub struct ColumnOrder {
    places: Vec<Option<usize>>,
    /// Number of cells in a row after the later header.
    pub cells: usize,
}

impl ColumnOrder {
    /// `None` if the row is not a header, or names fewer than half of the columns.
    pub fn of(row: &StringRecord, layout: &Layout) -> Option<ColumnOrder> {
        let names = layout.header_cells.as_deref()?;
        // Most rows begin with a number and need no closer check.
        let number = |c: char| c.is_ascii_digit() || matches!(c, '-' | '+' | '.' | '"');
        if row.iter().take(2).any(|cell| cell.trim().starts_with(number)) {
            return None;
        }
        let tidy = |cell: &str| cell.trim().trim_start_matches(['#', '%']).trim().to_lowercase();
        let cells: Vec<String> = row.iter().map(tidy).collect();
        let mut taken = vec![false; cells.len()];
        let mut place = |name: &String| {
            let name = tidy(name);
            let free = |at: &usize| taken.get(*at) == Some(&false) && cells.get(*at) == Some(&name);
            let at = (0..cells.len()).find(free).filter(|_| !name.is_empty())?;
            if let Some(taken) = taken.get_mut(at) {
                *taken = true;
            }
            Some(at)
        };
        let mut places: Vec<Option<usize>> = names.iter().map(&mut place).collect();
        places.resize(layout.width(), None);
        let named = names.iter().filter(|name| !name.is_empty()).count();
        let found = places.iter().flatten().count();
        (found >= 2 && found * 2 >= named).then_some(ColumnOrder { places, cells: cells.len() })
    }

    pub fn holds(&self, columns: &[usize]) -> bool {
        columns.iter().all(|&column| self.place(column).is_some())
    }

    fn place(&self, column: usize) -> Option<usize> {
        self.places.get(column).copied().flatten()
    }

    /// The row with its cells in the order of the first header.
    pub fn row(&self, row: &StringRecord) -> StringRecord {
        let cell = |column| self.place(column).and_then(|at| row.get(at)).unwrap_or("");
        let mut ordered: StringRecord = (0..self.places.len()).map(cell).collect();
        ordered.set_position(row.position().cloned());
        ordered
    }

    /// Notice for a header with other columns or another order.
    pub fn notice(&self, line: usize, layout: &Layout) -> Option<String> {
        let names = layout.header_cells.as_deref().unwrap_or(&[]);
        let named = |column: &usize| names.get(*column).is_some_and(|name| !name.is_empty());
        let columns: Vec<usize> = (0..self.places.len()).filter(named).collect();
        let moved = columns.iter().any(|&column| self.place(column) != Some(column));
        if !moved && self.cells <= layout.width() {
            return None;
        }
        let missing: Vec<String> = columns
            .iter()
            .filter(|&&column| self.place(column).is_none())
            .filter_map(|&column| Some(layout.headings.get(column)?.name.clone()))
            .collect();
        let without = match missing.as_slice() {
            [] => String::new(),
            names => format!("; {} is missing there", list(names)),
        };
        Some(format!(
            "line {line}: the header is repeated with other columns or another order; the rows below it are read by the new header{without}"
        ))
    }
}

/// Rejects files with decimal commas and commas between cells, which cannot be told apart.
fn refuse_commas_in_numbers(
    dialect: &Dialect,
    rows: &[StringRecord],
    body: usize,
    named: usize,
    width: usize,
) -> Result<(), String> {
    if dialect.separator != Separator::Byte(b',') || named == 0 || width <= named {
        return Ok(());
    }
    let body = rows.get(body..).unwrap_or(&[]);
    let over = |row: &&StringRecord| row.iter().skip(named).any(|cell| !cell.trim().is_empty());
    if body.iter().filter(over).count() * 2 <= body.len() {
        return Ok(());
    }
    Err(format!(
        "the header names {named} columns but the rows have {width} cells, as if commas stand both between cells and inside numbers"
    ))
}

/// Byte and line where the text of a record starts. The reader counts blank lines before a record
/// as part of it.
pub fn start_of(row: &StringRecord, text: &str) -> (usize, usize) {
    let Some(position) = row.position() else { return (0, 1) };
    let mut byte = usize::try_from(position.byte()).unwrap_or(usize::MAX);
    let mut line = usize::try_from(position.line()).unwrap_or(usize::MAX);
    while let Some(&next) = text.as_bytes().get(byte) {
        match next {
            b'\n' => line += 1,
            b'\r' => {}
            _ => break,
        }
        byte += 1;
    }
    (byte, line)
}

/// Number of blank lines before a record, and the line of the first one.
pub fn blank_lines_before(row: &StringRecord, text: &str) -> (usize, usize) {
    let Some(position) = row.position() else { return (0, 1) };
    let (_, line) = start_of(row, text);
    let byte = usize::try_from(position.byte()).unwrap_or(usize::MAX);
    let mut began = usize::try_from(position.line()).unwrap_or(usize::MAX);
    // The LF of the CRLF that ended the previous record.
    let bytes = text.as_bytes();
    let after_cr = byte.checked_sub(1).and_then(|before| bytes.get(before)) == Some(&b'\r');
    if after_cr && bytes.get(byte) == Some(&b'\n') {
        began = began.saturating_add(1);
    }
    (line.saturating_sub(began), began)
}

pub fn is_blank(row: &StringRecord) -> bool {
    row.iter().all(|cell| cell.trim().is_empty())
}

/// Drops trailing columns without a name that are empty on nearly every line: they come from
/// extra separators. Returns the new width.
fn drop_empty_trailing_columns(rows: &mut [StringRecord], width: usize) -> usize {
    let filled = |row: &StringRecord| {
        let cells = row.iter().enumerate().filter(|(_, cell)| !cell.trim().is_empty());
        cells.last().map_or(0, |(last, _)| last + 1)
    };
    let number = |row: &&StringRecord| {
        row.iter().any(|c| is_number_like(c, b'.') || is_number_like(c, b','))
    };
    let mut lengths: Vec<usize> = rows.iter().filter(number).map(filled).collect();
    lengths.sort_unstable();
    let usual = lengths.get(lengths.len().saturating_sub(1) * 19 / 20).copied().unwrap_or(0);
    let named = rows.iter().filter(|row| !number(row)).map(filled).max().unwrap_or(0);
    let kept = usual.max(named);
    // A single extra separator is kept as an unnamed column.
    if kept == 0 || kept + 1 >= width {
        return width;
    }
    for row in rows.iter_mut().filter(|row| row.len() > kept && filled(row) <= kept) {
        row.truncate(kept);
    }
    kept
}

/// Whether a row has this many cells, apart from extra separators.
pub fn fits(row: &StringRecord, width: usize) -> bool {
    row.len() == width
        || row.len() > width && row.iter().skip(width).all(|cell| cell.trim().is_empty())
}

fn is_number_like(cell: &str, decimal: u8) -> bool {
    number::parse_with_unit(cell, decimal).is_some() || stamp::parse_any(cell).is_some()
}

fn is_value_like(cell: &str, decimal: u8) -> bool {
    number::is_missing(cell) || number::switch(cell).is_some() || is_number_like(cell, decimal)
}

/// The most frequent width of rows that contain a number.
fn body_width(rows: &[StringRecord]) -> Option<usize> {
    let mut counts = std::collections::BTreeMap::<usize, usize>::new();
    for row in rows {
        let any = row.iter().any(|c| is_number_like(c, b'.') || is_number_like(c, b','));
        if any {
            *counts.entry(row.len()).or_default() += 1;
        }
    }
    counts.into_iter().max_by_key(|&(width, count)| (count, width)).map(|(width, _)| width)
}

fn numeric_columns(rows: &[StringRecord], width: usize, decimal: u8) -> Vec<bool> {
    let mut readable = vec![0usize; width];
    let mut filled = vec![0usize; width];
    for row in rows.iter().filter(|row| row.len() == width) {
        for ((cell, readable), filled) in row.iter().zip(&mut readable).zip(&mut filled) {
            if !number::is_missing(cell) {
                *filled += 1;
                *readable += usize::from(is_value_like(cell, decimal));
            }
        }
    }
    readable.iter().zip(&filled).map(|(r, f)| *f > 0 && *r * 10 >= *f * 6).collect()
}

fn is_data_row(row: &StringRecord, numeric: &[bool], width: usize, decimal: u8) -> bool {
    row.len() == width
        && row.iter().any(|cell| is_number_like(cell, decimal))
        && row.iter().zip(numeric).all(|(cell, numeric)| !numeric || is_value_like(cell, decimal))
}

fn is_textual(row: &StringRecord, width: usize, decimal: u8) -> bool {
    let filled = row.iter().filter(|cell| !cell.trim().is_empty()).count();
    filled * 2 >= width.min(row.len())
        && row.len() * 2 >= width
        && (width < 2 || row.len() >= 2)
        && row.iter().any(|cell| cell.chars().any(char::is_alphabetic))
        && !row
            .iter()
            .any(|cell| number::parse(cell, decimal).is_some() || stamp::parse_any(cell).is_some())
}

fn is_units_row(row: &StringRecord) -> bool {
    let filled: Vec<&str> = row.iter().map(str::trim).filter(|cell| !cell.is_empty()).collect();
    let units = filled.iter().filter(|cell| Unit::parse(cell).is_some()).count();
    let short = filled.iter().all(|cell| {
        let bracketed = cell.starts_with(['(', '[']) && cell.ends_with([')', ']']);
        bracketed || cell.chars().count() <= 10
    });
    short && units > 0 && units * 2 >= filled.len()
}

/// Header cells. A bracketed unit that a blank split from its name is joined to it.
fn cells_of(row: &StringRecord, dialect: &Dialect) -> Vec<String> {
    let mut cells: Vec<String> = row.iter().map(|cell| cell.trim().to_owned()).collect();
    if let Some(first) = cells.first_mut() {
        *first = first.trim_start_matches(['#', '%', '\u{feff}']).trim().to_owned();
    }
    if matches!(dialect.separator, Separator::Space { .. }) {
        if cells.first().is_some_and(String::is_empty) {
            cells.remove(0);
        }
        let mut repaired: Vec<String> = Vec::with_capacity(cells.len());
        for cell in cells {
            match repaired.last_mut() {
                Some(last) if cell.starts_with(['(', '[']) => {
                    last.push(' ');
                    last.push_str(&cell);
                }
                _ => repaired.push(cell),
            }
        }
        return repaired;
    }
    cells
}

fn headings(
    header: Option<&[String]>,
    units: Option<&[String]>,
    width: usize,
    first_cell_is_date: bool,
) -> Vec<Heading> {
    // A date and a time separated by a blank share one name.
    let shift = match header {
        Some(names) if names.len() + 1 == width && first_cell_is_date => 1,
        _ => 0,
    };
    let mut headings: Vec<Heading> = Vec::with_capacity(width);
    let mut taken = UsedNames::default();
    for index in 0..width {
        let raw = match (index, shift) {
            (0, 1) => "date",
            _ => cell_at(header, index, shift).unwrap_or("").trim_matches('"').trim(),
        };
        let (name, mut unit) = split_unit(raw);
        if let Some(cell) = cell_at(units, index, shift) {
            unit = Unit::parse(cell).or(unit);
        }
        let name = if name.is_empty() { format!("column {}", index + 1) } else { name };
        let name = taken.unique(name);
        headings.push(Heading { raw: raw.to_owned(), name, unit });
    }
    headings
}

fn cell_at(cells: Option<&[String]>, index: usize, shift: usize) -> Option<&str> {
    cells?.get(index.checked_sub(shift)?).map(String::as_str)
}

/// Names already used, and how often each was requested.
#[derive(Default)]
struct UsedNames {
    names: HashSet<String>,
    asked: HashMap<String, usize>,
}

impl UsedNames {
    /// `name`, or the first unused one of "name (2)", "name (3)", … Continues from the last number,
    /// because a thousand columns may share one name.
    fn unique(&mut self, name: String) -> String {
        let mut given = name.clone();
        while !self.names.insert(given.clone()) {
            let count = self.asked.entry(name.clone()).or_insert(1);
            *count += 1;
            given = format!("{name} ({count})");
        }
        given
    }
}

/// `Battery voltage [V]`, `rpm (x1000)`, `coolant_c`, `Batt, mV` → name and unit.
pub fn split_unit(raw: &str) -> (String, Option<Unit>) {
    let raw = raw.trim();
    for (open, close) in [('(', ')'), ('[', ']'), ('{', '}'), ('<', '>')] {
        if let Some(inner) = raw.strip_suffix(close)
            && let Some(at) = inner.rfind(open)
            && let (Some(name), Some(text)) = (inner.get(..at), inner.get(at + open.len_utf8()..))
            && let Some(unit) = Unit::parse(text)
        {
            return (name.trim().trim_end_matches(['_', ',', ':']).trim().to_owned(), Some(unit));
        }
    }
    let folded = fold(raw);
    if ["x1000", "x 1000", "*1000", "/1000", "×1000"].iter().any(|mark| folded.contains(mark)) {
        return (raw.to_owned(), Some(Unit::ThousandRpm));
    }
    // In "Drehzahl 1/min" the slash belongs to the unit.
    if let Some((name, text)) = raw.rsplit_once(' ')
        && text.contains('/')
        && !name.trim().is_empty()
        && let Some(unit) = Unit::parse(text)
    {
        return (name.trim().to_owned(), Some(unit));
    }
    for mark in [',', ';', ':', '/', '|'] {
        if let Some((name, text)) = raw.rsplit_once(mark)
            && !name.trim().is_empty()
            && let Some(unit) = Unit::parse(text)
            && !raw.eq_ignore_ascii_case("a/c")
        {
            return (name.trim().to_owned(), Some(unit));
        }
    }
    if let Some((name, text)) = raw.rsplit_once(['_', '.', ' ', '-'])
        && !name.trim().is_empty()
        && let Some(unit) = Unit::parse_suffix(text)
    {
        // "Battery voltage A" is the first of several; "Engine RPM" is the name of the quantity.
        let behind_underscore = raw.strip_suffix(text).is_some_and(|head| head.ends_with('_'));
        let counts = text.len() == 1
            && unit != Unit::Volt
            && (!behind_underscore
                || ["volt", "spannung"].iter().any(|word| fold(name).contains(word)));
        let names = matches!(
            fold(text).as_ref(),
            "rpm" | "volts" | "volt" | "amps" | "seconds" | "millis" | "micros"
        );
        return match (counts, names) {
            (true, _) => (raw.to_owned(), None),
            (_, true) => (raw.to_owned(), Some(unit)),
            _ => (name.trim().trim_end_matches(['_', '-']).to_owned(), Some(unit)),
        };
    }
    (raw.to_owned(), None)
}
