//! Whether the engine stood, was cranked or ran, where only the voltage can show it.
//!
//! A hidden Markov model over the log: three states, whose probabilities depend on how the
//! voltage moves from one reading to the next more than on its level, so that no fixed
//! voltage decides. The most probable path is found by Viterbi's algorithm, linear in
//! readings. What a stop looks like as a whole (how it falls, how quiet it is, how it compares
//! with the rest before) is weighed when the path leaves it: each survivor of the trellis
//! carries what that needs. Volts are those of six cells.

mod evidence;
mod transition;

use std::ops::Range;

use crate::segment::mean;
use crate::stats::density::uniform;

pub(super) use evidence::{MOST_REST_V, USUAL_REST_V};
use evidence::{off_level, running_level};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum EngineState {
    Off,
    Cranking,
    Running,
}

use EngineState::{Cranking, Off, Running};

const STATES: [EngineState; 3] = [Off, Cranking, Running];

/// One reading of the log, or the middle of some.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct BusReading {
    pub at_s: f64,
    pub v: f64,
}

/// Share of logs that begin with the engine off,
const BEGINS_OFF: f64 = 0.6;
/// and of those with it running, the share in which the bus is low.
const BEGINS_SHORT: f64 = 0.06;

/// A survivor of the trellis: the best path into a state, and what its visit there looks like.
#[derive(Debug, Clone, Copy)]
struct Path {
    score: f64,
    /// First reading of the visit.
    since: usize,
    /// Steps of the level during the visit.
    steps: u32,
    /// Some visit to [`Off`] had enough steps to show that loads are being tried.
    tries: bool,
    /// Its lowest reading.
    low_v: f64,
    /// When the bus last moved far, and which way: the battery's polarization follows.
    moved_s: f64,
    moved_v: f64,
    /// What the bus holds with the engine running, forgotten slowly.
    held_v: f64,
    /// It has fallen well below that with the engine running.
    fell: bool,
    /// Where the path was before the visit; `None` at the beginning or after a gap.
    came_from: Option<EngineState>,
    /// Level before the last crank or stop.
    before_v: f64,
    /// Level before the first start: the log's own rest level.
    rest_v: f64,
}

impl Model<'_> {
    /// The best course through all readings on which the engine runs during each of `runs`,
    /// and the natural log of its likelihood.
    pub(super) fn best(&self, runs: &[Range<usize>]) -> Option<(Vec<EngineState>, f64)> {
        let (model, readings) = (self, self.readings);
        let first = readings.first()?;
        let nothing = Path {
            score: f64::NEG_INFINITY,
            since: 0,
            steps: 0,
            tries: false,
            low_v: f64::INFINITY,
            moved_s: f64::NEG_INFINITY,
            moved_v: 0.0,
            held_v: f64::NEG_INFINITY,
            fell: false,
            came_from: None,
            before_v: f64::NAN,
            rest_v: f64::NAN,
        };
        let mut now = STATES.map(|state| Path { score: begins(state, first.v), ..nothing });
        let mut back: Vec<[EngineState; 3]> = vec![STATES];
        for i in 1..readings.len() {
            let mut next = [nothing; 3];
            let mut came = STATES;
            let must_run = runs.iter().any(|run| run.contains(&i));
            for (to, (best, from_best)) in STATES.iter().zip(next.iter_mut().zip(came.iter_mut())) {
                if must_run && *to != Running {
                    continue;
                }
                for (from, path) in STATES.iter().zip(&now) {
                    let taken = model.taken(path, *from, *to, i);
                    if taken.score > best.score {
                        (*best, *from_best) = (taken, *from);
                    }
                }
            }
            now = next;
            back.push(came);
        }
        let last = readings.len() - 1;
        let at_end = |state: EngineState| {
            let path = &now[state as usize];
            let visit = if state == Off { model.off_visit(path, last + 1) } else { 0.0 };
            path.score + visit
        };
        let mut state = if at_end(Off) >= at_end(Running) { Off } else { Running };
        if now[Cranking as usize].score > at_end(state) {
            state = Cranking;
        }
        let score = at_end(state);
        let mut states = vec![state; readings.len()];
        for i in (1..readings.len()).rev() {
            state = back[i][state as usize];
            states[i - 1] = state;
        }
        Some((states, score))
    }
}

/// ln of the probability of beginning in a state, at a level.
fn begins(state: EngineState, v: f64) -> f64 {
    match state {
        Off => (BEGINS_OFF * off_level(v)).ln(),
        Cranking => (0.01 * uniform(v, 6.0, 12.0)).ln(),
        Running => ((1.0 - BEGINS_OFF) * running_level(v)).ln(),
    }
}

pub(super) struct Model<'a> {
    pub(super) readings: &'a [BusReading],
    noise_v: f64,
    gap_s: f64,
    /// Sums of the moves between readings, each no larger than a noisy one.
    moves: Vec<f64>,
    /// Sums of the levels.
    levels: Vec<f64>,
    /// Mean of such moves while the bus is high enough to be charged.
    running_move_v: f64,
}

