//! An alternator's output sheet, as test benches print it: alternator speed and
//! amps, a few points or many, in whatever dialect of CSV.

mod conditions;

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use csv::StringRecord;
use thiserror::Error;

use super::dialect::{self, Dialect};
use super::encoding;
use super::error::clip;
use super::header::{is_blank, split_unit, start_of};
use super::number;
use super::profile::Words;
use super::units::Unit;
use super::vocabulary as say;
use crate::estimate::Estimate;
use crate::files::read_at_most;
use crate::format::shown;
use crate::nominal::Nominal;
use crate::physics::alternator::OutputCurve;
use conditions::Conditions;

/// A sheet is a short table; a larger file is something else.
const MOST_BYTES: u64 = 1 << 20;
/// Alternators run between these, and give no more than that (common practice,
/// no source): beyond it a unit or a column was mistaken.
const SPEEDS_RPM: std::ops::RangeInclusive<f64> = 300.0..=40_000.0;
const MOST_A: f64 = 1000.0;

/// What a bench says of one machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// File name without its folder.
    pub file: String,
    /// Alternator rpm and amps, by rising speed: rpm strictly rises, amps never fall.
    pub points: Vec<(f64, f64)>,
    /// Through the points; nothing is known beyond the last, nor below a first
    /// that is not 0 A: see [`OutputCurve::known_a`].
    pub curve: OutputCurve,
    /// Voltage at which it was tested, of an alternator for 12 V; see [`Sheet::tested_v`].
    pub test_v: Estimate,
    /// Temperature of the machine or its air when it was tested, °C.
    pub test_c: Estimate,
    conditions: Conditions,
    stated: Stated,
}

/// Test conditions that a person states; they overrule the sheet's own.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Stated {
    pub test_v: Option<f64>,
    pub test_c: Option<f64>,
}

/// Why a sheet cannot be used: the file, the place, what was found, what to do.
#[derive(Debug, Error)]
pub enum SheetError {
    #[error("{}: the output sheet cannot be read ({source}). Check the path and that it is a readable file.", shown(.path))]
    Unreadable { path: PathBuf, source: std::io::Error },
    #[error("{}: is not an output sheet: {seen}. An output sheet is a CSV of alternator rpm and amps, one point a line (as in 1500,35).", shown(.path))]
    NoTable { path: PathBuf, seen: String },
    #[error("{}, line {line}, column \"{column}\": found \"{found}\": {advice}.", shown(.path))]
    Wrong { path: PathBuf, line: usize, column: String, found: String, advice: String },
}

impl Sheet {
    /// Reads a sheet of whatever dialect.
    pub fn read(path: &Path, stated: Stated) -> Result<Sheet, SheetError> {
        let bytes = read_at_most(path, MOST_BYTES).map_err(|source| match source.kind() {
            ErrorKind::FileTooLarge => {
                SheetError::NoTable { path: path.to_path_buf(), seen: source.to_string() }
            }
            _ => SheetError::Unreadable { path: path.to_path_buf(), source },
        })?;
        Sheet::parse(path, bytes, stated)
    }

    /// As [`Sheet::read`], of bytes at hand; `path` only names them.
    pub fn parse(path: &Path, bytes: Vec<u8>, stated: Stated) -> Result<Sheet, SheetError> {
        let reading = Reading { path };
        if bytes.len() as u64 > MOST_BYTES {
            return Err(reading.no_table(format!("it is longer than {MOST_BYTES} bytes")));
        }
        let text = encoding::decode(&bytes)
            .map_err(|seen| reading.no_table(format!("it is not text, {seen}")))?
            .text;
        let dialect = dialect_of(&text);
        let aligned = dialect.align(&text);
        let rows = rows(&dialect, aligned.as_deref().unwrap_or(&text));
        let layout = reading.layout(&rows, dialect.decimal)?;
        let mut points = reading.points(&rows, &layout, dialect.decimal)?;
        if fastest_rpm(&points) < *SPEEDS_RPM.start() {
            // "1,500" under a header of its own is a thousand and a half.
            let other = if dialect.decimal == b',' { b'.' } else { b',' };
            if let Ok(otherwise) = reading.points(&rows, &layout, other)
                && fastest_rpm(&otherwise) >= *SPEEDS_RPM.start()
            {
                points = otherwise;
            }
        }
        let points = reading.in_order(points, &layout)?;
        let curve = OutputCurve::of_bench(&points)
            .map_err(|error| reading.no_table(format!("its points make no curve ({error})")))?;
        let remarks = text.lines().enumerate().filter(|(at, _)| !layout.lines.contains(&(at + 1)));
        let conditions = Conditions::told(remarks.map(|(_, line)| line));
        Ok(Sheet {
            file: path.file_name().map_or_else(String::new, |f| f.to_string_lossy().into_owned()),
            points,
            curve,
            test_v: conditions.test_v(stated.test_v, Nominal::V12),
            test_c: conditions.test_c(stated.test_c),
            conditions,
            stated,
        })
    }

