//! Channels that stand still while what they measure cannot.
//!
//! A plateau alone says nothing: a healthy bus reads one level for minutes where the logger
//! rounds to a tenth of a volt, slow channels are polled every few seconds, and a battery at
//! rest stands still by nature. A level is called frozen only where something else in the
//! log contradicts it: the engine starts or stops within, or the channel shows noise of
//! several steps whenever it is alive.

use std::path::Path;

use super::error::{IngestError, clip};
use super::header::Layout;
use super::polarity::{self, Change};
use super::profile::quantile;
use super::roles::Assigned;
use super::table::{Body, Wanted};
use crate::log::Role;
use crate::stats::min_max::Extent;

/// Takes frozen stretches out of the columns that were read, and drops channels that stand
/// still throughout; a bus that does is an error.
pub fn settle(
    path: &Path,
    body: &mut Body,
    wanted: &Wanted,
    assigned: &mut [Assigned],
    layout: &Layout,
    bus: Role,
    notices: &mut Vec<String>,
) -> Result<(), IngestError> {
    let roles: Vec<Role> = wanted
        .values
        .iter()
        .map(|&index| assigned.get(index).map_or(Role::Ignored, |column| column.role))
        .collect();
    let Some(bus_at) = roles.iter().position(|role| *role == bus) else { return Ok(()) };
    let rpm_at = roles.iter().position(|role| *role == Role::EngineRpm);
    let name = |at: usize| {
        let heading = wanted.values.get(at).and_then(|&index| layout.headings.get(index));
        clip(heading.map_or("", |heading| heading.name.as_str()))
    };
    let column = |at: usize| body.values.get(at).map_or(&[][..], Vec::as_slice);
    let loads: Vec<&[f64]> =
        (0..roles.len()).filter(|&at| roles.get(at) == Some(&Role::Load)).map(column).collect();
    let view =
        View { time_s: &body.time, bus_v: column(bus_at), rpm: rpm_at.map(column), loads: &loads };
    let frozen = view.frozen();
    let rows = view.bus_v.iter().filter(|v| !v.is_nan()).count();
    if let Some(all) = frozen.iter().find(|found| (found.upto - found.from) * 10 >= rows * 9) {
        return Err(IngestError::FrozenVoltage {
            path: path.to_path_buf(),
            column: name(bus_at),
            level_v: view.bus_v.get(all.from).copied().unwrap_or(0.0),
            moved: all.moved.clone(),
        });
    }
    let dropped: Vec<usize> = (0..roles.len())
        .filter(|&at| {
            let may_stand = match roles.get(at) {
                // A stopped engine's speed and its alternator's amps are 0 throughout.
                Some(Role::EngineRpm | Role::AlternatorRpm | Role::AlternatorCurrent) => {
                    column(at).contains(&0.0)
                }
                Some(Role::BatteryCurrent | Role::Voltage(_)) => at == bus_at,
                _ => true,
            };
            let is_speed = roles.get(at) == Some(&Role::EngineRpm);
            // No engine turns at one speed to the digit through a start.
            let share = if is_speed { MOMENT_SHARE } else { LONG_SHARE };
            !may_stand && stands_still(column(at)) && moves(view.bus_v, share)
        })
        .collect();
    let stuck = rpm_at
        .filter(|at| !dropped.contains(at))
        .map_or(Vec::new(), |at| stuck_speeds(column(at), view.bus_v));
    for Frozen { from, upto, moved } in &frozen {
        notices.push(format!(
            "\"{}\" stands at {:.2} V from line {} to line {} ({} rows), although {moved}: these rows have no voltage",
            name(bus_at),
            view.bus_v.get(*from).copied().unwrap_or(0.0),
            body.lines.of(*from),
            body.lines.of(upto.saturating_sub(1)),
            upto - from,
        ));
    }
    for at in dropped {
        let level = column(at).iter().copied().find(|value| !value.is_nan()).unwrap_or(0.0);
        let why = format!(
            "reads {level} on every row while the bus moves: a channel that stands still is not a measurement"
        );
        notices.push(format!("\"{}\" is not used: it {why}", name(at)));
        if let Some(column) = wanted.values.get(at).and_then(|&index| assigned.get_mut(index)) {
            (column.role, column.why) = (Role::Ignored, why);
        }
    }
    for (from, upto) in &stuck {
        notices.push(format!(
            "\"{}\" repeats one value from line {} to line {} ({} rows) while the bus moves: these rows have no engine speed",
            rpm_at.map_or(String::new(), name),
            body.lines.of(*from),
            body.lines.of(upto.saturating_sub(1)),
            upto - from,
        ));
    }
    let frozen = frozen.into_iter().map(|found| (bus_at, found.from, found.upto));
    let stuck = stuck.into_iter().filter_map(|(from, upto)| Some((rpm_at?, from, upto)));
    let taken: Vec<(usize, usize, usize)> = frozen.chain(stuck).collect();
    for (at, from, upto) in taken {
        let Some(values) = body.values.get_mut(at) else { continue };
        values.get_mut(from..upto).into_iter().flatten().for_each(|value| *value = f64::NAN);
        if let Some(extent) = body.extents.get_mut(at) {
            *extent = Extent::of(values);
        }
    }
    Ok(())
}