impl<'a> Model<'a> {
    pub(super) fn new(readings: &'a [BusReading], noise_v: f64, gap_s: f64) -> Self {
        let noise_v = noise_v.max(0.004);
        let mut moves = vec![0.0];
        let mut levels = vec![0.0];
        for reading in readings {
            levels.push(levels[levels.len() - 1] + reading.v);
        }
        let mut running = Vec::new();
        let mut sum = 0.0;
        for pair in readings.windows(2) {
            let move_v = (pair[1].v - pair[0].v).abs().min(6.0 * noise_v);
            if pair[0].v.min(pair[1].v) > 13.3 {
                running.push(move_v);
            }
            sum += move_v;
            moves.push(sum);
        }
        let running_move_v = if running.len() < 8 { f64::NAN } else { mean(&running) };
        Model { readings, noise_v, gap_s, moves, levels, running_move_v }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::doubtful_stops::most_probable;

    /// Seconds, volts at the beginning and at the end.
    type Part = (f64, f64, f64);

    /// The states in turn, of a log with a reading every `every_s`, rounded to `step_v`.
    fn states(every_s: f64, step_v: f64, parts: &[Part]) -> Vec<EngineState> {
        let mut readings = Vec::new();
        let mut from_s = 0.0;
        for (seconds, first_v, last_v) in parts {
            for k in 0..(seconds / every_s).round() as usize {
                let share = k as f64 * every_s / seconds;
                let wobble_v = [0.006, -0.004, 0.001, -0.003][readings.len() % 4];
                let v = first_v + (last_v - first_v) * share + wobble_v;
                let at_s = from_s + k as f64 * every_s;
                readings.push(BusReading { at_s, v: (v / step_v).round() * step_v });
            }
            from_s += seconds;
        }
        let noise_v = (0.3 * step_v).max(0.005);
        let (mut states, _) = most_probable(&readings, noise_v, 5.0 * every_s + 10.0);
        states.dedup();
        states
    }

    #[test]
    fn a_start_is_seen_at_any_pace() {
        let parts = [(30.0, 12.6, 12.6), (1.0, 10.4, 10.4), (120.0, 14.2, 14.3)];
        for (every_s, step_v) in [(0.5, 0.01), (1.0, 0.01), (1.0, 0.1)] {
            assert_eq!(states(every_s, step_v, &parts), [Off, Cranking, Running]);
        }
    }

    #[test]
    fn the_starter_may_fall_between_two_readings() {
        let parts = [(60.0, 12.6, 12.6), (300.0, 14.2, 14.3)];
        for (every_s, step_v) in [(2.0, 0.01), (5.0, 0.1), (10.0, 0.02)] {
            assert_eq!(states(every_s, step_v, &parts), [Off, Running]);
        }
    }

    #[test]
    fn a_log_may_begin_with_the_engine_running_and_end_with_it_off() {
        let parts = [(200.0, 14.2, 14.1), (20.0, 13.2, 12.95), (100.0, 12.95, 12.9)];
        for (every_s, step_v) in [(0.5, 0.01), (1.0, 0.1), (5.0, 0.02)] {
            assert_eq!(states(every_s, step_v, &parts), [Running, Off]);
        }
    }

    #[test]
    fn a_stall_and_another_start() {
        let run = (100.0, 14.2, 14.2);
        let crank = (1.0, 10.3, 10.3);
        let parts = [(20.0, 12.6, 12.6), crank, run, (8.0, 13.1, 12.9), crank, run];
        let wanted = [Off, Cranking, Running, Off, Cranking, Running];
        assert_eq!(states(1.0, 0.01, &parts), wanted);
    }

    /// It barely lifts the bus, far below what any regulator holds.
    #[test]
    fn an_overloaded_alternator_runs() {
        let parts = [(30.0, 12.3, 12.3), (1.0, 10.0, 10.0), (200.0, 12.9, 12.8)];
        assert_eq!(states(1.0, 0.01, &parts), [Off, Cranking, Running]);
    }

    #[test]
    fn loads_that_pull_a_running_bus_down_are_no_stop() {
        let parts = [
            (30.0, 12.6, 12.6),
            (1.0, 10.0, 10.0),
            (60.0, 14.2, 14.2),
            (40.0, 12.9, 12.5),
            (60.0, 13.9, 14.2),
            (40.0, 12.8, 12.4),
            (60.0, 13.9, 14.2),
        ];
        assert_eq!(states(1.0, 0.01, &parts), [Off, Cranking, Running]);
    }

    #[test]
    fn a_dead_alternator_runs_and_a_failed_start_recovers() {
        let (rest, crank) = ((30.0, 12.6, 12.6), (2.0, 10.0, 10.2));
        let dead = [rest, crank, (300.0, 12.3, 11.9)];
        assert_eq!(states(1.0, 0.01, &dead), [Off, Cranking, Running]);
        let failed = [rest, crank, (5.0, 12.3, 12.55), (30.0, 12.55, 12.59)];
        assert_eq!(states(1.0, 0.01, &failed), [Off, Cranking, Off]);
    }

    #[test]
    fn loads_tried_with_the_engine_off_are_no_run() {
        let mut parts = vec![(30.0, 12.7, 12.7)];
        for _ in 0..6 {
            parts.extend([(30.0, 12.2, 12.1), (30.0, 12.55, 12.6)]);
        }
        assert_eq!(states(1.0, 0.01, &parts), [Off]);
        parts.push((120.0, 14.3, 14.4));
        assert_eq!(states(2.0, 0.01, &parts), [Off, Running]);
    }

    #[test]
    fn what_happens_in_a_gap_is_left_open() {
        let mut readings: Vec<BusReading> =
            (0..60).map(|i| BusReading { at_s: f64::from(i), v: 14.2 }).collect();
        readings.extend((0..60).map(|i| BusReading { at_s: 500.0 + f64::from(i), v: 12.6 }));
        let (mut states, _) = most_probable(&readings, 0.01, 15.0);
        states.dedup();
        assert_eq!(states, [Running, Off]);
    }
}
