//! The orders of logs: the worst first, and by the clock.
//!
//! **The worst first** ([`worst_first`]) goes by, each only among equals of the one
//! before:
//! 1. how bad the verdict is: `not charging`, `falls short`, `falls short at idle`,
//!    `overcharges`, a log that could not be read, `cannot tell`, `keeps up, little in
//!    reserve`, `keeps up`. An unreadable log is placed where its verdict might be bad and
//!    it is not known. A copy of another log comes last;
//! 2. the larger deficit, in amps;
//! 3. the operating point farther under its setpoint, in volts;
//! 4. more faults, then more cautions, among the findings;
//! 5. the path, as a person counts: `run-2` before `run-10`.
//!
//! **By the clock** ([`by_clock`]): logs that state when they began, in that order. One
//! that does not (it could not be read, or has no dated clock) follows the log
//! that its path follows.

use std::cmp::{Ordering, Reverse};
use std::collections::BTreeMap;

use chrono::NaiveDateTime;

use super::{LogResult, Row, Summary};
use crate::diagnosis::{Severity, VerdictWord};

/// Orders two logs, the worse one first. Total: rows of one review have no two equals.
pub fn worst_first(a: &Row, b: &Row) -> Ordering {
    let badness = |row: &Row| badness(&row.result);
    let deficit_a = |row: &Row| {
        let deficit = row.summary().and_then(|s| s.deficit_a.as_ref());
        deficit.map_or(0.0, |deficit| deficit.value)
    };
    let under_v = |row: &Row| {
        let worst = row.summary().and_then(|s| s.worst.as_ref());
        worst.and_then(|w| w.under_setpoint_v.as_ref()).map_or(0.0, |under| under.value)
    };
    let raised = |row: &Row, severity| row.summary().map_or(0, |s| count(s, severity));
    let more = |of: &dyn Fn(&Row) -> f64| of(b).total_cmp(&of(a));
    badness(a)
        .cmp(&badness(b))
        .then_with(|| more(&deficit_a))
        .then_with(|| more(&under_v))
        .then_with(|| {
            let both = |row| (raised(row, Severity::Fault), raised(row, Severity::Caution));
            Reverse(both(a)).cmp(&Reverse(both(b)))
        })
        .then_with(|| natural(&a.log, &b.log))
}

fn count(summary: &Summary, severity: Severity) -> usize {
    summary.findings.iter().filter(|finding| finding.severity == severity).count()
}

/// 0 is the worst.
fn badness(result: &LogResult) -> u8 {
    let summary = match result {
        LogResult::Read(summary) => summary,
        LogResult::Failed(_) => return 4,
        LogResult::SameAs(_) => return 8,
    };
    match summary.verdict {
        VerdictWord::NotCharging => 0,
        VerdictWord::FallsShort => 1,
        VerdictWord::FallsShortAtIdle => 2,
        VerdictWord::Overcharges => 3,
        VerdictWord::CannotTell => 5,
        VerdictWord::LittleInReserve => 6,
        VerdictWord::KeepsUp => 7,
    }
}

/// The indices of `logs` (path, clock of the first sample) in the order of time.
pub fn by_clock(logs: &[(&str, Option<NaiveDateTime>)]) -> Vec<usize> {
    let mut by_name: Vec<usize> = (0..logs.len()).collect();
    by_name.sort_by(|&a, &b| match (logs.get(a), logs.get(b)) {
        (Some(a), Some(b)) => natural(a.0, b.0),
        _ => a.cmp(&b),
    });
    let clock = |k: usize| logs.get(k).and_then(|log| log.1);
    let mut clocked: Vec<usize> = Vec::new();
    let mut behind: BTreeMap<Option<usize>, Vec<usize>> = BTreeMap::new();
    for k in by_name {
        match clock(k) {
            Some(_) => clocked.push(k),
            None => behind.entry(clocked.last().copied()).or_default().push(k),
        }
    }
    clocked.sort_by_key(|&k| clock(k));
    let mut ordered = behind.remove(&None).unwrap_or_default();
    for k in clocked {
        ordered.push(k);
        ordered.extend(behind.remove(&Some(k)).unwrap_or_default());
    }
    ordered
}