/// Stretches of one speed, far longer than any other and other than 0, within which the bus
/// starts, stops or sags.
fn stuck_speeds(rpm: &[f64], bus_v: &[f64]) -> Vec<(usize, usize)> {
    let turning = |run: &&(usize, usize)| rpm.get(run.0).is_some_and(|rpm| rpm.abs() > 0.0);
    let (runs, all) = runs(rpm);
    let mut lengths: Vec<usize> = runs.iter().filter(turning).map(|run| run.1 - run.0).collect();
    lengths.sort_unstable_by(|a, b| b.cmp(a));
    // A few may be stuck; the others show the channel's habit.
    let habit = lengths.get(2).copied().unwrap_or(SHORT_RUN);
    runs.iter()
        .filter(turning)
        .filter(|(from, upto)| {
            let rows = upto - from;
            all >= 10
                && rows >= FEWEST_ROWS
                && rows >= LONGER * habit
                && bus_v.get(*from..*upto).is_some_and(|bus_v| moves(bus_v, LONG_SHARE))
        })
        .copied()
        .collect()
}

/// Rows from and up to, and why they cannot be a measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Frozen {
    pub from: usize,
    pub upto: usize,
    pub moved: String,
}

/// What is looked at side by side, row by row.
#[derive(Clone, Copy)]
pub struct View<'a> {
    pub time_s: &'a [f64],
    pub bus_v: &'a [f64],
    pub rpm: Option<&'a [f64]>,
    pub loads: &'a [&'a [f64]],
}

/// An engine that turns slower stands, one that turns faster runs (common practice, no source).
const STANDS_RPM: f64 = 50.0;
const RUNS_RPM: f64 = 400.0;
/// A dropped-out speed channel reads 0 for less than this.
const STANDS_S: f64 = 10.0;
const RUNS_S: f64 = 20.0;
/// Rows that a run must have, and how much longer it must be than any other of its log.
const FEWEST_ROWS: usize = 100;
const LONGER: usize = 20;
/// Runs up to this are not kept.
const SHORT_RUN: usize = 4;
/// Rows that show what a long log is like.
const LOOKED_AT: usize = 20_000;
/// Rows over which living noise is looked at, and the levels that it must then show.
const WINDOW: usize = 20;
const LEVELS: usize = 4;
/// Speeds that differ by less are one, and a load that moves the bus by more does so clearly.
const SAME_SPEED: f64 = 0.05;
const CLEAR_SHARE: f64 = 0.02;
/// A bus moves for a while, or for the moments of a start.
const LONG_SHARE: f64 = 0.05;
const MOMENT_SHARE: f64 = 0.001;
/// A reading finer than this moves with noise alone while an engine runs.
const FINE_V: f64 = 0.05;

