//! Reads one cell of a text clock: a date, a time of day or a duration, with or without time zone.

use chrono::{NaiveDate, NaiveDateTime, NaiveTime};

/// Order of day and month in `a/b/c`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateOrder {
    DayFirst,
    MonthFirst,
}

/// Meaning of two fields, as in `12:34`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TwoFields {
    HoursMinutes,
    MinutesSeconds,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StampFormat {
    pub order: DateOrder,
    pub two_fields: TwoFields,
}

#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Stamp {
    pub date: Option<NaiveDate>,
    /// Seconds since midnight, or a duration.
    pub clock_s: Option<f64>,
    /// Time zone in seconds east of UTC.
    pub zone_s: Option<i32>,
    /// Number of fields: `h:m:s` has three.
    pub fields: u8,
    pub fraction: bool,
    /// The year comes first, as in ISO 8601.
    pub year_first: bool,
    /// The first two numbers of a date with the year at the end.
    pub day_month: Option<(u32, u32)>,
}

impl Stamp {
    /// Seconds since 1970 UTC if the date is known, else seconds as written.
    pub fn seconds(&self) -> f64 {
        let clock_s = self.clock_s.unwrap_or(0.0);
        let day_s = self.date.map_or(0.0, |date| {
            date.signed_duration_since(NaiveDate::default()).num_days() as f64 * 86_400.0
        });
        day_s + clock_s - f64::from(self.zone_s.unwrap_or(0))
    }

    /// Date and time as written.
    pub fn wall(&self) -> Option<NaiveDateTime> {
        let clock_s = self.clock_s.unwrap_or(0.0);
        let nanos = ((clock_s - clock_s.floor()) * 1e6).round().min(999_999.0) as u32 * 1000;
        let time = NaiveTime::from_num_seconds_from_midnight_opt(clock_s.floor() as u32, nanos)?;
        self.date.map(|date| date.and_time(time))
    }
}

/// Reads a cell in any date order, to distinguish times from text.
pub fn parse_any(cell: &str) -> Option<Stamp> {
    let two_fields = TwoFields::MinutesSeconds;
    parse(cell, StampFormat { order: DateOrder::DayFirst, two_fields })
        .or_else(|| parse(cell, StampFormat { order: DateOrder::MonthFirst, two_fields }))
}

/// Reads `h:mm:ss.fff`, `m:ss`, ISO 8601, `d.m.y h:mm`, `m/d/y h:mm AM`, with or without zone.
pub fn parse(cell: &str, format: StampFormat) -> Option<Stamp> {
    let cell = super::number::strip(cell);
    if cell.len() < 3 || cell.len() > 48 || !cell.is_ascii() {
        return None;
    }
    if !cell.bytes().any(|b| matches!(b, b':' | b'-' | b'/' | b'.' | b'T')) {
        return None;
    }
    let cell = cell.trim_matches(['[', ']']);
    let (date_part, clock_part) = split_date(cell);
    let mut stamp = Stamp::default();
    if let Some(text) = date_part {
        let (date, day_month) = date(text, format.order)?;
        stamp.date = Some(date);
        stamp.day_month = day_month;
        stamp.year_first = text.trim().bytes().take(4).all(|b| b.is_ascii_digit());
    }
    match clock_part {
        Some(text) => clock(text, format.two_fields, &mut stamp)?,
        None if stamp.date.is_none() => return None,
        None => {}
    }
    Some(stamp)
}

/// Splits off a date before a `T`, blank, comma or underscore.
fn split_date(cell: &str) -> (Option<&str>, Option<&str>) {
    let bytes = cell.as_bytes();
    let looks_like_clock = |text: &str| {
        let first = text.split([' ', 'T', ',']).next().unwrap_or(text);
        first.contains(':')
    };
    if looks_like_clock(cell) {
        return (None, Some(cell));
    }
    let compact = |at: usize| at == 8 && bytes.iter().take(8).all(u8::is_ascii_digit);
    for (at, &byte) in bytes.iter().enumerate() {
        let digit_before = at > 0 && bytes.get(at - 1).is_some_and(u8::is_ascii_digit);
        let digit_after = bytes.get(at + 1).is_some_and(|b| b.is_ascii_digit() || *b == b' ');
        let breaks =
            matches!(byte, b'T' | b't' | b' ' | b',' | b'_') && digit_before && digit_after;
        if breaks && (at >= 6 || compact(at)) {
            let rest = cell.get(at + 1..).map(str::trim);
            return (cell.get(..at), rest);
        }
    }
    (Some(cell), None)
}

fn date(text: &str, order: DateOrder) -> Option<(NaiveDate, Option<(u32, u32)>)> {
    let text = text.trim();
    if text.len() == 8 && text.bytes().all(|b| b.is_ascii_digit()) {
        let date = NaiveDate::from_ymd_opt(
            text.get(..4)?.parse().ok()?,
            text.get(4..6)?.parse().ok()?,
            text.get(6..)?.parse().ok()?,
        )?;
        return Some((date, None));
    }
    let mut parts = text.split(['-', '/', '.']);
    let (a, b, c) = (parts.next()?.trim(), parts.next()?.trim(), parts.next()?.trim());
    if parts.next().is_some() {
        return None;
    }
    let small = |text: &str| -> Option<u32> {
        (!text.is_empty() && text.len() <= 2 && text.bytes().all(|b| b.is_ascii_digit()))
            .then(|| text.parse().ok())
            .flatten()
    };
    let year = |text: &str| -> Option<i32> {
        let value: i32 =
            text.bytes().all(|b| b.is_ascii_digit()).then(|| text.parse().ok()).flatten()?;
        match text.len() {
            4 => Some(value),
            2 => Some(2000 + value),
            _ => None,
        }
    };
    if a.len() == 4 {
        let month = small(b).or_else(|| month_by_name(b))?;
        return Some((NaiveDate::from_ymd_opt(year(a)?, month, small(c)?)?, None));
    }
    if let Some(month) = month_by_name(b) {
        return Some((NaiveDate::from_ymd_opt(year(c)?, month, small(a)?)?, None));
    }
    let (first, second) = (small(a)?, small(b)?);
    let year = year(c)?;
    // With points the order is always day, month, year.
    let (day, month) = match order {
        DateOrder::MonthFirst if !text.contains('.') => (second, first),
        _ => (first, second),
    };
    Some((NaiveDate::from_ymd_opt(year, month, day)?, Some((first, second))))
}

