//! Tables for a spreadsheet: one row a load step, one row an operating point, one
//! row a way between taps at an operating point, one row a point of the output curve.
//! Units stand in the header; an unknown cell is empty.

use polars::prelude::{Column, DataFrame, PolarsResult};

use super::format::plain;
use crate::diagnosis::{
    Diagnosis, Direction, LineDrop, LoadStep, OperatingPoint, Origin, OutputPoint,
};
use crate::estimate::Estimate;

pub fn steps_csv(diagnosis: &Diagnosis) -> String {
    let mut columns = Columns::default();
    step_columns(&mut columns, &diagnosis.load_steps);
    columns.write(diagnosis.load_steps.len())
}

pub(super) fn step_columns(columns: &mut Columns, rows: &[LoadStep]) {
    columns.number("number", rows, |s| Some(s.number as f64));
    columns.number("at_s", rows, |s| Some(s.at_s));
    columns.number("until_s", rows, |s| Some(s.until_s));
    columns.text("load", rows, |s| s.load.clone().unwrap_or_default());
    columns.text("direction", rows, |s| direction(s.direction).to_owned());
    columns.number("duty_change", rows, |s| s.duty_change);
    columns.text("origin", rows, |s| origin(s).to_owned());
    columns.with_interval("lag_s", rows, |s| s.lag_s, |s| s.lag.as_ref());
    columns.text("answered", rows, |s| if s.answered { "yes" } else { "no" }.to_owned());
    columns.estimate("baseline_v", rows, |s| Some(&s.baseline_v));
    columns.estimate("trough_v", rows, |s| Some(&s.trough));
    columns.number("trough_at_s", rows, |s| Some(s.trough_at_s));
    columns.estimate("sag_v", rows, |s| Some(&s.sag_v));
    columns.estimate("settled_v", rows, |s| Some(&s.settled_v));
    columns.estimate("shift_v", rows, |s| Some(&s.shift_v));
    columns.with_interval("recovery_s", rows, |s| s.recovery_s, |s| s.recovery.as_ref());
    let recovered = |s: &LoadStep| s.recovered_share;
    columns.with_interval("recovered_share", rows, recovered, |s| s.recovered.as_ref());
    columns.number("rpm_before", rows, |s| s.rpm_before);
    columns.number("rpm_after", rows, |s| s.rpm_after);
    columns.text("loads_after", rows, |s| s.loads_after.join(" + "));
}

pub fn operating_points_csv(diagnosis: &Diagnosis) -> String {
    let mut columns = Columns::default();
    point_columns(&mut columns, &diagnosis.operating_points);
    columns.write(diagnosis.operating_points.len())
}

pub(super) fn point_columns(columns: &mut Columns, rows: &[OperatingPoint]) {
    columns.text("loads", rows, |p| p.loads.join(" + "));
    columns.number("rpm_low", rows, |p| p.rpm_low);
    columns.number("rpm_high", rows, |p| p.rpm_high);
    columns.number("rpm_median", rows, |p| p.rpm);
    columns.text("heat", rows, |p| p.heat.word().to_owned());
    columns.number("seconds", rows, |p| Some(p.seconds));
    columns.estimate("voltage_v", rows, |p| Some(&p.voltage_v));
    columns.text("state", rows, |p| p.state.word().to_owned());
    columns.number("state_confidence", rows, |p| Some(p.state_confidence));
    columns.number("regulated_probability", rows, |p| p.regulated_probability);
    columns.number("short_probability", rows, |p| p.short_probability);
    columns.text("state_how", rows, |p| p.state_how.clone());
    columns.estimate("implied_deficit_a", rows, |p| p.implied_deficit_a.as_ref());
    columns.estimate("regulation_shortfall_a", rows, |p| p.regulation_shortfall_a.as_ref());
}

pub fn line_drop_csv(diagnosis: &Diagnosis) -> String {
    let mut columns = Columns::default();
    let rows = &diagnosis.line_drop;
    columns.text("from", rows, |d: &LineDrop| d.from.clone());
    columns.text("to", rows, |d| d.to.clone());
    columns.text("side", rows, |d| d.side.word().to_owned());
    columns.text("loads", rows, |d| d.loads.join(" + "));
    columns.number("rpm_low", rows, |d| d.rpm_low);
    columns.number("rpm_high", rows, |d| d.rpm_high);
    columns.estimate("drop_v", rows, |d| Some(&d.drop_v));
    columns.estimate("current_a", rows, |d| d.current_a.as_ref());
    columns.estimate("resistance_ohm", rows, |d| d.resistance_ohm.as_ref());
    columns.estimate("cable_ohm", rows, |d| d.cable_ohm.as_ref());
    columns.estimate("excess_ohm", rows, |d| d.excess_ohm.as_ref());
    columns.text("told", rows, |d| d.told.clone());
    columns.write(rows.len())
}

