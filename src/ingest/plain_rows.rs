//! The fast route: reads a table in which every row is one line of plain numbers, in one pass
//! on all cores.
//!
//! The result is the same as on the careful route, because both use the same rules for numbers
//! and missing cells. Anything else (quotes, words, rows of another width, blank rows) makes it
//! give up, and the careful route reads the file.

use memchr::{memchr, memchr_iter};

use super::number;
use crate::parallel::{cores, on_each, shared};
use crate::stats::min_max::Extent;

/// Less text than this is not worth another thread.
const SHARE_BYTES: usize = 1 << 20;
/// Number of digits, and powers of ten, that a float holds exactly.
const EXACT_DIGITS: usize = 15;
const TENS: [f64; 16] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];

/// How the cells of a table are arranged.
#[derive(Clone, Copy)]
pub struct Cells<'a> {
    pub separator: u8,
    pub decimal: u8,
    /// Cells per row.
    pub width: usize,
    /// Indices of the columns to read, in rising order.
    pub used: &'a [usize],
}

/// Reads the used columns of `text`; `None` if a row is not plain.
pub fn columns(text: &str, cells: Cells) -> Option<Vec<(Vec<f64>, Extent)>> {
    let parts = parts(text, cores().min(text.len() / SHARE_BYTES).max(1));
    let read = |part| {
        let mut columns = vec![Vec::new(); cells.used.len()];
        lines_into(part, cells, &mut columns).then_some(columns)
    };
    let read = &read;
    let mut parts = on_each(parts.into_iter().map(|part| move || read(part)).collect()).into_iter();
    let mut columns = parts.next()??;
    for part in parts {
        columns.iter_mut().zip(part?).for_each(|(column, part)| column.extend(part));
    }
    let extents = shared(&columns, 1, |part| {
        part.iter().map(|column| Extent::of(column)).collect::<Vec<_>>()
    });
    Some(columns.into_iter().zip(extents.concat()).collect())
}

/// Reads lines into `columns`, one for each used column. Returns false if a row is not plain.
pub fn lines_into(text: &str, cells: Cells, columns: &mut [Vec<f64>]) -> bool {
    let rows = rows_of(text);
    columns.iter_mut().for_each(|column| column.resize(rows, 0.0));
    !cells.used.is_empty() && memchr(b'"', text.as_bytes()).is_none() && read(text, cells, columns)
}

/// Splits a text into `count` parts of about equal length, at line ends.
fn parts(text: &str, count: usize) -> Vec<&str> {
    let mut parts = Vec::with_capacity(count);
    let mut rest = text;
    for left in (2..=count).rev() {
        let about = rest.len() / left;
        let end = rest.as_bytes().iter().skip(about).position(|&byte| byte == b'\n');
        let Some((part, others)) = end.and_then(|end| rest.split_at_checked(about + end + 1))
        else {
            break;
        };
        parts.push(part);
        rest = others;
    }
    parts.push(rest);
    parts
}

fn rows_of(text: &str) -> usize {
    let ends = memchr_iter(b'\n', text.as_bytes()).count();
    ends + usize::from(!text.is_empty() && !text.ends_with('\n'))
}

fn read(text: &str, cells: Cells, columns: &mut [Vec<f64>]) -> bool {
    let mut at = 0;
    let rows = columns.first().map_or(0, Vec::len);
    for row in 0..rows {
        let mut wanted = cells.used.iter().zip(columns.iter_mut()).peekable();
        // A row without any number may be blank, or not a data row.
        let mut has_number = false;
        for index in 0..cells.width {
            let end = match wanted.next_if(|(used, _)| **used == index) {
                Some((_, column)) => {
                    let Some((value, end)) = cell(text, at, cells) else { return false };
                    has_number |= !value.is_nan();
                    let Some(slot) = column.get_mut(row) else { return false };
                    *slot = value;
                    end
                }
                None => end_of_cell(text.as_bytes(), at, cells.separator),
            };
            let last = index + 1 == cells.width;
            let bytes = text.as_bytes();
            at = match (bytes.get(end), bytes.get(end + 1)) {
                (Some(&byte), _) if byte == cells.separator && !last => end + 1,
                (Some(b'\n'), _) if last => end + 1,
                (Some(b'\r'), Some(b'\n')) if last => end + 2,
                (Some(b'\r'), None) if last => end + 1,
                (None, _) if last => end,
                _ => return false,
            };
        }
        if !has_number {
            return false;
        }
    }
    at == text.len()
}

/// Where the cell that begins at `at` ends: at a separator, a line end or the end of the text.
fn end_of_cell(bytes: &[u8], at: usize, separator: u8) -> usize {
    let rest = bytes.get(at..).unwrap_or(&[]);
    let ends = |&byte: &u8| byte == separator || matches!(byte, b'\n' | b'\r');
    at + rest.iter().position(ends).unwrap_or(rest.len())
}

/// The number that begins at `at` (NaN for a missing value), and where the cell ends.
fn cell(text: &str, at: usize, cells: Cells) -> Option<(f64, usize)> {
    let bytes = text.as_bytes();
    let mut i = at;
    let negative = bytes.get(i) == Some(&b'-');
    i += usize::from(negative);
    let (mut digits, mut mantissa, mut whole) = (0usize, 0u64, None);
    while let Some(&byte) = bytes.get(i) {
        match byte {
            b'0'..=b'9' => {
                mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(byte - b'0'));
                digits += 1;
            }
            _ if byte == cells.decimal && whole.is_none() => whole = Some(digits),
            _ => break,
        }
        i += 1;
    }
    let ends =
        bytes.get(i).is_none_or(|&byte| byte == cells.separator || matches!(byte, b'\n' | b'\r'));
    let places = whole.map_or(0, |whole| digits - whole);
    // Both the digits and the power of ten are exact, so that one division rounds correctly.
    if let Some(scale) = TENS.get(places)
        && ends
        && (1..=EXACT_DIGITS).contains(&digits)
    {
        let value = mantissa as f64 / scale;
        return Some((if negative { -value } else { value }, i));
    }
    let end = end_of_cell(bytes, at, cells.separator);
    let cell = text.get(at..end)?;
    match number::plain(cell.trim(), cells.decimal) {
        Some(value) => Some((value, end)),
        None => number::is_missing(cell).then_some((f64::NAN, end)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn values(text: &str, cells: Cells) -> Option<Vec<Vec<f64>>> {
        Some(columns(text, cells)?.into_iter().map(|(values, _)| values).collect())
    }

    /// This was once read as a positive zero.
    #[test]
    fn a_negative_zero_is_one() {
        let cells = Cells { separator: b',', decimal: b'.', width: 1, used: &[0] };
        for text in ["-0", "-0.0", "-0.000e00"] {
            let read = values(text, cells).map(|columns| columns[0][0].to_bits());
            assert_eq!(read, Some((-0.0f64).to_bits()), "{text}");
        }
    }

    proptest! {
        // Failures become named tests, so that no file of seeds is left behind.
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        /// The standard library rounds to the nearest float (IEEE 754), and so must this.
        #[test]
        fn a_cell_is_the_nearest_float(text in "-?[0-9]{1,17}(\\.[0-9]{0,16})?(e-?[0-9]{1,2})?") {
            let cells = Cells { separator: b',', decimal: b'.', width: 1, used: &[0] };
            let known: f64 = text.parse().expect("a number");
            let read = values(&text, cells).map(|columns| columns[0][0].to_bits());
            prop_assert_eq!(read, Some(known.to_bits()));
        }
    }
}
