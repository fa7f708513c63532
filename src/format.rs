//! Numbers and names as a person reads them. Absent knowledge has one wording,
//! and text that came from a log is made safe to show here, once.

use std::path::Path;

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

use crate::diagnosis::Verdict;
use crate::estimate::{Estimate, Grade};
use crate::segment::unnamed::letter_of;

pub use crate::printable::is_unprintable;

pub const NOT_TOLD: &str = "not in this log";

/// One line of printable text. Control characters would reach a terminal or
/// break XML, and direction overrides would reorder the words around them:
/// each becomes U+FFFD, so that the reader sees something stood there.
pub fn plain(text: &str) -> String {
    text.chars().map(|c| if is_unprintable(c) { '\u{FFFD}' } else { c }).collect()
}

/// As [`plain`], of several lines.
pub fn plain_lines(text: &str) -> String {
    text.split('\n').map(plain).collect::<Vec<_>>().join("\n")
}

/// A path as text: its name may hold whatever a log's cell may.
pub fn shown(path: &Path) -> String {
    plain(&path.display().to_string())
}

/// As a shell takes it for one word: a command shown is there to be copied.
pub fn shell_word(text: &str) -> String {
    let tame = |c: char| c.is_alphanumeric() || "_-./+,=:@%".contains(c);
    if !text.is_empty() && !text.starts_with('-') && text.chars().all(tame) {
        text.to_owned()
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}

/// Columns of a terminal that `text` takes.
pub fn columns(text: &str) -> usize {
    UnicodeWidthStr::width(text)
}

/// At most `most` columns wide, ending in an ellipsis where something was cut.
pub fn shorten(text: &str, most: usize) -> String {
    cut_to(text, most as f64, |c| c.width().unwrap_or(0) as f64)
}

/// Plain text cut to `room`, each character taking `width`. One pass, for a
/// name may be as long as the file.
pub fn cut_to(text: &str, room: f64, width: impl Fn(char) -> f64) -> String {
    let text = plain(text);
    let mut used = 0.0;
    // Where to cut, should the text prove too long to stand with no ellipsis.
    let mut cut = 0;
    for (at, c) in text.char_indices() {
        if used + width('…') <= room {
            cut = at;
        }
        used += width(c);
        if used > room {
            return format!("{}…", text.get(..cut).unwrap_or("").trim_end());
        }
    }
    text
}

/// The first sentence of a longer text, in whole words where it has to be cut.
pub fn whole_words(text: &str, most: usize) -> String {
    let text = plain(text);
    let end = text.find(". ").map_or(text.len(), |dot| dot + 1);
    let sentence = text.get(..end).unwrap_or(&text);
    let cut = shorten(sentence, most);
    match cut.strip_suffix('…').filter(|_| cut != sentence).and_then(|c| c.rsplit_once(' ')) {
        Some((words, _)) => format!("{} …", words.trim_end_matches([',', ';', ':'])),
        None => cut,
    }
}

/// A number with so many decimals; never "-0.00" and never "NaN".
pub fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return NOT_TOLD.to_owned();
    }
    let text = format!("{value:.decimals$}");
    let is_zero = !text.bytes().any(|b| b.is_ascii_digit() && b != b'0');
    if is_zero { text.trim_start_matches('-').to_owned() } else { text.replace('-', "−") }
}

/// How a quantity is written: its unit, the factor from the stored unit, and its rounding.
#[derive(Debug, Clone, Copy)]
pub struct Unit {
    pub name: &'static str,
    factor: f64,
    /// What is shown for a stored nothing.
    origin: f64,
    decimals: usize,
    /// Values are shown to multiples of this.
    step: f64,
    /// Values with an interval are shown to multiples of this.
    estimate_step: f64,
}