impl View<'_> {
    /// The stretches in which the bus stands still against the evidence.
    pub fn frozen(&self) -> Vec<Frozen> {
        let (runs, all) = runs(self.bus_v);
        let Some(interval_s) = self.interval_s() else { return Vec::new() };
        let mut lengths: Vec<usize> = runs.iter().map(|run| run.1 - run.0).collect();
        lengths.sort_unstable_by(|a, b| b.cmp(a));
        let longest = |place: usize| lengths.get(place).copied().unwrap_or(SHORT_RUN);
        let mut found = Vec::new();
        for &(from, upto) in &runs {
            let rows = upto - from;
            if rows < 10 || (rows as f64) * interval_s < STANDS_S + RUNS_S {
                continue;
            }
            let moved = self.engine_turns(from, upto, interval_s).or_else(|| {
                if all == 1 {
                    return self.too_still(rows);
                }
                let others = longest(usize::from(rows == longest(0)));
                let alone = rows >= FEWEST_ROWS && rows >= LONGER * others;
                if alone && self.lives_elsewhere(from, upto) {
                    return Some(format!(
                        "elsewhere it shows noise of several steps, and never stands for more than {others} rows"
                    ));
                }
                // The longest ones hold most of the edges; all of them would cost too much.
                let long = rows >= FEWEST_ROWS && rows >= longest(2);
                if long { self.loads_answer_elsewhere(from, upto) } else { None }
            });
            found.extend(moved.map(|moved| Frozen { from, upto, moved }));
        }
        found
    }

    fn interval_s(&self) -> Option<f64> {
        let stride = (self.time_s.len() / LOOKED_AT).max(1);
        let pairs = self.time_s.windows(2).step_by(stride);
        let count = pairs.len();
        let mut steps: Vec<f64> = pairs
            .filter_map(|pair| match pair {
                [a, b] if b > a => Some(b - a),
                _ => None,
            })
            .collect();
        // Where several rows share a stamp, the rows' own pace counts.
        let share = steps.len() as f64 / count.max(1) as f64;
        steps.sort_by(f64::total_cmp);
        quantile(&steps, 0.5).map(|step| step * share)
    }

    /// The engine stands for a while and runs for a while, and the bus reads the same.
    fn engine_turns(&self, from: usize, upto: usize, interval_s: f64) -> Option<String> {
        let rpm = self.rpm?.get(from..upto)?;
        let standing = longest(rpm, |rpm| rpm.abs() < STANDS_RPM);
        let running = rpm.iter().filter(|rpm| **rpm > RUNS_RPM).count();
        let long = |rows: usize, seconds: f64| rows >= 5 && rows as f64 * interval_s >= seconds;
        if !long(standing, STANDS_S) || !long(running, RUNS_S) {
            return None;
        }
        let mut turning: Vec<f64> = rpm.iter().copied().filter(|rpm| *rpm > RUNS_RPM).collect();
        turning.sort_by(f64::total_cmp);
        let top = quantile(&turning, 0.9)?;
        let starts = rpm.iter().find(|rpm| !rpm.is_nan()).is_some_and(|rpm| *rpm < RUNS_RPM);
        Some(match starts {
            true => format!("engine speed goes from 0 to {top:.0} rpm"),
            false => format!("engine speed goes from {top:.0} rpm to 0"),
        })
    }

    /// A whole log of one level that is written to hundredths, while the engine changes its
    /// speed or loads are switched: any real reading of such resolution moves.
    fn too_still(&self, rows: usize) -> Option<String> {
        let level = self.bus_v.iter().copied().find(|v| !v.is_nan())?;
        let coarse = (level / FINE_V - (level / FINE_V).round()).abs() < 1e-6;
        if coarse || rows < 2 * FEWEST_ROWS {
            return None;
        }
        let edges: usize = self.loads.iter().map(|duty| edges(duty)).sum();
        if edges >= 2 {
            return Some(format!("loads are switched {edges} times"));
        }
        let mut running: Vec<f64> =
            self.rpm?.iter().copied().filter(|rpm| *rpm > RUNS_RPM).collect();
        running.sort_by(f64::total_cmp);
        let (low, high) = (quantile(&running, 0.02)?, quantile(&running, 0.98)?);
        (running.len() >= FEWEST_ROWS && high > 1.2 * low)
            .then(|| format!("engine speed changes between {low:.0} and {high:.0} rpm"))
    }

    /// Loads are switched that move the bus whenever it lives, with the same other loads on
    /// and at the same speed.
    fn loads_answer_elsewhere(&self, from: usize, upto: usize) -> Option<String> {
        let (mut within, mut silent) = (0usize, 0usize);
        for (which, duty) in self.loads.iter().enumerate() {
            let rows = (1..duty.len()).filter(|&row| {
                matches!((duty.get(row - 1), duty.get(row)), (Some(a), Some(b)) if (b - a).abs() >= 0.5)
            });
            let seen: Vec<(bool, Change)> = rows
                .filter_map(|row| {
                    Some(((from..upto).contains(&row), polarity::change(*self, which, row)?))
                })
                .collect();
            for (_, change) in seen.iter().filter(|(inside, _)| *inside) {
                let alike = |other: &Change| {
                    other.others == change.others
                        && match (other.rpm, change.rpm) {
                            (Some(a), Some(b)) => (a / b - 1.0).abs() < SAME_SPEED,
                            _ => false,
                        }
                };
                let peers: Vec<&Change> =
                    seen.iter().filter(|(inside, c)| !inside && alike(c)).map(|(_, c)| c).collect();
                within += 1;
                let clear = |c: &&Change| c.change_v.abs() > CLEAR_SHARE * c.level_v;
                silent += usize::from(peers.len() >= 2 && peers.iter().all(clear));
            }
        }
        (silent >= 3 && silent * 2 > within)
            .then(|| format!("loads that move the bus elsewhere are switched {silent} times"))
    }

    /// Near this level, with the engine as it is, the bus is seen to move through several
    /// steps all the time: noise that no plateau outlasts, wherever its mean lies.
    fn lives_elsewhere(&self, from: usize, upto: usize) -> bool {
        let Some(&level) = self.bus_v.get(from) else { return false };
        let runs = |row: usize| self.rpm.and_then(|rpm| rpm.get(row)).map(|rpm| *rpm > RUNS_RPM);
        let engine = runs((from + upto) / 2);
        let is_near = |window: &[f64]| {
            let mut sorted: Vec<f64> = window.to_vec();
            sorted.sort_by(f64::total_cmp);
            quantile(&sorted, 0.5).is_some_and(|middle| (middle / level - 1.0).abs() < 0.02)
        };
        let (mut near, mut alive) = (0usize, 0usize);
        for (index, window) in self.bus_v.chunks_exact(WINDOW).enumerate() {
            let row = index * WINDOW;
            if row + WINDOW > from && row < upto
                || window.iter().any(|v| v.is_nan())
                || runs(row + WINDOW / 2) != engine
                || !is_near(window)
            {
                continue;
            }
            near += 1;
            let mut levels = window.to_vec();
            levels.sort_by(f64::total_cmp);
            levels.dedup();
            alive += usize::from(levels.len() >= LEVELS);
        }
        near >= 5 && alive * 10 >= near * 9
    }
}

