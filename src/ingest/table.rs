//! Reads the data rows as columns of numbers, on one of two routes with the same result.
//!
//! The fast route ([`plain_rows`]) reads lines of plain numbers. Anything else is read on the
//! careful route, which reports line and column of every cell that it cannot read.

use chrono::NaiveDateTime;
use csv::StringRecord;

use super::account::{self, Account};
use super::clock::{Clock, Source, packed as packed_time};
use super::dialect::Dialect;
use super::header::{self, ColumnOrder, Layout};
use super::number;
use super::plain_rows::{self, Cells};
use super::stamp::{self, Stamp};
use super::units::Unit;
use crate::log::Role;
use crate::stats::min_max::Extent;

/// Line of the file on which each row is.
#[derive(Debug, Clone, PartialEq)]
pub enum Lines {
    /// One row per line from this line on.
    From(usize),
    Listed(Vec<usize>),
}

impl Lines {
    pub fn of(&self, row: usize) -> usize {
        match self {
            Lines::From(first) => first + row,
            Lines::Listed(lines) => lines.get(row).copied().unwrap_or(0),
        }
    }
}

/// A column that holds a role. It has no values until the table is read.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Index of the column in the file.
    pub column: usize,
    pub name: String,
    pub role: Role,
    pub unit: Option<Unit>,
    /// `None` if the cells are numbers; else whether the switch word "low" means half on.
    pub low_is_half: Option<bool>,
    pub values: Vec<f64>,
    pub extent: Extent,
}

#[derive(Debug, Clone)]
pub struct Wanted {
    pub channels: Vec<Channel>,
    /// Index of the column of remarks.
    pub note: Option<usize>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Body {
    /// In the unit of the clock: see [`Clock`]; NaN if a cell is unreadable.
    pub time: Vec<f64>,
    pub lines: Lines,
    pub channels: Vec<Channel>,
    /// Row index and text of each remark.
    pub notes: Vec<(usize, String)>,
    /// The first wall-clock time in the text.
    pub wall: Option<NaiveDateTime>,
}

impl Body {
    fn empty(layout: &Layout, wanted: &Wanted) -> Body {
        Body {
            time: Vec::new(),
            lines: Lines::From(layout.body_line),
            channels: wanted.channels.clone(),
            notes: Vec::new(),
            wall: None,
        }
    }

    pub fn channel(&self, role: Role) -> Option<&Channel> {
        self.channels.iter().find(|channel| channel.role == role)
    }

    pub fn values(&self, role: Role) -> Option<&[f64]> {
        self.channel(role).map(|channel| channel.values.as_slice())
    }

    /// Duty of every load, in the order of the file.
    pub fn duties(&self) -> Vec<&[f64]> {
        let loads = self.channels.iter().filter(|channel| channel.role == Role::Load);
        loads.map(|channel| channel.values.as_slice()).collect()
    }

    pub fn first_time(&self) -> Option<f64> {
        self.time.iter().copied().find(|time| time.is_finite())
    }

    pub fn reverse(&mut self) {
        let rows = self.time.len();
        self.time.reverse();
        self.channels.iter_mut().for_each(|channel| channel.values.reverse());
        self.lines = Lines::Listed((0..rows).rev().map(|row| self.lines.of(row)).collect());
        for (row, _) in &mut self.notes {
            *row = rows.saturating_sub(*row + 1);
        }
        self.notes.reverse();
        // The first row of the file is now the last.
        self.wall = None;
    }
}

/// The text, and everything that was decided on its sample.
#[derive(Clone, Copy)]
pub struct ReadPlan<'a> {
    /// Aligned: see [`Dialect::align`].
    pub text: &'a str,
    pub dialect: &'a Dialect,
    pub layout: &'a Layout,
    pub clock: &'a Clock,
    pub wanted: &'a Wanted,
}

pub fn read(plan: ReadPlan, careful_only: bool, account: &mut Account) -> Body {
    let fast = if careful_only { None } else { fast(plan) };
    fast.unwrap_or_else(|| careful(plan, account))
}

fn fast(plan: ReadPlan) -> Option<Body> {
    let clean = PlainTable::of(plan.dialect, plan.layout, plan.clock, plan.wanted)?;
    clean.body(plain_rows::columns(plan.text.get(plan.layout.body_byte..)?, clean.cells())?)
}