/// Orders names as a person counts: `run-2` before `run-10`, upper and lower case
/// alike. Names that differ at all are never equal.
pub fn natural(a: &str, b: &str) -> Ordering {
    let pieces = pieces(a).cmp(pieces(b));
    pieces.then_with(|| a.cmp(b))
}

/// A digit run compares as the number it is, and before any letter.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
enum Piece {
    /// Folders come apart before anything else does.
    Slash,
    /// Count of digits after leading zeros, then the digits.
    Number(usize, String),
    Letter(char),
}

fn pieces(name: &str) -> impl Iterator<Item = Piece> {
    let mut chars = name.chars().flat_map(char::to_lowercase).peekable();
    std::iter::from_fn(move || {
        let first = chars.next()?;
        if !first.is_ascii_digit() {
            return Some(if first == '/' { Piece::Slash } else { Piece::Letter(first) });
        }
        let mut digits = String::from(first);
        while let Some(digit) = chars.next_if(char::is_ascii_digit) {
            digits.push(digit);
        }
        let digits = digits.trim_start_matches('0');
        Some(Piece::Number(digits.len(), digits.to_owned()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::{Estimate, Grade};
    use crate::review::tests::{failed, read};

    fn ordered(mut rows: Vec<Row>) -> Vec<String> {
        rows.sort_by(worst_first);
        rows.into_iter().map(|row| row.log).collect()
    }

    fn amps(value: f64) -> Option<Estimate> {
        Some(Estimate::around(value, 1.0, Grade::Inferred, "test"))
    }

    #[test]
    fn verdicts_stand_from_bad_to_good_with_the_unreadable_between() {
        let words = [
            ("h", VerdictWord::KeepsUp),
            ("g", VerdictWord::LittleInReserve),
            ("f", VerdictWord::CannotTell),
            ("d", VerdictWord::Overcharges),
            ("c", VerdictWord::FallsShortAtIdle),
            ("b", VerdictWord::FallsShort),
            ("a", VerdictWord::NotCharging),
        ];
        let mut rows: Vec<Row> =
            words.into_iter().map(|(log, word)| read(log, |s| s.verdict = word)).collect();
        rows.push(failed("e"));
        assert_eq!(ordered(rows), ["a", "b", "c", "d", "e", "f", "g", "h"]);
    }

    #[test]
    fn among_equal_verdicts_the_deficit_then_the_path_decides() {
        let rows = vec![
            read("run-10", |s| s.deficit_a = amps(4.0)),
            read("run-9", |s| s.deficit_a = amps(12.0)),
            read("run-2", |s| s.deficit_a = amps(4.0)),
            read("run-1", |_| ()),
        ];
        assert_eq!(ordered(rows), ["run-9", "run-2", "run-10", "run-1"]);
    }

    #[test]
    fn the_order_does_not_hang_on_how_the_rows_came() {
        let rows = |turn: usize| {
            let mut rows: Vec<Row> = (0..12)
                .map(|k| read(&format!("r{k}"), |s| s.deficit_a = amps(f64::from(k % 3))))
                .collect();
            rows.rotate_left(turn);
            rows
        };
        for turn in 1..12 {
            assert_eq!(ordered(rows(turn)), ordered(rows(0)));
        }
    }

    #[test]
    fn names_are_counted_as_people_count() {
        let mut names = vec!["run-10", "run-9", "Run-1", "a/run-3", "a-b", "run-009", "run"];
        names.sort_by(|a, b| natural(a, b));
        assert_eq!(names, ["a/run-3", "a-b", "run", "Run-1", "run-009", "run-9", "run-10"]);
    }

    #[test]
    fn a_log_without_a_clock_stands_behind_the_one_its_name_follows() {
        let at = |hour| {
            chrono::NaiveDate::from_ymd_opt(2031, 5, 4).and_then(|d| d.and_hms_opt(hour, 0, 0))
        };
        let logs = [("run-3", None), ("run-1", at(11)), ("run-2", at(10)), ("run-0", None)];
        assert_eq!(by_clock(&logs), [3, 2, 0, 1]);
    }
}
