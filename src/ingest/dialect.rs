//! Determines separator, quotes and decimal mark from how well each choice fits a sample.

use csv::{ReaderBuilder, StringRecord};

use super::number;
use super::stamp;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Separator {
    Byte(u8),
    /// Runs of blanks; `wide` if a single blank may be part of a name.
    Space {
        wide: bool,
    },
    /// One column.
    None,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dialect {
    pub separator: Separator,
    pub decimal: u8,
    pub quoting: bool,
}

/// Used for "no separator": this byte occurs in no text that was decoded.
const NO_SEPARATOR: u8 = 0x1f;
const ROWS_TRIED: usize = 1500;

impl Dialect {
    pub fn word(&self) -> &'static str {
        match self.separator {
            Separator::Byte(b',') => "comma",
            Separator::Byte(b';') => "semicolon",
            Separator::Byte(b'\t') => "tab",
            Separator::Byte(_) => "pipe",
            Separator::Space { .. } => "space",
            Separator::None => "none",
        }
    }

    /// The byte between cells after [`Dialect::align`].
    pub fn byte(&self) -> u8 {
        match self.separator {
            Separator::Byte(byte) => byte,
            Separator::Space { .. } => b'\t',
            Separator::None => NO_SEPARATOR,
        }
    }

    /// Converts runs of blanks between cells to one tab. Other dialects are not changed.
    pub fn align(&self, text: &str) -> Option<String> {
        let Separator::Space { wide } = self.separator else { return None };
        let mut aligned = String::with_capacity(text.len());
        for line in text.split_inclusive('\n') {
            align_line(line.trim(), wide, &mut aligned);
            if line.ends_with('\n') {
                aligned.push('\n');
            }
        }
        Some(aligned)
    }

    pub fn reader<'a>(&self, text: &'a str) -> csv::Reader<&'a [u8]> {
        ReaderBuilder::new()
            .delimiter(self.byte())
            .quoting(self.quoting)
            .has_headers(false)
            .flexible(true)
            .from_reader(text.as_bytes())
    }

    /// The first rows of a text.
    pub fn rows(&self, text: &str, limit: usize) -> Vec<StringRecord> {
        self.reader(text).into_records().take(limit).filter_map(Result::ok).collect()
    }
}

fn align_line(line: &str, wide: bool, out: &mut String) {
    let mut blanks = 0usize;
    let mut quoted = false;
    for c in line.chars() {
        if !quoted && matches!(c, ' ' | '\t' | '\u{a0}') {
            blanks += if c == '\t' { 2 } else { 1 };
            continue;
        }
        if blanks > 0 {
            out.push(if !wide || blanks > 1 { '\t' } else { ' ' });
            blanks = 0;
        }
        quoted ^= c == '"';
        out.push(c);
    }
}

/// The dialect that splits the sample into the most uniform and most readable cells.
pub fn sniff(sample: &str) -> Dialect {
    let hint = declared(sample);
    let candidates = [
        Separator::Byte(b';'),
        Separator::Byte(b'\t'),
        Separator::Byte(b','),
        Separator::Byte(b'|'),
        Separator::Space { wide: true },
        Separator::Space { wide: false },
    ];
    let small = head_rows(sample);
    let lines = || small.lines().filter(|line| !line.trim().is_empty());
    let tabbed = 2 * lines().filter(|line| line.trim().contains('\t')).count() > lines().count();
    let mut best: Option<(f64, Dialect)> = None;
    for separator in candidates {
        for quoting in [true, false] {
            if !quoting && !small.contains('"') {
                continue;
            }
            let dialect = Dialect { separator, decimal: b'.', quoting };
            let mut score = fit(&dialect, small);
            if !quoting {
                // Prefer to treat quotes as quotes.
                score *= 0.95;
            }
            if matches!(separator, Separator::Space { .. }) {
                // If lines contain tabs, a blank is part of a cell, such as between date and time.
                score *= if tabbed { 0.7 } else { 0.9 };
            }
            if hint == Some(separator) {
                score += 1.0;
            }
            if best.is_none_or(|(top, _)| score > top + 1e-9) {
                best = Some((score, dialect));
            }
        }
    }
    let alone = Dialect { separator: Separator::None, decimal: b'.', quoting: true };
    let mut dialect = match best {
        Some((score, dialect)) if score > 0.2 => dialect,
        _ => alone,
    };
    if one_column_of_decimal_commas(&dialect, small) {
        dialect = alone;
    }
    dialect.decimal = decimal_mark(&dialect, small);
    dialect
}

/// `sep=;` in the first line, as spreadsheets write it.
fn declared(sample: &str) -> Option<Separator> {
    let line = sample.lines().next()?;
    let mark = line.trim_end_matches(['\r', ',']).strip_prefix("sep=")?;
    match *mark.as_bytes().first()? {
        byte @ (b',' | b';' | b'\t' | b'|') => Some(Separator::Byte(byte)),
        _ => None,
    }
}

