//! Detects polled loggers, which read one channel after another and write a row for each reading,
//! repeating the last values of the others: a repeated value is not a sample.
//!
//! In such a log a channel changes at most once per round, and all rounds have about the same
//! length. The channel that changes most shows the rounds; the others are read at their own place
//! within each. Only rows with a new voltage are samples; the other channels, which were read a
//! moment earlier or later, are interpolated.

use super::account::Account;
use super::table::{Body, Channel};
use crate::log::Role;

/// Minimum number of changes that show rounds.
const LEAST_CHANGES: usize = 20;
/// A channel with fewer values is a switch, or noise of one resolution step.
const LEAST_LEVELS: usize = 5;
/// Shares of the gaps between changes: shorter than a round, one round, whole rounds.
const SHORTER_SHARE: f64 = 0.02;
const ONE_ROUND_SHARE: f64 = 0.3;
const ON_GRID_SHARE: f64 = 0.9;
/// A slow ramp of a coarse channel also changes evenly, but never reverses.
const REVERSAL_SHARE: f64 = 0.1;
/// Maximum share of rounds with two changes, which happen if a row is late.
const TWICE_SHARE: f64 = 0.03;

/// Finds the rows in which the voltage was measured, and interpolates the other channels to them.
/// `None` if it was measured in every row.
pub fn measured_rows(body: &mut Body, bus: Role, account: &mut Account) -> Option<Vec<usize>> {
    let is_level = |role: Role| !matches!(role, Role::Load | Role::Note | Role::Ignored);
    let changes = |channel: &Channel| match is_level(channel.role) {
        true => changes(&channel.values),
        false => Vec::new(),
    };
    let bus_at = body.channels.iter().position(|channel| channel.role == bus)?;
    let changes: Vec<Vec<usize>> = body.channels.iter().map(changes).collect();
    let (rows_each, reference) = body
        .channels
        .iter()
        .zip(&changes)
        .filter_map(|(channel, changes)| {
            Some((rows_to_a_round(&channel.values, changes)?, changes))
        })
        .max_by_key(|(_, changes)| changes.len())?;
    let bus_changes = changes.get(bus_at)?;
    if bus_changes.len() < LEAST_CHANGES {
        return None;
    }
    let rows = body.time.len();
    let starts = starts(reference, rows_each, rows);
    let mut voltage_rows = updates(bus_changes, &starts, rows)?;
    // The values in the first row were read before the first whole round.
    if voltage_rows.first().is_some_and(|row| *row > 0) {
        voltage_rows.insert(0, 0);
    }
    for (channel, changes) in body.channels.iter_mut().zip(&changes) {
        if channel.role != bus
            && changes.len() >= 2
            && let Some(updates) = updates(changes, &starts, rows)
        {
            interpolate(&mut channel.values, &updates);
        }
    }
    account.notices.push(format!(
        "the logger reads its channels in turn and repeats the others: the voltage is new in about one of {rows_each:.1} rows. Only those rows count as samples. The other channels are interpolated"
    ));
    Some(voltage_rows)
}

/// Rows in which the value differs from that of the row before; none if cells are missing.
fn changes(values: &[f64]) -> Vec<usize> {
    if values.iter().any(|value| value.is_nan()) {
        return Vec::new();
    }
    let differs = |(row, pair): (usize, &[f64])| (pair.first() != pair.get(1)).then_some(row + 1);
    values.windows(2).enumerate().filter_map(differs).collect()
}

