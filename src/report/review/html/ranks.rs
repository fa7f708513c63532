//! The place of every log in the order of each column, calculated here so that the
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

/// What a log is ordered by, the smallest first: by a name, then by one number after the
/// other.
type Key<'r> = (&'r str, Vec<f64>);
/// `None` where a log has nothing in that column and comes last either way.
type KeyOf = for<'r> fn(&Review, &'r Row) -> Option<Key<'r>>;

/// Heading, direction of the first order, and that order: what needs work comes first.
pub const COLUMNS: [(&str, First, KeyOf); 11] = [
    ("Log", First::Ascending, |_, row| Some((row.log.as_str(), Vec::new()))),
    ("Car, started", First::Ascending, |_, row| Some((row.car.as_str(), vec![row.order as f64]))),
    ("Trace", First::Descending, |_, row| numbers([-row.summary()?.duration_s])),
    // The review's own order is by verdict first: rows with the same one keep it.
    ("Verdict", First::Descending, |review, row| {
        let same = |other: &Row| narrative::verdict(other) == narrative::verdict(row);
        numbers([review.rows.iter().position(same)? as f64])
    }),
    ("Worst operating point", First::Descending, |_, row| {
        let worst = row.summary()?.worst.as_ref()?;
        let under_v = worst.under_setpoint_v.as_ref().map_or(f64::NEG_INFINITY, |e| e.value);
        numbers([-f64::from(worst.state as u8), -under_v])
    }),
    ("Lowest voltage, V", First::Ascending, |_, row| {
        numbers([row.summary()?.lowest.as_ref()?.voltage_v.value])
    }),
    ("Battery discharge, A", First::Descending, |_, row| {
        numbers([-narrative::deficit(row.summary()?)?.value])
    }),
    ("Keep-up speed, rpm", First::Descending, |_, row| numbers([-keep_up(row.summary()?)?])),
    ("Lost to heat, V", First::Descending, |_, row| {
        numbers([-row.summary()?.heat_loss.as_ref()?.lost_v.value])
    }),
    ("Findings", First::Descending, |_, row| {
        let summary = row.summary().filter(|summary| !summary.findings.is_empty())?;
        let severities = [Severity::Fault, Severity::Caution, Severity::Note];
        numbers(severities.map(|severity| -(narrative::count(summary, severity) as f64)))
    }),
    ("Data quality", First::Descending, |_, row| {
        let summary = row.summary().filter(|summary| !summary.quality.remarks.is_empty())?;
        let bad = summary.rows_skipped + summary.quality.bad_cells;
        numbers([-(summary.quality.remarks.len() as f64), -(bad as f64)])
    }),
];

/// For each row its ranks in every column, "0,3,,1,…"; nothing where it has none.
pub fn ranks(review: &Review) -> Vec<String> {
    let mut texts = vec![String::new(); review.rows.len()];
    for (column, (_, _, key)) in COLUMNS.iter().enumerate() {
        let keyed = |(k, row)| Some((key(review, row)?, k));
        let mut order: Vec<(Key, usize)> =
            review.rows.iter().enumerate().filter_map(keyed).collect();
        order.sort_by(|(a, _), (b, _)| compare(a, b));
        let mut ranked = vec![String::new(); review.rows.len()];
        let mut rank = 0;
        for (at, (key, k)) in order.iter().enumerate() {
            let before = at.checked_sub(1).and_then(|before| order.get(before));
            rank += usize::from(before.is_some_and(|(other, _)| compare(other, key).is_ne()));
            if let Some(text) = ranked.get_mut(*k) {
                *text = rank.to_string();
            }
        }
        for (text, rank) in texts.iter_mut().zip(ranked) {
            if column > 0 {
                text.push(',');
            }
            text.push_str(&rank);
        }
    }
    texts
}

fn numbers<'r, const N: usize>(numbers: [f64; N]) -> Option<Key<'r>> {
    Some(("", numbers.to_vec()))
}

fn compare((name_a, a): &Key, (name_b, b): &Key) -> Ordering {
    let numbers = a.iter().zip(b).map(|(a, b)| a.total_cmp(b));
    numbers.fold(natural(name_a, name_b), Ordering::then)
}

/// "At no speed seen" is above any speed, "at every speed seen" below any.
fn keep_up(summary: &Summary) -> Option<f64> {
    let keep_up = summary.keep_up.as_ref()?;
    match (keep_up.bound, &keep_up.rpm) {
        (Bound::Within, Some(rpm)) => Some(rpm.value),
        (Bound::Within, None) => None,
        (Bound::AboveSeen, _) => Some(1e6 + keep_up.seen_high_rpm),
        (Bound::BelowSeen, _) => Some(keep_up.seen_low_rpm - 1e6),
    }
}