pub const VOLT: Unit = unit("V", 1.0, 2);
pub const MILLIVOLT: Unit = unit("mV", 1000.0, 0);
pub const AMP: Unit = unit("A", 1.0, 0);
pub const MILLIOHM: Unit = unit("mΩ", 1000.0, 1);
pub const RPM: Unit = Unit { step: 10.0, estimate_step: 50.0, ..unit("rpm", 1.0, 0) };
pub const SECOND: Unit = unit("s", 1.0, 1);
pub const PERCENT: Unit = unit("%", 1.0, 0);
pub const DEGREE: Unit = unit("°C", 1.0, 0);
pub const AMP_HOUR: Unit = unit("Ah", 1.0, 2);
pub const HOUR: Unit = unit("h", 1.0, 1);
pub const MILLIVOLT_PER_MINUTE: Unit = unit("mV/min", 1000.0, 1);
pub const MILLIVOLT_PER_DEGREE: Unit = unit("mV/°C", 1000.0, 1);
/// Of values stored in °C.
pub const FAHRENHEIT: Unit = Unit { origin: 32.0, ..unit("°F", 1.8, 0) };
pub const MILLIVOLT_PER_FAHRENHEIT: Unit = unit("mV/°F", 1000.0 / 1.8, 1);

/// Alternator speed over engine speed, "3.51 to 1".
pub const RATIO: Unit = unit("to 1", 1.0, 2);
/// "1.46 times": how much more.
pub const TIMES: Unit = unit("times", 1.0, 2);

const fn unit(name: &'static str, factor: f64, decimals: usize) -> Unit {
    const STEPS: [f64; 3] = [1.0, 0.1, 0.01];
    let step = STEPS[decimals];
    Unit { name, factor, origin: 0.0, decimals, step, estimate_step: step }
}

impl Unit {
    /// The same unit for a value stored as a share of one.
    pub const fn of_shares(self) -> Unit {
        Unit { factor: 100.0 * self.factor, ..self }
    }

    /// The number alone, in this unit.
    pub fn bare(self, value: f64) -> String {
        self.rounded(value, self.step, f64::round)
    }

    fn rounded(self, value: f64, step: f64, round: fn(f64) -> f64) -> String {
        number(round((value * self.factor + self.origin) / step) * step, self.decimals)
    }

    /// "12.62 V"
    pub fn of(self, value: f64) -> String {
        if value.is_finite() {
            format!("{} {}", self.bare(value), self.name)
        } else {
            NOT_TOLD.to_owned()
        }
    }

    /// The value alone: "12.62 V".
    pub fn value(self, estimate: &Estimate) -> String {
        Unit { step: self.estimate_step, ..self }.of(estimate.value)
    }

    /// "12.58 to 12.66". Ends that would read alike are rounded outward: "13.66 to 13.66" would
    /// claim a voltage without error.
    pub fn range(self, estimate: &Estimate) -> String {
        let end = |value: f64, round: fn(f64) -> f64| match value.is_finite() {
            true => self.rounded(value, self.estimate_step, round),
            false => "no limit".to_owned(),
        };
        let ends = |down, up| (end(estimate.low, down), end(estimate.high, up));
        let (mut low, mut high) = ends(f64::round, f64::round);
        if low == high && estimate.low < estimate.high {
            (low, high) = ends(f64::floor, f64::ceil);
        }
        format!("{low} to {high}")
    }

    /// "24 A (12 to 41, assumed)"
    pub fn told(self, estimate: &Estimate) -> String {
        let grade = estimate.grade.word();
        format!("{} ({}, {grade})", self.value(estimate), self.range(estimate))
    }

    /// "12.62 V (12.58 to 12.66)"; the grade too, where it is less than measured.
    pub fn with_range(self, estimate: &Estimate) -> String {
        match estimate.grade {
            Grade::Measured => format!("{} ({})", self.value(estimate), self.range(estimate)),
            _ => self.told(estimate),
        }
    }

    /// "12.62 (12.58 to 12.66)", for a table whose head names the unit.
    pub fn compact(self, estimate: &Estimate) -> String {
        let value = self.rounded(estimate.value, self.estimate_step, f64::round);
        format!("{value} ({})", self.range(estimate))
    }

    /// Whether the value and its whole interval are nothing at the digits shown.
    pub fn is_nothing(self, estimate: &Estimate) -> bool {
        let zero = self.bare(0.0);
        [estimate.value, estimate.low, estimate.high].iter().all(|&v| self.bare(v) == zero)
    }

    /// "12.62 V (12.58 to 12.66), measured", or that the log does not tell.
    pub fn graded(self, estimate: Option<&Estimate>) -> String {
        match estimate {
            Some(e) => format!("{} ({}), {}", self.value(e), self.range(e), e.grade.word()),
            None => NOT_TOLD.to_owned(),
        }
    }
}

