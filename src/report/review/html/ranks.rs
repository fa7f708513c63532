//! The place of every log in the order of each column, reckoned here so that the
//! page's script has only whole numbers to compare.

use std::cmp::Ordering;

use crate::diagnosis::{Bound, Severity};
use crate::report::review::narrative;
use crate::review::order::natural;
use crate::review::{Review, Row, Summary};

/// What the first press of a column's button brings up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum First {
    Ascending,
    Descending,
}

impl First {
    pub fn word(self) -> &'static str {
        match self {
            First::Ascending => "ascending",
            First::Descending => "descending",
        }
    }
}

/// Orders two logs; `None` where a log has nothing in that column and stands last
/// whichever way it is sorted.
type Compare = fn(&Row, &Row) -> Ordering;
type Known = fn(&Row) -> bool;

/// Head, how its first order runs, and that order: whatever calls for work comes first.
pub const COLUMNS: [(&str, First, Known, Compare); 11] = [
    ("Log", First::Ascending, any, |a, b| natural(&a.log, &b.log)),
    ("Car, started", First::Ascending, any, |a, b| {
        natural(&a.car, &b.car).then(a.order.cmp(&b.order))
    }),
    ("Trace", First::Descending, read, |a, b| falling(a, b, |s| Some(s.duration_s))),
    // The review's own order is by verdict first: rows that are alike keep it.
    ("Verdict", First::Descending, any, |_, _| Ordering::Equal),
    ("Worst operating point", First::Descending, worst_known, worse_point),
    ("Lowest voltage, V", First::Ascending, lowest_known, |a, b| {
        falling(b, a, |s| Some(s.lowest.as_ref()?.voltage_v.value))
    }),
    ("Battery discharge, A", First::Descending, deficit_known, |a, b| {
        falling(a, b, |s| Some(s.deficit_a.as_ref()?.value))
    }),
    ("Keep-up speed, rpm", First::Descending, keep_up_known, |a, b| falling(a, b, keep_up)),
    ("Lost to heat, V", First::Descending, heat_known, |a, b| {
        falling(a, b, |s| Some(s.heat_loss.as_ref()?.lost_v.value))
    }),
    ("Findings", First::Descending, found, more_found),
    ("Data quality", First::Descending, remarked, |a, b| {
        falling(a, b, |s| Some(s.quality.remarks.len() as f64))
            .then_with(|| falling(a, b, |s| Some((s.rows_skipped + s.quality.bad_cells) as f64)))
    }),
];

/// For each row its ranks in every column, "0,3,,1,…"; nothing where it has none.
pub fn ranks(review: &Review) -> Vec<String> {
    let mut texts = vec![String::new(); review.rows.len()];
    for (column, (head, _, known, compare)) in COLUMNS.iter().enumerate() {
        let mut order: Vec<(usize, &Row)> =
            review.rows.iter().enumerate().filter(|(_, row)| known(row)).collect();
        order.sort_by(|(_, a), (_, b)| compare(a, b));
        let alike = |a: &Row, b: &Row| match *head {
            "Verdict" => narrative::verdict(a) == narrative::verdict(b),
            _ => compare(a, b) == Ordering::Equal,
        };
        let mut rank = 0;
        let mut before: Option<&Row> = None;
        let mut ranked = vec![None; review.rows.len()];
        for (k, row) in order {
            rank += usize::from(before.is_some_and(|before| !alike(before, row)));
            before = Some(row);
            if let Some(place) = ranked.get_mut(k) {
                *place = Some(rank);
            }
        }
        for (text, rank) in texts.iter_mut().zip(ranked) {
            if column > 0 {
                text.push(',');
            }
            text.push_str(&rank.map_or_else(String::new, |rank| rank.to_string()));
        }
    }
    texts
}

fn any(_: &Row) -> bool {
    true
}

fn read(row: &Row) -> bool {
    row.summary().is_some()
}

fn worst_known(row: &Row) -> bool {
    row.summary().is_some_and(|s| s.worst.is_some())
}

fn lowest_known(row: &Row) -> bool {
    row.summary().is_some_and(|s| s.lowest.is_some())
}

fn deficit_known(row: &Row) -> bool {
    row.summary().is_some_and(|s| narrative::deficit(s).is_some())
}

fn keep_up_known(row: &Row) -> bool {
    row.summary().and_then(keep_up).is_some()
}

fn heat_known(row: &Row) -> bool {
    row.summary().is_some_and(|s| s.heat_loss.is_some())
}

fn found(row: &Row) -> bool {
    row.summary().is_some_and(|s| !s.findings.is_empty())
}

fn remarked(row: &Row) -> bool {
    row.summary().is_some_and(|s| !s.quality.remarks.is_empty())
}

/// The larger first.
fn falling(a: &Row, b: &Row, of: impl Fn(&Summary) -> Option<f64>) -> Ordering {
    let value = |row: &Row| row.summary().and_then(&of).unwrap_or(f64::NEG_INFINITY);
    value(b).total_cmp(&value(a))
}

/// The speed that is asked for; none that was seen is more than any, any is less
/// than one that was found.
fn keep_up(summary: &Summary) -> Option<f64> {
    let keep_up = summary.keep_up.as_ref()?;
    match (keep_up.bound, &keep_up.rpm) {
        (Bound::Within, Some(rpm)) => Some(rpm.value),
        (Bound::Within, None) => None,
        (Bound::AboveSeen, _) => Some(1e6 + keep_up.seen_high_rpm),
        (Bound::BelowSeen, _) => Some(keep_up.seen_low_rpm - 1e6),
    }
}

fn worse_point(a: &Row, b: &Row) -> Ordering {
    let state = |row: &Row| row.summary().and_then(|s| Some(s.worst.as_ref()?.state));
    let under = |s: &Summary| Some(s.worst.as_ref()?.under_setpoint_v.as_ref()?.value);
    state(b).cmp(&state(a)).then_with(|| falling(a, b, under))
}

fn more_found(a: &Row, b: &Row) -> Ordering {
    let counts = |row: &Row| {
        let severities = [Severity::Fault, Severity::Caution, Severity::Note];
        severities.map(|severity| row.summary().map_or(0, |s| narrative::count(s, severity)))
    };
    counts(b).cmp(&counts(a))
}
