//! Tables for a spreadsheet: one row a load step, one row an operating point, one
//! row a way between taps at an operating point, one row a point of the output curve.
//! Units are in the header; an unknown cell is empty.

use polars::prelude::{Column, DataFrame, PolarsResult};

use super::format::plain;
use crate::diagnosis::{Diagnosis, Direction, LoadStep, OperatingPoint, Origin};
use crate::estimate::Estimate;

pub fn steps_csv(diagnosis: &Diagnosis) -> String {
    let mut table = Table::of(&diagnosis.load_steps);
    step_columns(&mut table);
    table.csv()
}

pub(super) fn step_columns(table: &mut Table<LoadStep>) {
    table.number("number", |s| s.number as f64);
    table.number("at_s", |s| s.at_s);
    table.number("until_s", |s| s.until_s);
    table.text("load", |s| s.load.as_deref());
    table.text("direction", |s| direction(s.direction));
    table.number("duty_change", |s| s.duty_change);
    table.text("origin", origin);
    table.with_interval("lag_s", |s| s.lag_s, |s| &s.lag);
    table.text("answered", |s| s.answered);
    table.estimate("baseline_v", |s| &s.baseline_v);
    table.estimate("trough_v", |s| &s.trough);
    table.number("trough_at_s", |s| s.trough_at_s);
    table.estimate("sag_v", |s| &s.sag_v);
    table.estimate("settled_v", |s| &s.settled_v);
    table.estimate("shift_v", |s| &s.shift_v);
    table.with_interval("recovery_s", |s| s.recovery_s, |s| &s.recovery);
    table.with_interval("recovered_share", |s| s.recovered_share, |s| &s.recovered);
    table.number("rpm_before", |s| s.rpm_before);
    table.number("rpm_after", |s| s.rpm_after);
    table.text("loads_after", |s| &s.loads_after);
}

pub fn operating_points_csv(diagnosis: &Diagnosis) -> String {
    let mut table = Table::of(&diagnosis.operating_points);
    point_columns(&mut table);
    table.csv()
}

pub(super) fn point_columns(table: &mut Table<OperatingPoint>) {
    table.text("loads", |p| &p.loads);
    table.number("rpm_low", |p| p.rpm_low);
    table.number("rpm_high", |p| p.rpm_high);
    table.number("rpm_median", |p| p.rpm);
    table.text("heat", |p| p.heat.word());
    table.number("seconds", |p| p.seconds);
    table.estimate("voltage_v", |p| &p.voltage_v);
    table.text("state", |p| p.state.word());
    table.number("state_confidence", |p| p.state_confidence);
    table.number("regulated_probability", |p| p.regulated_probability);
    table.number("short_probability", |p| p.short_probability);
    table.text("state_how", |p| p.state_how.as_str());
    table.estimate("implied_deficit_a", |p| &p.implied_deficit_a);
    table.estimate("regulation_shortfall_a", |p| &p.regulation_shortfall_a);
}

pub fn line_drop_csv(diagnosis: &Diagnosis) -> String {
    let mut table = Table::of(&diagnosis.line_drop);
    table.text("from", |d| d.from.as_str());
    table.text("to", |d| d.to.as_str());
    table.text("side", |d| d.side.word());
    table.text("loads", |d| &d.loads);
    table.number("rpm_low", |d| d.rpm_low);
    table.number("rpm_high", |d| d.rpm_high);
    table.estimate("drop_v", |d| &d.drop_v);
    table.estimate("current_a", |d| &d.current_a);
    table.estimate("resistance_ohm", |d| &d.resistance_ohm);
    table.estimate("cable_ohm", |d| &d.cable_ohm);
    table.estimate("excess_ohm", |d| &d.excess_ohm);
    table.text("told", |d| d.told.as_str());
    table.csv()
}

