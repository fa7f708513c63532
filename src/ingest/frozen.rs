//! Finds channels that are frozen: constant while the quantity cannot be.
//!
//! A constant value alone proves nothing: a healthy bus reads one level for minutes if the logger
//! rounds to a tenth of a volt, slow channels are polled every few seconds, and a battery at rest
//! is constant. A level is frozen only if something else in the log contradicts it: the engine
//! starts or stops meanwhile, or the channel otherwise shows noise of several steps.

use std::ops::Range;

use super::account::Account;
use super::error::{Problem, clip};
use super::polarity::{self, Change};
use super::rank::{median, quantile, sorted, steps};
use super::table::{Body, Channel, Lines};
use crate::log::{Column, Role};
use crate::stats::min_max::Extent;

/// Removes frozen stretches of the bus voltage and of engine speed, and ignores other channels
/// that are constant throughout. A bus that is constant throughout is an error.
pub fn remove(
    body: &mut Body,
    columns: &mut [Column],
    bus_role: Role,
    account: &mut Account,
) -> Result<(), Problem> {
    let Some(bus) = body.channel(bus_role) else { return Ok(()) };
    let loads = body.duties();
    let bus_v = bus.values.as_slice();
    let rpm = body.values(Role::EngineRpm);
    let traces = Traces { time_s: &body.time, bus_v, rpm, loads: &loads };
    let frozen = traces.frozen();
    let rows = bus_v.iter().filter(|v| !v.is_nan()).count();
    let level_v = |row: usize| bus_v.get(row).copied().unwrap_or(0.0);
    if let Some(all) = frozen.iter().find(|found| found.rows.len() * 10 >= rows * 9) {
        return Err(Problem::FrozenVoltage {
            column: clip(&bus.name),
            level_v: level_v(all.rows.start),
            contradiction: all.contradiction.clone(),
        });
    }
    for Frozen { rows, contradiction } in &frozen {
        account.notices.push(format!(
            "\"{}\" stays at {:.2} V {}, although {contradiction}: these rows have no voltage",
            clip(&bus.name),
            level_v(rows.start),
            where_of(rows, &body.lines),
        ));
    }
    let is_dropped = |channel: &Channel| {
        let may_be_constant = match channel.role {
            // The speed of a stopped engine and the output of its alternator are 0 throughout.
            Role::EngineRpm | Role::AlternatorRpm | Role::AlternatorCurrent => {
                channel.values.contains(&0.0)
            }
            Role::BatteryCurrent | Role::Voltage(_) => channel.role == bus_role,
            _ => true,
        };
        // No engine keeps exactly one speed through a start.
        let is_speed = channel.role == Role::EngineRpm;
        let share = if is_speed { SHORT_CHANGE } else { LASTING_CHANGE };
        !may_be_constant && is_constant(&channel.values) && changes_clearly(bus_v, share)
    };
    let dropped: Vec<usize> =
        (0..body.channels.len()).filter(|&at| is_dropped(&body.channels[at])).collect();
    let rpm = body.channel(Role::EngineRpm).filter(|channel| !is_dropped(channel));
    let stuck = rpm.map_or(Vec::new(), |rpm| stuck_speeds(&rpm.values, bus_v));
    for at in dropped {
        let channel = &mut body.channels[at];
        let level = channel.values.iter().copied().find(|v| !v.is_nan()).unwrap_or(0.0);
        let why = format!(
            "reads {level} on every row while the bus voltage changes: a constant channel is not a measurement"
        );
        account.notices.push(format!("\"{}\" is not used: it {why}", clip(&channel.name)));
        channel.role = Role::Ignored;
        if let Some(column) = columns.get_mut(channel.column) {
            (column.role, column.tap, column.why) = (Role::Ignored.word().into(), None, why);
        }
    }
    for channel in &mut body.channels {
        let rows: Vec<&Range<usize>> = match channel.role {
            role if role == bus_role => frozen.iter().map(|frozen| &frozen.rows).collect(),
            Role::EngineRpm => stuck.iter().collect(),
            _ => continue,
        };
        for rows in rows {
            if channel.role == Role::EngineRpm {
                account.notices.push(format!(
                    "\"{}\" repeats one value {} while the bus voltage changes: these rows have no engine speed",
                    clip(&channel.name),
                    where_of(rows, &body.lines),
                ));
            }
            if let Some(values) = channel.values.get_mut(rows.clone()) {
                values.fill(f64::NAN);
            }
            channel.extent = Extent::of(&channel.values);
        }
    }
    Ok(())
}

