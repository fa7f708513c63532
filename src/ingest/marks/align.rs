//! Moves marks to the response of the voltage. A person writes a mark a moment early or late; the
//! voltage shows when the load was switched.

use crate::stats::robust::{median, quantile};

/// A mark may be off by this much (common practice, no source: the time to press a switch and note
/// the time to the second).
pub const FARTHEST_S: f64 = 3.0;
/// Marks closer than this were made as one, as with load edges in `segment::steps`.
const TOGETHER_S: f64 = 0.3;
/// A mark without a response of its own shares the response of a mark this close to it.
const SHARING_S: f64 = 1.0;
/// Levels before and after a moment are compared over these times: short for a sharp sag that the
/// regulator corrects, long for a slow change.
const REACHES_S: [f64; 2] = [0.4, 1.2];
/// Minimum size of a response, in standard deviations of the log's own level changes,
const WIDTHS: f64 = 5.0;
/// … and in resolution steps.
const LEAST_STEPS: f64 = 1.5;
/// The log's own changes are estimated from its quieter third, because up to two thirds of a short
/// log may be next to a step. This many standard deviations hold this share of a normal
/// distribution.
const QUIET_SHARE: f64 = 0.35;
const QUIET_WIDTHS: f64 = 0.4538;
/// The response begins where the voltage has changed by this share.
const BEGUN_SHARE: f64 = 0.3;
/// At this share of its median the bus voltage is that of cranking.
const CRANKED_SHARE: f64 = 0.8;
/// Nobody makes this many marks by hand; they are not moved.
const MOST_PAIRS: usize = 1_000_000;
/// An engine that changes its speed this much changes the voltage by itself.
const SPEED_CHANGE_SHARE: f64 = 0.08;
/// A load with a column of its own may respond from this long before its edge to this long after.
const DECLARED_S: (f64, f64) = (0.5, 2.5);

pub struct Change {
    /// Index in the list of marks.
    pub mark: usize,
    pub at_s: f64,
    /// Expected direction of the response: −1 falls, +1 rises.
    pub sign: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    /// Time of the first sample at the new level.
    pub at_s: f64,
    /// Several marks share it.
    pub shared: bool,
}

/// A sudden change of the voltage.
#[derive(Debug, Clone, Copy)]
struct Break {
    at_s: f64,
    /// Positive if the voltage rises.
    jump_v: f64,
}

pub struct Trace<'a> {
    time_s: &'a [f64],
    bus_v: &'a [f64],
    /// Sums of all samples before each, starting with 0.
    sums_v: Vec<f64>,
    sums_rpm: Vec<f64>,
    interval_s: f64,
    resolution_v: f64,
    cranked_v: f64,
}