fn head_rows(sample: &str) -> &str {
    // Only the head of a long sample is tried: blocks from further down come last.
    const TRIED: usize = 1 << 18;
    if sample.len() <= TRIED {
        return sample;
    }
    let end = (0..=TRIED).rev().find(|&i| sample.is_char_boundary(i)).unwrap_or(0);
    sample
        .get(..end)
        .and_then(|head| head.rfind('\n').and_then(|at| head.get(..at)))
        .unwrap_or(sample)
}

/// Most frequent number of cells above one, and the share of filled rows that have it.
fn even_width(rows: &[StringRecord]) -> Option<(usize, f64)> {
    let mut counts = std::collections::BTreeMap::<usize, usize>::new();
    let mut filled = 0usize;
    for row in rows {
        if row.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        filled += 1;
        *counts.entry(row.len()).or_default() += 1;
    }
    let (&width, &count) = counts
        .iter()
        .filter(|(width, _)| **width > 1)
        .max_by_key(|(width, count)| (**count, **width))?;
    Some((width, count as f64 / filled.max(1) as f64))
}

fn fit(dialect: &Dialect, sample: &str) -> f64 {
    let aligned = dialect.align(sample);
    let rows = dialect.rows(aligned.as_deref().unwrap_or(sample), ROWS_TRIED);
    let Some((width, evenness)) = even_width(&rows) else { return 0.0 };
    let (mut cells, mut readable, mut numbers) = (0usize, 0usize, 0usize);
    for row in rows.iter().filter(|row| row.len() == width) {
        for cell in row {
            cells += 1;
            // A quoted cell was split at a comma inside it: "13,8".
            if !dialect.quoting && cell.starts_with('"') != cell.ends_with('"') {
                continue;
            }
            let number = is_number(cell) || stamp::parse_any(cell).is_some();
            numbers += usize::from(number);
            readable += usize::from(
                number
                    || number::is_missing(cell)
                    || number::switch(cell).is_some()
                    || !cell.contains([';', '\t', '|', '\n'])
                        && !cell.starts_with(|c: char| c.is_ascii_digit())
                        && !cell.starts_with(','),
            );
        }
    }
    let cells = cells.max(1) as f64;
    let (readable, numbers) = (readable as f64 / cells, numbers as f64 / cells);
    evenness * readable * readable * (0.3 + 0.7 * numbers.min(1.0)) + 1e-3 * width.min(20) as f64
}

fn is_number(cell: &str) -> bool {
    number::parse_with_unit(cell, b'.').is_some() || number::parse_with_unit(cell, b',').is_some()
}

/// `13,8` on every line under a header of one name is a decimal comma, not two columns.
fn one_column_of_decimal_commas(dialect: &Dialect, sample: &str) -> bool {
    if dialect.separator != Separator::Byte(b',') {
        return false;
    }
    let mut lines = sample.lines().map(str::trim).filter(|line| !line.is_empty());
    let pair = |line: &str| {
        line.split_once(',').is_some_and(|(whole, part)| {
            let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
            digits(whole.trim_start_matches('-')) && digits(part) && part.len() <= 4
        })
    };
    let Some(first) = lines.next() else { return false };
    let header_alone = !first.contains(',') && first.chars().any(char::is_alphabetic);
    header_alone
        && lines.clone().count() > 0
        && lines.all(|line| pair(line) || number::is_missing(line))
}

/// Each cell votes for comma or point: the last mark, or the only one, unless three digits
/// follow it.
fn decimal_mark(dialect: &Dialect, sample: &str) -> u8 {
    let aligned = dialect.align(sample);
    let rows = dialect.rows(aligned.as_deref().unwrap_or(sample), ROWS_TRIED);
    let (mut comma, mut point, mut comma_unsure) = (0usize, 0usize, 0usize);
    for cell in rows.iter().flat_map(|row| row.iter()) {
        let cell = number::strip(cell);
        let digits_end =
            cell.find(|c: char| c.is_alphabetic() || c == '%' || c == '°').unwrap_or(cell.len());
        let digits = cell.get(..digits_end).unwrap_or(cell).trim();
        if !digits
            .bytes()
            .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b',' | b'-' | b'+' | b' ' | b'\''))
        {
            continue;
        }
        match (digits.rfind(','), digits.rfind('.')) {
            (Some(c), Some(p)) if c > p => comma += 1,
            (Some(_), Some(_)) => point += 1,
            (Some(c), None) => {
                let behind = digits.len() - c - 1;
                let leading_zero = digits.trim_start_matches(['-', '+']).starts_with("0,");
                if digits.matches(',').count() > 1 {
                    point += 1;
                } else if behind != 3 || leading_zero {
                    comma += 1;
                } else {
                    comma_unsure += 1;
                }
            }
            (None, Some(p)) => {
                if digits.matches('.').count() == 1 && digits.len() - p - 1 != 3 {
                    point += 1;
                }
            }
            (None, None) => {}
        }
    }
    // If a comma separates cells, an unquoted cell contains none, so any vote is from quoted cells.
    let unsure_is_decimal = comma_unsure > 0 && point == 0 && dialect.byte() != b',';
    if comma > point || (comma == point && comma > 0) || (comma == 0 && unsure_is_decimal) {
        b','
    } else {
        b'.'
    }
}