fn where_of(rows: &Range<usize>, lines: &Lines) -> String {
    let (first, last) = (lines.of(rows.start), lines.of(rows.end.saturating_sub(1)));
    format!("from line {first} to line {last} ({} rows)", rows.len())
}

/// Stretches of one speed other than 0 that are far longer than any other, during which the bus
/// voltage changes as at a start, stop or sag.
fn stuck_speeds(rpm: &[f64], bus_v: &[f64]) -> Vec<Range<usize>> {
    let (runs, all) = runs(rpm);
    let turning = |run: &Range<usize>| rpm.get(run.start).is_some_and(|rpm| rpm.abs() > 0.0);
    let runs: Vec<Range<usize>> = runs.into_iter().filter(turning).collect();
    // A few runs may be frozen; the third longest is usual for the channel.
    let usual = longest_first(&runs).get(2).copied().unwrap_or(SHORT_RUN);
    let is_stuck = |run: &Range<usize>| {
        all >= 10
            && run.len() >= FEWEST_ROWS
            && run.len() >= TIMES_LONGER * usual
            && bus_v.get(run.clone()).is_some_and(|bus_v| changes_clearly(bus_v, LASTING_CHANGE))
    };
    runs.into_iter().filter(is_stuck).collect()
}

fn longest_first(runs: &[Range<usize>]) -> Vec<usize> {
    let mut lengths: Vec<usize> = runs.iter().map(Range::len).collect();
    lengths.sort_unstable_by(|a, b| b.cmp(a));
    lengths
}

/// A frozen stretch of rows, and what contradicts it.
#[derive(Debug, Clone, PartialEq)]
struct Frozen {
    rows: Range<usize>,
    contradiction: String,
}

/// Channels compared row by row.
#[derive(Clone, Copy)]
pub struct Traces<'a> {
    pub time_s: &'a [f64],
    pub bus_v: &'a [f64],
    pub rpm: Option<&'a [f64]>,
    pub loads: &'a [&'a [f64]],
}

/// Below the first speed the engine is stopped, above the second it runs (common practice, no
/// source).
const STOPPED_RPM: f64 = 50.0;
const RUNNING_RPM: f64 = 400.0;
/// A speed channel that drops out reads 0 for less than this.
const STOPPED_S: f64 = 10.0;
const RUNNING_S: f64 = 20.0;
/// Minimum length of a frozen run in rows, and how many times longer than any other it must be.
const FEWEST_ROWS: usize = 100;
const TIMES_LONGER: usize = 20;
/// Longer runs are kept for examination.
const SHORT_RUN: usize = 4;
/// At most this many rows of a long log are examined.
const MOST_SAMPLED_ROWS: usize = 20_000;
/// Rows in which noise is examined, and the number of levels that it must then show.
const NOISE_ROWS: usize = 20;
const NOISE_LEVELS: usize = 4;
/// Relative difference of speeds that count as equal, and of voltages that a load clearly changes.
const SAME_SPEED: f64 = 0.05;
const CLEAR_SHARE: f64 = 0.02;
/// Quantiles of the voltage that are compared: for a lasting change, and for a start.
const LASTING_CHANGE: f64 = 0.05;
const SHORT_CHANGE: f64 = 0.001;
/// A logger with finer resolution shows noise while the engine runs.
const FINE_V: f64 = 0.05;

