//! The summary of a review for the terminal: what the day came to, a line a log with
//! the worst first, how it went over the day, where the page lies.

use std::path::Path;

use anstyle::{AnsiColor, Style};

use super::narrative;
use crate::diagnosis::{Bound, VerdictWord};
use crate::estimate::{Estimate, Grade};
use crate::report::Kind;
use crate::report::format::{self, AMP, RPM, Unit, VOLT, columns, plain, plural, shorten};
use crate::report::lists::{listed, more};
use crate::report::terminal::page::{BOLD, DIM, Page, RULED, UNGRADED};
use crate::review::{Review, Row, Summary};

/// Logs shown; the rest are counted.
const MOST_LOGS: usize = 40;
const MOST_REASONS: usize = 4;
const MOST_CARS: usize = 3;
/// Columns of the screen that the name of a log needs.
const LEAST_NAME: usize = 16;
/// Between two columns: the padding of one and the table's own line.
const GAP: usize = 3;

/// Text of at most `width` columns a line (80 where less than 60 is asked),
/// ending in a newline. `dir` is the folder that was written.
pub fn terminal(review: &Review, dir: Option<&Path>, width: usize) -> String {
    let mut page = Page::new(width);
    let style = match review.rows.iter().filter_map(Row::summary).map(|s| s.verdict).next() {
        Some(word) if narrative::is_bad(word) => AnsiColor::Red.on_default(),
        Some(VerdictWord::LittleInReserve) => AnsiColor::Yellow.on_default(),
        Some(VerdictWord::KeepsUp) => AnsiColor::Green.on_default(),
        _ => AnsiColor::Cyan.on_default(),
    }
    .bold();
    let word = narrative::came_to(review).to_uppercase();
    page.line(&format!("{style}{}{style:#}", shorten(&word, page.width)));
    page.item("", &review.headline, BOLD);
    if let Some(worst) = narrative::worst(review) {
        page.item("", &worst, Style::new());
    }
    logs(&mut page, review);
    let failed = reasons(review, narrative::reason);
    listed(&mut page, "Could not be read", &failed, MOST_REASONS);
    listed(&mut page, "Copies", &reasons(review, narrative::copy), MOST_REASONS);
    over_the_day(&mut page, review);
    if let Some(caution) = review.cautions.first() {
        page.brief("Caution ", caution, 2);
    }
    if let Some(dir) = dir {
        // Never broken in two: a path is there to be copied.
        let path = format::shown(&dir.join(Kind::Review.page()));
        page.line(&format!("{BOLD}Page{BOLD:#}    {path}"));
    }
    page.text
}

fn logs(page: &mut Page, review: &Review) {
    let shown: Vec<&Row> = review.rows.iter().take(MOST_LOGS).collect();
    if shown.is_empty() {
        return;
    }
    page.heading("Every log, the worst first");
    let amps = one_grade(&shown, narrative::deficit);
    let speeds = one_grade(&shown, found_speed).filter(|grade| *grade != Grade::Measured);
    let mut table = vec![
        Column::of("log", 0, &shown, |row| plain(&row.log)),
        Column::of("verdict", 0, &shown, |row| narrative::verdict(row).to_owned()),
        Column::of("lowest, V", 0, &shown, |row| lowest(row).unwrap_or_default()),
        Column::of("read at", 3, &shown, |row| read_at(row).unwrap_or_default()),
        Column::of("discharge, A", 1, &shown, |row| discharge(row, amps).unwrap_or_default()),
        Column::of("keeps up, rpm", 2, &shown, |row| keep_up(row, speeds).unwrap_or_default()),
        Column::of("findings", 4, &shown, |row| {
            row.summary().and_then(narrative::findings).unwrap_or_default()
        }),
    ];
    // What matters least goes, until a line a log leaves room for its name.
    let others = |table: &[Column]| table.iter().skip(1).map(|c| c.width() + GAP).sum::<usize>();
    while others(&table) + LEAST_NAME > page.width {
        let last = table.iter().map(|column| column.rank).max().filter(|&rank| rank > 0);
        let Some(last) = last else { break };
        table.retain(|column| column.rank != last);
    }
    let room = page.width.saturating_sub(others(&table)).max(LEAST_NAME);
    let names = table.first_mut().into_iter().flat_map(|column| &mut column.cells);
    names.for_each(|name| *name = ending(name, room));
    let rows = (0..shown.len())
        .map(|row| table.iter().map(|c| c.cells.get(row).cloned().unwrap_or_default()).collect());
    let heads: Vec<&str> = table.iter().map(|column| column.head).collect();
    page.table(RULED, &heads, &[1], rows.collect());
    let mut notes = vec!["In brackets: 90 % interval.".to_owned()];
    let has = |head: &str| heads.contains(&head);
    if let Some(grade) = amps.filter(|_| has("discharge, A")) {
        notes.push(format!("Amps {}.", grade.word()));
    }
    if let Some(grade) = speeds.filter(|_| has("keeps up, rpm")) {
        notes.push(format!("Speeds {}.", grade.word()));
    }
    notes.push(UNGRADED.to_owned());
    page.item("", &notes.join(" "), DIM);
    rest(page, review);
}

