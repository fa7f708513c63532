//! Reads the table of a file as numbers in the file's own units.

use super::FEWEST_ROWS;
use super::account::Account;
use super::clock::{self, Clock};
use super::dialect::{self, Dialect};
use super::encoding;
use super::error::{self, Problem};
use super::header::{self, Heading, Layout};
use super::long;
use super::named;
use super::profile::Facts;
use super::request::ReadOptions;
use super::roles::{self, Assigned, Assignment};
use super::sample::Sample;
use super::table::{self, Body, Channel, Wanted};
use crate::log::{Role, Tap};
use crate::nominal::Nominal;
use crate::stats::min_max::Extent;

/// How the file is to be read, decided on a sample of it.
pub struct Interpretation {
    pub dialect: Dialect,
    pub layout: Layout,
    pub facts: Vec<Facts>,
    pub clock: Clock,
    pub assigned: Vec<Assigned>,
    pub bus: Tap,
    pub nominal: Nominal,
    pub nominal_how: String,
    pub wanted: Wanted,
}

/// The table as numbers in the file's own units, and how it was read.
pub struct RawTable {
    pub encoding: &'static str,
    pub interpretation: Interpretation,
    pub body: Body,
    pub account: Account,
}

/// Decides dialect and roles on a sample, and reads the columns that hold a role.
pub fn read(bytes: &[u8], options: &ReadOptions, careful_only: bool) -> Result<RawTable, Problem> {
    if let Some((what, advice)) = encoding::container(bytes) {
        return Err(Problem::Container { what, advice });
    }
    let decoded = encoding::decode(bytes).map_err(|seen| Problem::NotText { seen })?;
    if decoded.text.trim().is_empty() {
        return Err(Problem::Empty);
    }
    let dialect = dialect::sniff(&Sample::of(&decoded.text).joined());
    let aligned = dialect.align(&decoded.text);
    let text = aligned.as_deref().unwrap_or(&decoded.text);
    let wide = widened(&dialect, text);
    let text = wide.as_deref().unwrap_or(text);
    let mut account = Account::default();
    if decoded.lossy && decoded.notice.is_none() {
        account.notices.push(format!(
            "some bytes are not valid {}; they are read as \u{fffd}",
            decoded.encoding
        ));
    }
    let interpretation = interpret(dialect, &Sample::of(text), options, &mut account)?;
    if wide.is_some() {
        account.notices.push("each row holds one reading; each channel gets its own column".into());
    }
    account.notices.extend(decoded.notice);
    let Interpretation { layout, clock, wanted, .. } = &interpretation;
    let plan = table::ReadPlan { text, dialect: &dialect, layout, clock, wanted };
    let body = table::read(plan, careful_only, &mut account);
    Ok(RawTable { encoding: decoded.encoding, interpretation, body, account })
}

/// Converts a long table to a wide one; `None` if it is wide already.
fn widened(dialect: &Dialect, text: &str) -> Option<String> {
    let sample = Sample::of(text);
    let layout = header::find(dialect, &sample.head).ok()?;
    let head = sample.head.get(layout.body_byte..)?;
    let facts = Facts::of(dialect, &layout, &[head]);
    long::widened(dialect, &layout, &facts, text)
}

/// `sample` is a sample of the aligned text.
pub fn interpret(
    dialect: Dialect,
    sample: &Sample,
    options: &ReadOptions,
    account: &mut Account,
) -> Result<Interpretation, Problem> {
    let layout = header::find(&dialect, &sample.head).map_err(|seen| Problem::NoTable { seen })?;
    let body_head = sample.head.get(layout.body_byte..).unwrap_or("");
    let texts: Vec<&str> =
        std::iter::once(body_head).chain(sample.blocks.iter().map(AsRef::as_ref)).collect();
    let facts = Facts::of(&dialect, &layout, &texts);

    let forced = named::requested(&layout.headings, &options.columns)?;
    let columns = clock::Columns {
        headings: &layout.headings,
        facts: &facts,
        forced: &forced,
        has_header: layout.header_line.is_some(),
        decimal: dialect.decimal,
    };
    let mut clock = clock::choose(columns, options.sample_rate_hz)?;
    let Assignment { columns: assigned, bus, nominal, nominal_how } = roles::assign(
        &layout.headings,
        &facts,
        &forced,
        &clock.columns(),
        options.nominal,
        account,
    )?;
    account.notices.append(&mut clock.notices);
    let wanted = wanted(&layout, &assigned, &facts);
    Ok(Interpretation {
        dialect,
        layout,
        facts,
        clock,
        assigned,
        bus,
        nominal,
        nominal_how,
        wanted,
    })
}

fn wanted(layout: &Layout, assigned: &[Assigned], facts: &[Facts]) -> Wanted {
    let columns = layout.headings.iter().zip(assigned).zip(facts).enumerate();
    let channels = columns.filter(|(_, ((_, assigned), _))| {
        !matches!(assigned.role, Role::Time | Role::Note | Role::Ignored)
    });
    let channel =
        |(column, ((heading, assigned), facts)): (usize, ((&Heading, &Assigned), &Facts))| {
            let has_words = assigned.role == Role::Load && facts.switches + facts.words > 0;
            Channel {
                column,
                name: heading.name.clone(),
                role: assigned.role,
                unit: assigned.unit,
                low_is_half: has_words.then_some(facts.off_words),
                values: Vec::new(),
                extent: Extent::NONE,
            }
        };
    Wanted {
        channels: channels.map(channel).collect(),
        note: assigned.iter().position(|column| column.role == Role::Note),
    }
}

pub fn refuse_stuck_clock(layout: &Layout, clock: &Clock, body: &Body) -> Result<(), Problem> {
    let Some(&column) = clock.columns().last() else { return Ok(()) };
    let column = error::clip(layout.name(column));
    let mut finite = body.time.iter().copied().filter(|t| t.is_finite());
    let Some(first) = finite.next() else {
        if body.time.is_empty() {
            return Ok(());
        }
        return Err(Problem::UnreadableTime { column, line: body.lines.of(0) });
    };
    if body.time.len() >= FEWEST_ROWS && finite.all(|t| t == first) {
        let seen = body.wall.map_or_else(|| first.to_string(), |wall| wall.to_string());
        return Err(Problem::StuckTime { column, seen });
    }
    Ok(())
}
