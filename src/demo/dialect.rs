//! File formats of loggers: separators, clocks, units, encodings.

use chrono::{NaiveDateTime, TimeDelta};

use super::logger::{Channel, LoadWords, Shows};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    Utf8,
    Utf8Bom,
    Utf16Le,
    Windows1252,
}

/// Where the units are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UnitStyle {
    /// "voltage (V)"
    Parentheses,
    /// "voltage [V]"
    Brackets,
    /// "voltage_V"
    Suffix,
    /// In a row of their own under the header.
    Row,
    Absent,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    /// 12.345
    Seconds,
    Milliseconds,
    /// 0:00:12.345 from the start of the log
    Elapsed,
    /// 14:03:12.345
    TimeOfDay,
    /// 2031-05-04T14:03:12.345
    Iso,
    /// Date and time in two columns.
    DateAndTime,
    /// Days since 1899-12-30, as in spreadsheets.
    SpreadsheetDays,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dialect {
    pub separator: char,
    pub decimal: char,
    pub line_end: &'static str,
    pub encoding: Encoding,
    pub units: UnitStyle,
    pub clock: Clock,
    pub time_header: String,
    pub preamble: Vec<String>,
}

impl Dialect {
    /// Commas, points, LF, UTF-8, units in parentheses, seconds.
    pub fn plain() -> Self {
        Dialect {
            separator: ',',
            decimal: '.',
            line_end: "\n",
            encoding: Encoding::Utf8,
            units: UnitStyle::Parentheses,
            clock: Clock::Seconds,
            time_header: "time".into(),
            preamble: Vec::new(),
        }
    }

    /// Writes the file: `written[i]` are the numbers of `channels[i]`, one for each of `time_s`.
    pub fn write(
        &self,
        started_at: NaiveDateTime,
        time_s: &[f64],
        channels: &[Channel],
        written: &[Vec<f64>],
    ) -> Vec<u8> {
        let mut text = String::new();
        for line in &self.preamble {
            text.push_str(line);
            text.push_str(self.line_end);
        }
        self.push_header(&mut text, channels);
        for (row, &t_s) in time_s.iter().enumerate() {
            let mut cells = self.clock_cells(started_at, t_s);
            for (channel, numbers) in channels.iter().zip(written) {
                cells.push(numbers.get(row).map_or(String::new(), |&n| self.cell(channel, n)));
            }
            self.push_row(&mut text, &cells);
        }
        self.encode(&text)
    }

    fn push_row(&self, text: &mut String, cells: &[String]) {
        text.push_str(&cells.join(&self.separator.to_string()));
        text.push_str(self.line_end);
    }

    fn push_header(&self, text: &mut String, channels: &[Channel]) {
        let time_unit = match self.clock {
            Clock::Seconds => "s",
            Clock::Milliseconds => "ms",
            _ => "",
        };
        let mut names = vec![(self.time_header.as_str(), time_unit)];
        if self.clock == Clock::DateAndTime {
            names.insert(0, ("date", ""));
        }
        names.extend(channels.iter().map(|c| (c.header.as_str(), c.unit.as_str())));
        let header: Vec<String> =
            names.iter().map(|&(name, unit)| self.titled(name, unit)).collect();
        self.push_row(text, &header);
        if self.units == UnitStyle::Row {
            let units: Vec<String> = names.iter().map(|&(_, unit)| unit.to_owned()).collect();
            self.push_row(text, &units);
        }
    }

    fn titled(&self, name: &str, unit: &str) -> String {
        match self.units {
            _ if unit.is_empty() => name.to_owned(),
            UnitStyle::Parentheses => format!("{name} ({unit})"),
            UnitStyle::Brackets => format!("{name} [{unit}]"),
            UnitStyle::Suffix => format!("{name}_{unit}"),
            UnitStyle::Row | UnitStyle::Absent => name.to_owned(),
        }
    }

    fn number(&self, value: f64, decimals: usize) -> String {
        let plain = format!("{value:.decimals$}");
        // No logger writes "-0.00".
        let plain = match plain.strip_prefix('-') {
            Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
            _ => plain,
        };
        if self.decimal == '.' { plain } else { plain.replace('.', &self.decimal.to_string()) }
    }

    fn cell(&self, channel: &Channel, written: f64) -> String {
        if !matches!(channel.shows, Shows::Load(_)) {
            return self.number(written, channel.decimals);
        }
        let word = |on: &'static str, off: &'static str| if written > 0.5 { on } else { off };
        match channel.words {
            LoadWords::ZeroOne => word("1", "0").into(),
            LoadWords::OnOff => word("ON", "OFF").into(),
            LoadWords::TrueFalse => word("true", "false").into(),
            LoadWords::YesNo => word("yes", "no").into(),
            LoadWords::DutyPercent => self.number(written * 100.0, 0),
        }
    }

    fn clock_cells(&self, started_at: NaiveDateTime, t_s: f64) -> Vec<String> {
        let elapsed_ms = (t_s * 1000.0).round() as i64;
        let now = started_at + TimeDelta::milliseconds(elapsed_ms);
        let fraction = self.decimal;
        let of_day = |format: &str| {
            let millis = now.and_utc().timestamp_subsec_millis();
            format!("{}{fraction}{millis:03}", now.format(format))
        };
        match self.clock {
            Clock::Seconds => vec![self.number(t_s, 3)],
            Clock::Milliseconds => vec![elapsed_ms.to_string()],
            Clock::Elapsed => {
                let (s, ms) = (elapsed_ms / 1000, elapsed_ms % 1000);
                let (h, m, s) = (s / 3600, s / 60 % 60, s % 60);
                vec![format!("{h}:{m:02}:{s:02}{fraction}{ms:03}")]
            }
            Clock::TimeOfDay => vec![of_day("%H:%M:%S")],
            Clock::Iso => vec![now.format("%Y-%m-%dT%H:%M:%S%.3f").to_string()],
            Clock::DateAndTime => {
                vec![now.format("%Y-%m-%d").to_string(), of_day("%H:%M:%S")]
            }
            Clock::SpreadsheetDays => {
                // Day 25569 is 1970-01-01.
                let days = 25569.0 + now.and_utc().timestamp_millis() as f64 / 86_400_000.0;
                vec![self.number(days, 9)]
            }
        }
    }

    fn encode(&self, text: &str) -> Vec<u8> {
        match self.encoding {
            Encoding::Utf8 => text.as_bytes().to_vec(),
            Encoding::Utf8Bom => [b"\xEF\xBB\xBF", text.as_bytes()].concat(),
            Encoding::Utf16Le => std::iter::once(0xFEFF)
                .chain(text.encode_utf16())
                .flat_map(u16::to_le_bytes)
                .collect(),
            Encoding::Windows1252 => encoding_rs::WINDOWS_1252.encode(text).0.into_owned(),
        }
    }
}