/// A table that may consist of plain numbers, judging by its sample.
pub struct PlainTable<'a> {
    dialect: &'a Dialect,
    layout: &'a Layout,
    wanted: &'a Wanted,
    time_column: Option<usize>,
    /// Column indices in rising order.
    used: Vec<usize>,
}

impl<'a> PlainTable<'a> {
    pub fn of(
        dialect: &'a Dialect,
        layout: &'a Layout,
        clock: &Clock,
        wanted: &'a Wanted,
    ) -> Option<PlainTable<'a>> {
        let has_words = wanted.channels.iter().any(|channel| channel.low_is_half.is_some());
        if has_words || wanted.note.is_some() || layout.short_rows {
            return None;
        }
        let time_column = match clock.source {
            Source::Numeric { column, .. } => Some(column),
            Source::Rate { .. } => None,
            Source::Packed { .. } | Source::Text { .. } | Source::DateAndTime { .. } => {
                return None;
            }
        };
        let columns = wanted.channels.iter().map(|channel| channel.column);
        let mut used: Vec<usize> = columns.chain(time_column).collect();
        used.sort_unstable();
        used.dedup();
        Some(PlainTable { dialect, layout, wanted, time_column, used })
    }

    pub fn cells(&self) -> Cells<'_> {
        Cells {
            separator: self.dialect.byte(),
            decimal: self.dialect.decimal,
            width: self.layout.width(),
            used: &self.used,
        }
    }

    /// Builds the table from the columns in the order of [`Cells::used`].
    pub fn body(&self, columns: Vec<(Vec<f64>, Extent)>) -> Option<Body> {
        let mut columns = columns;
        let rows = columns.first()?.0.len();
        // The time column has no other role, so each column is taken once.
        let mut take = |index: usize| {
            let at = self.used.binary_search(&index).ok()?;
            let (values, extent) = columns.get_mut(at)?;
            Some((std::mem::take(values), *extent))
        };
        let time = match self.time_column {
            Some(index) => take(index)?.0,
            None => by_rate(rows),
        };
        let mut body = Body { time, ..Body::empty(self.layout, self.wanted) };
        for channel in &mut body.channels {
            (channel.values, channel.extent) = take(channel.column)?;
        }
        Some(body)
    }
}

fn by_rate(rows: usize) -> Vec<f64> {
    (0..rows).map(|row| row as f64).collect()
}

/// A quoted cell with more lines than this has no closing quote.
const LONGEST_QUOTE_LINES: u64 = 20;

fn careful(plan: ReadPlan, account: &mut Account) -> Body {
    let mut attempt = account.clone();
    match read_rows(plan, &mut attempt) {
        Ok(body) => {
            *account = attempt;
            body
        }
        Err(line) => {
            account.notices.push(format!(
                "a quote opened at line {line} is not closed; quotes are read as plain characters"
            ));
            let plain = Dialect { quoting: false, ..*plan.dialect };
            let plan = ReadPlan { dialect: &plain, ..plan };
            read_rows(plan, account).unwrap_or_else(|_| Body::empty(plan.layout, plan.wanted))
        }
    }
}