struct Column {
    head: &'static str,
    /// 0 stays; of the others the highest goes first where a page is narrow.
    rank: u8,
    cells: Vec<String>,
}

impl Column {
    fn of(head: &'static str, rank: u8, rows: &[&Row], cell: impl Fn(&Row) -> String) -> Column {
        Column { head, rank, cells: rows.iter().map(|row| cell(row)).collect() }
    }

    fn width(&self) -> usize {
        let cells = self.cells.iter().map(|cell| columns(cell));
        cells.chain([columns(self.head)]).max().unwrap_or(0)
    }
}

/// The verdicts of what is not shown.
fn rest(page: &mut Page, review: &Review) {
    let hidden = review.rows.get(MOST_LOGS..).unwrap_or(&[]);
    if hidden.is_empty() {
        return;
    }
    let counted = narrative::verdict_counts(hidden);
    let each: Vec<String> =
        counted.iter().map(|(word, n)| format!("{word} {}", format::count(*n))).collect();
    let more = plural(hidden.len(), "more log is", "more logs are");
    page.item("", &format!("{more} on the page: {}.", each.join(", ")), Style::new());
}

/// Without its grade where it is measured, or where a note states it for all.
fn with_grade(unit: Unit, e: &Estimate, one_grade: Option<Grade>) -> String {
    match e.grade {
        grade if grade == Grade::Measured || one_grade == Some(grade) => unit.compact(e),
        grade => format!("{}, {}", unit.compact(e), grade.word()),
    }
}

fn lowest(row: &Row) -> Option<String> {
    Some(with_grade(VOLT, &row.summary()?.lowest.as_ref()?.voltage_v, None))
}

fn read_at(row: &Row) -> Option<String> {
    let lowest = row.summary()?.lowest.as_ref()?;
    let loads = shorten(&format::loads(&lowest.loads), 24);
    Some(match narrative::running(lowest.rpm, lowest.rpm_low, lowest.rpm_high, lowest.heat) {
        Some(at) => format!("{loads} {at}"),
        None => loads,
    })
}

fn discharge(row: &Row, one_grade: Option<Grade>) -> Option<String> {
    Some(match narrative::deficit(row.summary()?) {
        Some(amps) => with_grade(AMP, amps, one_grade),
        None => "none".to_owned(),
    })
}

fn keep_up(row: &Row, one_grade: Option<Grade>) -> Option<String> {
    let summary = row.summary()?;
    Some(match (summary.keep_up.as_ref()?.bound, found_speed(summary)) {
        (_, Some(rpm)) => with_grade(RPM, rpm, one_grade),
        (Bound::BelowSeen, None) => "at all seen".to_owned(),
        (Bound::AboveSeen, None) => "at none seen".to_owned(),
        (Bound::Within, None) => return None,
    })
}

/// The keep-up speed where it was found.
fn found_speed(summary: &Summary) -> Option<&Estimate> {
    let keep_up = summary.keep_up.as_ref().filter(|keep_up| keep_up.bound == Bound::Within)?;
    keep_up.rpm.as_ref()
}

fn one_grade(rows: &[&Row], of: fn(&Summary) -> Option<&Estimate>) -> Option<Grade> {
    let grades = || rows.iter().filter_map(|row| Some(of(row.summary()?)?.grade));
    grades().next().filter(|first| grades().all(|grade| grade == *first))
}

/// A path is known by its end.
fn ending(name: &str, room: usize) -> String {
    if columns(name) <= room {
        return name.to_owned();
    }
    let mut kept: Vec<char> = Vec::new();
    let mut width = 1;
    for c in name.chars().rev() {
        width += columns(&c.to_string());
        if width > room {
            break;
        }
        kept.push(c);
    }
    kept.iter().rev().fold("…".to_owned(), |mut text, c| {
        text.push(*c);
        text
    })
}

/// "run-3.csv: why", for each log that `why` is known of.
fn reasons(review: &Review, why: fn(&Row) -> Option<String>) -> Vec<String> {
    let reason = |row: &Row| Some(format!("{}: {}", shorten(&row.log, 60), why(row)?));
    review.rows.iter().filter_map(reason).collect()
}

/// Of each car the deepest running that came again.
fn over_the_day(page: &mut Page, review: &Review) {
    let told: Vec<&String> =
        review.cars.iter().filter_map(|car| Some(&car.soak.first()?.told)).collect();
    let doubts: Vec<&String> = review.cars.iter().flat_map(|car| &car.doubts).collect();
    if !told.is_empty() {
        page.heading("Over the day");
    }
    for text in told.iter().take(MOST_CARS) {
        page.item("- ", text, Style::new());
    }
    if let Some(rest) = more(told.len(), MOST_CARS) {
        page.item("  ", &format!("{} on the page.", plural(rest, "more car", "more cars")), DIM);
    }
    for doubt in doubts.iter().take(MOST_CARS) {
        page.item("Doubt   ", doubt, Style::new());
    }
    if let Some(rest) = more(doubts.len(), MOST_CARS) {
        let rest = plural(rest, "more doubt", "more doubts");
        page.item("        ", &format!("{rest} on the page."), DIM);
    }
}
