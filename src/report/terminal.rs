//! The summary for a mechanic in a hurry: verdict, meaning, cause, the test with its limit,
//! one caution, one table, and where the report is. Styled with escape codes; the printer strips them where no
//! terminal is, and no code ever comes from the log itself.

pub(super) mod page;

use std::path::Path;

use anstyle::{AnsiColor, Style};

use super::format::{self, AMP, RPM, VOLT, columns, number, plain, plural, shorten};
use super::{summary, svg};
use crate::diagnosis::{
    Bound, BusState, Diagnosis, Finding, Heat, OperatingPoint, Severity, VerdictWord,
};
use crate::estimate::{Estimate, Grade};
use crate::nominal::Nominal;

use crate::units::Spoken;
use page::{BOLD, LEAD, Page, RULED, UNGRADED};

const MOST_FINDINGS: usize = 2;
/// Rows of the table: roomy, narrow.
const MOST_POINTS: (usize, usize) = (5, 3);
const MOST_NOTICES: usize = 2;
/// Longer names of sets of loads take too many lines of the table: roomy, narrow.
const MOST_NAME: (usize, usize) = (60, 40);
/// From this width the table has room for heat, time and how sure a state is.
const ROOMY: usize = 96;
/// From this width it has room for the state, which the amps imply.
const STATED: usize = 76;

/// Text of at most `width` columns a line (80 where less than 60 is asked),
/// ending in a newline.
pub fn terminal(diagnosis: &Diagnosis, report_dir: Option<&Path>, width: usize) -> String {
    let diagnosis = &*diagnosis.spoken();
    let mut page = Page::new(width);
    verdict(&mut page, diagnosis);
    findings(&mut page, diagnosis);
    operating_points(&mut page, diagnosis);
    page.line("");
    keep_up(&mut page, diagnosis);
    if let Some(used) = diagnosis.battery_use.as_ref().filter(|used| used.lasts_h.is_some()) {
        page.brief("Battery  ", &used.told, 3);
    }
    if let Some(output) = &diagnosis.output {
        page.brief("Output   ", &output.statement, 2);
    }
    cannot_tell(&mut page, diagnosis);
    data_quality(&mut page, diagnosis);
    if let Some(dir) = report_dir {
        let report = dir.join("report.html").display().to_string();
        // Never broken in two: a path is there to be copied.
        page.line(&format!("{BOLD}Report{BOLD:#}   {}", plain(&report)));
    }
    page.text
}

fn verdict(page: &mut Page, diagnosis: &Diagnosis) {
    let style = match diagnosis.verdict.word {
        VerdictWord::KeepsUp if summary::leading(diagnosis).is_none() => {
            AnsiColor::Green.on_default()
        }
        VerdictWord::KeepsUp | VerdictWord::LittleInReserve => AnsiColor::Yellow.on_default(),
        VerdictWord::FallsShortAtIdle
        | VerdictWord::FallsShort
        | VerdictWord::Overcharges
        | VerdictWord::NotCharging => AnsiColor::Red.on_default(),
        VerdictWord::CannotTell => AnsiColor::Cyan.on_default(),
    }
    .bold();
    let file = shorten(&diagnosis.source.file, page.width.saturating_sub(34));
    let word = diagnosis.verdict.word.words().to_uppercase();
    page.line(&format!("{style}{word}{style:#}  {file}"));
    if let Some(danger) = &diagnosis.verdict.danger {
        page.item("", danger, AnsiColor::Red.on_default().bold());
    }
    page.item("", &summary::meaning(diagnosis), BOLD);
    page.item("", &format::headline(&diagnosis.verdict), Style::new());
    page.line("");
}

