//! The parts of a file's name that may name a car.

use super::vocabulary::{CAR, is_of_a_run};

#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// By which names are compared.
    pub key: String,
    pub shown: String,
    /// A number that directly follows its word, as in "x30".
    pub glued: bool,
    /// A number behind the word "car": another number is another car.
    pub counts_cars: bool,
    /// A number that differs from log to log may be that of the run.
    pub may_count_runs: bool,
}

#[derive(Debug, Clone, PartialEq)]
struct Piece<'s> {
    text: &'s str,
    is_number: bool,
    /// Nothing is between it and the piece before.
    glued: bool,
}

/// The parts of `stem` but for dates, times, run numbers and words about the run.
pub fn of(stem: &str) -> Vec<Part> {
    let pieces = without_dates(pieces(stem));
    let last_number = pieces.iter().rposition(|piece| piece.is_number);
    let mut parts: Vec<Part> = Vec::new();
    // What the piece before was, for a number that belongs to it.
    let mut before = Before::Nothing;
    for (k, piece) in pieces.iter().enumerate() {
        if !piece.is_number {
            let word = piece.text.to_lowercase();
            let number_follows = pieces.get(k + 1).is_some_and(|next| next.is_number);
            // "run1a", "12h30"
            let is_letter_of_number = piece.glued && word.chars().count() == 1;
            before = if CAR.contains(&word.as_str()) {
                if number_follows { Before::Car } else { Before::OfARun }
            } else if is_of_a_run(&word) || is_letter_of_number && before != Before::Word {
                Before::OfARun
            } else {
                Before::Word
            };
            if before == Before::OfARun {
                continue;
            }
            let key = word;
            parts.push(Part {
                key,
                shown: piece.text.to_owned(),
                glued: false,
                counts_cars: false,
                may_count_runs: false,
            });
            continue;
        }
        let digits: String = piece.text.chars().skip_while(|c| *c == '0').collect();
        let length = digits.chars().count();
        let is_last = last_number == Some(k);
        // "2000rpm"
        let has_unit = pieces.get(k + 1).is_some_and(|next| {
            next.glued && !next.is_number && is_of_a_run(&next.text.to_lowercase())
        });
        let kept = match before {
            Before::Car => true,
            Before::OfARun => false,
            _ if has_unit => false,
            Before::Word if piece.glued => true,
            // The last number counts runs, unless it is long; a short one before it may be
            // anything.
            _ => length >= if is_last { 4 } else { 3 },
        };
        if kept {
            parts.push(Part {
                key: format!("#{digits}"),
                shown: piece.text.to_owned(),
                glued: piece.glued,
                counts_cars: before == Before::Car,
                may_count_runs: piece.glued || is_last,
            });
        }
        before = Before::Nothing;
    }
    parts
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Before {
    Nothing,
    Word,
    Car,
    OfARun,
}

/// Years in which logs are recorded; cars are built in others too.
const YEARS: std::ops::Range<u64> = 2005..2080;

/// Runs of letters and of digits; "RedRun" is two.
fn pieces(stem: &str) -> Vec<Piece<'_>> {
    let mut pieces: Vec<Piece> = Vec::new();
    let mut begun: Option<(usize, bool)> = None;
    let mut last = ' ';
    let mut after_break = true;
    for (at, c) in stem.char_indices().chain([(stem.len(), ' ')]) {
        let kind = (!is_between(c)).then(|| c.is_numeric());
        let hump = c.is_uppercase() && last.is_lowercase();
        if let Some((from, is_number)) = begun
            && (kind != Some(is_number) || hump)
        {
            let text = stem.get(from..at).unwrap_or("");
            pieces.push(Piece { text, is_number, glued: !after_break });
            after_break = kind.is_none();
            begun = None;
        }
        if begun.is_none() {
            begun = kind.map(|is_number| (at, is_number));
        }
        last = c;
    }
    pieces
}

fn is_between(c: char) -> bool {
    const OTHERS: &str = "–—·…‚‘’“”、。，（）【】「」";
    c.is_whitespace() || c.is_ascii_punctuation() || c.is_control() || OTHERS.contains(c)
}

/// Leaves out dates and the times of day behind them.
fn without_dates(pieces: Vec<Piece>) -> Vec<Piece> {
    let number = |k: usize| {
        let text = pieces.get(k).filter(|piece| piece.is_number)?.text;
        Some((text.len(), text.parse::<u64>().ok()?))
    };
    let is_month = |(length, n): (usize, u64)| length <= 2 && (1..=12).contains(&n);
    let is_day = |(length, n): (usize, u64)| length <= 2 && (1..=31).contains(&n);
    let is_year = |(length, n): (usize, u64)| length == 4 && YEARS.contains(&n);
    let is_short_year = |(length, _): (usize, u64)| length == 2;
    let mut kept = Vec::new();
    let mut k = 0;
    let mut behind_date = false;
    while let Some(piece) = pieces.get(k) {
        let long = match (number(k), number(k + 1), number(k + 2)) {
            (Some(a), Some(b), Some(c)) => {
                let day_and_month = is_month(a) && is_day(b) || is_day(a) && is_month(b);
                let is_date = is_year(a) && is_month(b) && is_day(c)
                    || day_and_month && (is_year(c) || is_short_year(c) && a.0 == 2 && b.0 == 2);
                if is_date { 3 } else { 0 }
            }
            _ => 0,
        };
        let long = match (long, number(k), number(k + 1)) {
            (0, Some(a), Some(b)) if is_year(a) && is_month(b) && b.0 == 2 => 2,
            (0, Some(a), _) if is_compact_date(a) => 1,
            _ => long,
        };
        if long > 0 {
            behind_date = true;
            k += long;
            continue;
        }
        // 12-30-15, 123015, 1230, T12h30m15s
        let is_clock = number(k).is_some_and(|(length, n)| match length {
            1 | 2 => n < 60 && (number(k + 1).is_some() || k > 0 && behind_date),
            4 => n < 2400,
            6 => n < 240_000,
            _ => false,
        });
        let is_clock_letter = matches!(piece.text, "T" | "t" | "Z" | "z" | "h" | "m" | "s");
        if behind_date && (is_clock || is_clock_letter) {
            k += 1;
            continue;
        }
        behind_date = false;
        kept.push(piece.clone());
        k += 1;
    }
    kept
}

/// 20240506, 240506, 060524, 20240506123015, seconds or milliseconds since 1970.
fn is_compact_date((length, n): (usize, u64)) -> bool {
    let is_day_of = |year: u64, month: u64, day: u64| {
        YEARS.contains(&year) && (1..=12).contains(&month) && (1..=31).contains(&day)
    };
    let ymd = |n: u64, century: u64| is_day_of(century + n / 10_000, n / 100 % 100, n % 100);
    match length {
        6 => ymd(n, 2000) || is_day_of(2000 + n % 100, n / 100 % 100, n / 10_000),
        8 => ymd(n, 0) || is_day_of(n % 10_000, n / 10_000 % 100, n / 1_000_000),
        10 => (400_000_000..4_000_000_000).contains(&n),
        12 => ymd(n / 10_000, 0),
        13 => (400_000_000_000..4_000_000_000_000).contains(&n),
        14 => ymd(n / 1_000_000, 0),
        _ => false,
    }
}
