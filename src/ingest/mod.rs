//! Reads the bytes of a log file into a [`Log`]: seconds from the first sample, volts, amps, rpm,
//! °C and load duty from 0 to 1, with an account of everything that was skipped.
//!
//! Dialect and column roles are decided on a sample of the file. Then only the columns that
//! hold a role are read and cleaned.

mod account;
mod axis;
mod body;
mod canonical;
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
mod plain_rows;
mod polarity;
mod polled;
mod preview;
mod profile;
mod rank;
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

use polars::prelude::{Column as FrameColumn, DataFrame, Float64Chunked, IntoSeries};
use sha2::{Digest, Sha256};

pub use curve::{Sheet, Stated};
pub use error::{IngestError, Problem};
pub use marks::read_file as read_marks;
pub use named::nearest;
pub use preview::{ColumnPreview, preview};
pub use profile::Words;
pub use request::{
    Mark, MarkTime, ReadOptions, RequestError, RoleRequest, role_from_word, word_of,
};

use crate::log::{Column, Log, Note, Role, Source, Span};
use crate::parallel::both;
use crate::stats::find_indices;
use crate::stats::resolution::quantization_step;
use crate::stats::robust;
use account::Account;
use axis::{Axis, Rows};
use body::Interpretation;
use header::Heading;
use load::load;
use roles::Assigned;
use table::Body;
use units::Unit;

/// A log with fewer rows is refused.
const FEWEST_ROWS: usize = 10;
/// A longer log than this has a time column in another unit.
const MOST_DAYS: f64 = 31.0;

/// Reads a log of any supported dialect.
pub fn read(path: &Path, options: &ReadOptions) -> Result<Log, IngestError> {
    read_by(path, options, false)
}

/// Same as [`read`], but always cell by cell. The result is the same; tests check that it is.
pub fn read_carefully(path: &Path, options: &ReadOptions) -> Result<Log, IngestError> {
    read_by(path, options, true)
}

/// Same as [`read`], for bytes in memory. `path` is only the name of the log.
pub fn parse(path: &Path, bytes: Vec<u8>, options: &ReadOptions) -> Result<Log, IngestError> {
    parse_by(path, bytes, options, false)
}

fn read_by(path: &Path, options: &ReadOptions, careful_only: bool) -> Result<Log, IngestError> {
    if !careful_only && let Some((read, sha256)) = pieces::read(path, options) {
        return log_of(path, read, sha256, options);
    }
    let bytes = load(path).map_err(|problem| IngestError::new(path, problem))?;
    parse_by(path, bytes, options, careful_only)
}

fn parse_by(
    path: &Path,
    bytes: Vec<u8>,
    options: &ReadOptions,
    careful_only: bool,
) -> Result<Log, IngestError> {
    // The hash takes as long as the reading, so each runs on its own core.
    let (sha256, read) =
        both(|| hex(&Sha256::digest(&bytes)), || body::read(&bytes, options, careful_only));
    drop(bytes);
    let read = read.map_err(|problem| IngestError::new(path, problem))?;
    log_of(path, read, sha256, options)
}

