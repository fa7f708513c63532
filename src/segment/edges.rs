//! Edges of the load channels: what the log declares.

use crate::log::Log;

/// Shorter states are a relay that chatters, or one bad sample.
const SHORTEST_STATE_S: f64 = 0.4;
/// A duty that changes by less than this has not been switched.
const LEAST_DUTY_CHANGE: f64 = 0.08;
/// A duty that ramps is one change as long as it moves at least this often.
const RAMP_PAUSE_S: f64 = 1.0;

/// One declared change of one load.
#[derive(Debug, Clone, PartialEq)]
pub struct Edge {
    /// The first sample that shows the new state.
    pub at_s: f64,
    pub load: String,
    pub duty_before: f64,
    pub duty_after: f64,
}

/// All edges of all loads, in time order.
pub fn edges(log: &Log) -> Vec<Edge> {
    let time_s = log.time_s();
    let mut edges: Vec<Edge> = log
        .load_names()
        .iter()
        .filter_map(|name| log.load(name).map(|duty| (name, duty)))
        .flat_map(|(name, duty)| edges_of(time_s, duty, name))
        .collect();
    edges.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    edges
}

fn edges_of(time_s: &[f64], duty: &[f64], name: &str) -> Vec<Edge> {
    let mut edges = Vec::new();
    for pair in runs(time_s, duty).windows(2) {
        let [before, after] = pair else { continue };
        edges.push(Edge {
            at_s: after.start_s,
            load: name.to_owned(),
            duty_before: before.duty,
            duty_after: after.duty,
        });
    }
    edges
}

/// A stretch of constant duty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    pub start_s: f64,
    pub end_s: f64,
    pub duty: f64,
}

/// `duty` as runs of constant value: debounced, with a ramp as one change at its start. Samples
/// without a value belong to the run before them.
pub fn runs(time_s: &[f64], duty: &[f64]) -> Vec<Run> {
    let mut raw: Vec<Run> = Vec::new();
    for (&t, &d) in time_s.iter().zip(duty).filter(|(_, d)| d.is_finite()) {
        match raw.last_mut() {
            Some(last) if (last.duty - d).abs() < LEAST_DUTY_CHANGE => last.end_s = t,
            Some(last) => {
                last.end_s = t;
                raw.push(Run { start_s: t, end_s: t, duty: d });
            }
            None => raw.push(Run { start_s: t, end_s: t, duty: d }),
        }
    }
    if let (Some(last), Some(&end_s)) = (raw.last_mut(), time_s.last()) {
        last.end_s = end_s;
    }
    merge_ramps(debounce(raw))
}

/// A state that reverts within [`SHORTEST_STATE_S`] is dropped.
fn debounce(raw: Vec<Run>) -> Vec<Run> {
    let mut kept: Vec<Run> = Vec::new();
    for run in raw {
        if let [.., before, last] = kept.as_slice()
            && last.end_s - last.start_s < SHORTEST_STATE_S
            && (before.duty - run.duty).abs() < LEAST_DUTY_CHANGE
        {
            kept.pop();
        }
        match kept.last_mut() {
            Some(last) if (last.duty - run.duty).abs() < LEAST_DUTY_CHANGE => {
                last.end_s = run.end_s;
            }
            _ => kept.push(run),
        }
    }
    kept
}

/// Several short runs in a row in one direction are one change.
fn merge_ramps(runs: Vec<Run>) -> Vec<Run> {
    let mut merged: Vec<Run> = Vec::new();
    for run in runs {
        if let [.., before, last] = merged.as_slice()
            && last.end_s - last.start_s < RAMP_PAUSE_S
            && (last.duty - before.duty).signum() == (run.duty - last.duty).signum()
        {
            let start_s = last.start_s;
            merged.pop();
            merged.push(Run { start_s, ..run });
            continue;
        }
        merged.push(run);
    }
    merged
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at_10_hz(duty: &[(f64, f64)]) -> (Vec<f64>, Vec<f64>) {
        let values: Vec<f64> = duty
            .iter()
            .flat_map(|&(seconds, d)| std::iter::repeat_n(d, (seconds * 10.0).round() as usize))
            .collect();
        ((0..values.len()).map(|i| i as f64 / 10.0).collect(), values)
    }

    #[test]
    fn chatter_is_no_edge() {
        let (t, d) =
            at_10_hz(&[(5.0, 0.0), (0.2, 1.0), (5.0, 0.0), (0.1, 1.0), (0.1, 0.0), (5.0, 1.0)]);
        let runs = runs(&t, &d);
        assert_eq!(runs.len(), 2, "{runs:?}");
        assert!((runs[1].start_s - 10.2).abs() < 0.21);
    }

    #[test]
    fn a_duty_ramp_is_one_edge_at_its_start() {
        let (t, d) = at_10_hz(&[(5.0, 0.2), (0.3, 0.4), (0.3, 0.6), (5.0, 0.8)]);
        let runs = runs(&t, &d);
        assert_eq!(runs.len(), 2, "{runs:?}");
        assert!((runs[1].start_s - 5.0).abs() < 1e-9 && (runs[1].duty - 0.8).abs() < 1e-9);
    }

    #[test]
    fn a_hole_in_the_channel_is_no_edge() {
        let (t, mut d) = at_10_hz(&[(5.0, 1.0), (5.0, 1.0)]);
        d[20..30].fill(f64::NAN);
        assert_eq!(runs(&t, &d).len(), 1);
    }
}
