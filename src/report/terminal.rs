//! The summary for a mechanic in a hurry: verdict, findings, table, where the
//! rest lies. Styled with escape codes; the printer strips them where no
//! terminal is, and no code ever comes from the log itself.

use std::path::Path;

use anstyle::{AnsiColor, Style};
use comfy_table::{ContentArrangement, Row, Table, presets};

use super::words::{self, AMP, SECOND, VOLT, number, plain, plural, shorten};
use super::{svg, tables};
use crate::diagnosis::{
    BusState, Diagnosis, Finding, LoadStep, OperatingPoint, Severity, VerdictWord,
};
use crate::estimate::Estimate;

const NARROWEST: usize = 60;
const MOST_FINDINGS: usize = 3;
const MOST_POINTS: usize = 14;
const MOST_STEPS: usize = 12;

const BOLD: Style = Style::new().bold();
const DIM: Style = Style::new().dimmed();

/// Text of at most `width` columns a line (80 where less than 60 is asked),
/// ending in a newline.
pub fn terminal(diagnosis: &Diagnosis, report_dir: Option<&Path>, width: usize) -> String {
    let mut page = Page { text: String::new(), width: if width < NARROWEST { 80 } else { width } };
    verdict(&mut page, diagnosis);
    findings(&mut page, &diagnosis.findings);
    operating_points(&mut page, diagnosis);
    load_steps(&mut page, &diagnosis.load_steps);
    if !diagnosis.verdict.cannot_tell.is_empty() {
        page.heading("Cannot tell");
        for item in &diagnosis.verdict.cannot_tell {
            page.item("- ", item, Style::new());
        }
    }
    data_quality(&mut page, diagnosis);
    if let Some(dir) = report_dir {
        let report = dir.join("report.html").display().to_string();
        page.line(&format!("{BOLD}Report{BOLD:#}  {}", plain(&report)));
    }
    page.text
}

struct Page {
    text: String,
    width: usize,
}

impl Page {
    /// A line as it is: `line` may carry styles, and log text already made plain.
    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    fn heading(&mut self, title: &str) {
        self.line(&format!("\n{BOLD}{title}{BOLD:#}"));
    }

    /// Plain text broken into lines; those after the first hang under the lead.
    fn item(&mut self, lead: &str, text: &str, style: Style) {
        let hang = lead.chars().count();
        for (i, line) in wrap(&plain(text), self.width.saturating_sub(hang)).iter().enumerate() {
            let before = if i == 0 { lead.to_owned() } else { " ".repeat(hang) };
            self.line(&format!("{before}{style}{line}{style:#}"));
        }
    }

    fn table(&mut self, heads: &[&str], rows: Vec<Vec<String>>) {
        let mut table = Table::new();
        table
            .load_style(presets::UTF8_HORIZONTAL_ONLY)
            .set_content_arrangement(ContentArrangement::Dynamic)
            .set_width(self.width.min(usize::from(u16::MAX)) as u16)
            .set_header(Row::from(heads.to_vec()));
        table.add_rows(rows);
        let drawn = table.to_string();
        for line in drawn.lines() {
            self.line(line.trim_end());
        }
    }
}

/// Lines of at most `width` characters, broken at spaces; a longer word is cut.
fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let mut word: Vec<char> = word.chars().collect();
        let used = line.chars().count();
        if used > 0 && used + 1 + word.len() > width {
            lines.push(std::mem::take(&mut line));
        }
        while word.len() > width.max(1) {
            lines.push(word.drain(..width.max(1)).collect());
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.extend(word);
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    lines
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
    page.item("", &diagnosis.verdict.headline, BOLD);
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
        for (i, line) in wrap(&plain(&finding.statement), room).iter().enumerate() {
            let lead = if i == 0 { format!("{style}{word}{style:#}") } else { " ".repeat(8) };
            page.line(&format!("{lead}{line}"));
        }
        if !finding.next_test.is_empty() {
            let test = words::first_sentence(&finding.next_test, room.saturating_mul(2) - 8);
            page.item("        ", &format!("Next: {test}"), DIM);
        }
    }
    if let Some(more) = findings.len().checked_sub(MOST_FINDINGS).filter(|&n| n > 0) {
        page.item("        ", &format!("{} in the report.", plural(more, "more finding", "more findings")), DIM);
    }
}