impl Traces<'_> {
    /// Stretches in which the bus is constant although something contradicts it.
    fn frozen(&self) -> Vec<Frozen> {
        let (runs, all) = runs(self.bus_v);
        let Some(interval_s) = self.interval_s() else { return Vec::new() };
        let lengths = longest_first(&runs);
        let longest = |place: usize| lengths.get(place).copied().unwrap_or(SHORT_RUN);
        let contradiction = |run: &Range<usize>| {
            let rows = run.len();
            if rows < 10 || (rows as f64) * interval_s < STOPPED_S + RUNNING_S {
                return None;
            }
            if let Some(contradiction) = self.engine_starts_or_stops(run, interval_s) {
                return Some(contradiction);
            }
            if all == 1 {
                return self.never_changes(rows);
            }
            let others = longest(usize::from(rows == longest(0)));
            let alone = rows >= FEWEST_ROWS && rows >= TIMES_LONGER * others;
            if alone && self.shows_noise_elsewhere(run) {
                return Some(format!(
                    "elsewhere it shows noise of several steps, and is never constant for more than {others} rows"
                ));
            }
            // The longest runs hold most of the edges; examining all would take too long.
            let long = rows >= FEWEST_ROWS && rows >= longest(2);
            if long { self.loads_respond_elsewhere(run) } else { None }
        };
        runs.into_iter()
            .filter_map(|rows| Some(Frozen { contradiction: contradiction(&rows)?, rows }))
            .collect()
    }

    fn interval_s(&self) -> Option<f64> {
        let stride = (self.time_s.len() / MOST_SAMPLED_ROWS).max(1);
        let all: Vec<f64> = steps(self.time_s).step_by(stride).collect();
        let rising: Vec<f64> = all.iter().copied().filter(|step| *step > 0.0).collect();
        // If several rows share a stamp, the interval is per row.
        let share = rising.len() as f64 / all.len().max(1) as f64;
        median(rising).map(|step| step * share)
    }

    /// The engine is stopped for a while and runs for a while, but the bus voltage stays the same.
    fn engine_starts_or_stops(&self, run: &Range<usize>, interval_s: f64) -> Option<String> {
        let rpm = self.rpm?.get(run.clone())?;
        let standing = longest(rpm, |rpm| rpm.abs() < STOPPED_RPM);
        let turning = sorted(rpm.iter().copied().filter(|rpm| *rpm > RUNNING_RPM));
        let long = |rows: usize, seconds: f64| rows >= 5 && rows as f64 * interval_s >= seconds;
        if !long(standing, STOPPED_S) || !long(turning.len(), RUNNING_S) {
            return None;
        }
        let top = quantile(&turning, 0.9)?;
        let starts = rpm.iter().find(|rpm| !rpm.is_nan()).is_some_and(|rpm| *rpm < RUNNING_RPM);
        Some(match starts {
            true => format!("engine speed goes from 0 to {top:.0} rpm"),
            false => format!("engine speed goes from {top:.0} rpm to 0"),
        })
    }

    /// The whole log has one level with a resolution of hundredths, although the engine changes its
    /// speed or loads are switched: no real reading of that resolution is constant.
    fn never_changes(&self, rows: usize) -> Option<String> {
        let level = self.bus_v.iter().copied().find(|v| !v.is_nan())?;
        let coarse = (level / FINE_V - (level / FINE_V).round()).abs() < 1e-6;
        if coarse || rows < 2 * FEWEST_ROWS {
            return None;
        }
        let edges: usize = self.loads.iter().map(|duty| edges(duty).count()).sum();
        if edges >= 2 {
            return Some(format!("loads are switched {edges} times"));
        }
        let running = sorted(self.rpm?.iter().copied().filter(|rpm| *rpm > RUNNING_RPM));
        let (low, high) = (quantile(&running, 0.02)?, quantile(&running, 0.98)?);
        (running.len() >= FEWEST_ROWS && high > 1.2 * low)
            .then(|| format!("engine speed changes between {low:.0} and {high:.0} rpm"))
    }

    /// Loads are switched that clearly move the bus voltage elsewhere, at the same speed and with
    /// the same other loads on.
    fn loads_respond_elsewhere(&self, run: &Range<usize>) -> Option<String> {
        let (mut within, mut silent) = (0usize, 0usize);
        for (which, duty) in self.loads.iter().enumerate() {
            let seen: Vec<(bool, Change)> = edges(duty)
                .filter_map(|(row, _)| {
                    Some((run.contains(&row), polarity::change(*self, which, row)?))
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
        (silent >= 3 && silent * 2 > within).then(|| {
            format!("loads that change the bus voltage elsewhere are switched {silent} times")
        })
    }

    /// Elsewhere near this level, in the same state of the engine, the voltage shows noise of
    /// several steps all the time.
    fn shows_noise_elsewhere(&self, run: &Range<usize>) -> bool {
        let Some(&level) = self.bus_v.get(run.start) else { return false };
        let runs = |row: usize| self.rpm.and_then(|rpm| rpm.get(row)).map(|rpm| *rpm > RUNNING_RPM);
        let engine = runs((run.start + run.end) / 2);
        let is_near = |window: &[f64]| {
            median(window.iter().copied()).is_some_and(|middle| (middle / level - 1.0).abs() < 0.02)
        };
        let (mut near, mut alive) = (0usize, 0usize);
        for (index, window) in self.bus_v.chunks_exact(NOISE_ROWS).enumerate() {
            let row = index * NOISE_ROWS;
            if row + NOISE_ROWS > run.start && row < run.end
                || window.iter().any(|v| v.is_nan())
                || runs(row + NOISE_ROWS / 2) != engine
                || !is_near(window)
            {
                continue;
            }
            near += 1;
            let mut levels = sorted(window.iter().copied());
            levels.dedup();
            alive += usize::from(levels.len() >= NOISE_LEVELS);
        }
        near >= 5 && alive * 10 >= near * 9
    }
}

/// Runs of one value that are longer than a few rows, and how many runs there are of any length.
/// Rows without a value do not end a run.
fn runs(values: &[f64]) -> (Vec<Range<usize>>, usize) {
    let (mut runs, mut all) = (Vec::<Range<usize>>::new(), 0);
    let mut last = f64::NAN;
    for (row, &value) in values.iter().enumerate().filter(|(_, value)| !value.is_nan()) {
        match runs.last_mut() {
            Some(run) if value == last => {
                run.end = row + 1;
                continue;
            }
            Some(short) if short.len() <= SHORT_RUN => *short = row..row + 1,
            _ => runs.push(row..row + 1),
        }
        (last, all) = (value, all + 1);
    }
    runs.retain(|run| run.len() > SHORT_RUN);
    (runs, all)
}

fn longest(values: &[f64], is: impl Fn(f64) -> bool) -> usize {
    values.split(|value| !is(*value)).map(<[f64]>::len).max().unwrap_or(0)
}

/// Rows in which a load is switched, and whether it is switched on.
pub fn edges(duty: &[f64]) -> impl Iterator<Item = (usize, bool)> {
    let rows = (1..).zip(steps(duty)).filter(|(_, step)| step.abs() >= 0.5);
    rows.map(|(row, step)| (row, step > 0.0))
}

/// Whether the voltage changes by more than that of a healthy running engine: as at a start, a
/// stop or a sag.
fn changes_clearly(bus_v: &[f64], quantile_share: f64) -> bool {
    const SHARE: f64 = 1.06;
    let stride = (bus_v.len() / MOST_SAMPLED_ROWS).max(1);
    let sorted = sorted(bus_v.iter().step_by(stride).copied());
    match (quantile(&sorted, quantile_share), quantile(&sorted, 1.0 - quantile_share)) {
        (Some(low), Some(high)) => high > SHARE * low,
        _ => false,
    }
}

/// Whether a channel has one value on every row, and many rows.
fn is_constant(values: &[f64]) -> bool {
    let mut known = values.iter().filter(|value| !value.is_nan());
    let Some(first) = known.next() else { return false };
    let mut rows = 1;
    known.inspect(|_| rows += 1).all(|value| value == first) && rows >= FEWEST_ROWS
}