/// Reads row by row. `Err` is the line of a quote without a closing quote.
fn read_rows(plan: ReadPlan, account: &mut Account) -> Result<Body, usize> {
    let ReadPlan { text, dialect, layout, clock, wanted } = plan;
    let body_text = text.get(layout.body_byte..).unwrap_or("");
    let mut reader = dialect.reader(body_text);
    let mut row = StringRecord::new();
    let mut body = Body::empty(layout, wanted);
    let mut lines = Vec::new();
    let width = layout.width();
    let mut last_note = String::new();
    // Set after a header with another order of columns.
    let mut order: Option<ColumnOrder> = None;
    // A short row is a truncated one only if it is the last.
    let mut short: Option<usize> = None;
    // The text is UTF-8 and rows may have any width, so reading cannot fail.
    while reader.read_record(&mut row).unwrap_or(false) {
        let offset = layout.body_line.saturating_sub(1);
        let (_, in_body) = header::start_of(&row, body_text);
        let line = in_body + offset;
        let (blanks, first_blank) = header::blank_lines_before(&row, body_text);
        account.skip(account::BLANK, blanks, first_blank + offset);
        if reader.position().line().saturating_sub(in_body as u64) > LONGEST_QUOTE_LINES {
            return Err(line);
        }
        if let Some(line) = short.take() {
            account.skip(account::TOO_FEW_CELLS, 1, line);
        }
        if header::is_blank(&row) {
            account.skip(account::BLANK, 1, line);
            continue;
        }
        if repeats(&row, layout.header_cells.as_deref()) {
            order = None;
            account.skip(account::REPEATED_HEADER, 1, line);
            continue;
        }
        if repeats(&row, layout.units_cells.as_deref()) {
            account.skip(account::REPEATED_UNITS, 1, line);
            continue;
        }
        let again = ColumnOrder::of(&row, layout).filter(|order| order.holds(&clock.columns()));
        if let Some(again) = again {
            account.skip(account::REPEATED_HEADER, 1, line);
            let notice = again.notice(line, layout);
            order = notice.is_some().then_some(again);
            account.notices.extend(notice);
            continue;
        }
        let expected = order.as_ref().map_or(width, |order| order.cells);
        if row.len() > expected && !header::fits(&row, expected) {
            account.skip(account::TOO_MANY_CELLS, 1, line);
            continue;
        }
        if row.len() < expected && !layout.short_rows {
            short = Some(line);
            continue;
        }
        if let Some(order) = &order {
            row = order.row(&row);
        }
        take_row(&row, line, plan, &mut body, account);
        lines.push(line);
        if let Some(text) = wanted.note.and_then(|index| row.get(index)).map(str::trim)
            && text != last_note
        {
            if !number::is_missing(text) {
                body.notes.push((lines.len() - 1, text.to_owned()));
            }
            text.clone_into(&mut last_note);
        }
    }
    if let Some(line) = short {
        account.skip(account::TRUNCATED, 1, line);
    }
    body.lines = Lines::Listed(lines);
    for channel in &mut body.channels {
        channel.extent = Extent::of(&channel.values);
    }
    if let Source::Rate { .. } = clock.source {
        body.time = by_rate(body.channels.first().map_or(0, |channel| channel.values.len()));
    }
    Ok(body)
}

fn repeats(row: &StringRecord, cells: Option<&[String]>) -> bool {
    cells.is_some_and(|cells| {
        row.len() == cells.len()
            && row.iter().zip(cells).all(|(a, b)| a.trim().trim_start_matches('#').trim() == b)
    })
}

fn take_row(
    row: &StringRecord,
    line: usize,
    plan: ReadPlan,
    body: &mut Body,
    account: &mut Account,
) {
    let ReadPlan { dialect, clock, .. } = plan;
    let cell = |column: usize| row.get(column).unwrap_or("");
    let number = |column: usize| number::parse(cell(column), dialect.decimal);
    let stamp = match clock.source {
        Source::Text { column, format } => stamp::parse(cell(column), format),
        Source::DateAndTime { date, time, format } => {
            let date = stamp::parse(cell(date), format).and_then(|stamp| stamp.date);
            let stamp = stamp::parse(cell(time), format).map(|stamp| Stamp { date, ..stamp });
            stamp.filter(|stamp| stamp.date.is_some())
        }
        _ => None,
    };
    body.wall = body.wall.or_else(|| stamp?.wall());
    let time = match clock.source {
        Source::Rate { .. } => None,
        Source::Numeric { column, .. } => Some(number(column)),
        Source::Packed { column } => Some(number(column).and_then(packed_time::seconds)),
        Source::Text { .. } | Source::DateAndTime { .. } => Some(stamp.map(|s| s.seconds())),
    };
    body.time.extend(time.map(|time| time.unwrap_or(f64::NAN)));
    for channel in &mut body.channels {
        let text = cell(channel.column);
        let value = match number(channel.column) {
            Some(value) => value,
            None if number::is_missing(text) => f64::NAN,
            None => {
                let switch = channel.low_is_half.zip(number::switch(text));
                if switch.is_none() {
                    account.bad_cell(line, &channel.name, text);
                }
                switch.map_or(f64::NAN, |(low_is_half, switch)| switch.duty(low_is_half))
            }
        };
        channel.values.push(value);
    }
}