fn log_of(
    path: &Path,
    read: body::RawTable,
    sha256: String,
    options: &ReadOptions,
) -> Result<Log, IngestError> {
    let at = |problem| IngestError::new(path, problem);
    let body::RawTable { encoding, interpretation, mut body, mut account } = read;
    let Interpretation {
        dialect, layout, facts, clock, assigned, bus, nominal, nominal_how, ..
    } = interpretation;
    let bus_role = Role::Voltage(bus);
    let mut columns = describe(&layout.headings, &assigned);
    let raw_start = body.first_time();
    body::refuse_stuck_clock(&layout, &clock, &body).map_err(at)?;
    canonical::time(&mut body, &clock, &mut account);
    canonical::remove_codes(&mut body, &facts, &mut account);
    canonical::unwrap(&mut body, &mut account);
    canonical::to_units(&mut body, &facts, &mut account);
    fill::hold_slow_channels(&mut body, bus_role);
    let polled = polled::measured_rows(&mut body, bus_role, &mut account);
    frozen::remove(&mut body, &mut columns, bus_role, &mut account).map_err(at)?;
    polarity::correct(&mut body, bus_role, &mut account);
    let first_stamp_s = body.first_time();
    let mut axis = axis::of(&mut body, bus_role, polled, &mut account);
    let rows_read = axis.rows.len();
    if rows_read < FEWEST_ROWS {
        let skipped = account.sentence();
        return Err(at(Problem::TooFewRows { rows: rows_read, skipped }));
    }
    let duration_s = axis.time_s.last().copied().unwrap_or(0.0);
    let days = duration_s / 86_400.0;
    if days > MOST_DAYS {
        return Err(at(Problem::TooManyDays { clock: clock.label, days, most: MOST_DAYS }));
    }

    let log_notes = notes(&body, &axis);
    let (interval_s, jitter_s, gaps) = pace(&axis.time_s);
    let of_file = body.wall.or_else(|| clock.wall(raw_start?));
    let late = chrono::TimeDelta::microseconds((axis.late_s * 1e6).round() as i64);
    let started_at = of_file.and_then(|wall| wall.checked_add_signed(late));
    let time_s = std::mem::take(&mut axis.time_s);
    let mut frame_columns = vec![frame_column("time_s", time_s)];
    let mut resolution_v = None;
    // The sign of the battery current is decided from the bus voltage, so that channel comes last.
    body.channels.sort_by_key(|channel| channel.role == Role::BatteryCurrent);
    for channel in body.channels.into_iter().filter(|channel| channel.role != Role::Ignored) {
        let mut values = gather(channel.values, &axis);
        match channel.role {
            role if role == bus_role => resolution_v = quantization_step(&values),
            Role::BatteryCurrent => {
                let bus_v = frame_columns.iter().find(|c| c.name().as_str() == bus_role.key());
                let bus_v = bus_v.map_or(&[][..], frame_values);
                let why = current::correct_battery_sign(
                    &channel.name,
                    bus_v,
                    &mut values,
                    nominal,
                    &mut account,
                );
                if let Some(column) = columns.get_mut(channel.column) {
                    column.why = format!("{}; {why}", column.why);
                }
            }
            Role::AlternatorCurrent => {
                current::correct_alternator_sign(&channel.name, &mut values, &mut account);
            }
            Role::Load => note_constant_load(&channel.name, &values, &mut account),
            _ => {}
        }
        let key = match channel.role {
            Role::Load => Log::load_key(&channel.name),
            role => role.key(),
        };
        frame_columns.push(frame_column(&key, values));
    }
    let marked_log = marks::MarkedLog {
        start: marks::Start {
            wall: started_at,
            clock_s: clock.period_s.and_then(|_| Some(first_stamp_s? + axis.late_s)),
        },
        duration_s,
        resolution_v,
        bus: bus_role,
    };
    let marks = marks::requested(options)?;
    let marked =
        marks::apply(&marked_log, marks, &mut frame_columns, &mut account.notices).map_err(at)?;
    columns.extend(marked.added.into_iter().map(|name| Column {
        name,
        role: Role::Load.word().into(),
        tap: None,
        unit: None,
        why: "marked by hand".into(),
    }));
    let table_error = |source| at(Problem::Table { source });
    let frame = DataFrame::new_infer_height(frame_columns).map_err(table_error)?;
    let source = Source {
        file: path.file_name().map_or(String::new(), |name| name.to_string_lossy().into_owned()),
        sha256,
        encoding: encoding.to_owned(),
        separator: dialect.word().to_owned(),
        decimal: char::from(dialect.decimal),
        header_line: layout.header_line,
        clock: clock.label.to_owned(),
        clock_columns: clock.columns().iter().map(|&i| layout.name(i).to_owned()).collect(),
        clock_candidates: clock.candidates,
        nominal_v: nominal,
        nominal_how,
        started_at,
        rows_read,
        rows_skipped: account.skipped,
        bad_cells: account.bad_cells,
        bad_cells_first: account.bad_cells_first,
        duration_s,
        sample_interval_s: interval_s,
        jitter_s,
        resolution_v,
        gaps,
        notices: account.notices,
    };
    let mut log = Log::new(source, columns, log_notes, bus, frame).map_err(table_error)?;
    log.marks = marked.marks;
    Ok(log)
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Moves the values; `Column::new` would copy them.
fn frame_column(key: &str, values: Vec<f64>) -> FrameColumn {
    Float64Chunked::from_vec(key.into(), values).into_series().into()
}

fn frame_values(column: &FrameColumn) -> &[f64] {
    column.f64().ok().and_then(|values| values.cont_slice().ok()).unwrap_or(&[])
}

fn gather(values: Vec<f64>, axis: &Axis) -> Vec<f64> {
    match &axis.rows {
        Rows::Listed(rows) if rows.len() != values.len() => {
            rows.iter().map(|&row| values.get(row).copied().unwrap_or(f64::NAN)).collect()
        }
        _ => values,
    }
}

fn note_constant_load(name: &str, values: &[f64], account: &mut Account) {
    let mut known = values.iter().copied().filter(|value| !value.is_nan());
    if let Some(first) = known.next()
        && known.all(|value| value == first)
    {
        account.notices.push(format!(
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
            // A remark on a skipped row is kept with the next row that was kept.
            let at = axis.rows.before(*row);
            let at = at.min(axis.rows.len().saturating_sub(1));
            Some(Note { at_s: *axis.time_s.get(at)?, text: text.clone() })
        })
        .collect()
}

/// Median sampling interval, its jitter, and the gaps without samples.
fn pace(time_s: &[f64]) -> (f64, f64, Vec<Span>) {
    let (middle_s, scatter_s) = robust::median_and_sigma_of_steps(time_s);
    let interval_s = axis::to_nanoseconds(middle_s);
    let jitter_s = axis::to_nanoseconds(scatter_s);
    // A gap is five missing intervals, unless the clock itself is that uneven.
    let limit_s = 5.0 * interval_s + 6.0 * jitter_s;
    let gap = |k: usize| Some(Span { start_s: *time_s.get(k)?, end_s: *time_s.get(k + 1)? });
    let gaps =
        find_indices::of_neighbors(time_s, |a, b| b - a > limit_s).into_iter().filter_map(gap);
    (interval_s, jitter_s, gaps.collect())
}
