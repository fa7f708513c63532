//! The body of a file as numbers, and all that was decided to read it so.

use std::path::Path;

use super::FEWEST_ROWS;
use super::account::Account;
use super::clock::{self, Clock};
use super::dialect::{self, Dialect};
use super::encoding;
use super::error::{self, IngestError};
use super::header::{self, Layout};
use super::long;
use super::named;
use super::profile::Facts;
use super::request::ReadOptions;
use super::roles::{self, Assigned, Assignment};
use super::sample::Sample;
use super::table::{self, Body, Wanted};
use crate::log::{Role, Tap};
use crate::nominal::Nominal;

/// All that is decided on a look at the file.
pub struct Decided {
    pub dialect: Dialect,
    pub layout: Layout,
    pub facts: Vec<Facts>,
    pub clock: Clock,
    pub assigned: Vec<Assigned>,
    pub bus: Tap,
    pub nominal: Nominal,
    pub nominal_how: String,
    pub wanted: Wanted,
    pub notices: Vec<String>,
}

/// The body of a file as numbers in the file's own units, and how it was read.
pub struct Read {
    pub encoding: &'static str,
    pub decided: Decided,
    pub body: Body,
    pub account: Account,
}

/// Decides dialect and roles on a sample, and reads the columns that hold a role.
pub fn read(
    path: &Path,
    bytes: &[u8],
    options: &ReadOptions,
    careful_only: bool,
) -> Result<Read, IngestError> {
    if let Some((what, advice)) = encoding::container(bytes) {
        return Err(IngestError::Container { path: path.to_path_buf(), what, advice });
    }
    let decoded = encoding::decode(bytes)
        .map_err(|seen| IngestError::NoText { path: path.to_path_buf(), seen })?;
    if decoded.text.trim().is_empty() {
        return Err(IngestError::Empty { path: path.to_path_buf() });
    }
    let dialect = dialect::sniff(&Sample::of(&decoded.text).joined());
    let aligned = dialect.align(&decoded.text);
    let text = aligned.as_deref().unwrap_or(&decoded.text);
    let wide = widened(&dialect, text);
    let text = wide.as_deref().unwrap_or(text);
    let mut decided = decide(path, dialect, &Sample::of(text), options)?;
    if decoded.lossy && decoded.notice.is_none() {
        let told =
            format!("some bytes are not valid {}; they are read as \u{fffd}", decoded.encoding);
        decided.notices.insert(0, told);
    }
    if wide.is_some() {
        decided.notices.push("each row holds one reading: every channel was given a column".into());
    }
    decided.notices.extend(decoded.notice.clone());
    let mut account = Account::default();
    let Decided { layout, clock, wanted, notices, .. } = &mut decided;
    let plan = table::Plan { text, dialect: &dialect, layout, clock, wanted };
    let body = table::read(plan, careful_only, &mut account, notices);
    Ok(Read { encoding: decoded.encoding, decided, body, account })
}

/// A long table as a wide one; `None` where each row holds a moment, as usual.
fn widened(dialect: &Dialect, text: &str) -> Option<String> {
    let sample = Sample::of(text);
    let layout = header::find(dialect, &sample.head).ok()?;
    let head = sample.head.get(layout.body_byte..)?;
    let facts = Facts::of(dialect, &layout, &[head]);
    long::widened(dialect, &layout, &facts, text)
}

/// `sample` is of the aligned text.
pub fn decide(
    path: &Path,
    dialect: Dialect,
    sample: &Sample,
    options: &ReadOptions,
) -> Result<Decided, IngestError> {
    let layout = header::find(&dialect, &sample.head)
        .map_err(|seen| IngestError::NoTable { path: path.to_path_buf(), seen })?;
    let body_head = sample.head.get(layout.body_byte..).unwrap_or("");
    let texts: Vec<&str> =
        std::iter::once(body_head).chain(sample.blocks.iter().map(AsRef::as_ref)).collect();
    let facts = Facts::of(&dialect, &layout, &texts);

    let forced = named::requested(path, &layout.headings, &options.columns)?;
    let columns = clock::Columns {
        path,
        headings: &layout.headings,
        facts: &facts,
        forced: &forced,
        has_header: layout.header_line.is_some(),
        decimal: dialect.decimal,
    };
    let clock = clock::choose(columns, options.sample_rate_hz)?;
    let Assignment { columns: assigned, bus, nominal, nominal_how, mut notices } =
        roles::assign(path, &layout.headings, &facts, &forced, &clock.columns(), options.nominal)?;
    notices.extend(clock.notices.iter().cloned());
    let wanted = wanted(&assigned, &facts);
    Ok(Decided {
        dialect,
        layout,
        facts,
        clock,
        assigned,
        bus,
        nominal,
        nominal_how,
        wanted,
        notices,
    })
}

fn wanted(assigned: &[Assigned], facts: &[Facts]) -> Wanted {
    let with = |pick: &dyn Fn(Role) -> bool| -> Vec<usize> {
        (0..assigned.len())
            .filter(|&i| assigned.get(i).is_some_and(|column| pick(column.role)))
            .collect()
    };
    let values = with(&|role| !matches!(role, Role::Time | Role::Note | Role::Ignored));
    let switched = values
        .iter()
        .copied()
        .filter(|&i| assigned.get(i).is_some_and(|column| column.role == Role::Load))
        .filter_map(|i| facts.get(i).map(|facts| (i, facts)))
        .filter(|(_, facts)| facts.switches > 0 || facts.words > 0)
        .map(|(i, facts)| (i, facts.off_words))
        .collect();
    Wanted { values, switched, note: with(&|role| role == Role::Note).first().copied() }
}

pub fn refuse_stuck_clock(
    path: &Path,
    layout: &Layout,
    clock: &Clock,
    body: &Body,
) -> Result<(), IngestError> {
    let Some(&column) = clock.columns().last() else { return Ok(()) };
    let name =
        layout.headings.get(column).map_or(String::new(), |heading| error::clip(&heading.name));
    let mut finite = body.time.iter().copied().filter(|t| t.is_finite());
    let Some(first) = finite.next() else {
        if body.time.is_empty() {
            return Ok(());
        }
        return Err(IngestError::UnreadableTime {
            path: path.to_path_buf(),
            column: name,
            line: body.lines.of(0),
        });
    };
    if body.time.len() >= FEWEST_ROWS && finite.all(|t| t == first) {
        let seen = match body.wall {
            Some(wall) => wall.to_string(),
            None => format!("{first}"),
        };
        return Err(IngestError::StuckTime { path: path.to_path_buf(), column: name, seen });
    }
    Ok(())
}
