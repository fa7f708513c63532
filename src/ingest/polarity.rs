//! Inverts load columns that are active when low: they say off while the load draws current.
//!
//! When a load is switched on, the bus voltage falls or stays. A column is inverted if the voltage
//! does the opposite at every clear edge. This requires several edges in both directions, at
//! constant engine speed, with nothing else switched, and an immediate response in the wrong
//! direction: a raised idle or setpoint raises the voltage too, but after the dip of the load.

use super::account::Account;
use super::error::clip;
use super::frozen::{Traces, edges};
use super::rank::{median, quantile, sorted};
use super::table::Body;
use crate::log::Role;

/// Response of the bus at the edges of one load.
#[derive(Debug, Clone, Copy, Default)]
struct Edges {
    /// Clear rises where the column says on, and clear falls where it says off.
    inverted_on: usize,
    inverted_off: usize,
    /// Inverted, but the log is too slow to show the immediate response.
    unclear: usize,
    /// Clear responses in the normal direction.
    normal: usize,
}

impl Edges {
    fn is_inverted(self) -> bool {
        self.inverted_on >= 2 && self.inverted_off >= 2 && self.normal == 0
    }

    fn looks_inverted(self) -> bool {
        self.inverted_on + self.inverted_off + self.unclear >= 3 && self.normal == 0
    }
}

/// Inverts the loads that are active when low, and reports them.
pub fn correct(body: &mut Body, bus: Role, account: &mut Account) {
    let Some(bus_v) = body.values(bus) else { return };
    let duties = body.duties();
    let rpm = body.values(Role::EngineRpm);
    let traces = Traces { time_s: &body.time, bus_v, rpm, loads: &duties };
    let seen: Vec<Edges> = (0..duties.len()).map(|which| edges_of(traces, which)).collect();
    let loads = body.channels.iter_mut().filter(|channel| channel.role == Role::Load);
    for (load, seen) in loads.zip(seen) {
        let name = clip(&load.name);
        if seen.is_inverted() {
            account.notices.push(format!(
                "\"{name}\" is active when low: at {} of its edges the voltage rises where it says on or falls where it says off, and at none the opposite. It is inverted: 0 means on",
                seen.inverted_on + seen.inverted_off
            ));
            load.values.iter_mut().for_each(|duty| *duty = 1.0 - *duty);
        } else if seen.looks_inverted() {
            account.notices.push(format!(
                "\"{name}\" may be active when low: the voltage rises where it says on. It is used as written. If 0 means on, swap 0 and 1 in the file"
            ));
        }
    }
}

/// The voltage is compared over these times before an edge, and after the lag of a relay.
const BEFORE_S: f64 = 4.0;
const LAG_S: f64 = 1.5;
const AFTER_S: f64 = 4.0;
const FEWEST_ROWS: usize = 3;
/// Relative change of engine speed that counts as none.
const SAME_SPEED: f64 = 0.03;
/// The immediate response comes before an idle or a setpoint can rise.
const IMMEDIATE_S: f64 = 0.5;
/// A smaller relative change, or one within its own scatter, is not clear.
const LEAST_SHARE: f64 = 0.004;

/// Counts the responses at the edges of load `which`.
fn edges_of(traces: Traces, which: usize) -> Edges {
    let mut found = Edges::default();
    let Some(duty) = traces.loads.get(which) else { return found };
    for (row, is_on) in edges(duty) {
        match response(traces, which, row, is_on) {
            Some(Response::Normal) => found.normal += 1,
            Some(Response::Unclear) => found.unclear += 1,
            Some(Response::Inverted) if is_on => found.inverted_on += 1,
            Some(Response::Inverted) => found.inverted_off += 1,
            None => {}
        }
    }
    found
}

enum Response {
    Normal,
    Inverted,
    Unclear,
}

/// Change of the bus voltage at an edge of a load, with nothing else switched and at one engine
/// speed.
pub struct Change {
    pub level_v: f64,
    pub change_v: f64,
    scatter_v: f64,
    pub rpm: Option<f64>,
    /// Which of the other loads are on.
    pub others: Vec<bool>,
    quick_end: usize,
}

/// `None` if something else changes too, or the edge is too near to an end of the log.
pub fn change(traces: Traces, which: usize, row: usize) -> Option<Change> {
    let at_s = *traces.time_s.get(row)?;
    let back = |seconds: f64| {
        let near = |k: &usize| traces.time_s.get(*k).is_some_and(|t| at_s - t <= seconds);
        (0..row).rev().take_while(near).last()
    };
    let forth = |seconds: f64| {
        let far = |k: &usize| traces.time_s.get(*k).is_some_and(|t| t - at_s > seconds);
        (row..traces.time_s.len()).find(far).unwrap_or(traces.time_s.len())
    };
    let (from, settled, upto) = (back(BEFORE_S)?, forth(LAG_S), forth(LAG_S + AFTER_S));
    if row - from < FEWEST_ROWS || upto.saturating_sub(settled) < FEWEST_ROWS {
        return None;
    }
    let alone = traces.loads.iter().enumerate().all(|(k, duty)| {
        duty.get(from..upto).is_some_and(|duty| {
            let edges = duty.windows(2).filter(|p| matches!(p, [a, b] if (b - a).abs() > 0.02));
            edges.count() == usize::from(k == which)
        })
    });
    if !alone {
        return None;
    }
    let mut speed = None;
    if let Some(rpm) = traces.rpm {
        let (a, b) = (middle(rpm.get(from..row)?)?, middle(rpm.get(settled..upto)?)?);
        if (a - b).abs() > SAME_SPEED * a.abs().max(b.abs()) {
            return None;
        }
        speed = Some(a);
    }
    let (old, new) = (traces.bus_v.get(from..row)?, traces.bus_v.get(settled..upto)?);
    let others = traces.loads.iter().enumerate().filter(|(k, _)| *k != which);
    Some(Change {
        level_v: middle(old)?,
        change_v: middle(new)? - middle(old)?,
        scatter_v: spread(old).max(spread(new)),
        rpm: speed,
        others: others.map(|(_, duty)| duty.get(row).is_some_and(|duty| *duty > 0.02)).collect(),
        quick_end: forth(IMMEDIATE_S),
    })
}

/// Direction of a clear response to an edge.
fn response(traces: Traces, which: usize, row: usize, on: bool) -> Option<Response> {
    let seen = change(traces, which, row)?;
    if seen.change_v.abs() < (LEAST_SHARE * seen.level_v).max(2.0 * seen.scatter_v) {
        return None;
    }
    if (seen.change_v > 0.0) != on {
        return Some(Response::Normal);
    }
    let first = traces.bus_v.get(row..seen.quick_end).unwrap_or(&[]);
    let away = |v: &f64| (v - seen.level_v) * seen.change_v.signum();
    match first.len() {
        _ if first.iter().any(|v| away(v) < -2.0 * seen.scatter_v) => None,
        0 | 1 => Some(Response::Unclear),
        _ => Some(Response::Inverted),
    }
}

fn middle(values: &[f64]) -> Option<f64> {
    median(values.iter().copied())
}

/// Half of the range from the 5 % to the 95 % quantile.
fn spread(values: &[f64]) -> f64 {
    let sorted = sorted(values.iter().copied());
    match (quantile(&sorted, 0.05), quantile(&sorted, 0.95)) {
        (Some(low), Some(high)) => 0.5 * (high - low),
        _ => f64::INFINITY,
    }
}