fn month_by_name(text: &str) -> Option<u32> {
    let word = text.to_ascii_lowercase();
    let month = match word.get(..3)? {
        "jan" => 1,
        "feb" => 2,
        "mar" | "mrz" => 3,
        "apr" => 4,
        "may" | "mai" => 5,
        "jun" => 6,
        "jul" => 7,
        "aug" => 8,
        "sep" => 9,
        "oct" | "okt" => 10,
        "nov" => 11,
        "dec" | "dez" => 12,
        _ => return None,
    };
    Some(month)
}

fn clock(text: &str, two_fields: TwoFields, stamp: &mut Stamp) -> Option<()> {
    let (text, zone_s) = split_zone(text.trim());
    stamp.zone_s = zone_s;
    let upper = text.to_ascii_uppercase();
    let (text, half_day) =
        if let Some(rest) = upper.strip_suffix("AM").or(upper.strip_suffix("A.M.")) {
            (rest.trim().to_owned(), Some(0.0))
        } else if let Some(rest) = upper.strip_suffix("PM").or(upper.strip_suffix("P.M.")) {
            (rest.trim().to_owned(), Some(12.0))
        } else {
            (upper, None)
        };
    let parts: Vec<&str> = match text.contains(':') {
        true => text.split(':').map(str::trim).collect(),
        // ISO 8601 basic format: hhmmss with a fraction.
        false => {
            let whole = text.split(['.', ',']).next().unwrap_or(&text);
            if stamp.date.is_none() || whole.len() != 6 {
                return None;
            }
            vec![text.get(..2)?, text.get(2..4)?, text.get(4..)?]
        }
    };
    let mut fields = [0f64; 4];
    let count = parts.len();
    for (place, part) in parts.into_iter().enumerate() {
        let slot = fields.get_mut(place)?;
        let (whole, fraction) = part.split_once(['.', ',']).unwrap_or((part, ""));
        if whole.is_empty() || whole.len() > 6 || !whole.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
        // A fraction is always last.
        if stamp.fraction {
            return None;
        }
        *slot = whole.parse::<f64>().ok()? + fraction_of(fraction)?;
        stamp.fraction = !fraction.is_empty();
        if place == 3 {
            // h:mm:ss:fff
            *slot = fraction_of(whole)?;
            stamp.fraction = true;
        }
    }
    let [first, second, third, fourth] = fields;
    let seconds = match count {
        2 if two_fields == TwoFields::MinutesSeconds
            && stamp.date.is_none()
            && half_day.is_none() =>
        {
            first * 60.0 + second
        }
        2 => first * 3600.0 + second * 60.0,
        3 | 4 => first * 3600.0 + second * 60.0 + third + fourth,
        _ => return None,
    };
    if second >= 60.0 || third >= 61.0 || (stamp.date.is_some() && first > 24.0) {
        return None;
    }
    let seconds = match half_day {
        Some(shift) if (1.0..13.0).contains(&first) => {
            let twelve = if first >= 12.0 { 12.0 } else { 0.0 };
            seconds + (shift - twelve) * 3600.0
        }
        Some(_) => return None,
        None => seconds,
    };
    stamp.clock_s = Some(seconds);
    stamp.fields = count as u8;
    Some(())
}

fn fraction_of(digits: &str) -> Option<f64> {
    if digits.is_empty() {
        return Some(0.0);
    }
    if digits.len() > 12 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    format!("0.{digits}").parse().ok()
}

/// Splits off `Z`, `UTC`, `+02:00`, `-0530` or `+02`.
fn split_zone(text: &str) -> (&str, Option<i32>) {
    for mark in ["Z", "z", " UTC", " GMT", "UTC"] {
        if let Some(rest) = text.strip_suffix(mark) {
            return (rest.trim_end(), Some(0));
        }
    }
    let Some(at) = text.rfind(['+', '-']) else { return (text, None) };
    let (Some(clock), Some(zone)) = (text.get(..at), text.get(at + 1..)) else {
        return (text, None);
    };
    let digits: String = zone.chars().filter(|c| *c != ':').collect();
    if clock.is_empty()
        || !matches!(digits.len(), 2 | 4)
        || !digits.bytes().all(|b| b.is_ascii_digit())
    {
        return (text, None);
    }
    let hours: i32 = digits.get(..2).and_then(|d| d.parse().ok()).unwrap_or(0);
    let minutes: i32 = digits.get(2..).and_then(|d| d.parse().ok()).unwrap_or(0);
    let sign = if text.as_bytes().get(at) == Some(&b'-') { -1 } else { 1 };
    (clock.trim_end(), Some(sign * (hours * 3600 + minutes * 60)))
}
