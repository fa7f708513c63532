//! The body of the file as columns of numbers, by one of two routes that agree.
//!
//! The fast route ([`clean`]) takes lines of plain numbers at the speed of memory.
//! Anything else goes the careful route, which knows line and column of every cell
//! it cannot read.

use chrono::NaiveDateTime;
use csv::StringRecord;

use super::account::{self, Account};
use super::clean::{self, Cells};
use super::clock::{Clock, Source, packed as packed_time};
use super::dialect::Dialect;
use super::header::{self, Layout, Order};
use super::number;
use super::stamp::{self, StampFormat};
use crate::stats::min_max::Extent;

/// Which line of the file each row stands on.
#[derive(Debug, Clone, PartialEq)]
pub enum Lines {
    /// One row a line from here on.
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

/// What to take from the body.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// Columns of numbers or switch words.
    pub values: Vec<usize>,
    /// Of those, the ones with switch words among their cells, and whether "low" is half.
    pub switched: Vec<(usize, bool)>,
    pub note: Option<usize>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Body {
    /// As the clock counts: see [`Clock`]; NaN where a cell is unreadable.
    pub time: Vec<f64>,
    pub lines: Lines,
    /// In the order of [`Wanted::values`].
    pub values: Vec<Vec<f64>>,
    /// Of each of `values`.
    pub extents: Vec<Extent>,
    pub notes: Vec<(usize, String)>,
    /// The first wall-clock time the text tells.
    pub wall: Option<NaiveDateTime>,
    pub route: Route,
}

impl Body {
    /// The rows the other way round.
    pub fn reverse(&mut self) {
        let rows = self.time.len();
        self.time.reverse();
        self.values.iter_mut().for_each(|values| values.reverse());
        self.lines = Lines::Listed((0..rows).rev().map(|row| self.lines.of(row)).collect());
        for (row, _) in &mut self.notes {
            *row = rows.saturating_sub(*row + 1);
        }
        self.notes.reverse();
        // The first row of the file is the last moment.
        self.wall = None;
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Route {
    Fast,
    Careful,
}

/// The text and all that was decided on its sample.
#[derive(Clone, Copy)]
pub struct Plan<'a> {
    /// Aligned: see [`Dialect::align`].
    pub text: &'a str,
    pub dialect: &'a Dialect,
    pub layout: &'a Layout,
    pub clock: &'a Clock,
    pub wanted: &'a Wanted,
}

pub fn read(
    plan: Plan,
    careful_only: bool,
    account: &mut Account,
    notices: &mut Vec<String>,
) -> Body {
    if !careful_only && let Some(body) = fast(plan) {
        return body;
    }
    careful(plan, account, notices)
}

fn fast(plan: Plan) -> Option<Body> {
    let clean = Clean::of(plan.dialect, plan.layout, plan.clock, plan.wanted)?;
    clean.body(clean::columns(plan.text.get(plan.layout.body_byte..)?, clean.cells())?)
}

/// A table that may be of plain numbers alone, as far as its sample shows.
pub struct Clean<'a> {
    dialect: &'a Dialect,
    layout: &'a Layout,
    wanted: &'a Wanted,
    time_column: Option<usize>,
    /// In rising order.
    used: Vec<usize>,
}

impl<'a> Clean<'a> {
    pub fn of(
        dialect: &'a Dialect,
        layout: &'a Layout,
        clock: &Clock,
        wanted: &'a Wanted,
    ) -> Option<Clean<'a>> {
        if !wanted.switched.is_empty() || wanted.note.is_some() || layout.short_rows {
            return None;
        }
        let time_column = match clock.source {
            Source::Numeric { column, .. } => Some(column),
            Source::Rate { .. } => None,
            Source::Packed { .. } | Source::Text { .. } | Source::DateAndTime { .. } => {
                return None;
            }
        };
        let mut used: Vec<usize> = wanted.values.iter().copied().chain(time_column).collect();
        used.sort_unstable();
        used.dedup();
        Some(Clean { dialect, layout, wanted, time_column, used })
    }

