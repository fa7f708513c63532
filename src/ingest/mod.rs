//! Bytes to [`Log`], with an account of all that was skipped.
//!
//! Dialect and roles are decided on a sample; then only the columns that hold
//! a role are read, and cleaned into one time axis.

mod account;
mod axis;
mod body;
mod canonical;
mod clean;
mod clock;
mod current;
mod curve;
mod dialect;
mod encoding;
mod error;
mod fill;
mod frozen;
mod ground;
mod guess;
mod header;
mod levels;
mod load;
mod long;
mod marks;
mod named;
mod number;
mod pieces;
mod polarity;
mod polled;
mod preview;
mod profile;
mod request;
mod roles;
mod sample;
mod sentinel;
mod stamp;
mod supply;
mod table;
mod taps;
mod units;
mod vocabulary;
mod wrapped;

use std::path::Path;
use std::thread;

use polars::prelude::{Column as FrameColumn, DataFrame, Float64Chunked, IntoSeries};
use sha2::{Digest, Sha256};

pub use curve::{Sheet, SheetError, Stated};
pub use error::IngestError;
pub use marks::read_file as read_marks;
pub use named::nearest;
pub use preview::{ColumnPreview, preview};
pub use profile::Words;
pub use request::{
    Mark, MarkTime, ReadOptions, RequestError, RoleRequest, role_from_word, word_of,
};

use crate::log::{Column, Log, Note, Role, Source, Span};
use crate::parallel::shared_mut;
use crate::stats::find_indices;
use crate::stats::resolution::quantization_step;
use crate::stats::robust;
use account::Account;
use axis::{Axis, Rows};
use body::Decided;
use header::Heading;
use load::load;
use roles::Assigned;
use table::{Body, Wanted};
use units::Unit;

/// Rows under this tell nothing.
const FEWEST_ROWS: usize = 10;
/// No car is logged for longer at a stretch: beyond it, the unit of the time was mistaken.
const MOST_DAYS: f64 = 31.0;

/// Reads a log of whatever dialect into canonical form.
pub fn read(path: &Path, options: &ReadOptions) -> Result<Log, IngestError> {
    read_by(path, options, false)
}

/// As [`read`], but always by the route that looks at each cell. The result is
/// the same; this is for checking that it is.
pub fn read_carefully(path: &Path, options: &ReadOptions) -> Result<Log, IngestError> {
    read_by(path, options, true)
}

/// As [`read`], of bytes at hand; `path` only names them.
pub fn parse(path: &Path, bytes: Vec<u8>, options: &ReadOptions) -> Result<Log, IngestError> {
    parse_by(path, bytes, options, false)
}

fn read_by(path: &Path, options: &ReadOptions, careful_only: bool) -> Result<Log, IngestError> {
    if !careful_only && let Some((read, sha256)) = pieces::read(path, options) {
        return log_of(path, read, sha256, options);
    }
    parse_by(path, load(path)?, options, careful_only)
}

fn parse_by(
    path: &Path,
    bytes: Vec<u8>,
    options: &ReadOptions,
    careful_only: bool,
) -> Result<Log, IngestError> {
    // The hash needs a core for as long as the reading needs the other.
    let (read, sha256) = thread::scope(|scope| {
        let hash = scope.spawn(|| hex(&Sha256::digest(&bytes)));
        let read = body::read(path, &bytes, options, careful_only);
        (read, hash.join())
    });
    let read = read?;
    let sha256 = sha256.unwrap_or_else(|_| hex(&Sha256::digest(&bytes)));
    drop(bytes);
    log_of(path, read, sha256, options)
}

