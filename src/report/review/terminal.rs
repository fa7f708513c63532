//! The summary of a review for the terminal: what the day came to, a line a log with
//! the worst first, how it went over the day, where the page lies.

use std::path::Path;

use anstyle::{AnsiColor, Style};

use super::{PAGE_FILE, told};
use crate::diagnosis::{Bound, VerdictWord};
use crate::estimate::{Estimate, Grade};
use crate::report::terminal::page::{BOLD, DIM, Page, RULED, UNGRADED};
use crate::report::words::{self, AMP, RPM, VOLT, columns, plain, plural, shorten};
use crate::review::{Review, Row, Summary};

/// Logs shown; the rest are counted.
const MOST_LOGS: usize = 40;
const MOST_REASONS: usize = 4;
const MOST_CARS: usize = 3;
/// From this width there is room for the amps, from the next for where the voltage
/// was read and for the keep-up speed, from the last for findings.
const ENOUGH: usize = 80;
const ROOMY: usize = 110;
const VAST: usize = 136;

/// Text of at most `width` columns a line (80 where less than 60 is asked),
/// ending in a newline. `dir` is the folder that was written.
pub fn terminal(review: &Review, dir: Option<&Path>, width: usize) -> String {
    let mut page = Page::new(width);
    let style = match review.rows.iter().filter_map(Row::summary).map(|s| s.verdict).next() {
        Some(word) if told::is_bad(word) => AnsiColor::Red.on_default(),
        Some(VerdictWord::LittleInReserve) => AnsiColor::Yellow.on_default(),
        Some(VerdictWord::KeepsUp) => AnsiColor::Green.on_default(),
        _ => AnsiColor::Cyan.on_default(),
    }
    .bold();
    let word = told::came_to(review).to_uppercase();
    page.line(&format!("{style}{}{style:#}", shorten(&word, page.width)));
    page.item("", &review.headline, BOLD);
    if let Some(worst) = told::worst(review) {
        page.item("", &worst, Style::new());
    }
    logs(&mut page, review);
    unread(&mut page, review);
    over_the_day(&mut page, review);
    if let Some(caution) = review.cautions.first() {
        page.brief("Caution ", caution, 2);
    }
    if let Some(dir) = dir {
        // Never broken in two: a path is there to be copied.
        let path = dir.join(PAGE_FILE).display().to_string();
        page.line(&format!("{BOLD}Page{BOLD:#}    {}", plain(&path)));
    }
    page.text
}

fn logs(page: &mut Page, review: &Review) {
    let shown: Vec<&Row> = review.rows.iter().take(MOST_LOGS).collect();
    if shown.is_empty() {
        return;
    }
    page.heading("Every log, the worst first");
    let (enough, roomy, vast) = (page.width >= ENOUGH, page.width >= ROOMY, page.width >= VAST);
    let one_grade = one_grade(&shown);
    let mut rows: Vec<Vec<String>> =
        shown.iter().map(|row| cells(row, page.width, one_grade.is_none())).collect();
    let mut heads = vec!["log", "verdict", "lowest, V"];
    if roomy {
        heads.push("read at");
    }
    if enough {
        heads.push("gives, A");
    }
    if roomy {
        heads.push("keeps up, rpm");
    }
    if vast {
        heads.push("findings");
    }
    // The names give way first: a line a log as long as they can.
    let widest = |column: usize| {
        let cells = rows.iter().filter_map(|row| row.get(column));
        cells.map(|cell| columns(cell)).chain(heads.get(column).map(|h| columns(h))).max()
    };
    let others: usize = (1..heads.len()).filter_map(widest).map(|width| width + 2).sum();
    let room = page.width.saturating_sub(others).max(14);
    for row in &mut rows {
        if let Some(name) = row.first_mut() {
            *name = ending(name, room);
        }
    }
    let flexible: &[usize] = if roomy { &[1, 3] } else { &[1] };
    page.table(RULED, &heads, flexible, rows);
    let mut notes = vec!["In brackets: 90 % interval.".to_owned()];
    if let Some(grade) = one_grade.filter(|_| enough) {
        notes.push(format!("Amps {}.", grade.word()));
    }
    notes.push(UNGRADED.to_owned());
    page.item("", &notes.join(" "), DIM);
    rest(page, review);
}