/// `None` where alternator current is not logged.
pub fn output_curve_csv(diagnosis: &Diagnosis) -> Option<String> {
    let rows = &diagnosis.output.as_ref()?.points;
    let mut columns = Columns::default();
    columns.number("alternator_rpm", rows, |p: &OutputPoint| p.alternator_rpm);
    columns.number("engine_rpm", rows, |p| p.engine_rpm);
    columns.text("full_output", rows, |p| if p.full_output { "yes" } else { "no" }.to_owned());
    columns.estimate("amps_a", rows, |p| Some(&p.amps_a));
    columns.estimate("at_v", rows, |p| Some(&p.at_v));
    columns.number("seconds", rows, |p| Some(p.seconds));
    columns.text("heat", rows, |p| p.heat.word().to_owned());
    columns.number("temperature_c", rows, |p| p.temperature_c);
    columns.text("temperature_at", rows, |p| p.temperature_at.clone().unwrap_or_default());
    columns.estimate("sheet_a", rows, |p| p.sheet_a.as_ref());
    columns.estimate("share_of_sheet", rows, |p| p.share_of_sheet.as_ref());
    Some(columns.write(rows.len()))
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

fn grade(estimate: Option<&Estimate>) -> String {
    estimate.map_or_else(String::new, |e| e.grade.word().to_owned())
}

/// A spreadsheet runs a cell that begins like a formula; a quote before it makes
/// it text. A terminal obeys control characters; a mark stands for each.
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

/// A table built column by column, so that a header and its cells stand together.
#[derive(Default)]
pub(super) struct Columns {
    heads: Vec<String>,
    cells: Vec<Cells>,
}

/// Every column is of one kind, that a table with types can hold it too.
enum Cells {
    Text(Vec<String>),
    /// Rounded as written; `None` where unknown.
    Number(Vec<Option<f64>>),
}

impl Columns {
    /// Text that is known to be ours, or made safe before.
    pub(super) fn cell<T>(&mut self, head: &str, rows: &[T], cell: impl Fn(&T) -> String) {
        self.heads.push(head.to_owned());
        self.cells.push(Cells::Text(rows.iter().map(cell).collect()));
    }

    pub(super) fn text<T>(&mut self, head: &str, rows: &[T], text: impl Fn(&T) -> String) {
        self.cell(head, rows, |row| inert(&text(row)));
    }

    pub(super) fn number<T>(&mut self, head: &str, rows: &[T], value: impl Fn(&T) -> Option<f64>) {
        let finite = |row: &T| value(row).filter(|v| v.is_finite());
        self.heads.push(head.to_owned());
        self.cells.push(Cells::Number(rows.iter().map(finite).collect()));
    }

    pub(super) fn estimate<T>(
        &mut self,
        head: &str,
        rows: &[T],
        of: impl Fn(&T) -> Option<&Estimate>,
    ) {
        self.with_interval(head, rows, |row| of(row).map(|e| e.value), &of);
    }

    /// The plain number; its interval only where one could be made.
    pub(super) fn with_interval<T>(
        &mut self,
        head: &str,
        rows: &[T],
        value: impl Fn(&T) -> Option<f64>,
        of: impl Fn(&T) -> Option<&Estimate>,
    ) {
        self.number(head, rows, value);
        self.number(&format!("{head}_low"), rows, |row| of(row).map(|e| e.low));
        self.number(&format!("{head}_high"), rows, |row| of(row).map(|e| e.high));
        self.text(&format!("{head}_grade"), rows, |row| grade(of(row)));
    }

    pub(super) fn write(&self, rows: usize) -> String {
        let mut text = self.header();
        text.push_str(&self.lines(rows));
        text
    }

    pub(super) fn header(&self) -> String {
        csv_lines([self.heads.clone()])
    }

    /// Without the header.
    pub(super) fn lines(&self, rows: usize) -> String {
        let cell = |cells: &Cells, row: usize| match cells {
            Cells::Text(cells) => cells.get(row).cloned().unwrap_or_default(),
            Cells::Number(cells) => {
                cells.get(row).copied().flatten().map_or_else(String::new, rounded)
            }
        };
        csv_lines((0..rows).map(|row| self.cells.iter().map(|cells| cell(cells, row)).collect()))
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
    /// writes them, so that both tell the same figures. A mark that makes a text
    /// inert for spreadsheets stays, so that both tell the same text.
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
