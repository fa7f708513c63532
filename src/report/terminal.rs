//! The summary for a mechanic in a hurry: verdict, findings, table, where the
//! rest lies. Styled with escape codes; the printer strips them where no
//! terminal is, and no code ever comes from the log itself.

use std::path::Path;

use anstyle::{AnsiColor, Style};
use comfy_table::{ColumnConstraint, ContentArrangement, LineStyle, Row, Table, TableStyle};

use super::svg;
use super::words::{self, AMP, SECOND, VOLT, columns, number, plain, plural, shorten};
use crate::diagnosis::{
    BusState, Diagnosis, Finding, Heat, LoadStep, OperatingPoint, Origin, Severity, VerdictWord,
};
use crate::estimate::Estimate;

const NARROWEST: usize = 60;
const MOST_FINDINGS: usize = 3;
const MOST_POINTS: usize = 8;
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
        page.line("");
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

    /// A table whose `flexible` column gives way where the page is narrow.
    fn table(
        &mut self,
        style: TableStyle,
        heads: &[&str],
        flexible: usize,
        rows: Vec<Vec<String>>,
    ) {
        let mut table = Table::new();
        table
            .load_style(style)
            .set_content_arrangement(ContentArrangement::Dynamic)
            .set_width(self.width.min(usize::from(u16::MAX)) as u16)
            .set_header(Row::from(heads.to_vec()));
        table.add_rows(rows);
        for (i, column) in table.column_iter_mut().enumerate() {
            column.set_padding((0, if i + 1 == heads.len() { 0 } else { 2 }));
            if i != flexible {
                column.set_constraint(ColumnConstraint::ContentWidth);
            }
        }
        let drawn = table.to_string();
        for line in drawn.lines() {
            self.line(line.trim_end());
        }
    }
}

const RULED: TableStyle =
    TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─'));
const RULED_ROWS: TableStyle = RULED.row_separator(LineStyle::none().fill('┄').junction('┄'));

/// Lines of at most `width` columns, broken at spaces; a longer word is cut.
fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && columns(&line) + 1 + columns(word) > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        for letter in word.chars() {
            line.push(letter);
            if columns(&line) > width {
                line.pop();
                lines.push(std::mem::replace(&mut line, letter.to_string()));
            }
        }
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
        return;
    }
    page.heading("Operating points");
    let shown = telling(points);
    let rows = shown.iter().map(|point| {
        let speed = match words::rpm_band(point.rpm_low, point.rpm_high) {
            Some(band) => format!("{band} rpm"),
            None => "rpm not told".to_owned(),
        };
        let heat = match point.heat {
            Heat::Unknown => "heat not told",
            known => known.word(),
        };
        vec![
            shorten(&words::loads(&point.loads), 90),
            format!("{speed}\n{heat}, {} s", number(point.seconds, 0)),
            format!("{}\n{}", VOLT.of(point.voltage_v.value), VOLT.range(&point.voltage_v)),
            format!("{}\n{} sure", point.state.word(), share(point.state_confidence)),
            amps(point),
        ]
    });
    let heads = ["loads on", "at", "volts (90 %)", "state", "amps (90 %)"];
    page.table(RULED_ROWS, &heads, 0, rows.collect());
    if points.len() > shown.len() {
        let more = plural(points.len() - shown.len(), "more point", "more points");
        page.item("", &format!("{more} in the report."), DIM);
    }
    if shown.iter().all(|point| point.state == BusState::Holding) {
        return;
    }
    let words = "Slipping: below the setpoint, but the battery still charges. \
                 Draining: the battery gives amps.";
    page.item("", words, DIM);
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
    if part.is_finite() { format!("{} %", number(part * 100.0, 0)) } else { "not told".into() }
}

/// What the point costs: from the battery where it drains, of the alternator where it slips.
fn amps(point: &OperatingPoint) -> String {
    let told = |lead: &str, e: &Estimate| {
        format!("{lead} {}\n{}, {}", AMP.of(e.value), AMP.range(e), e.grade.word())
    };
    match (point.state, &point.implied_deficit_a, &point.regulation_shortfall_a) {
        (BusState::Draining, Some(deficit), _) => told("gives", deficit),
        (BusState::Slipping, _, Some(short)) => told("short by", short),
        (BusState::Holding, _, _) => "none short".to_owned(),
        _ => "not told".to_owned(),
    }
}

fn load_steps(page: &mut Page, steps: &[LoadStep]) {
    if steps.is_empty() {
        return;
    }
    let detected = steps.iter().filter(|step| step.origin == Origin::Detected).count();
    let how = match detected {
        0 => String::new(),
        n if n == steps.len() => ", seen in the voltage alone".to_owned(),
        n => format!(", {n} of them seen in the voltage alone"),
    };
    page.heading(&format!("Load steps ({}{how})", steps.len()));
    let room = page.width.saturating_sub(62).max(10);
    let rows = steps.iter().take(MOST_STEPS).map(|step| {
        let (from, to) = (step.baseline_v.value, step.settled_v.value);
        vec![
            step.number.to_string(),
            SECOND.of(step.at_s),
            shorten(&svg::what(step), room),
            format!("{} to {}", VOLT.bare(from), VOLT.of(to)),
            if step.answered { VOLT.with_range(&step.shift_v) } else { "no answer".to_owned() },
            VOLT.of(step.trough_v),
        ]
    });
    let heads = ["", "at", "step", "settles", "shift (90 %)", "trough"];
    page.table(RULED, &heads, 2, rows.collect());
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
        if skipped == 0 {
            "none skipped".into()
        } else {
            format!("{} skipped", words::count(skipped))
        },
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