    /// Voltage at which it was tested, of an alternator for that system.
    pub fn tested_v(&self, nominal: Nominal) -> Estimate {
        self.conditions.test_v(self.stated.test_v, nominal)
    }
}

/// A record and its line in the file, from 1.
struct SheetRow {
    line: usize,
    cells: StringRecord,
}

impl SheetRow {
    fn cell(&self, index: usize) -> &str {
        self.cells.get(index).unwrap_or("").trim()
    }

    fn is_remark(&self) -> bool {
        self.cell(0).starts_with('#')
    }

    /// Cells that hold a speed or amps, as far as their units tell.
    fn numbers(&self, decimal: u8) -> Vec<usize> {
        let is_number = |cell: &str| match number::parse_with_unit(cell, decimal) {
            Some((_, unit)) => unit.is_none_or(|unit| is_speed_unit(unit) || is_amps_unit(unit)),
            None => false,
        };
        (0..self.cells.len()).filter(|&index| is_number(self.cell(index))).collect()
    }
}

fn rows(dialect: &Dialect, text: &str) -> Vec<SheetRow> {
    let records = dialect.rows(text, usize::MAX).into_iter();
    let rows = records.map(|cells| SheetRow { line: start_of(&cells, text).1, cells });
    rows.filter(|row| !is_blank(&row.cells)).collect()
}

/// Told from the lines of bare numbers: a remark with its own commas would
/// outvote a short table.
fn dialect_of(text: &str) -> Dialect {
    let is_table = |line: &&str| {
        line.trim_start_matches(['"', ' ']).starts_with(|c: char| c.is_ascii_digit())
            && !line.contains(char::is_alphabetic)
    };
    let table = text.lines().filter(is_table).collect::<Vec<_>>().join("\n");
    dialect::sniff(if table.is_empty() { text } else { &table })
}

fn is_speed_unit(unit: Unit) -> bool {
    matches!(unit, Unit::Rpm | Unit::ThousandRpm)
}

fn is_amps_unit(unit: Unit) -> bool {
    matches!(unit, Unit::Amp | Unit::Milliamp)
}

/// One of the two columns.
#[derive(Debug, Clone)]
struct Column {
    index: usize,
    name: String,
    unit: Option<Unit>,
}

struct Layout {
    speed: Column,
    amps: Column,
    /// Index of the first row of the table.
    first: usize,
    /// Lines of the file that are points: all others are remarks.
    lines: std::collections::BTreeSet<usize>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Point {
    line: usize,
    rpm: f64,
    amps_a: f64,
}

fn fastest_rpm(points: &[Point]) -> f64 {
    points.iter().map(|p| p.rpm).fold(0.0, f64::max)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Meaning {
    Speed,
    /// Of the engine: not what a sheet counts by.
    EngineSpeed,
    Amps,
}

/// Name, unit and meaning of a header's cell.
fn heading(cell: &str) -> (String, Option<Unit>, Option<Meaning>) {
    const NOT_OUTPUT: [&str; 14] = [
        "power",
        "leistung",
        "torque",
        "moment",
        "volt",
        "spannung",
        "effic",
        "wirkungsgrad",
        "field",
        "excit",
        "erreger",
        "rotor",
        "temp",
        "watt",
    ];
    let cell = cell.trim_matches(['#', '"', ' ', '\u{feff}']);
    let (name, unit) = match Unit::parse(cell) {
        Some(unit) => (cell.to_owned(), Some(unit)),
        None => split_unit(cell),
    };
    let words = Words::of(&name);
    let is_number = number::parse(cell, b'.').is_some() || number::parse(cell, b',').is_some();
    if is_number || words.has(&NOT_OUTPUT) {
        return (name, unit, None);
    }
    // "Drehzahl 1/min" reads as a count of minutes.
    let unit = unit.filter(|unit| *unit != Unit::Minute);
    let speed = match unit {
        Some(unit) => is_speed_unit(unit),
        None => words.has(say::RPM) || words.has(say::SPEED) || words.has(&["=n"]),
    };
    let amps = match unit {
        Some(unit) => is_amps_unit(unit),
        None => words.has(say::CURRENT) || words.has(&["=a", "output", "abgabe"]),
    };
    let engine = words.has(say::ENGINE) && !words.has(say::ALTERNATOR);
    let meaning = match (speed, amps) {
        (true, _) if engine => Some(Meaning::EngineSpeed),
        (true, _) => Some(Meaning::Speed),
        (false, true) => Some(Meaning::Amps),
        (false, false) => None,
    };
    (name, unit, meaning)
}

struct Reading<'a> {
    path: &'a Path,
}

impl Reading<'_> {
    fn no_table(&self, seen: String) -> SheetError {
        SheetError::NoTable { path: self.path.to_path_buf(), seen }
    }