/// Runs of one value, rows from and up to, that are longer than a few rows, and how many
/// there are of any length. Rows without a value end none.
fn runs(values: &[f64]) -> (Vec<(usize, usize)>, usize) {
    let (mut runs, mut all) = (Vec::new(), 0usize);
    let (mut last, mut from, mut upto) = (f64::NAN, 0usize, 0usize);
    for (row, &value) in values.iter().enumerate() {
        if value == last {
            upto = row + 1;
        } else if !value.is_nan() {
            if upto - from > SHORT_RUN {
                runs.push((from, upto));
            }
            all += 1;
            (last, from, upto) = (value, row, row + 1);
        }
    }
    if upto - from > SHORT_RUN {
        runs.push((from, upto));
    }
    (runs, all)
}

fn longest(values: &[f64], is: impl Fn(f64) -> bool) -> usize {
    values.split(|value| !is(*value)).map(<[f64]>::len).max().unwrap_or(0)
}

fn edges(duty: &[f64]) -> usize {
    duty.windows(2).filter(|pair| matches!(pair, [a, b] if (b - a).abs() >= 0.5)).count()
}

/// Whether the bus moves by more than a healthy running bus does: it starts, stops or sags.
fn moves(bus_v: &[f64], for_share: f64) -> bool {
    const SHARE: f64 = 1.06;
    let stride = (bus_v.len() / LOOKED_AT).max(1);
    let some = bus_v.iter().step_by(stride).copied();
    let mut sorted: Vec<f64> = some.filter(|v| !v.is_nan()).collect();
    sorted.sort_by(f64::total_cmp);
    match (quantile(&sorted, for_share), quantile(&sorted, 1.0 - for_share)) {
        (Some(low), Some(high)) => high > SHARE * low,
        _ => false,
    }
}

