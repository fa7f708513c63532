//! The summary for a mechanic in a hurry: verdict, findings, table, where the
//! rest lies. Styled with escape codes; the printer strips them where no
//! terminal is, and no code ever comes from the log itself.

pub(super) mod page;

use std::path::Path;

use anstyle::{AnsiColor, Style};

use super::format::{
    self, AMP, MILLIOHM, RPM, SECOND, VOLT, columns, number, plain, plural, shorten,
};
use super::svg;
use crate::diagnosis::{
    Bound, BusState, Diagnosis, Finding, Heat, LineDrop, LoadStep, OperatingPoint, Origin,
    Severity, Side, VerdictWord,
};
use crate::estimate::{Estimate, Grade};
use crate::nominal::Nominal;

use crate::units::Spoken;
use page::{BOLD, DIM, LEAD, Page, RULED, UNGRADED, wrap};

const MOST_FINDINGS: usize = 3;
const MOST_POINTS: usize = 6;
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
    findings(&mut page, &diagnosis.findings);
    operating_points(&mut page, diagnosis);
    page.line("");
    keep_up(&mut page, diagnosis);
    if let Some(used) = diagnosis.battery_use.as_ref().filter(|used| used.lasts_h.is_some()) {
        page.brief("Battery ", &used.told, 3);
    }
    load_steps(&mut page, &diagnosis.load_steps);
    lines(&mut page, &diagnosis.line_drop);
    if let Some(output) = &diagnosis.output {
        page.brief("Output  ", &output.statement, 2);
    }
    cannot_tell(&mut page, diagnosis);
    data_quality(&mut page, diagnosis);
    if let Some(dir) = report_dir {
        let report = dir.join("report.html").display().to_string();
        // Never broken in two: a path is there to be copied.
        page.line(&format!("{BOLD}Report{BOLD:#}  {}", plain(&report)));
    }
    page.text
}

fn verdict(page: &mut Page, diagnosis: &Diagnosis) {
    let style = match diagnosis.verdict.word {
        VerdictWord::KeepsUp => AnsiColor::Green.on_default(),
        VerdictWord::LittleInReserve => AnsiColor::Yellow.on_default(),
        VerdictWord::FallsShortAtIdle
        | VerdictWord::FallsShort
        | VerdictWord::Overcharges
        | VerdictWord::NotCharging => AnsiColor::Red.on_default(),
        VerdictWord::CannotTell => AnsiColor::Cyan.on_default(),
    }
    .bold();
    let file = shorten(&diagnosis.source.file, page.width.saturating_sub(34));
    let word = diagnosis.verdict.word.words().to_uppercase();
    page.line(&format!("{style}{word}{style:#}  {DIM}{file}{DIM:#}"));
    page.item("", &format::headline(&diagnosis.verdict), BOLD);
}

fn findings(page: &mut Page, findings: &[Finding]) {
    if findings.is_empty() {
        return;
    }
    page.heading("Findings");
    let mut worst_first: Vec<&Finding> = findings.iter().collect();
    worst_first.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
    for finding in worst_first.iter().take(MOST_FINDINGS) {
        let style = match finding.severity {
            Severity::Fault => AnsiColor::Red.on_default().bold(),
            Severity::Caution => AnsiColor::Yellow.on_default().bold(),
            Severity::Note => AnsiColor::Cyan.on_default(),
        };
        let word = format!("{:<8}", finding.severity.word());
        let room = page.width.saturating_sub(8);
        for (i, line) in wrap(&format::capital(&plain(&finding.statement)), room).iter().enumerate()
        {
            let lead = if i == 0 { format!("{style}{word}{style:#}") } else { " ".repeat(8) };
            page.line(&format!("{lead}{line}"));
        }
        if !finding.next_test.is_empty() {
            // A line: what to do; the reading that decides stands in the report.
            let test = format::whole_words(&finding.next_test, room.saturating_sub(6));
            page.line(&format!("        {DIM}Next: {test}{DIM:#}"));
        }
    }
    if let Some(more) = findings.len().checked_sub(MOST_FINDINGS).filter(|&n| n > 0) {
        page.item(
            "        ",
            &format!("{} in the report.", plural(more, "more finding", "more findings")),
            DIM,
        );
    }
}