    fn wrong(
        &self,
        line: usize,
        column: &str,
        found: &str,
        advice: impl Into<String>,
    ) -> SheetError {
        SheetError::Wrong {
            path: self.path.to_path_buf(),
            line,
            column: clip(column),
            found: clip(found),
            advice: advice.into(),
        }
    }

    fn layout(&self, rows: &[SheetRow], decimal: u8) -> Result<Layout, SheetError> {
        let first = rows
            .iter()
            .position(|row| !row.is_remark() && row.numbers(decimal).len() >= 2)
            .ok_or_else(|| self.no_table("no line holds two numbers".to_owned()))?;
        let named = self.named(rows.get(..first).unwrap_or(&[]))?;
        let (speed, amps) = match named {
            Some(columns) => columns,
            None => self.unnamed(rows.get(first..).unwrap_or(&[]), decimal)?,
        };
        let table = rows.iter().skip(first).filter(|row| !row.is_remark());
        let lines = table.map(|row| row.line).collect();
        Ok(Layout { speed, amps, first, lines })
    }

    /// The columns by their names: the last line above the numbers that names both.
    fn named(&self, above: &[SheetRow]) -> Result<Option<(Column, Column)>, SheetError> {
        for (at, row) in above.iter().enumerate().rev() {
            let headings: Vec<_> = row.cells.iter().map(heading).collect();
            // A row of units may stand between the names and the numbers.
            let units = above.get(at + 1).filter(|row| !row.is_remark());
            let column = |index: usize, name: &str, unit: Option<Unit>| Column {
                index,
                name: name.to_owned(),
                unit: units.and_then(|row| Unit::parse(row.cell(index))).or(unit),
            };
            let with = |wanted: Meaning| -> Vec<Column> {
                let all = headings.iter().enumerate();
                let found = all.filter(|(_, (_, _, meaning))| *meaning == Some(wanted));
                found.map(|(index, (name, unit, _))| column(index, name, *unit)).collect()
            };
            let (speeds, amps) = (with(Meaning::Speed), with(Meaning::Amps));
            let engine = with(Meaning::EngineSpeed);
            match (speeds.as_slice(), engine.as_slice(), amps.as_slice()) {
                ([], [], _) | (_, _, []) => continue,
                ([speed], _, [amps]) => return Ok(Some((speed.clone(), amps.clone()))),
                ([], [engine, ..], _) => {
                    let advice = "a sheet counts by alternator speed: multiply by the pulley ratio and name the column alternator rpm";
                    return Err(self.wrong(row.line, &engine.name, &engine.name, advice));
                }
                ([one, other, ..], _, _) | (_, _, [one, other, ..]) => {
                    let advice = format!(
                        "\"{}\" could be meant too: keep one column of speeds and one of amps",
                        clip(&one.name)
                    );
                    return Err(self.wrong(row.line, &other.name, &other.name, advice));
                }
            }
        }
        Ok(None)
    }