/// The likeliest cause, the test that decides it with its limit, and the caution; then what
/// else was found.
fn findings(page: &mut Page, diagnosis: &Diagnosis) {
    let leading = summary::leading(diagnosis);
    if let Some(finding) = leading {
        page.item("Cause    ", &finding.cause, BOLD);
        let steps = (1..).zip(&finding.test.steps);
        for (number, step) in steps {
            let lead = if number == 1 { "Test     1. " } else { &format!("         {number}. ") };
            page.item(lead, step, Style::new());
        }
        if !finding.test.bad_if.is_empty() {
            page.item("         ", &format!("Bad if {}.", finding.test.bad_if), BOLD);
        }
        if let Some(caution) = diagnosis.cautions.first() {
            page.item("Caution  ", caution, Style::new());
        }
    }
    let found: Vec<&Finding> = summary::worst_first(diagnosis)
        .into_iter()
        .filter(|finding| finding.severity > Severity::Note)
        .collect();
    for (number, finding) in found.iter().enumerate().take(MOST_FINDINGS) {
        let lead = if number == 0 { "Found    " } else { "         " };
        page.item(lead, &format::capital(&finding.statement), Style::new());
    }
    let more = diagnosis.findings.len() - found.len().min(MOST_FINDINGS);
    if more > 0 {
        let lead = if found.is_empty() { "Found    " } else { "         " };
        let more = plural(more, "more finding", "more findings");
        page.item(lead, &format!("{more} in the report."), Style::new());
    }
}

fn operating_points(page: &mut Page, diagnosis: &Diagnosis) {
    let points = &diagnosis.operating_points;
    if points.is_empty() {
        page.item("", &format!("In brackets: 90 % interval. {UNGRADED}"), Style::new());
        return;
    }
    page.line("");
    let roomy = page.width >= ROOMY;
    let shown = telling(points, if roomy { MOST_POINTS.0 } else { MOST_POINTS.1 });
    let stated = page.width >= STATED;
    let grades = || shown.iter().filter_map(|point| Some(told_amps(point)?.1.grade));
    let one_grade = grades().next().filter(|first| grades().all(|grade| grade == *first));
    let most_name = if roomy { MOST_NAME.0 } else { MOST_NAME.1 };
    let rows = shown.iter().map(|point| {
        let mut row = vec![shorten(&format::loads(&point.loads), most_name), speed(point)];
        if roomy {
            let heat = if point.heat == Heat::Unknown { "" } else { point.heat.word() };
            row.push(format!("{heat} {}", format::duration(point.seconds)).trim_start().to_owned());
        }
        row.push(match point.voltage_v.grade {
            Grade::Measured => VOLT.compact(&point.voltage_v),
            grade => format!("{}, {}", VOLT.compact(&point.voltage_v), grade.word()),
        });
        if roomy {
            row.push(format!("{} {}", point.state.label(), share(point.state_confidence)));
        } else if stated {
            row.push(point.state.word().to_owned());
        }
        row.push(amps(point, one_grade.is_none()));
        row
    });
    let heads = if roomy {
        vec!["loads on", "rpm", "heat, time", "volts (90 %)", "state, sure", "amps (90 %)"]
    } else if stated {
        vec!["loads on", "rpm", "volts (90 %)", "state", "amps (90 %)"]
    } else {
        vec!["loads on", "rpm", "volts (90 %)", "amps (90 %)"]
    };
    page.table(RULED, &heads, &[0], rows.collect());
    let mut notes = Vec::new();
    if points.len() > shown.len() {
        let more = plural(points.len() - shown.len(), "more point", "more points");
        notes.push(format!("{more} in the report."));
    }
    if let Some(grade) = one_grade {
        notes.push(format!("Amps {}.", grade.word()));
    }
    notes.push(UNGRADED.to_owned());
    page.item("", &notes.join(" "), Style::new());
}

/// The speed seen most, else the band.
fn speed(point: &OperatingPoint) -> String {
    match point.rpm.filter(|rpm| rpm.is_finite()) {
        Some(rpm) => RPM.bare(rpm),
        None => {
            format::rpm_band(point.rpm_low, point.rpm_high).unwrap_or_else(|| "not known".into())
        }
    }
}

/// The points a hurried reader must see, in the log's order: the worst states
/// first, among equals those that lasted.
fn telling(points: &[OperatingPoint], most: usize) -> Vec<&OperatingPoint> {
    let mut ranked: Vec<(usize, &OperatingPoint)> = points.iter().enumerate().collect();
    ranked.sort_by(|(_, a), (_, b)| b.state.cmp(&a.state).then(b.seconds.total_cmp(&a.seconds)));
    ranked.truncate(most);
    ranked.sort_by_key(|(order, _)| *order);
    ranked.into_iter().map(|(_, point)| point).collect()
}

fn share(part: f64) -> String {
    if part.is_finite() { format!("{} %", number(part * 100.0, 0)) } else { "not known".into() }
}