    pub fn cells(&self) -> Cells<'_> {
        Cells {
            separator: self.dialect.byte(),
            decimal: self.dialect.decimal,
            width: self.layout.width(),
            used: &self.used,
        }
    }

    /// From the columns read, in the order of [`Cells::used`].
    pub fn body(&self, columns: Vec<(Vec<f64>, Extent)>) -> Option<Body> {
        let mut columns = columns;
        let rows = columns.first()?.0.len();
        // Time is no value: no column is asked for twice.
        let mut take = |index: usize| {
            let at = self.used.binary_search(&index).ok()?;
            let (values, extent) = columns.get_mut(at)?;
            Some((std::mem::take(values), *extent))
        };
        let time = match self.time_column {
            Some(index) => take(index)?.0,
            None => by_rate(rows),
        };
        let values = self.wanted.values.iter().map(|&index| take(index));
        let (values, extents) = values.collect::<Option<Vec<_>>>()?.into_iter().unzip();
        Some(Body {
            time,
            lines: Lines::From(self.layout.body_line),
            values,
            extents,
            notes: Vec::new(),
            wall: None,
            route: Route::Fast,
        })
    }
}

fn by_rate(rows: usize) -> Vec<f64> {
    (0..rows).map(|row| row as f64).collect()
}

/// A quoted cell that runs over more lines than this is a quote that was never closed.
const LONGEST_QUOTE_LINES: u64 = 20;

fn careful(plan: Plan, account: &mut Account, notices: &mut Vec<String>) -> Body {
    let mut attempt = Account::default();
    let mut said = Vec::new();
    match walk(plan, &mut attempt, &mut said) {
        Ok(body) => {
            *account = attempt;
            notices.append(&mut said);
            body
        }
        Err(line) => {
            notices.push(format!(
                "a quote opened at line {line} is not closed; quotes are read as plain characters"
            ));
            let plain = Dialect { quoting: false, ..*plan.dialect };
            let mut attempt = Account::default();
            let body = walk(Plan { dialect: &plain, ..plan }, &mut attempt, notices);
            *account = attempt;
            body.unwrap_or(Body {
                time: Vec::new(),
                lines: Lines::From(plan.layout.body_line),
                values: vec![Vec::new(); plan.wanted.values.len()],
                extents: vec![Extent::NONE; plan.wanted.values.len()],
                notes: Vec::new(),
                wall: None,
                route: Route::Careful,
            })
        }
    }
}