/// `None` where alternator current is not logged.
pub fn output_curve_csv(diagnosis: &Diagnosis) -> Option<String> {
    let mut table = Table::of(&diagnosis.output.as_ref()?.points);
    table.number("alternator_rpm", |p| p.alternator_rpm);
    table.number("engine_rpm", |p| p.engine_rpm);
    table.text("full_output", |p| p.full_output);
    table.estimate("amps_a", |p| &p.amps_a);
    table.estimate("at_v", |p| &p.at_v);
    table.number("seconds", |p| p.seconds);
    table.text("heat", |p| p.heat.word());
    table.number("temperature_c", |p| p.temperature_c);
    table.text("temperature_at", |p| p.temperature_at.as_deref());
    table.estimate("sheet_a", |p| &p.sheet_a);
    table.estimate("share_of_sheet", |p| &p.share_of_sheet);
    Some(table.csv())
}

pub(super) fn direction(direction: Direction) -> &'static str {
    match direction {
        Direction::On => "on",
        Direction::Off => "off",
    }
}

pub(super) fn origin(step: &LoadStep) -> &'static str {
    match step.origin {
        Origin::Declared => "declared",
        Origin::Detected => "detected",
    }
}

/// A spreadsheet runs a cell that begins like a formula; a quote before it makes
/// it text. A terminal obeys control characters; a mark replaces each.
///
/// Where the spreadsheet's own list mark is the semicolon, a cell begins behind each
/// of those as well, quotes or not.
pub(super) fn inert(text: &str) -> String {
    let risky = |part: &str| {
        let start = part.trim_start_matches([' ', '"', '\u{a0}']);
        start.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'])
    };
    let parts = text.split(';').map(|part| {
        let shown = plain(part);
        if risky(part) { format!("'{shown}") } else { shown }
    });
    parts.collect::<Vec<_>>().join(";")
}

/// What a cell of text is made from.
pub(super) trait Text {
    fn text(self) -> String;
}

impl Text for String {
    fn text(self) -> String {
        self
    }
}

impl Text for &str {
    fn text(self) -> String {
        self.to_owned()
    }
}

/// Loads that are on together.
impl Text for &Vec<String> {
    fn text(self) -> String {
        self.join(" + ")
    }
}

impl Text for bool {
    fn text(self) -> String {
        if self { "yes" } else { "no" }.to_owned()
    }
}

impl<T: Text> Text for Option<T> {
    fn text(self) -> String {
        self.map(Text::text).unwrap_or_default()
    }
}

/// A table described column by column: a heading with its unit, and where the cell of a
/// row comes from.
pub(super) struct Table<'r, T> {
    rows: &'r [T],
    columns: Columns,
}

