//! Reads an alternator's output sheet, as a test bench prints it: a CSV of alternator speed (rpm)
//! and output (A), in any supported dialect.

mod conditions;

use std::io::ErrorKind;
use std::path::Path;

use csv::StringRecord;

use super::dialect::{self, Dialect};
use super::encoding;
use super::error::{IngestError, Problem, clip};
use super::header::{is_blank, split_unit, start_of};
use super::number;
use super::profile::Words;
use super::units::Unit;
use super::vocabulary as vocab;
use crate::estimate::Estimate;
use crate::files::read_at_most;
use crate::nominal::Nominal;
use crate::physics::alternator::OutputCurve;
use conditions::Conditions;

/// An output sheet is short; a larger file is something else.
const MOST_BYTES: u64 = 1 << 20;
/// Plausible highest speeds, and the highest plausible output (common practice, no source).
/// Outside of these a unit or a column was mistaken.
const SPEEDS_RPM: std::ops::RangeInclusive<f64> = 300.0..=40_000.0;
const MOST_A: f64 = 1000.0;

/// The output sheet of one alternator.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// File name without its folder.
    pub file: String,
    /// Alternator rpm and amps, by rising speed: rpm strictly rises, amps never fall.
    pub points: Vec<(f64, f64)>,
    /// Curve through the points. It is unknown beyond the last point, and below a first point
    /// that is not at 0 A: see [`OutputCurve::known_a`].
    pub curve: OutputCurve,
    /// Test voltage, for a 12 V alternator; see [`Sheet::tested_v`].
    pub test_v: Estimate,
    /// Temperature of the alternator or its air during the test, °C.
    pub test_c: Estimate,
    conditions: Conditions,
    stated: Stated,
}

/// Test conditions that the user states. They overrule those on the sheet.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Stated {
    pub test_v: Option<f64>,
    pub test_c: Option<f64>,
}

impl Sheet {
    /// Reads a sheet in any supported dialect.
    pub fn read(path: &Path, stated: Stated) -> Result<Sheet, IngestError> {
        let bytes = read_at_most(path, MOST_BYTES).map_err(|source| {
            let problem = match source.kind() {
                ErrorKind::FileTooLarge => no_sheet(source.to_string()),
                _ => Problem::UnreadableSheet { source },
            };
            IngestError::new(path, problem)
        })?;
        Sheet::parse(path, bytes, stated)
    }

    /// Same as [`Sheet::read`], for bytes in memory. `path` is only the name of the sheet.
    pub fn parse(path: &Path, bytes: Vec<u8>, stated: Stated) -> Result<Sheet, IngestError> {
        let file = path.file_name().map_or_else(String::new, |f| f.to_string_lossy().into_owned());
        Sheet::of(file, &bytes, stated).map_err(|problem| IngestError::new(path, problem))
    }

    fn of(file: String, bytes: &[u8], stated: Stated) -> Result<Sheet, Problem> {
        if bytes.len() as u64 > MOST_BYTES {
            return Err(no_sheet(format!("it is longer than {MOST_BYTES} bytes")));
        }
        let text = encoding::decode(bytes)
            .map_err(|seen| no_sheet(format!("it is not text, {seen}")))?
            .text;
        let dialect = dialect_of(&text);
        let aligned = dialect.align(&text);
        let rows = rows(&dialect, aligned.as_deref().unwrap_or(&text));
        let layout = layout(&rows, dialect.decimal)?;
        let mut found = points(&rows, &layout, dialect.decimal)?;
        if fastest_rpm(&found) < *SPEEDS_RPM.start() {
            // "1,500" alone in a column may be 1500.
            let other = if dialect.decimal == b',' { b'.' } else { b',' };
            if let Ok(otherwise) = points(&rows, &layout, other)
                && fastest_rpm(&otherwise) >= *SPEEDS_RPM.start()
            {
                found = otherwise;
            }
        }
        let points = in_order(found, &layout)?;
        let curve = OutputCurve::of_bench(&points)
            .map_err(|error| no_sheet(format!("its points make no curve ({error})")))?;
        let remarks = text.lines().enumerate().filter(|(at, _)| !layout.lines.contains(&(at + 1)));
        let conditions = Conditions::find(remarks.map(|(_, line)| line));
        let (test_v, test_c) =
            (conditions.test_v(stated.test_v, Nominal::V12), conditions.test_c(stated.test_c));
        Ok(Sheet { file, points, curve, test_v, test_c, conditions, stated })
    }

