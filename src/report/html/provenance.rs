//! How the log was read: the account of the file, column by column.

use maud::{Markup, html as markup};

use super::{fold, long_table, table, text};
use crate::diagnosis::{Diagnosis, Noise};
use crate::estimate::Estimate;
use crate::log::{Column, Source};
use crate::report::format::{self, MILLIVOLT, SECOND, Unit, number, plain};

/// Gaps listed one by one; the rest are counted.
const MOST_GAPS: usize = 20;
/// So are notes.
const MOST_NOTES: usize = 200;

pub fn provenance(diagnosis: &Diagnosis) -> Markup {
    let source = &diagnosis.source;
    markup! {
        (fold("h-data", "The data and how it was read", Some(format!("{} rows", format::count(source.rows_read))), markup! {
            (table("The file", &["What", "Read as"], file_rows(diagnosis)))
            @if !source.notices.is_empty() {
                h3 { "Choices made while reading" }
                ul { @for notice in &source.notices { li { (plain(notice)) } } }
            }
            h3 { "Columns" }
            (long_table("Columns of the file and what each was taken for",
                &["Column", "Taken for", "Unit in the file", "Why"],
                diagnosis.columns.iter().map(column).collect()))
            (left_out(source))
            @if !source.gaps.is_empty() {
                h3 { "Gaps in the recording" }
                ul {
                    @for gap in source.gaps.iter().take(MOST_GAPS) {
                        li { (format::from_to(gap.start_s, gap.end_s)) " (" (format::duration(gap.seconds())) ")" }
                    }
                    @if source.gaps.len() > MOST_GAPS { li { "and " (source.gaps.len() - MOST_GAPS) " more" } }
                }
            }
            @if !diagnosis.notes.is_empty() {
                h3 { "Notes in the log" }
                ul {
                    @for note in diagnosis.notes.iter().take(MOST_NOTES) {
                        li { span.when { (SECOND.of(note.at_s)) } " " (plain(&note.text)) }
                    }
                    @if diagnosis.notes.len() > MOST_NOTES {
                        li { "and " (format::count(diagnosis.notes.len() - MOST_NOTES)) " more in diagnosis.json" }
                    }
                }
            }
        }))
    }
}

fn file_rows(diagnosis: &Diagnosis) -> Vec<Vec<Markup>> {
    let source = &diagnosis.source;
    let skipped: usize = source.rows_skipped.iter().map(|s| s.count).sum();
    let or_not_told = |value: Option<String>| value.unwrap_or_else(|| format::NOT_TOLD.to_owned());
    let rows = [
        ("File", plain(&source.file)),
        ("SHA-256", plain(&source.sha256)),
        (
            "Started",
            or_not_told(source.started_at.map(|t| t.format("%Y-%m-%d %H:%M:%S").to_string())),
        ),
        ("Length", format::duration(source.duration_s)),
        (
            "Rows",
            format!("{} read, {} skipped", format::count(source.rows_read), format::count(skipped)),
        ),
        ("Bad cells", format::count(source.bad_cells)),
        (
            "Sample interval",
            format!(
                "{} s, jitter {} s",
                number(source.sample_interval_s, 4),
                number(source.jitter_s, 4)
            ),
        ),
        (
            "Voltage resolution",
            source.resolution_v.map_or("finer than the noise shows".to_owned(), |step| {
                format!("{} V", number(step, 4))
            }),
        ),
        ("Voltage noise", noise(&diagnosis.noise)),
        ("Gaps", format::count(source.gaps.len())),
        ("Encoding", plain(&source.encoding)),
        ("Separator", plain(&source.separator)),
        (
            "Decimal mark",
            match source.decimal {
                ',' => "comma".into(),
                '.' => "point".into(),
                c => plain(&c.to_string()),
            },
        ),
        ("Header", source.header_line.map_or("none".to_owned(), |line| format!("line {line}"))),
        ("Clock", clock(source)),
        ("Nominal voltage", nominal(source)),
        ("Tool", format!("stiffbus {}", plain(&diagnosis.version))),
    ];
    rows.into_iter().map(|(name, value)| vec![text(name), text(value)]).collect()
}

/// Which column timed the rows, and which others could have.
fn clock(source: &Source) -> String {
    let quoted = |name: &String| format!("“{}”", plain(name));
    let columns: Vec<String> = source.clock_columns.iter().map(quoted).collect();
    let mut told = match columns.is_empty() {
        true => plain(&source.clock),
        false => format!("{} ({})", columns.join(" and "), plain(&source.clock)),
    };
    if !source.clock_candidates.is_empty() {
        let others = source.clock_candidates.iter();
        let others: Vec<String> =
            others.map(|other| format!("{}, {}", quoted(&other.name), plain(&other.why))).collect();
        told.push_str(&format!(". Other candidates: {}", others.join("; ")));
    }
    told
}

/// "6 V, from its levels: median 6.44 V while powered"
fn nominal(source: &Source) -> String {
    let how = plain(&source.nominal_how);
    let comma = if how.is_empty() { "" } else { ", " };
    format!("{}{comma}{how}", source.nominal_v)
}

fn noise(noise: &Noise) -> String {
    let finer = |unit: Unit, e: &Option<Estimate>, plain: f64| {
        e.as_ref().map_or_else(|| unit.of(plain), |e| unit.with_range(e))
    };
    format!(
        "{} standard deviation, correlated over {}",
        finer(MILLIVOLT, &noise.sigma, noise.sigma_v),
        finer(SECOND, &noise.correlation_time, noise.correlation_time_s)
    )
}

fn column(column: &Column) -> Vec<Markup> {
    let role = column.role.replace('_', " ");
    let role = match &column.tap {
        Some(tap) => format!("{role}, {tap}"),
        None => role,
    };
    vec![
        text(&column.name),
        text(role),
        text(column.unit.as_deref().unwrap_or("none given")),
        text(&column.why),
    ]
}

fn left_out(source: &Source) -> Markup {
    markup! {
        @if !source.rows_skipped.is_empty() {
            h3 { "Rows left out" }
            (table("Rows left out, by reason", &["Reason", "Rows", "First at line"],
                source.rows_skipped.iter().map(|s| vec![
                    text(&s.reason), text(format::count(s.count)), text(s.first_line.to_string()),
                ]).collect()))
        }
        @if !source.bad_cells_first.is_empty() {
            h3 { "Cells that hold no number" }
            (table("The first cells that should hold a number and do not", &["Line", "Column", "Found"],
                source.bad_cells_first.iter().map(|c| vec![
                    text(c.line.to_string()), text(&c.column), text(format!("“{}”", plain(&c.found))),
                ]).collect()))
        }
    }
}