impl<'r, T> Table<'r, T> {
    pub(super) fn of(rows: &'r [T]) -> Table<'r, T> {
        Table { rows, columns: Columns::default() }
    }

    pub(super) fn text<C: Text>(&mut self, head: &str, cell: impl Fn(&'r T) -> C) {
        let cells = self.rows.iter().map(|row| inert(&cell(row).text()));
        self.columns.add(head, Cells::Text(cells.collect()));
    }

    pub(super) fn number<N: Into<Option<f64>>>(&mut self, head: &str, value: impl Fn(&'r T) -> N) {
        let finite = |row| value(row).into().filter(|v| v.is_finite());
        self.columns.add(head, Cells::Number(self.rows.iter().map(finite).collect()));
    }

    pub(super) fn estimate<E: Into<Option<&'r Estimate>>>(
        &mut self,
        head: &str,
        of: impl Fn(&'r T) -> E,
    ) {
        self.with_interval(head, |row| of(row).into().map(|e| e.value), &of);
    }

    /// The plain number; its interval only where one could be made.
    pub(super) fn with_interval<E: Into<Option<&'r Estimate>>>(
        &mut self,
        head: &str,
        value: impl Fn(&'r T) -> Option<f64>,
        of: impl Fn(&'r T) -> E,
    ) {
        let of = |row| of(row).into();
        self.number(head, value);
        self.number(&format!("{head}_low"), |row| of(row).map(|e| e.low));
        self.number(&format!("{head}_high"), |row| of(row).map(|e| e.high));
        self.text(&format!("{head}_grade"), |row| of(row).map(|e| e.grade.word()));
    }

    pub(super) fn columns(self) -> Columns {
        self.columns
    }

    pub(super) fn csv(self) -> String {
        self.columns.header() + &self.columns.lines()
    }
}

/// The cells of a table, which CSV and Parquet are written from.
#[derive(Default)]
pub(super) struct Columns {
    heads: Vec<String>,
    cells: Vec<Cells>,
}

/// Every column is of one kind, that a table with types can hold it too.
enum Cells {
    Text(Vec<String>),
    /// `None` where unknown.
    Number(Vec<Option<f64>>),
}

impl Columns {
    fn add(&mut self, head: &str, cells: Cells) {
        self.heads.push(head.to_owned());
        self.cells.push(cells);
    }

    pub(super) fn header(&self) -> String {
        csv_lines([self.heads.clone()])
    }

    /// Without the header.
    pub(super) fn lines(&self) -> String {
        let cell = |cells: &Cells, row: usize| match cells {
            Cells::Text(cells) => cells.get(row).cloned().unwrap_or_default(),
            Cells::Number(cells) => cells.get(row).copied().flatten().map(rounded).text(),
        };
        let rows = 0..self.rows();
        csv_lines(rows.map(|row| self.cells.iter().map(|cells| cell(cells, row)).collect()))
    }

    /// Adds the rows of a table with the same columns.
    pub(super) fn append(&mut self, part: Columns) {
        for (cells, more) in self.cells.iter_mut().zip(part.cells) {
            match (cells, more) {
                (Cells::Text(cells), Cells::Text(more)) => cells.extend(more),
                (Cells::Number(cells), Cells::Number(more)) => cells.extend(more),
                // A column is of the same kind in every part.
                _ => debug_assert!(false, "text and numbers in one column"),
            }
        }
    }

    /// As many rows as its columns are long.
    pub(super) fn rows(&self) -> usize {
        self.cells.first().map_or(0, |cells| match cells {
            Cells::Text(cells) => cells.len(),
            Cells::Number(cells) => cells.len(),
        })
    }

    /// The same columns without a row.
    pub(super) fn emptied(&self) -> Columns {
        let none = |cells: &Cells| match cells {
            Cells::Text(_) => Cells::Text(Vec::new()),
            Cells::Number(_) => Cells::Number(Vec::new()),
        };
        Columns { heads: self.heads.clone(), cells: self.cells.iter().map(none).collect() }
    }

    /// The same table with types: text, and numbers rounded as [`Columns::lines`]
    /// writes them, so that both have the same figures. A mark that makes a text
    /// inert for spreadsheets stays, so that both have the same text.
    pub(super) fn frame(self) -> PolarsResult<DataFrame> {
        let columns = self.heads.into_iter().zip(self.cells).map(|(head, cells)| match cells {
            Cells::Text(cells) => Column::new(head.into(), cells),
            Cells::Number(cells) => {
                let told = |value: Option<f64>| value.and_then(|v| rounded(v).parse::<f64>().ok());
                Column::new(head.into(), cells.into_iter().map(told).collect::<Vec<_>>())
            }
        });
        DataFrame::new_infer_height(columns.collect())
    }
}

fn csv_lines(records: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for record in records {
        // Writing to memory cannot fail, and every record has one cell a head.
        let written = writer.write_record(record);
        debug_assert!(written.is_ok());
    }
    String::from_utf8_lossy(&writer.into_inner().unwrap_or_default()).into_owned()
}

/// Six decimals at most: a microvolt, a microhm and a microsecond are below any logger.
fn rounded(value: f64) -> String {
    let text = format!("{value:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}