    /// Test voltage, for an alternator of that system.
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

    /// Cells that hold a speed or a current, judging by their units.
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

/// Determines the dialect from the lines of bare numbers: commas in remarks would outnumber those
/// of a short table.
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
    /// Speed of the engine, which an output sheet does not use.
    EngineSpeed,
    Amps,
}

/// Name, unit and meaning of a header cell.
fn heading(cell: &str) -> (String, Option<Unit>, Option<Meaning>) {
    const NOT_OUTPUT: &str = "power, leistung, torque, moment, volt, spannung, effic, \
        wirkungsgrad, field, excit, erreger, rotor, temp, watt";
    let cell = cell.trim_matches(['#', '"', ' ', '\u{feff}']);
    let (name, unit) = match Unit::parse(cell) {
        Some(unit) => (cell.to_owned(), Some(unit)),
        None => split_unit(cell),
    };
    let words = Words::of(&name);
    let is_number = number::parse(cell, b'.').is_some() || number::parse(cell, b',').is_some();
    if is_number || words.has(NOT_OUTPUT) {
        return (name, unit, None);
    }
    // "Drehzahl 1/min" is not in minutes.
    let unit = unit.filter(|unit| *unit != Unit::Minute);
    let speed = match unit {
        Some(unit) => is_speed_unit(unit),
        None => words.has(vocab::RPM) || words.has(vocab::SPEED) || words.has("=n"),
    };
    let amps = match unit {
        Some(unit) => is_amps_unit(unit),
        None => words.has(vocab::CURRENT) || words.has("=a, output, abgabe"),
    };
    let engine = words.has(vocab::ENGINE) && !words.has(vocab::ALTERNATOR);
    let meaning = match (speed, amps) {
        (true, _) if engine => Some(Meaning::EngineSpeed),
        (true, _) => Some(Meaning::Speed),
        (false, true) => Some(Meaning::Amps),
        (false, false) => None,
    };
    (name, unit, meaning)
}

fn no_sheet(seen: String) -> Problem {
    Problem::NoSheet { seen }
}

fn wrong(line: usize, column: &str, found: &str, advice: impl Into<String>) -> Problem {
    Problem::SheetCell { line, column: clip(column), found: clip(found), advice: advice.into() }
}

fn layout(rows: &[SheetRow], decimal: u8) -> Result<Layout, Problem> {
    let first = rows
        .iter()
        .position(|row| !row.is_remark() && row.numbers(decimal).len() >= 2)
        .ok_or_else(|| no_sheet("no line contains two numbers".to_owned()))?;
    let named = named(rows.get(..first).unwrap_or(&[]))?;
    let (speed, amps) = match named {
        Some(columns) => columns,
        None => unnamed(rows.get(first..).unwrap_or(&[]), decimal)?,
    };
    let table = rows.iter().skip(first).filter(|row| !row.is_remark());
    let lines = table.map(|row| row.line).collect();
    Ok(Layout { speed, amps, first, lines })
}

/// Finds the columns by name, in the last line above the numbers that names both.
fn named(above: &[SheetRow]) -> Result<Option<(Column, Column)>, Problem> {
    for (at, row) in above.iter().enumerate().rev() {
        let headings: Vec<_> = row.cells.iter().map(heading).collect();
        // A row of units may come between the names and the numbers.
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
                let advice = "an output sheet needs alternator speed: multiply by the pulley ratio and name the column alternator rpm";
                return Err(wrong(row.line, &engine.name, &engine.name, advice));
            }
            ([one, other, ..], _, _) | (_, _, [one, other, ..]) => {
                let advice = format!(
                    "\"{}\" could also be meant; keep one column of speeds and one of amps",
                    clip(&one.name)
                );
                return Err(wrong(row.line, &other.name, &other.name, advice));
            }
        }
    }
    Ok(None)
}