fn operating_points(page: &mut Page, diagnosis: &Diagnosis) {
    let points = &diagnosis.operating_points;
    if points.is_empty() {
        return;
    }
    page.heading("Operating points");
    let room = page.width.saturating_sub(62).max(14);
    let rows = points.iter().take(MOST_POINTS).map(|point| {
        vec![
            shorten(&words::loads(&point.loads), room * 3),
            words::rpm_band(point.rpm_low, point.rpm_high).unwrap_or_else(|| "not told".into()),
            format!("{}\n{}", point.heat.word(), number(point.seconds, 0) + " s"),
            format!("{}\n{}", VOLT.of(point.voltage_v.value), VOLT.range(&point.voltage_v)),
            format!("{}\n{} sure", point.state.word(), share(point.state_confidence)),
            amps(point),
        ]
    });
    page.table(&["loads on", "rpm", "heat", "volts", "state", "amps"], rows.collect());
    if points.len() > MOST_POINTS {
        let more = plural(points.len() - MOST_POINTS, "more point", "more points");
        page.item("", &format!("{more} in the report."), DIM);
    }
    page.item("", "Second lines give the 90 % interval. Draining: the battery gives amps. \
        Slipping: below the setpoint, the battery still charges.", DIM);
}

fn share(part: f64) -> String {
    if part.is_finite() { format!("{} %", number(part * 100.0, 0)) } else { "not told".into() }
}

/// What the point costs: from the battery where it drains, of the alternator where it slips.
fn amps(point: &OperatingPoint) -> String {
    let told = |lead: &str, e: &Estimate| {
        format!("{lead} {}\n{}, {}", AMP.of(e.value), AMP.range(e), e.grade.word())
    };
    match (point.state, &point.implied_deficit_a, &point.regulation_shortfall_a) {
        (BusState::Draining, Some(deficit), _) => told("battery gives", deficit),
        (BusState::Slipping, _, Some(short)) => told("short by", short),
        (BusState::Holding, _, _) => "none short".to_owned(),
        _ => "not told".to_owned(),
    }
}

fn load_steps(page: &mut Page, steps: &[LoadStep]) {
    if steps.is_empty() {
        return;
    }
    page.heading(&format!("Load steps ({})", steps.len()));
    let room = page.width.saturating_sub(52).max(14);
    let rows = steps.iter().take(MOST_STEPS).map(|step| {
        let answer = if step.answered { "" } else { " (no answer)" };
        vec![
            step.number.to_string(),
            SECOND.of(step.at_s),
            shorten(&svg::what(step), room) + answer,
            format!("{} to {}", VOLT.bare(step.baseline_v.value), VOLT.of(step.settled_v.value)),
            VOLT.with_range(&step.shift_v),
            format!("{}, {}", VOLT.of(step.trough_v), tables::origin(step)),
        ]
    });
    page.table(&["", "at", "step", "settles", "shift (90 %)", "trough"], rows.collect());
    if steps.len() > MOST_STEPS {
        let more = plural(steps.len() - MOST_STEPS, "more step", "more steps");
        page.item("", &format!("{more} in the report."), DIM);
    }
}

fn data_quality(page: &mut Page, diagnosis: &Diagnosis) {
    let source = &diagnosis.source;
    let skipped: usize = source.rows_skipped.iter().map(|s| s.count).sum();
    let mut parts = vec![
        format!("{} read", plural(source.rows_read, "row", "rows")),
        if skipped == 0 { "none skipped".into() } else { format!("{} skipped", words::count(skipped)) },
    ];
    if source.bad_cells > 0 {
        parts.push(plural(source.bad_cells, "bad cell", "bad cells"));
    }
    if !source.gaps.is_empty() {
        parts.push(plural(source.gaps.len(), "gap", "gaps"));
    }
    parts.push(match source.resolution_v {
        Some(step) => format!("resolution {} V", number(step, 3)),
        None => "resolution finer than the noise".to_owned(),
    });
    parts.push(format!("a sample every {} s", number(source.sample_interval_s, 3)));
    page.line("");
    page.item("Data  ", &parts.join(", "), Style::new());
    for notice in source.notices.iter().take(4) {
        page.item("      ", notice, DIM);
    }
}
