//! The sheet that a terminal shows: lines, hanging text, tables.

use anstyle::Style;
use comfy_table::{ColumnConstraint, ContentArrangement, LineStyle, Row, Table, TableStyle};

use crate::report::format::{columns, plain, shorten};

const NARROWEST: usize = 60;
/// Columns before an item: "Unknown  ".
pub const LEAD: usize = 9;

pub const BOLD: Style = Style::new().bold();
pub const DIM: Style = Style::new().dimmed();

/// Stands for the grade of most numbers: what is less than measured says so.
pub const UNGRADED: &str = "Where no grade is named: measured.";

/// Text as it grows, of lines of at most `width` columns.
pub struct Page {
    pub text: String,
    pub width: usize,
}

impl Page {
    /// Of `width` columns, or of 80 where less than 60 is asked.
    pub fn new(width: usize) -> Page {
        Page { text: String::new(), width: if width < NARROWEST { 80 } else { width } }
    }

    /// A line as it is: `line` may carry styles, and log text already made plain.
    pub fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    pub fn heading(&mut self, title: &str) {
        self.line(&format!("\n{BOLD}{title}{BOLD:#}"));
    }

    /// Plain text broken into lines; those after the first hang under the lead.
    pub fn item(&mut self, lead: &str, text: &str, style: Style) {
        let hang = lead.chars().count();
        for (i, line) in wrap(&plain(text), self.width.saturating_sub(hang)).iter().enumerate() {
            let before = if i == 0 { lead.to_owned() } else { " ".repeat(hang) };
            self.line(&format!("{before}{style}{line}{style:#}"));
        }
    }

    /// As many whole sentences as so many lines hold, or the part of the first
    /// that they do; all of the text stands in the report.
    pub fn brief(&mut self, lead: &str, text: &str, lines: usize) {
        let room = lines * self.width.saturating_sub(LEAD + 4);
        let text = plain(text);
        let ends = text.match_indices(". ").map(|(at, _)| at + 1).chain([text.len()]);
        let whole = ends.filter(|end| text.get(..*end).is_some_and(|t| columns(t) <= room)).last();
        let said = match whole {
            Some(end) => text.get(..end).unwrap_or("").to_owned(),
            None => shorten(&text, room),
        };
        self.item(lead, &said, Style::new());
    }

    /// A table whose `flexible` columns give way where the page is narrow.
    pub fn table(
        &mut self,
        style: TableStyle,
        heads: &[&str],
        flexible: &[usize],
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
            if !flexible.contains(&i) {
                column.set_constraint(ColumnConstraint::ContentWidth);
            }
        }
        let drawn = table.to_string();
        for line in drawn.lines() {
            self.line(line.trim_end());
        }
    }
}

pub const RULED: TableStyle =
    TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─'));

/// Lines of at most `width` columns, broken at spaces; a longer word is cut.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
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