/// Two columns without names: the speeds are the larger numbers.
fn unnamed(table: &[SheetRow], decimal: u8) -> Result<(Column, Column), Problem> {
    let columns = table.first().map(|row| row.numbers(decimal)).unwrap_or_default();
    let [one, other] = columns.as_slice() else {
        let seen = format!(
            "{} columns of numbers, and no header names the speeds and the amps; if numbers contain commas, separate cells with semicolons",
            columns.len()
        );
        return Err(no_sheet(seen));
    };
    let largest = |index: usize| {
        let values = table.iter().filter_map(|row| number::parse(row.cell(index), decimal));
        values.fold(0.0, f64::max)
    };
    let column = |index: usize| Column { index, name: format!("{}", index + 1), unit: None };
    let (one, other) = (column(*one), column(*other));
    Ok(if largest(one.index) >= largest(other.index) { (one, other) } else { (other, one) })
}

fn points(rows: &[SheetRow], layout: &Layout, decimal: u8) -> Result<Vec<Point>, Problem> {
    let table = rows.iter().skip(layout.first).filter(|row| !row.is_remark());
    let point = |row: &SheetRow| {
        Ok(Point {
            line: row.line,
            rpm: value(row, &layout.speed, decimal, is_speed_unit)?,
            amps_a: value(row, &layout.amps, decimal, is_amps_unit)?,
        })
    };
    table.map(point).collect()
}

fn value(
    row: &SheetRow,
    column: &Column,
    decimal: u8,
    fits: fn(Unit) -> bool,
) -> Result<f64, Problem> {
    let cell = row.cell(column.index);
    let misread = |advice: &str| wrong(row.line, &column.name, cell, advice);
    let (value, unit) = number::parse_with_unit(cell, decimal).ok_or_else(|| {
        misread("a number is expected here; start the line with # if it is a remark, or delete it")
    })?;
    let unit = match unit.or(column.unit) {
        Some(unit) if !fits(unit) => {
            return Err(misread(
                "its unit does not fit the column; give speeds in rpm and output in A",
            ));
        }
        unit => unit,
    };
    let value = unit.map_or(value, |unit| unit.to_canonical().apply(value));
    match value {
        value if value.is_finite() && value >= 0.0 => Ok(value),
        _ => Err(misread("a speed or an output cannot be below 0; delete the line")),
    }
}

/// Sorts by speed, and checks that no speed occurs twice and that output never falls.
fn in_order(mut points: Vec<Point>, layout: &Layout) -> Result<Vec<(f64, f64)>, Problem> {
    let (speed, amps) = (&layout.speed.name, &layout.amps.name);
    points.sort_by(|a, b| a.rpm.total_cmp(&b.rpm).then(a.line.cmp(&b.line)));
    let (Some(slowest), Some(fastest)) = (points.first(), points.last()) else {
        return Err(no_sheet("it has no points".to_owned()));
    };
    if points.len() < 2 {
        let advice = "one point is not a curve; give at least two speeds";
        return Err(wrong(slowest.line, speed, &slowest.rpm.to_string(), advice));
    }
    if !SPEEDS_RPM.contains(&fastest.rpm) {
        let advice = "this is not plausible as the highest speed of an alternator; give rpm, or write rpm x1000 over a column of thousands";
        return Err(wrong(fastest.line, speed, &fastest.rpm.to_string(), advice));
    }
    for pair in points.windows(2) {
        let [slower, faster] = pair else { continue };
        if faster.rpm <= slower.rpm {
            let advice = format!("the same speed as in line {}; keep one of the two", slower.line);
            return Err(wrong(faster.line, speed, &faster.rpm.to_string(), advice));
        }
        if faster.amps_a < slower.amps_a {
            let advice = format!(
                "less than the {} A of line {} at a lower speed, and output does not fall with speed; correct or delete one of the two",
                slower.amps_a, slower.line
            );
            return Err(wrong(faster.line, amps, &faster.amps_a.to_string(), advice));
        }
    }
    if !(fastest.amps_a > 0.0 && fastest.amps_a <= MOST_A) {
        let advice = "this is not plausible as the full output of an alternator; give amps";
        return Err(wrong(fastest.line, amps, &fastest.amps_a.to_string(), advice));
    }
    Ok(points.iter().map(|p| (p.rpm, p.amps_a)).collect())
}