impl<'a> Trace<'a> {
    /// `rpm` is empty if engine speed is not logged.
    pub fn new(
        time_s: &'a [f64],
        bus_v: &'a [f64],
        rpm: &[f64],
        resolution_v: Option<f64>,
    ) -> Trace<'a> {
        let intervals: Vec<f64> = time_s.windows(2).map(|w| w[1] - w[0]).collect();
        Trace {
            time_s,
            bus_v,
            sums_v: sums(bus_v, bus_v.first().copied().unwrap_or(0.0)),
            sums_rpm: sums(rpm, 0.0),
            interval_s: if intervals.is_empty() { 1.0 } else { median(&intervals) },
            resolution_v: resolution_v.unwrap_or(0.0),
            cranked_v: CRANKED_SHARE * median(bus_v),
        }
    }

    /// A mark closer than this to its response is not moved.
    pub fn least_move_s(&self) -> f64 {
        (1.5 * self.interval_s).max(TOGETHER_S)
    }

    fn reach(&self, reach_s: f64) -> usize {
        ((reach_s / self.interval_s).round() as usize).max(2)
    }

    /// Mean after sample `k` minus mean before it; `None` next to an end or a gap.
    fn jump(&self, sums: &[f64], k: usize, reach: usize) -> Option<f64> {
        let before = k.checked_sub(reach)?;
        let (first_s, last_s) = (self.time_s.get(before)?, self.time_s.get(k + reach - 1)?);
        if last_s - first_s > 3.0 * (2 * reach) as f64 * self.interval_s {
            return None;
        }
        let (low, middle, high) = (sums.get(before)?, sums.get(k)?, sums.get(k + reach)?);
        Some((high - 2.0 * middle + low) / reach as f64)
    }

    /// The smallest change of level over `reach` samples that exceeds noise, hunting and rounding.
    fn least_jump_v(&self, reach: usize) -> f64 {
        let jump_v = |k: usize| self.jump(&self.sums_v, k, reach).map(f64::abs);
        let jumps: Vec<f64> = (reach..self.bus_v.len()).filter_map(jump_v).collect();
        if jumps.is_empty() {
            return f64::INFINITY;
        }
        let sigma_v = quantile(&jumps, QUIET_SHARE) / QUIET_WIDTHS;
        (WIDTHS * sigma_v).max(LEAST_STEPS * self.resolution_v).max(f64::EPSILON)
    }

    fn speed_changes(&self, k: usize, reach: usize) -> bool {
        let before = self
            .sums_rpm
            .get(k)
            .zip(k.checked_sub(reach))
            .and_then(|(sum, from)| Some((sum - self.sums_rpm.get(from)?) / reach as f64));
        let change = self.jump(&self.sums_rpm, k, reach);
        matches!((before, change), (Some(rpm), Some(change))
            if change.abs() > SPEED_CHANGE_SHARE * rpm.abs())
    }

    /// Breaks within `FARTHEST_S` of any of `moments`, which are in order of time.
    fn breaks(&self, moments: &[f64]) -> Vec<Break> {
        let mut breaks: Vec<Break> = Vec::new();
        for reach_s in REACHES_S {
            let reach = self.reach(reach_s);
            let least_v = self.least_jump_v(reach);
            let mut done = 0;
            let mut found: Vec<Break> = Vec::new();
            for &moment_s in moments {
                let start = self.time_s.partition_point(|t| *t < moment_s - FARTHEST_S).max(done);
                let end = self.time_s.partition_point(|t| *t <= moment_s + FARTHEST_S);
                found.extend((start..end).filter_map(|k| self.break_at(k, reach, least_v)));
                done = done.max(end);
            }
            // The long reach finds the breaks of the short reach again.
            let apart_s = REACHES_S[1].max(2.0 * self.interval_s);
            found.retain(|new| {
                let same = |old: &&Break| {
                    (old.at_s - new.at_s).abs() < apart_s && old.jump_v * new.jump_v > 0.0
                };
                breaks.iter().find(same).is_none()
            });
            breaks.append(&mut found);
        }
        breaks.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        breaks
    }

    /// A break at sample `k`, if it is the largest nearby.
    fn break_at(&self, k: usize, reach: usize, least_v: f64) -> Option<Break> {
        let jump_v = self.jump(&self.sums_v, k, reach)?;
        if jump_v.abs() < least_v {
            return None;
        }
        let around = k.saturating_sub(reach)..(k + reach + 1).min(self.bus_v.len());
        if self.bus_v.get(around.clone())?.iter().any(|v| *v < self.cranked_v) {
            return None;
        }
        let greater = |other: usize| {
            self.jump(&self.sums_v, other, reach).is_some_and(|of| {
                let more = jump_v.signum() * of - jump_v.abs();
                more > 0.0 || more == 0.0 && other < k
            })
        };
        if around.clone().any(|other| other != k && greater(other)) || self.speed_changes(k, reach)
        {
            return None;
        }
        // A slow response begins before its steepest change.
        let from = k - reach;
        let before = self.bus_v.get(from.saturating_sub(reach)..from.max(1))?;
        let level_v = median(before);
        let gone = |i: usize| {
            self.bus_v
                .get(i)
                .is_some_and(|v| jump_v.signum() * (v - level_v) >= BEGUN_SHARE * jump_v.abs())
        };
        let mut onset = k;
        while onset > from + 1 && gone(onset - 1) {
            onset -= 1;
        }
        Some(Break { at_s: *self.time_s.get(onset)?, jump_v })
    }
}

/// The response to each of `changes`, which are in order of time. `declared`: time and direction of
/// loads that have a column, whose responses are excluded.
pub fn responses(
    trace: &Trace,
    changes: &[Change],
    declared: &[(f64, f64)],
) -> Vec<Option<Response>> {
    let mut found = vec![None; changes.len()];
    let moments: Vec<f64> = changes.iter().map(|change| change.at_s).collect();
    if changes.is_empty() {
        return found;
    }
    let mut breaks = trace.breaks(&moments);
    breaks.retain(|of| {
        let explains = |edge: &(f64, f64)| {
            let after_s = of.at_s - edge.0;
            edge.1 == of.jump_v.signum() && (-DECLARED_S.0..=DECLARED_S.1).contains(&after_s)
        };
        !declared.iter().any(explains)
    });
    let groups = groups(changes);
    let mut matched: Vec<Option<Break>> = vec![None; groups.len()];
    // Marks further apart than this cannot have a response in common.
    let mut from = 0;
    for to in 1..=groups.len() {
        let ends = match (groups.get(to - 1), groups.get(to)) {
            (Some(last), Some(next)) => next.at_s - last.at_s > 2.0 * FARTHEST_S,
            _ => true,
        };
        if ends && let Some(cluster) = groups.get(from..to) {
            let near = near(&breaks, cluster);
            if let Some(slots) = matched.get_mut(from..to) {
                slots.clone_from_slice(&in_order(cluster, near, trace.least_move_s()));
            }
            from = to;
        }
    }
    let shared = share(&groups, &matched);
    for (k, group) in groups.iter().enumerate() {
        let own = matched.get(k).copied().flatten();
        let other = shared.get(k).copied().flatten();
        let taken_by_another =
            own.is_some_and(|own| shared.iter().flatten().any(|of| of.at_s == own.at_s));
        let response = own
            .or(other)
            .map(|of| Response { at_s: of.at_s, shared: own.is_none() || taken_by_another });
        for slot in found.get_mut(group.members.clone()).into_iter().flatten() {
            *slot = response;
        }
    }
    found
}