/// Battery discharge where it discharges, alternator shortfall where it is at its limit.
fn told_amps(point: &OperatingPoint) -> Option<(&'static str, &Estimate)> {
    match (point.state, &point.implied_deficit_a, &point.regulation_shortfall_a) {
        (BusState::Draining, Some(deficit), _) => Some(("drain", deficit)),
        (BusState::Limited, _, Some(short)) => Some(("short", short)),
        _ => None,
    }
}

fn amps(point: &OperatingPoint, graded: bool) -> String {
    match told_amps(point) {
        Some((lead, e)) if graded => format!("{lead} {}, {}", AMP.compact(e), e.grade.word()),
        Some((lead, e)) => format!("{lead} {}", AMP.compact(e)),
        None if point.state == BusState::Holding => "none short".to_owned(),
        None => "not known".to_owned(),
    }
}

/// From which engine speed the hardest set of loads holds.
fn keep_up(page: &mut Page, diagnosis: &Diagnosis) {
    let Some(item) = svg::worst_keep_up(diagnosis) else { return };
    let answer = match (item.bound, &item.rpm) {
        (Bound::Within, Some(rpm)) => format!("holds from {}", RPM.with_range(rpm)),
        _ => svg::answer(item),
    };
    let loads = shorten(&format::loads(&item.loads), 60);
    page.item("Keep-up  ", &format!("{loads}: {answer}"), Style::new());
}

/// What, in a few words each; why, and what would tell, stands in the report.
fn cannot_tell(page: &mut Page, diagnosis: &Diagnosis) {
    let items = &diagnosis.verdict.cannot_tell;
    if items.is_empty() {
        return;
    }
    // Where nothing can be told, why is the answer.
    if diagnosis.verdict.word == VerdictWord::CannotTell {
        items
            .iter()
            .take(MOST_FINDINGS)
            .for_each(|item| page.item("Unknown  ", item, Style::new()));
        return;
    }
    let what = |item: &String| {
        let head = item.split([':', '.']).next().unwrap_or(item).trim();
        shorten(&format::uncapital(head), 70)
    };
    // Two lines, with room for how many are left.
    let room = 2 * page.width.saturating_sub(LEAD) - 30;
    let mut said = String::new();
    for (k, item) in items.iter().map(what).enumerate() {
        if k > 0 && columns(&said) + columns(&item) > room {
            said.push_str(&format!("; {} more in the report", items.len() - k));
            break;
        }
        said.push_str(if k > 0 { "; " } else { "" });
        said.push_str(&item);
    }
    page.item("Unknown  ", &format!("{said}."), Style::new());
}

/// Three decimals, without zeros at the end.
fn short(value: f64) -> String {
    let text = number(value, 4);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

fn data_quality(page: &mut Page, diagnosis: &Diagnosis) {
    let source = &diagnosis.source;
    let skipped: usize = source.rows_skipped.iter().map(|s| s.count).sum();
    let mut parts = vec![
        format!("{} read", plural(source.rows_read, "row", "rows")),
        if skipped == 0 {
            "none skipped".into()
        } else {
            format!("{} skipped", format::count(skipped))
        },
    ];
    if source.nominal_v != Nominal::V12 {
        parts.insert(0, format!("{} system", source.nominal_v));
    }
    if source.bad_cells > 0 {
        parts.push(plural(source.bad_cells, "bad cell", "bad cells"));
    }
    if !source.gaps.is_empty() {
        parts.push(plural(source.gaps.len(), "gap", "gaps"));
    }
    parts.push(match source.resolution_v {
        Some(step) => format!("resolution {} V", short(step)),
        None => "resolution finer than the noise".to_owned(),
    });
    parts.push(format!("a sample every {} s", short(source.sample_interval_s)));
    page.item("Data     ", &parts.join(", "), Style::new());
    let most = page.width.saturating_mul(2).saturating_sub(30);
    let notices = source.notices.iter().take(MOST_NOTICES);
    let notices: Vec<String> = notices.map(|notice| format::whole_words(notice, most)).collect();
    if !notices.is_empty() {
        page.item("         ", &notices.join(" "), Style::new());
    }
    if let Some(more) = source.notices.len().checked_sub(MOST_NOTICES).filter(|&n| n > 0) {
        let more = plural(more, "more choice made", "more choices made");
        page.item("         ", &format!("{more} while reading, in the report."), Style::new());
    }
}