/// Reads row by row. `Err` is the line of a quote that swallows the file.
fn walk(plan: Plan, account: &mut Account, notices: &mut Vec<String>) -> Result<Body, usize> {
    let Plan { text, dialect, layout, clock, wanted } = plan;
    let body_text = text.get(layout.body_byte..).unwrap_or("");
    let mut reader = dialect.reader(body_text);
    let mut row = StringRecord::new();
    let mut body = Body {
        time: Vec::new(),
        lines: Lines::From(layout.body_line),
        values: vec![Vec::new(); wanted.values.len()],
        extents: Vec::new(),
        notes: Vec::new(),
        wall: None,
        route: Route::Careful,
    };
    let mut lines = Vec::new();
    let width = layout.width();
    let mut last_note = String::new();
    // Columns in another order from some line on, by a header that says so.
    let mut order: Option<Order> = None;
    // A short row is the truncated one only if no row follows.
    let mut short: Option<usize> = None;
    loop {
        match reader.read_record(&mut row) {
            Ok(true) => {}
            Ok(false) => break,
            // The text is UTF-8 and rows may be of any width: nothing else can fail.
            Err(_) => break,
        }
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
        let again = Order::of(&row, layout).filter(|order| order.holds(&clock.columns()));
        if let Some(again) = again {
            account.skip(account::REPEATED_HEADER, 1, line);
            let notice = again.notice(line, layout);
            order = notice.is_some().then_some(again);
            notices.extend(notice);
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
    body.extents = body.values.iter().map(|values| Extent::of(values)).collect();
    if let Source::Rate { .. } = clock.source {
        let rows = body.values.first().map_or(0, Vec::len);
        body.time = by_rate(rows);
    }
    Ok(body)
}

fn repeats(row: &StringRecord, cells: Option<&[String]>) -> bool {
    cells.is_some_and(|cells| {
        row.len() == cells.len()
            && row.iter().zip(cells).all(|(a, b)| a.trim().trim_start_matches('#').trim() == b)
    })
}

fn take_row(row: &StringRecord, line: usize, plan: Plan, body: &mut Body, account: &mut Account) {
    let Plan { layout, dialect, clock, wanted, .. } = plan;
    let cell = |index: usize| row.get(index).unwrap_or("");
    let read_stamp = |index: usize, format: StampFormat| stamp::parse(cell(index), format);
    let time = match clock.source {
        Source::Rate { .. } => None,
        Source::Numeric { column, .. } => {
            Some(number::parse(cell(column), dialect.decimal).unwrap_or(f64::NAN))
        }
        Source::Packed { column } => {
            let packed = number::parse(cell(column), dialect.decimal);
            Some(packed.and_then(packed_time::seconds).unwrap_or(f64::NAN))
        }
        Source::Text { column, format } => {
            let stamp = read_stamp(column, format);
            if body.wall.is_none() {
                body.wall = stamp.and_then(|stamp| stamp.wall());
            }
            Some(stamp.and_then(|stamp| stamp.seconds()).unwrap_or(f64::NAN))
        }
        Source::DateAndTime { date, time, format } => {
            let stamp = read_stamp(time, format).map(|mut stamp| {
                stamp.date = read_stamp(date, format).and_then(|stamp| stamp.date);
                stamp
            });
            let stamp = stamp.filter(|stamp| stamp.date.is_some());
            if body.wall.is_none() {
                body.wall = stamp.and_then(|stamp| stamp.wall());
            }
            Some(stamp.and_then(|stamp| stamp.seconds()).unwrap_or(f64::NAN))
        }
    };
    body.time.extend(time);
    for (&index, values) in wanted.values.iter().zip(&mut body.values) {
        let text = cell(index);
        let low_is_half =
            wanted.switched.iter().find(|(column, _)| *column == index).map(|(_, half)| *half);
        let value = match number::parse(text, dialect.decimal) {
            Some(value) => value,
            None if number::is_missing(text) => f64::NAN,
            None => match low_is_half
                .and_then(|half| number::switch(text).map(|switch| switch.duty(half)))
            {
                Some(duty) => duty,
                None => {
                    let name =
                        layout.headings.get(index).map_or("", |heading| heading.name.as_str());
                    account.bad_cell(line, name, text);
                    f64::NAN
                }
            },
        };
        values.push(value);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clean_numbers_go_the_fast_route_and_unclean_do_not() {
        let dialect = super::super::dialect::sniff("t;v\n0,0;12,5\n0,1;12,5\n");
        let clean = "t;v\r\n0,0;12,5\r\n0,1;12,6\r\n0,2;12,7";
        let layout = header::find(&dialect, clean).expect("a table");
        let source = Source::Numeric {
            column: 0,
            seconds_per_unit: 1.0,
            epoch: super::super::clock::Epoch::None,
        };
        let clock = Clock::plain(source, "seconds");
        let wanted = Wanted { values: vec![1], switched: Vec::new(), note: None };
        let by = |text: &str| {
            let plan =
                Plan { text, dialect: &dialect, layout: &layout, clock: &clock, wanted: &wanted };
            let body = read(plan, false, &mut Account::default(), &mut Vec::new());
            (body.route, body.values)
        };
        assert_eq!(by(clean), (Route::Fast, vec![vec![12.5, 12.6, 12.7]]));
        assert_eq!(by(&clean.replace("12,6", "x")).0, Route::Careful);
        assert_eq!(
            by(&clean.replace("12,6", "1.200,6")),
            (Route::Careful, vec![vec![12.5, 1200.6, 12.7]])
        );
        assert_eq!(by(&clean.replace("0,1;12,6", "0,1")).0, Route::Careful);
    }
}