struct Group {
    members: std::ops::Range<usize>,
    at_s: f64,
    /// 0 if its marks switch both ways, so that the direction is not known.
    sign: f64,
}

fn groups(changes: &[Change]) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for (k, change) in changes.iter().enumerate() {
        match groups.last_mut() {
            Some(group) if change.at_s - group.at_s <= TOGETHER_S => {
                group.members.end = k + 1;
                if group.sign != change.sign {
                    group.sign = 0.0;
                }
            }
            _ => {
                groups.push(Group { members: k..k + 1, at_s: change.at_s, sign: change.sign });
            }
        }
    }
    groups
}

fn near<'b>(breaks: &'b [Break], cluster: &[Group]) -> &'b [Break] {
    let (Some(first), Some(last)) = (cluster.first(), cluster.last()) else { return &[] };
    let start = breaks.partition_point(|of| of.at_s < first.at_s - FARTHEST_S);
    let end = breaks.partition_point(|of| of.at_s <= last.at_s + FARTHEST_S);
    breaks.get(start..end).unwrap_or(&[])
}

/// Assigns at most one break to each group in the same order, preferring pairs that are close in
/// time and breaks that are large. A break right at a mark belongs to it, however large others
/// are.
fn in_order(groups: &[Group], breaks: &[Break], at_once_s: f64) -> Vec<Option<Break>> {
    let mut matched = vec![None; groups.len()];
    if groups.len() * breaks.len() > MOST_PAIRS {
        return matched;
    }
    let answers = |group: &Group, of: &Break| {
        (of.at_s - group.at_s).abs() <= FARTHEST_S && group.sign == of.jump_v.signum()
    };
    // best[i][j]: the highest score of the first i groups with the first j breaks.
    let width = breaks.len() + 1;
    let mut best = vec![0.0f64; (groups.len() + 1) * width];
    let at = |i: usize, j: usize| i * width + j;
    for (i, group) in groups.iter().enumerate() {
        let rivals = breaks.iter().filter(|of| answers(group, of));
        let greatest_v = rivals.map(|of| of.jump_v.abs()).fold(0.0, f64::max);
        for (j, of) in breaks.iter().enumerate() {
            let skip = best[at(i, j + 1)].max(best[at(i + 1, j)]);
            let apart_s = (of.at_s - group.at_s).abs();
            let at_once = if apart_s <= at_once_s { 1.0 } else { 0.0 };
            let closeness = at_once + 1.0 - apart_s / FARTHEST_S;
            let pair = match answers(group, of) {
                true => best[at(i, j)] + closeness + of.jump_v.abs() / greatest_v,
                false => f64::MIN,
            };
            best[at(i + 1, j + 1)] = skip.max(pair);
        }
    }
    let (mut i, mut j) = (groups.len(), breaks.len());
    while i > 0 && j > 0 {
        let value = best[at(i, j)];
        if value == best[at(i - 1, j)] {
            i -= 1;
        } else if value == best[at(i, j - 1)] {
            j -= 1;
        } else {
            matched[i - 1] = Some(breaks[j - 1]);
            (i, j) = (i - 1, j - 1);
        }
    }
    matched
}

/// If two marks are close together and the voltage responds once, the load is not known: both are
/// moved there.
fn share(groups: &[Group], matched: &[Option<Break>]) -> Vec<Option<Break>> {
    let of = |k: usize, group: &Group| {
        let (other, found) = (groups.get(k)?, (*matched.get(k)?)?);
        let close = (other.at_s - group.at_s).abs() <= SHARING_S && other.sign == group.sign;
        (close && (found.at_s - group.at_s).abs() <= FARTHEST_S).then_some(found)
    };
    let shared = |(k, group): (usize, &Group)| match matched.get(k) {
        Some(None) => k.checked_sub(1).and_then(|k| of(k, group)).or_else(|| of(k + 1, group)),
        _ => None,
    };
    groups.iter().enumerate().map(shared).collect()
}

/// Sums of all values before each, relative to `origin` for less rounding. A value that is not a
/// number counts as the one before it.
fn sums(values: &[f64], origin: f64) -> Vec<f64> {
    let mut sum = 0.0;
    let mut last = values.iter().copied().find(|v| v.is_finite()).unwrap_or(origin);
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    for value in values {
        if value.is_finite() {
            last = *value;
        }
        sum += last - origin;
        sums.push(sum);
    }
    sums
}