fn log_of(
    path: &Path,
    read: body::Read,
    sha256: String,
    options: &ReadOptions,
) -> Result<Log, IngestError> {
    let body::Read { encoding, decided, mut body, mut account } = read;
    let Decided {
        dialect,
        layout,
        facts,
        clock,
        mut assigned,
        bus,
        nominal,
        nominal_how,
        wanted,
        mut notices,
    } = decided;
    let raw_start = body.time.iter().copied().find(|t| t.is_finite());
    body::refuse_stuck_clock(path, &layout, &clock, &body)?;
    canonical::time(&mut body, &clock, &mut notices);
    canonical::without_codes(&mut body, &wanted, &facts, &layout, &mut account, &mut notices);
    canonical::unwrapped(&mut body, &wanted, &assigned, &layout, &mut notices);
    canonical::values(&mut body, &wanted, &assigned, &facts, &layout, &mut account);

    let bus_role = Role::Voltage(bus);
    let bus_at = assigned.iter().position(|column| column.role == bus_role);
    let is_bus = |index: usize| Some(index) == bus_at;
    let mut slow: Vec<&mut Vec<f64>> = wanted
        .values
        .iter()
        .zip(body.values.iter_mut().zip(&body.extents))
        .filter(|(index, (_, extent))| extent.gaps && !is_bus(**index))
        .map(|(_, (values, _))| values)
        .collect();
    shared_mut(&mut slow, 1, |_, part| {
        part.iter_mut().for_each(|values| fill::hold(&body.time, values));
    });
    let polled = poll_rounds(&mut body, &wanted, &assigned, bus_role, &mut notices);
    frozen::settle(path, &mut body, &wanted, &mut assigned, &layout, bus_role, &mut notices)?;
    polarity::settle(&mut body, &wanted, &assigned, &layout, bus_role, &mut notices);
    let first_stamp_s = body.time.iter().copied().find(|t| t.is_finite());
    let time = std::mem::take(&mut body.time);
    let mut axis =
        time_axis(time, &body, &wanted, &assigned, bus_role, polled.as_deref(), &mut account);
    notices.append(&mut axis.notices);
    if axis.rows.len() < FEWEST_ROWS {
        return Err(IngestError::TooFewRows {
            path: path.to_path_buf(),
            rows: axis.rows.len(),
            skipped: account.sentence(),
        });
    }

    let duration_s = axis.time_s.last().copied().unwrap_or(0.0);
    let days = duration_s / 86_400.0;
    if days > MOST_DAYS {
        return Err(IngestError::TooManyDays {
            path: path.to_path_buf(),
            clock: clock.label,
            days,
            most: MOST_DAYS,
        });
    }

    let mut columns = describe(&layout.headings, &assigned);
    let log_notes = notes(&body, &axis);
    let (interval_s, jitter_s, gaps) = pace(&axis.time_s);
    let of_file = body.wall.or_else(|| clock.wall(raw_start?));
    let late = chrono::TimeDelta::microseconds((axis.late_s * 1e6).round() as i64);
    let started_at = of_file.and_then(|wall| wall.checked_add_signed(late));
    let start = marks::Start {
        wall: started_at,
        clock_s: clock.period_s.and_then(|_| Some(first_stamp_s? + axis.late_s)),
    };
    let time_s = std::mem::take(&mut axis.time_s);
    let mut frame_columns = vec![frame_column("time_s", time_s)];
    let mut resolution_v = None;
    let mut battery_current = None;
    for (&index, values) in wanted.values.iter().zip(std::mem::take(&mut body.values)) {
        let (Some(column), Some(heading)) = (assigned.get(index), layout.headings.get(index))
        else {
            continue;
        };
        if column.role == Role::Ignored {
            continue;
        }
        let mut values = gather(values, &axis);
        match column.role {
            role if role == bus_role => resolution_v = quantization_step(&values),
            Role::BatteryCurrent => {
                battery_current = Some((index, values));
                continue;
            }
            Role::AlternatorCurrent => {
                current::settle_output(&heading.name, &mut values, &mut notices);
            }
            Role::Load => note_constant_load(&heading.name, &values, &mut notices),
            _ => {}
        }
        let key = match column.role {
            Role::Load => Log::load_key(&heading.name),
            role => role.key(),
        };
        frame_columns.push(frame_column(&key, values));
    }
    if let Some((index, mut values)) = battery_current {
        let name = layout.headings.get(index).map_or("", |heading| heading.name.as_str());
        let bus_v = frame_columns
            .iter()
            .find(|column| column.name().as_str() == bus_role.key())
            .and_then(|column| column.f64().ok()?.cont_slice().ok())
            .unwrap_or(&[]);
        let why = current::settle_sign(name, bus_v, &mut values, nominal, &mut notices);
        if let Some(column) = columns.get_mut(index) {
            column.why = format!("{}; {why}", column.why);
        }
        frame_columns.push(frame_column(&Role::BatteryCurrent.key(), values));
    }
    let of_log = marks::OfLog { path, start, duration_s, resolution_v, bus: bus_role };
    let marked = marks::apply(&of_log, options, &mut frame_columns, &mut notices)?;
    columns.extend(marked.added.into_iter().map(|name| Column {
        name,
        role: Role::Load.word().into(),
        tap: None,
        unit: None,
        why: "marked by hand".into(),
    }));
    let table_error = |source| IngestError::Table { path: path.to_path_buf(), source };
    let frame = DataFrame::new_infer_height(frame_columns).map_err(table_error)?;

    let named = |index: usize| layout.headings.get(index).map(|heading| heading.name.clone());
    let source = Source {
        file: path.file_name().map_or(String::new(), |name| name.to_string_lossy().into_owned()),
        sha256,
        encoding: encoding.to_owned(),
        separator: dialect.word().to_owned(),
        decimal: char::from(dialect.decimal),
        header_line: layout.header_line,
        clock: clock.label.to_owned(),
        clock_columns: clock.columns().iter().filter_map(|&i| named(i)).collect(),
        clock_candidates: clock.candidates,
        nominal_v: nominal,
        nominal_how,
        started_at,
        rows_read: axis.rows.len(),
        rows_skipped: account.skipped,
        bad_cells: account.bad_cells,
        bad_cells_first: account.bad_cells_first,
        duration_s,
        sample_interval_s: interval_s,
        jitter_s,
        resolution_v,
        gaps,
        notices,
    };
    let mut log = Log::new(source, columns, log_notes, bus, frame).map_err(table_error)?;
    log.marks = marked.marks;
    Ok(log)
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The rows in which the voltage was measured, of a logger that polls its channels in turn.
fn poll_rounds(
    body: &mut Body,
    wanted: &Wanted,
    assigned: &[Assigned],
    bus: Role,
    notices: &mut Vec<String>,
) -> Option<Vec<usize>> {
    let roles: Vec<Role> = wanted
        .values
        .iter()
        .map(|index| assigned.get(*index).map_or(Role::Ignored, |column| column.role))
        .collect();
    let bus = roles.iter().position(|role| *role == bus)?;
    let rounds = polled::settle(&mut body.values, &roles, bus)?;
    notices.push(format!(
        "the logger reads its channels in turn and repeats the others: the voltage is new in one row of about {:.1}. Only those rows count as samples; the other channels are interpolated to them",
        rounds.rows_each
    ));
    Some(rounds.voltage_rows)
}

fn time_axis(
    time: Vec<f64>,
    body: &Body,
    wanted: &Wanted,
    assigned: &[Assigned],
    bus: Role,
    polled: Option<&[usize]>,
    account: &mut Account,
) -> Axis {
    let (bus_v, gaps) = wanted
        .values
        .iter()
        .zip(body.values.iter().zip(&body.extents))
        .find(|(index, _)| assigned.get(**index).is_some_and(|column| column.role == bus))
        .map_or((&[][..], false), |(_, (values, extent))| (values.as_slice(), extent.gaps));
    let held = |role: Role| {
        let holds = |index: &usize| assigned.get(*index).is_some_and(|column| column.role == role);
        Some(body.values.get(wanted.values.iter().position(holds)?)?.as_slice())
    };
    let unpowered = supply::unpowered(&time, bus_v, held(Role::EngineRpm));
    for span in &unpowered {
        account.skip(account::SUPPLY_OFF, span.len(), body.lines.of(span.start));
    }
    let is_off = |row: usize| {
        let next = unpowered.partition_point(|span| span.end <= row);
        unpowered.get(next).is_some_and(|span| span.contains(&row))
    };
    if let Some(rows) = polled {
        let first = (0..).zip(rows).find(|(k, row)| k != *row).map_or(rows.len(), |(k, _)| k);
        let off: usize = unpowered.iter().map(|span| span.len()).sum();
        let powered: Vec<usize> = rows.iter().copied().filter(|&row| !is_off(row)).collect();
        let repeated = (bus_v.len() - off).saturating_sub(powered.len());
        account.skip(account::NOT_READ_ANEW, repeated, body.lines.of(first));
        let is_known = |row: &usize| bus_v.get(*row).is_some_and(|v| !v.is_nan());
        let (known, lost): (Vec<usize>, Vec<usize>) = powered.into_iter().partition(is_known);
        let first = lost.first().map_or(0, |row| body.lines.of(*row));
        account.skip(account::NO_VOLTAGE, lost.len(), first);
        return axis::clean(time, Rows::Listed(known), &body.lines, account);
    }
    if !gaps && unpowered.is_empty() {
        return axis::clean(time, Rows::All(bus_v.len()), &body.lines, account);
    }
    let mut rows = Vec::with_capacity(bus_v.len());
    for (row, value) in bus_v.iter().enumerate() {
        if is_off(row) {
            continue;
        }
        if value.is_nan() {
            account.skip(account::NO_VOLTAGE, 1, body.lines.of(row));
        } else {
            rows.push(row);
        }
    }
    axis::clean(time, Rows::Listed(rows), &body.lines, account)
}

/// Takes the values over; `Column::new` would copy them.
fn frame_column(key: &str, values: Vec<f64>) -> FrameColumn {
    Float64Chunked::from_vec(key.into(), values).into_series().into()
}

fn gather(values: Vec<f64>, axis: &Axis) -> Vec<f64> {
    match &axis.rows {
        Rows::Listed(rows) if rows.len() != values.len() => {
            rows.iter().map(|&row| values.get(row).copied().unwrap_or(f64::NAN)).collect()
        }
        _ => values,
    }
}

fn note_constant_load(name: &str, values: &[f64], notices: &mut Vec<String>) {
    let mut known = values.iter().copied().filter(|value| !value.is_nan());
    if let Some(first) = known.next()
        && known.all(|value| value == first)
    {
        notices.push(format!(
            "the load \"{}\" stays at {:.0} % throughout",
            error::clip(name),
            100.0 * first
        ));
    }
}

fn describe(headings: &[Heading], assigned: &[Assigned]) -> Vec<Column> {
    headings
        .iter()
        .zip(assigned)
        .map(|(heading, column)| Column {
            name: heading.name.clone(),
            role: column.role.word().to_owned(),
            tap: match column.role {
                Role::Voltage(tap) => Some(tap.word().to_owned()),
                Role::Temperature(place) => Some(place.word().to_owned()),
                _ => None,
            },
            unit: column
                .unit
                .filter(|unit| *unit != Unit::Other)
                .map(|unit| unit.word().to_owned()),
            why: column.why.clone(),
        })
        .collect()
}

fn notes(body: &Body, axis: &Axis) -> Vec<Note> {
    body.notes
        .iter()
        .filter_map(|(row, text)| {
            // A note on a row that was left out belongs to the next that stayed.
            let at = axis.rows.before(*row);
            let at = at.min(axis.rows.len().saturating_sub(1));
            Some(Note { at_s: *axis.time_s.get(at)?, text: text.clone() })
        })
        .collect()
}

/// Median interval, its jitter, and the stretches without samples.
fn pace(time_s: &[f64]) -> (f64, f64, Vec<Span>) {
    let (middle_s, scatter_s) = robust::median_and_sigma_of_steps(time_s);
    let interval_s = axis::to_nanoseconds(middle_s);
    let jitter_s = axis::to_nanoseconds(scatter_s);
    // Five intervals missing are a gap, unless the clock is as uneven as that anyway.
    let limit_s = 5.0 * interval_s + 6.0 * jitter_s;
    let gap = |k: usize| time_s.get(k..k + 2).map(span_of);
    let gaps =
        find_indices::of_neighbors(time_s, |a, b| b - a > limit_s).into_iter().filter_map(gap);
    (interval_s, jitter_s, gaps.collect())
}

fn span_of(pair: &[f64]) -> Span {
    match pair {
        [start_s, end_s] => Span { start_s: *start_s, end_s: *end_s },
        _ => Span { start_s: 0.0, end_s: 0.0 },
    }
}
