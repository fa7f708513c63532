//! JSON as this project writes it, for other programs to read.

use std::io;

use serde::{Deserialize, Deserializer, Serialize};
use serde_json::ser::{CompactFormatter, Formatter, Serializer};

use crate::printable::is_unprintable;

/// Pretty JSON with a final newline. Numbers carry ten significant digits: more
/// than any sensor, and few enough that every reader gets the same number back,
/// so what is read from this text is written as this text again.
pub fn text<T: Serialize>(value: &T) -> String {
    let mut bytes = Vec::new();
    let layout = Layout { depth: 0, empty: false };
    let written = value.serialize(&mut Serializer::with_formatter(&mut bytes, layout));
    // Fails only where a map key is not a string, and no type here has such a map.
    debug_assert!(written.is_ok());
    bytes.push(b'\n');
    String::from_utf8(bytes)
        .unwrap_or_else(|error| String::from_utf8_lossy(error.as_bytes()).into_owned())
}

/// JSON cannot express NaN and has `null` instead, which is read as NaN.
pub fn or_nan<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(deserializer)?.unwrap_or(f64::NAN))
}

/// As [`or_nan`], for the lower end of an interval that has none.
pub fn or_lowest<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(deserializer)?.unwrap_or(f64::NEG_INFINITY))
}

/// As [`or_nan`], for the upper end of an interval that has none.
pub fn or_highest<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(deserializer)?.unwrap_or(f64::INFINITY))
}

/// A field a line; lists stay on one line, for a trace of 2,000 numbers is not
/// read by the line.
struct Layout {
    depth: usize,
    empty: bool,
}

impl Layout {
    fn new_line<W: ?Sized + io::Write>(&self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b"\n")?;
        (0..self.depth).try_for_each(|_| writer.write_all(b"  "))
    }
}

impl Formatter for Layout {
    fn write_f64<W: ?Sized + io::Write>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        let rounded = format!("{value:.9e}").parse().unwrap_or(value);
        CompactFormatter.write_f64(writer, rounded)
    }

    /// JSON leaves control characters above U+007E as they are, and direction
    /// overrides; escaped they mean the same, and a terminal does not obey them.
    fn write_string_fragment<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        fragment: &str,
    ) -> io::Result<()> {
        let mut rest = fragment;
        while let Some(at) = rest.find(is_unprintable) {
            let (before, from) = rest.split_at(at);
            writer.write_all(before.as_bytes())?;
            let mut chars = from.chars();
            if let Some(c) = chars.next() {
                let mut units = [0; 2];
                c.encode_utf16(&mut units)
                    .iter()
                    .try_for_each(|unit| write!(writer, "\\u{unit:04x}"))?;
            }
            rest = chars.as_str();
        }
        writer.write_all(rest.as_bytes())
    }

    fn begin_array_value<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        if first { Ok(()) } else { writer.write_all(b", ") }
    }

    fn begin_object<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.depth += 1;
        self.empty = true;
        writer.write_all(b"{")
    }

    fn begin_object_key<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        if !first {
            writer.write_all(b",")?;
        }
        self.empty = false;
        self.new_line(writer)
    }

    fn begin_object_value<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b": ")
    }

    fn end_object<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.depth = self.depth.saturating_sub(1);
        if !self.empty {
            self.new_line(writer)?;
        }
        self.empty = false;
        writer.write_all(b"}")
    }
}