/// The verdicts of what is not shown.
fn rest(page: &mut Page, review: &Review) {
    let mut counted: Vec<(&str, usize)> = Vec::new();
    for row in review.rows.iter().skip(MOST_LOGS) {
        let word = told::verdict(row);
        match counted.iter_mut().find(|(known, _)| *known == word) {
            Some((_, n)) => *n += 1,
            None => counted.push((word, 1)),
        }
    }
    let more: usize = counted.iter().map(|(_, n)| n).sum();
    if more > 0 {
        let each: Vec<String> =
            counted.iter().map(|(word, n)| format!("{} {word}", words::count(*n))).collect();
        let more = plural(more, "more log is", "more logs are");
        page.item("", &format!("{more} on the page: {}.", each.join("; ")), Style::new());
    }
}

fn cells(row: &Row, width: usize, graded: bool) -> Vec<String> {
    let (enough, roomy, vast) = (width >= ENOUGH, width >= ROOMY, width >= VAST);
    let mut cells = vec![plain(&row.log), told::verdict(row).to_owned()];
    let summary = row.summary();
    let lowest = summary.and_then(|s| s.lowest.as_ref());
    cells.push(lowest.map_or_else(String::new, |lowest| volts(&lowest.voltage_v)));
    if roomy {
        cells.push(lowest.map_or_else(String::new, |lowest| {
            let loads = shorten(&words::loads(&lowest.loads), 24);
            match told::running(lowest.rpm, lowest.rpm_low, lowest.rpm_high, lowest.heat) {
                Some(at) => format!("{loads} {at}"),
                None => loads,
            }
        }));
    }
    if enough {
        cells.push(match summary.and_then(told::deficit) {
            Some(e) if graded => format!("{}, {}", AMP.compact(e), e.grade.word()),
            Some(e) => AMP.compact(e),
            None => summary.map_or_else(String::new, |_| "none".to_owned()),
        });
    }
    if roomy {
        cells.push(summary.and_then(keep_up).unwrap_or_default());
    }
    if vast {
        cells.push(summary.and_then(told::findings).unwrap_or_default());
    }
    cells
}

fn volts(e: &Estimate) -> String {
    match e.grade {
        Grade::Measured => VOLT.compact(e),
        grade => format!("{}, {}", VOLT.compact(e), grade.word()),
    }
}

fn keep_up(summary: &Summary) -> Option<String> {
    let keep_up = summary.keep_up.as_ref()?;
    Some(match (keep_up.bound, &keep_up.rpm) {
        (Bound::Within, Some(rpm)) if rpm.grade == Grade::Measured => RPM.compact(rpm),
        (Bound::Within, Some(rpm)) => format!("{}, {}", RPM.compact(rpm), rpm.grade.word()),
        (Bound::Within, None) => return None,
        (Bound::BelowSeen, _) => "at all seen".to_owned(),
        (Bound::AboveSeen, _) => "at none seen".to_owned(),
    })
}

fn one_grade(rows: &[&Row]) -> Option<Grade> {
    let grades = || rows.iter().filter_map(|row| Some(told::deficit(row.summary()?)?.grade));
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

fn unread(page: &mut Page, review: &Review) {
    let failed: Vec<(&Row, String)> =
        review.rows.iter().filter_map(|row| Some((row, told::reason(row)?))).collect();
    if failed.is_empty() {
        return;
    }
    page.heading("Could not be read");
    for (row, reason) in failed.iter().take(MOST_REASONS) {
        let room = 2 * page.width.saturating_sub(4);
        let said = shorten(&format!("{}: {reason}", shorten(&row.log, 60)), room);
        page.item("- ", &said, Style::new());
    }
    if let Some(more) = failed.len().checked_sub(MOST_REASONS).filter(|&n| n > 0) {
        page.item("  ", &format!("{} more on the page.", words::count(more)), DIM);
    }
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
    if let Some(more) = told.len().checked_sub(MOST_CARS).filter(|&n| n > 0) {
        page.item("  ", &format!("{} on the page.", plural(more, "more car", "more cars")), DIM);
    }
    for doubt in doubts.iter().take(MOST_CARS) {
        page.item("Doubt   ", doubt, Style::new());
    }
    if let Some(more) = doubts.len().checked_sub(MOST_CARS).filter(|&n| n > 0) {
        page.item(
            "        ",
            &format!("{} on the page.", plural(more, "more doubt", "more doubts")),
            DIM,
        );
    }
}