fn operating_points(page: &mut Page, diagnosis: &Diagnosis) {
    let points = &diagnosis.operating_points;
    if points.is_empty() {
        page.item("", &format!("In brackets: 90 % interval. {UNGRADED}"), DIM);
        return;
    }
    page.heading("Operating points");
    let shown = telling(points);
    let roomy = page.width >= ROOMY;
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
    page.item("", &notes.join(" "), DIM);
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
fn telling(points: &[OperatingPoint]) -> Vec<&OperatingPoint> {
    let mut ranked: Vec<(usize, &OperatingPoint)> = points.iter().enumerate().collect();
    ranked.sort_by(|(_, a), (_, b)| b.state.cmp(&a.state).then(b.seconds.total_cmp(&a.seconds)));
    ranked.truncate(MOST_POINTS);
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
        (BusState::Limited, _, Some(short)) => Some(("short by", short)),
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
    page.item("Keep-up ", &format!("{loads}: {answer}"), Style::new());
}

/// How many, and the one that costs most; all of them stand in the report.
fn load_steps(page: &mut Page, steps: &[LoadStep]) {
    let cost = |step: &&LoadStep| step.answered && step.shift_v.value.is_finite();
    let worst = steps.iter().filter(cost).max_by(|a, b| {
        let volts = |step: &LoadStep| step.shift_v.value;
        volts(a).total_cmp(&volts(b))
    });
    let Some(worst) = worst.filter(|step| step.shift_v.value > 0.0) else { return };
    let detected = steps.iter().filter(|step| step.origin == Origin::Detected).count();
    let how = match detected {
        0 => String::new(),
        n if n == steps.len() => ", seen in the voltage alone".to_owned(),
        n => format!(", {n} seen in the voltage alone"),
    };
    let most = format!(
        "{}{how}; number {} costs most, {} at {}: {}",
        format::count(steps.len()),
        worst.number,
        shorten(&svg::what(worst), 30),
        SECOND.of(worst.at_s),
        VOLT.with_range(&worst.shift_v),
    );
    page.item("Steps   ", &most, Style::new());
}

/// The way that loses most, at its worst; all of them stand in the report. A
/// loop says less than its two sides where a tap parts them.
fn lines(page: &mut Page, drops: &[LineDrop]) {
    let parted = drops.iter().any(|d| d.side == Side::Supply);
    let whole = |d: &LineDrop| parted && d.side == Side::Loop && d.from == "alternator";
    let told = drops.iter().filter(|d| d.drop_v.value.is_finite() && !whole(d));
    let Some(worst) = told.max_by(|a, b| a.drop_v.value.total_cmp(&b.drop_v.value)) else {
        return;
    };
    let mut measured = vec![VOLT.with_range(&worst.drop_v)];
    measured.extend(worst.current_a.as_ref().map(|amps| AMP.with_range(amps)));
    measured.extend(worst.resistance_ohm.as_ref().map(|ohm| MILLIOHM.with_range(ohm)));
    let way = match worst.from.as_str() {
        "alternator" => worst.side.words().to_owned(),
        from => format!("{from} to {}", worst.to),
    };
    let grade = worst.drop_v.grade.word();
    let cable = worst.cable_ohm.as_ref().map_or_else(String::new, |cable| {
        format!("; cable alone {}", MILLIOHM.graded(Some(cable)))
    });
    let said = format!("{way}: at most {}, {grade}{cable}.", measured.join(", "));
    page.item("Lines   ", &said, Style::new());
}

/// What, in a few words each; why, and what would tell, stands in the report.
fn cannot_tell(page: &mut Page, diagnosis: &Diagnosis) {
    let items = &diagnosis.verdict.cannot_tell;
    if items.is_empty() {
        return;
    }
    // Where nothing can be told, why is the answer.
    if diagnosis.verdict.word == VerdictWord::CannotTell {
        items.iter().take(MOST_FINDINGS).for_each(|item| page.item("Unknown ", item, Style::new()));
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
    page.item("Unknown ", &format!("{said}."), DIM);
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
    page.item("Data    ", &parts.join(", "), Style::new());
    let most = page.width.saturating_mul(2).saturating_sub(30);
    let notices = source.notices.iter().take(MOST_NOTICES);
    let notices: Vec<String> = notices.map(|notice| format::whole_words(notice, most)).collect();
    if !notices.is_empty() {
        page.item("        ", &notices.join(" "), DIM);
    }
    if let Some(more) = source.notices.len().checked_sub(MOST_NOTICES).filter(|&n| n > 0) {
        let more = plural(more, "more choice made", "more choices made");
        page.item("        ", &format!("{more} while reading, in the report."), DIM);
    }
}