/// The set of loads that are on, those with names first. More than two that only the
/// voltage shows go by their letters alone: "lamps + loads A, B and D".
pub fn loads(names: &[String]) -> String {
    if names.is_empty() {
        return "all off".to_owned();
    }
    // A duty is not torn from its sign at the end of a line.
    let shown = |name: &String| plain(name).replace(" %", "\u{a0}%");
    let named = names.iter().filter(|name| letter_of(name).is_none());
    let mut parts: Vec<String> = named.map(shown).collect();
    let letters: Vec<&str> = names.iter().filter_map(|name| letter_of(name)).collect();
    match letters.split_last() {
        Some((last, before)) if before.len() > 1 => {
            parts.push(format!("loads {} and {last}", before.join(", ")));
        }
        _ => parts.extend(names.iter().filter(|name| letter_of(name).is_some()).map(shown)),
    }
    parts.join(" + ")
}

/// "with fans + ac on", "with load A (0.4 V drop at 41 s) on" or "with all off".
pub fn with_loads(set: &[String]) -> String {
    if set.is_empty() {
        return "with all off".to_owned();
    }
    let names = self::loads(set);
    let on = if names.ends_with(" on") { "" } else { " on" };
    format!("with {names}{on}")
}

/// The headline without the verdict it may begin with, for a reader who has
/// just read that word.
pub fn headline(verdict: &Verdict) -> String {
    let text = plain(&verdict.headline);
    let word = verdict.word.words();
    let rest = text.get(..word.len()).filter(|head| head.eq_ignore_ascii_case(word));
    let rest = rest.and_then(|_| text.get(word.len()..)?.strip_prefix(": "));
    rest.map_or_else(|| text.clone(), capital)
}

/// With a capital first letter.
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// With a small first letter, but for a word all in capitals.
pub fn uncapital(text: &str) -> String {
    let mut chars = text.chars();
    match (chars.next(), chars.clone().next()) {
        (Some(first), Some(second)) if second.is_lowercase() => {
            first.to_lowercase().chain(chars).collect()
        }
        _ => text.to_owned(),
    }
}

/// "820 to 870", without its unit.
pub fn rpm_band(low: Option<f64>, high: Option<f64>) -> Option<String> {
    match (low, high) {
        (Some(low), Some(high)) if RPM.bare(low) == RPM.bare(high) => Some(RPM.bare(low)),
        (Some(0.0), Some(high)) => Some(format!("up to {}", RPM.bare(high))),
        (Some(low), Some(high)) => Some(format!("{} to {}", RPM.bare(low), RPM.bare(high))),
        (Some(low), None) => Some(format!("{} and up", RPM.bare(low))),
        (None, Some(high)) => Some(format!("up to {}", RPM.bare(high))),
        (None, None) => None,
    }
}

/// A length of time: "0.8 s", "143 s", "12 min 5 s", "2 h 10 min".
pub fn duration(seconds: f64) -> String {
    if !seconds.is_finite() {
        return NOT_TOLD.to_owned();
    }
    let whole = seconds.round();
    if seconds < 10.0 {
        format!("{} s", number(seconds, 1))
    } else if whole < 600.0 {
        format!("{} s", number(whole, 0))
    } else if whole < 7200.0 {
        format!("{} min {} s", number((whole / 60.0).floor(), 0), number(whole % 60.0, 0))
    } else {
        let minutes = (whole / 60.0).round();
        format!("{} h {} min", number((minutes / 60.0).floor(), 0), number(minutes % 60.0, 0))
    }
}

/// A span of the log: "22.4 s to 61.0 s".
pub fn from_to(start_s: f64, end_s: f64) -> String {
    if start_s == end_s {
        SECOND.of(start_s)
    } else {
        format!("{} to {}", SECOND.of(start_s), SECOND.of(end_s))
    }
}

/// 4127 as "4,127": a row count is read at a glance.
pub fn count(n: usize) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

pub fn plural(n: usize, one: &str, many: &str) -> String {
    format!("{} {}", count(n), if n == 1 { one } else { many })
}