    /// Two columns without names: speeds are the larger numbers.
    fn unnamed(&self, table: &[SheetRow], decimal: u8) -> Result<(Column, Column), SheetError> {
        let columns = table.first().map(|row| row.numbers(decimal)).unwrap_or_default();
        let [one, other] = columns.as_slice() else {
            let seen = format!(
                "{} columns of numbers, and no header names the speeds and the amps; if commas stand inside numbers, put semicolons between cells",
                columns.len()
            );
            return Err(self.no_table(seen));
        };
        let largest = |index: usize| {
            let values = table.iter().filter_map(|row| number::parse(row.cell(index), decimal));
            values.fold(0.0, f64::max)
        };
        let column = |index: usize| Column { index, name: format!("{}", index + 1), unit: None };
        let (one, other) = (column(*one), column(*other));
        Ok(if largest(one.index) >= largest(other.index) { (one, other) } else { (other, one) })
    }

    fn points(
        &self,
        rows: &[SheetRow],
        layout: &Layout,
        decimal: u8,
    ) -> Result<Vec<Point>, SheetError> {
        let table = rows.iter().skip(layout.first).filter(|row| !row.is_remark());
        let point = |row: &SheetRow| {
            Ok(Point {
                line: row.line,
                rpm: self.value(row, &layout.speed, decimal, is_speed_unit)?,
                amps_a: self.value(row, &layout.amps, decimal, is_amps_unit)?,
            })
        };
        table.map(point).collect()
    }

    fn value(
        &self,
        row: &SheetRow,
        column: &Column,
        decimal: u8,
        fits: fn(Unit) -> bool,
    ) -> Result<f64, SheetError> {
        let cell = row.cell(column.index);
        let wrong = |advice: &str| self.wrong(row.line, &column.name, cell, advice);
        let (value, unit) = number::parse_with_unit(cell, decimal).ok_or_else(|| {
            wrong("a number belongs here; begin the line with # if it is a remark, or take it out")
        })?;
        let unit = match unit.or(column.unit) {
            Some(unit) if !fits(unit) => {
                return Err(wrong(
                    "its unit does not fit the column; give speeds in rpm and output in A",
                ));
            }
            unit => unit,
        };
        let value = unit.map_or(value, |unit| unit.to_canonical().apply(value));
        match value {
            value if value.is_finite() && value >= 0.0 => Ok(value),
            _ => Err(wrong("a speed or an output below 0 is none; take the line out")),
        }
    }

    /// By rising speed, each speed once, amps never falling.
    fn in_order(
        &self,
        mut points: Vec<Point>,
        layout: &Layout,
    ) -> Result<Vec<(f64, f64)>, SheetError> {
        let (speed, amps) = (&layout.speed.name, &layout.amps.name);
        points.sort_by(|a, b| a.rpm.total_cmp(&b.rpm).then(a.line.cmp(&b.line)));
        let (Some(slowest), Some(fastest)) = (points.first(), points.last()) else {
            return Err(self.no_table("it holds no point".to_owned()));
        };
        if points.len() < 2 {
            let advice = "one point is not a curve; give at least two speeds";
            return Err(self.wrong(slowest.line, speed, &slowest.rpm.to_string(), advice));
        }
        if !SPEEDS_RPM.contains(&fastest.rpm) {
            let advice = "no alternator runs at this as its highest speed; give rpm, or write rpm x1000 over a column of thousands";
            return Err(self.wrong(fastest.line, speed, &fastest.rpm.to_string(), advice));
        }
        for pair in points.windows(2) {
            let [slower, faster] = pair else { continue };
            if faster.rpm <= slower.rpm {
                let advice =
                    format!("the speed of line {} again; keep one of the two", slower.line);
                return Err(self.wrong(faster.line, speed, &faster.rpm.to_string(), advice));
            }
            if faster.amps_a < slower.amps_a {
                let advice = format!(
                    "less than the {} A of line {} at a lower speed, and output does not fall with speed; mend or take out one of the two",
                    slower.amps_a, slower.line
                );
                return Err(self.wrong(faster.line, amps, &faster.amps_a.to_string(), advice));
            }
        }
        if !(fastest.amps_a > 0.0 && fastest.amps_a <= MOST_A) {
            let advice = "no alternator's full output; give amps";
            return Err(self.wrong(fastest.line, amps, &fastest.amps_a.to_string(), advice));
        }
        Ok(points.iter().map(|p| (p.rpm, p.amps_a)).collect())
    }
}