/// Rows per round, if the changes fit rounds of two or more rows.
fn rows_to_a_round(values: &[f64], changes: &[usize]) -> Option<f64> {
    let gaps: Vec<usize> =
        changes.windows(2).filter_map(|pair| Some(pair.get(1)? - pair.first()?)).collect();
    if gaps.len() < LEAST_CHANGES {
        return None;
    }
    let mut sorted = gaps.clone();
    sorted.sort_unstable();
    let shortest = *sorted.get((SHORTER_SHARE * gaps.len() as f64) as usize)?;
    if shortest < 2 {
        return None;
    }
    let one: Vec<f64> = gaps
        .iter()
        .filter(|gap| (shortest..=shortest + 1).contains(gap))
        .map(|gap| *gap as f64)
        .collect();
    let each = one.iter().sum::<f64>() / one.len() as f64;
    let share = |count: usize| count as f64 / gaps.len() as f64;
    let on_grid = |gap: &&usize| {
        let rounds = (**gap as f64 / each).round().max(1.0);
        (**gap as f64 - rounds * each).abs() <= 0.6 + 0.1 * rounds
    };
    let at = |row: usize| values.get(row).copied().unwrap_or(f64::NAN);
    let step = |row: &usize| at(*row) - at(row.saturating_sub(1));
    let reversals =
        changes.windows(2).filter(|pair| matches!(pair, [a, b] if step(a) * step(b) < 0.0)).count();
    let mut levels: Vec<u64> = changes.iter().map(|row| at(*row).to_bits()).collect();
    levels.sort_unstable();
    levels.dedup();
    (share(one.len()) >= ONE_ROUND_SHARE
        && share(gaps.iter().filter(on_grid).count()) >= ON_GRID_SHARE
        && share(reversals) >= REVERSAL_SHARE
        && levels.len() >= LEAST_LEVELS)
        .then_some(each)
}

/// First rows of the rounds: where the reference channel changes, and evenly spaced between.
fn starts(changes: &[usize], rows_each: f64, rows: usize) -> Vec<usize> {
    let mut starts = Vec::new();
    let (Some(&first), Some(&last)) = (changes.first(), changes.last()) else { return starts };
    let before = (first as f64 / rows_each).floor() as usize;
    starts.extend((1..=before).rev().map(|k| first - (k as f64 * rows_each).round() as usize));
    for pair in changes.windows(2) {
        let [from, to] = pair else { continue };
        let gap = (to - from) as f64;
        let rounds = (gap / rows_each).round().max(1.0);
        let within =
            (0..rounds as usize).map(|k| from + (k as f64 * gap / rounds).round() as usize);
        starts.extend(within);
    }
    let after = ((rows.saturating_sub(last)) as f64 / rows_each).ceil() as usize;
    starts.extend((0..after).map(|k| last + (k as f64 * rows_each).round() as usize));
    starts.retain(|row| *row < rows);
    starts.dedup();
    starts
}

/// The row of each round in which a channel was read: where it changes, otherwise at its usual
/// place. `None` if the channel is read more than once per round.
fn updates(changes: &[usize], starts: &[usize], rows: usize) -> Option<Vec<usize>> {
    let mut own: Vec<Option<usize>> = vec![None; starts.len()];
    let mut offsets = std::collections::BTreeMap::<usize, usize>::new();
    let mut twice = 0usize;
    for &row in changes {
        let Some(round) = starts.partition_point(|start| *start <= row).checked_sub(1) else {
            continue;
        };
        match own.get_mut(round) {
            Some(slot @ None) => {
                *slot = Some(row);
                *offsets.entry(row - starts.get(round)?).or_default() += 1;
            }
            _ => twice += 1,
        }
    }
    if twice as f64 > TWICE_SHARE * starts.len() as f64 {
        return None;
    }
    let usual = offsets.into_iter().max_by_key(|(_, count)| *count).map_or(0, |(offset, _)| offset);
    let row_of = |(round, own): (usize, &Option<usize>)| {
        let start = starts.get(round).copied()?;
        let next = starts.get(round + 1).copied().unwrap_or(rows);
        Some(own.unwrap_or((start + usual).min(next.saturating_sub(1)).max(start)))
    };
    Some(own.iter().enumerate().filter_map(row_of).collect())
}

/// Interpolates between readings, except from or to 0: a stopped engine does not accelerate for a
/// whole round.
fn interpolate(values: &mut [f64], updates: &[usize]) {
    for pair in updates.windows(2) {
        let [from, to] = pair else { continue };
        let at = |row: usize| values.get(row).copied().unwrap_or(f64::NAN);
        if (at(*from) == 0.0) != (at(*to) == 0.0) {
            continue;
        }
        let (first, slope) = (at(*from), (at(*to) - at(*from)) / (to - from).max(1) as f64);
        for row in from + 1..*to {
            if let Some(slot) = values.get_mut(row) {
                *slot = first + slope * (row - from) as f64;
            }
        }
    }
}
