//! Load steps: declared ones aligned to the electrical answer, and detected
//! ones where only the voltage shows that something was switched.

use crate::log::{Log, Span};
use crate::parallel::flat_shared;
use crate::segment::detect;
use crate::segment::edges::{self, Edge};
use crate::segment::kinds::{Direction, Origin, Phase, PhaseKind};
use crate::segment::noise_model::NoiseModel;
use crate::segment::onset::{Onset, Trace};

/// Slow fan controllers and clutch relays answer within this
/// (common practice, no source).
const LONGEST_LAG_S: f64 = 2.5;
/// and ramp up over no more (common practice, no source).
const LONGEST_START_S: f64 = 9.0;
/// Edges of several loads closer than this are one electrical event.
pub const TOGETHER_S: f64 = 0.3;

/// Fewer running phases are searched one after the other, each by all cores.
const LEAST_PHASES: usize = 4;

/// A change of load with the time it owns: from its onset until whatever
/// changes next.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    pub at_s: f64,
    /// End of the calm before it: the previous change.
    pub since_s: f64,
    /// The next change.
    pub until_s: f64,
    /// Joined by " + " where several loads switched at once.
    pub load: Option<String>,
    pub direction: Direction,
    pub duty_change: Option<f64>,
    pub origin: Origin,
    /// From the declared edge to the answer; `None` where none stands out.
    pub lag_s: Option<f64>,
    pub answered: bool,
}

/// The load steps of all running phases, in time order.
pub fn steps(
    log: &Log,
    phases: &[Phase],
    speed_changes: &[Span],
    noise_model: &NoiseModel,
) -> Vec<Step> {
    let declared = declared(log, noise_model);
    let mut steps = declared.clone();
    let mut known: Vec<f64> = declared.iter().map(|s| s.at_s).collect();
    known.sort_by(f64::total_cmp);
    let mut edges: Vec<f64> = declared.iter().map(|s| s.at_s - s.lag_s.unwrap_or(0.0)).collect();
    edges.sort_by(f64::total_cmp);
    let running: Vec<&Phase> = phases.iter().filter(|p| p.kind == PhaseKind::Running).collect();
    let detected_in = |phase: &&Phase| {
        let found = detect::detect(log, phase, speed_changes, &known, noise_model).into_iter();
        let step = |found: Onset| Step {
            at_s: found.at_s,
            since_s: phase.start_s,
            until_s: phase.end_s,
            load: None,
            direction: if found.jump_v < 0.0 { Direction::On } else { Direction::Off },
            duty_change: None,
            origin: Origin::Detected,
            lag_s: None,
            answered: true,
        };
        let explained = |at_s: f64| explained(at_s, &edges, noise_model.interval_s);
        found.filter(|found| !explained(found.at_s)).map(step).collect::<Vec<Step>>()
    };
    steps.extend(flat_shared(&running, LEAST_PHASES, detected_in));
    steps.retain(|s| {
        let phase = phases.get(phases.partition_point(|p| p.end_s <= s.at_s));
        phase.is_some_and(|p| p.kind == PhaseKind::Running && p.start_s < s.at_s)
    });
    steps.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    bound(&mut steps, phases, speed_changes, &log.gaps());
    steps
}

/// A change near a declared edge belongs to it: its response, inrush or soft start, or the
/// recovery after it.
fn explained(at_s: f64, edges: &[f64], interval_s: f64) -> bool {
    let slack_s = 0.5 + 1.5 * interval_s;
    let last = edges.partition_point(|edge_s| edge_s - slack_s <= at_s).checked_sub(1);
    last.is_some_and(|last| at_s <= edges[last] + LONGEST_START_S + slack_s)
}

fn declared(log: &Log, noise_model: &NoiseModel) -> Vec<Step> {
    let groups = together(edges::edges(log));
    let moments: Vec<f64> = groups.iter().map(|g| g[0].at_s).collect();
    let mut steps = Vec::with_capacity(groups.len());
    let mut last_onset_s = f64::NEG_INFINITY;
    for (k, group) in groups.iter().enumerate() {
        let at_s = moments[k];
        let next_s = moments.get(k + 1).copied().unwrap_or(f64::INFINITY);
        let duty_change: f64 = group.iter().map(|e| e.duty_after - e.duty_before).sum();
        let direction = if duty_change >= 0.0 { Direction::On } else { Direction::Off };
        let sign = if direction == Direction::On { -1.0 } else { 1.0 };
        // The edge may be logged a sample late, never after its answer otherwise.
        let window = Span {
            start_s: (at_s - 1.5 * noise_model.interval_s)
                .max(last_onset_s + 2.0 * noise_model.interval_s),
            end_s: (at_s + LONGEST_LAG_S).min(next_s - 2.0 * noise_model.interval_s),
        };
        let own = Span { start_s: last_onset_s, end_s: window.end_s + 1.0 };
        let own = Span { end_s: own.end_s.min(next_s), ..own };
        let onset = Trace::of(log, noise_model).answer(window, own, sign);
        let onset_s = onset.map_or(at_s, |o| o.at_s);
        last_onset_s = onset_s;
        steps.push(Step {
            at_s: onset_s,
            since_s: f64::NEG_INFINITY,
            until_s: f64::INFINITY,
            load: Some(group.iter().map(|e| e.load.as_str()).collect::<Vec<_>>().join(" + ")),
            direction,
            duty_change: Some(duty_change),
            origin: Origin::Declared,
            lag_s: onset.map(|o| (o.at_s - at_s).max(0.0)),
            answered: onset.is_some(),
        });
    }
    steps
}

fn together(edges: Vec<Edge>) -> Vec<Vec<Edge>> {
    let mut groups: Vec<Vec<Edge>> = Vec::new();
    for edge in edges {
        match groups.last_mut() {
            Some(group) if edge.at_s - group[0].at_s <= TOGETHER_S => group.push(edge),
            _ => groups.push(vec![edge]),
        }
    }
    groups
}

/// Gives each step the time it owns; all are in time order.
fn bound(steps: &mut [Step], phases: &[Phase], speed_changes: &[Span], gaps: &[Span]) {
    let onsets: Vec<f64> = steps.iter().map(|s| s.at_s).collect();
    // The onset of a faint response is placed late, never before the edge.
    let edges: Vec<f64> = steps.iter().map(|s| s.at_s - s.lag_s.unwrap_or(0.0)).collect();
    for (k, step) in steps.iter_mut().enumerate() {
        let phase = phases
            .get(phases.partition_point(|p| p.end_s < step.at_s))
            .filter(|p| p.start_s <= step.at_s);
        let mut since_s = phase.map_or(step.at_s, |p| p.start_s);
        let mut until_s = phase.map_or(step.at_s, |p| p.end_s);
        if k > 0 {
            since_s = since_s.max(onsets[k - 1]);
        }
        if let Some(&next) = edges.get(k + 1) {
            until_s = until_s.min(next.max(step.at_s));
        }
        for spans in [speed_changes, gaps] {
            let over = spans.partition_point(|s| s.end_s <= step.at_s).checked_sub(1);
            let next = spans.get(spans.partition_point(|s| s.start_s <= step.at_s));
            since_s = over.map_or(since_s, |over| since_s.max(spans[over].end_s));
            until_s = next.map_or(until_s, |next| until_s.min(next.start_s));
        }
        step.since_s = since_s;
        step.until_s = until_s;
    }
}