/// Whether a channel reads one value on every row of many.
fn stands_still(values: &[f64]) -> bool {
    let mut known = values.iter().filter(|value| !value.is_nan());
    let Some(first) = known.next() else { return false };
    let mut rows = 1;
    known.inspect(|_| rows += 1).all(|value| value == first) && rows >= FEWEST_ROWS
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rest, then running, ten samples a second; `bus` by second and row.
    fn log(bus: impl Fn(f64, usize) -> f64) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let time: Vec<f64> = (0..3000).map(|i| f64::from(i) / 10.0).collect();
        let rpm = time.iter().map(|t| if *t < 20.0 { 0.0 } else { 850.0 }).collect();
        let bus = time.iter().enumerate().map(|(i, t)| bus(*t, i)).collect();
        (time, bus, rpm)
    }

    fn frozen(log: &(Vec<f64>, Vec<f64>, Vec<f64>)) -> Vec<Frozen> {
        View { time_s: &log.0, bus_v: &log.1, rpm: Some(&log.2), loads: &[] }.frozen()
    }

    /// Noise of a few steps of a hundredth.
    fn noise(i: usize) -> f64 {
        0.01 * ((i * 7919 % 13) as f64 - 6.0).round()
    }

    #[test]
    fn a_start_that_the_bus_does_not_show() {
        let found = frozen(&log(|_, _| 13.87));
        assert_eq!(found.len(), 1);
        assert!(found[0].moved.contains("from 0 to 850 rpm"), "{found:?}");
    }

    #[test]
    fn a_channel_that_stops_on_the_way() {
        let alive = |t: f64, i: usize| (if t < 20.0 { 12.6 } else { 14.2 }) + noise(i);
        let found = frozen(&log(|t, i| if t < 150.0 { alive(t, i) } else { 14.23 }));
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].from, found[0].upto), (1500, 3000));
        assert!(frozen(&log(alive)).is_empty());
    }

    #[test]
    fn plateaus_that_are_real() {
        // A tenth of a volt: one level for minutes.
        let coarse = |t: f64, _| if t < 20.0 { 12.6 } else { 14.2 };
        assert!(frozen(&log(coarse)).is_empty());
        // At its limit the level moves, in control it does not.
        let both = |t: f64, i: usize| match t {
            t if t < 20.0 => 12.6,
            t if t < 100.0 => 13.0 + 10.0 * noise(i),
            _ => 14.2,
        };
        assert!(frozen(&log(both)).is_empty());
        // A battery at rest stands still, the running engine does not.
        let rest = |t: f64, i: usize| if t < 20.0 { 12.62 } else { 14.2 + noise(i) };
        assert!(frozen(&log(rest)).is_empty());
    }
}
