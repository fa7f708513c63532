//! Whether the engine stood, was cranked or ran, where only the voltage can show it.
//!
//! A hidden Markov model over the log: three states, whose probabilities depend on how the
//! voltage moves from one reading to the next more than on where it stands, so that no fixed
//! voltage decides. The most probable path is found by Viterbi's algorithm, linear in
//! readings. What a stop looks like as a whole (how it falls, how quiet it is, how it compares
//! with the rest before) is weighed when the path leaves it: each survivor of the trellis
//! carries what that needs. Volts are those of six cells.

mod evidence;

use std::ops::Range;

use crate::segment::mean;
use crate::stats::density::{laplace, normal, uniform};

pub(super) use evidence::{MOST_REST_V, USUAL_REST_V};
use evidence::{TINY, off_level, running_level, smooth_step};

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
pub(super) struct Reading {
    pub at_s: f64,
    pub v: f64,
}

// How often things happen (common practice, no source). Each is a broad guess: what a log
// shows outweighs it within some readings.

/// With the engine off, a start follows once in so long,
const START_S: f64 = 120.0;
/// with it running, a stop,
const STOP_S: f64 = 200.0;
/// a load is switched with the engine off,
const OFF_STEP_S: f64 = 60.0;
/// or the bus moves while it runs: loads, speed, regulator.
const RUN_STEP_S: f64 = 20.0;
/// A start takes so long, from the starter's first moment until the engine fires.
const CRANK_S: f64 = 1.2;
/// Share of starts that a reading a second misses, too short or too shallow.
const MISSED: f64 = 0.04;
const LONGEST_CRANK_S: f64 = 30.0;
/// That nothing was switched for so long speaks for an engine that is off, no longer time;
/// and so do as many steps at most against it: somebody may try loads one after the other.
const STILL_S: f64 = 40.0;
const MOST_OFF_STEPS: u32 = 2;
/// Loads that go off after a stop lift the bus by so much.
const LOADS_V: f64 = 0.2;
/// Most cars never fall so far with the engine running; one that did will again.
const FELL_V: f64 = 0.4;
const FIRST_FALL: f64 = 0.05;
const FELL_STOPS: f64 = 0.5;
/// Regulators warm, and are told to hold less.
const FORGOTTEN_V_PER_S: f64 = 0.003;
/// A move of the bus that the battery's fast polarization follows,
const FAR_MOVE_V: f64 = 0.1;
/// … with this time constant.
const FADING_S: f64 = 6.0;
/// After a start that failed, the next try follows so soon.
const RETRY_S: f64 = 45.0;
/// … or never.
const GIVES_UP_S: f64 = 225.0;
/// Share of starts that fail.
const FAILED: f64 = 0.12;
/// Share of starts after which the alternator does not lift the bus at once.
const SHORT_AFTER_START: f64 = 0.2;
/// Share of logs that begin with the engine off,
const BEGINS_OFF: f64 = 0.6;
/// and of those with it running, the share in which the bus is low.
const BEGINS_SHORT: f64 = 0.06;

/// A survivor of the trellis: the best path into a state, and what its visit there is like.
#[derive(Debug, Clone, Copy)]
struct Path {
    score: f64,
    /// First reading of the visit.
    since: usize,
    /// Steps of the level during the visit.
    steps: u32,
    /// Some visit to [`Off`] had so many steps that loads are being tried.
    tries: bool,
    /// Its lowest reading.
    low_v: f64,
    /// When the bus last moved far, and which way: the battery's polarization follows.
    moved_s: f64,
    moved_v: f64,
    /// What the bus holds with the engine running, forgotten slowly.
    held_v: f64,
    /// It settled well below that before, with the engine running.
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
    pub(super) readings: &'a [Reading],
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
    pub(super) fn new(readings: &'a [Reading], noise_v: f64, gap_s: f64) -> Self {
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

    /// `path` taken on from reading `i - 1` in state `from` to `i` in state `to`.
    fn taken(&self, path: &Path, from: EngineState, to: EngineState, i: usize) -> Path {
        let (earlier, here) = (self.readings[i - 1], self.readings[i]);
        let (dt_s, move_v) = (here.at_s - earlier.at_s, here.v - earlier.v);
        if dt_s > self.gap_s {
            return self.after_gap(path, from, to, i);
        }
        let mut taken = *path;
        taken.low_v = path.low_v.min(here.v);
        if from != to {
            (taken.since, taken.steps, taken.came_from) = (i, 0, Some(from));
            taken.low_v = here.v;
        }
        let chance = |every_s: f64, most: f64| (dt_s / every_s).min(most);
        let missed = (1.0 - CRANK_S / dt_s).max(MISSED * dt_s.min(1.0));
        let visit_s = earlier.at_s - self.readings[path.since].at_s;
        let retries = path.came_from == Some(Cranking) && visit_s < 2.0 * RETRY_S;
        let start =
            if from == Off && retries { chance(RETRY_S, 0.4) } else { chance(START_S, 0.2) };
        if move_v.abs() > FAR_MOVE_V.max(4.0 * self.noise_v) || from != to {
            // After a stop the battery's charging fades, after a start its dip.
            let way = match (from, to) {
                (Running, Off) => -1.0,
                (Cranking, Off | Running) => 1.0,
                _ => move_v,
            };
            (taken.moved_s, taken.moved_v) = (here.at_s, way);
        }
        let ln_p = match (from, to) {
            (Off, Off) => {
                let visit_s = here.at_s - self.readings[path.since].at_s;
                let most_steps = match path.came_from {
                    None => MOST_OFF_STEPS,
                    Some(Running) => 3 * MOST_OFF_STEPS,
                    _ => 0,
                };
                let known = path.steps >= most_steps || path.tries && path.steps > 0;
                let step = match known {
                    true => chance(RUN_STEP_S, 0.5),
                    false if visit_s > STILL_S && path.steps == 0 => {
                        chance(1.25 * RUN_STEP_S, 0.45)
                    }
                    false if path.came_from == Some(Running) => chance(3.0 * OFF_STEP_S, 0.1),
                    false => chance(OFF_STEP_S, 0.3),
                };
                let small = 1.0 - smooth_step(move_v.abs(), 0.8, 0.1);
                let (still, moves) = (
                    (1.0 - step) * self.settling(path, move_v, here.at_s, dt_s),
                    step * small * (0.5 * laplace(move_v, 0.08) + 0.5 * laplace(move_v, 0.3)),
                );
                taken.steps += u32::from(moves > still);
                taken.tries |= taken.steps > 2 * MOST_OFF_STEPS;
                let waits = path.came_from == Some(Cranking) && visit_s < GIVES_UP_S;
                let patience = if waits { (1.0 - chance(RETRY_S, 0.5)).ln() } else { 0.0 };
                (still + moves + TINY).ln() + patience
            }
            (Running, Running) => {
                let step = chance(RUN_STEP_S, 0.5);
                // No load takes a bus so far down.
                let far = if here.v < 11.5 { 0.01 } else { 1.0 };
                let any = 0.5 * laplace(move_v, 0.08)
                    + 0.35 * laplace(move_v, 0.3)
                    + 0.15 * far * uniform(move_v, -2.5, 2.5);
                taken.held_v = here.v.max(path.held_v - FORGOTTEN_V_PER_S * dt_s);
                let holds = !self.is_low(path, taken.held_v);
                taken.fell |= holds && here.v < taken.held_v - FELL_V;
                let first = if taken.fell && !path.fell { FIRST_FALL } else { 1.0 };
                let still = self.settling(path, move_v, here.at_s, dt_s);
                (first * ((1.0 - step) * still + step * any) + TINY).ln()
            }
            (Cranking, Cranking) => {
                let lasts_s = here.at_s - self.readings[path.since].at_s;
                let low = smooth_step(path.before_v - here.v, 0.2, 0.05);
                let long = if lasts_s > LONGEST_CRANK_S { 20.0 } else { 0.0 };
                let any = 0.3 * self.still(move_v)
                    + 0.5 * normal(move_v, 0.0, 0.2)
                    + 0.2 * uniform(move_v, -4.0, 4.0);
                (any * low + TINY).ln() - (dt_s / CRANK_S).min(3.0) - long
            }
            (Off, Cranking) => {
                taken.before_v = self.level_before(i, path.since);
                taken.rest_v = self.rest_level(path, taken.before_v);
                let drop_v = taken.before_v - here.v;
                let deep = smooth_step(drop_v, 0.35, 0.07) * uniform(drop_v, 0.2, 10.2);
                if deep < TINY {
                    return Path { score: f64::NEG_INFINITY, ..taken };
                }
                (start * (1.0 - missed) * deep).ln() + self.off_visit(path, i)
            }
            (Off, Running) => {
                taken.before_v = self.level_before(i, path.since);
                taken.rest_v = self.rest_level(path, taken.before_v);
                let rise = 0.9 * normal(move_v, 1.5, 0.5) + 0.1 * uniform(move_v, 0.2, 2.5);
                if rise < TINY {
                    return Path { score: f64::NEG_INFINITY, ..taken };
                }
                (start * missed * rise).ln() + self.off_visit(path, i)
            }
            (Cranking, Running) => {
                let rise_v = here.v - path.before_v;
                let lifted = (1.0 - SHORT_AFTER_START) * normal(rise_v, 1.4, 0.5);
                let short = SHORT_AFTER_START * laplace(rise_v, 0.35);
                ((1.0 - FAILED) * (lifted + short) + TINY).ln()
            }
            (Cranking, Off) => {
                let rise_v = here.v - path.before_v;
                let recovers = 0.6 * normal(rise_v, -0.08, 0.08f64.hypot(self.noise_v))
                    + 0.4 * uniform(rise_v, -1.2, 0.1);
                (FAILED * recovers + TINY).ln()
            }
            (Running, Off) => {
                taken.before_v = self.level_before(i, path.since);
                let falls = if self.is_low(path, taken.before_v) {
                    // The engine's own loads go off: that lifts what was not charged.
                    laplace(move_v - 0.05, 0.15)
                } else {
                    0.85 * normal(move_v, -1.0, 0.5) + 0.15 * uniform(move_v, -2.5, 0.5)
                };
                let stop = chance(STOP_S, 0.3) * if path.fell { FELL_STOPS } else { 1.0 };
                (stop * falls + TINY).ln()
            }
            (Running, Cranking) => {
                // The stop fell between two readings, or the bus was no higher before it.
                taken.before_v = self.level_before(i, path.since).min(13.0);
                let drop_v = taken.before_v - here.v;
                let deep = smooth_step(drop_v, 0.6, 0.1) * uniform(drop_v, 0.2, 10.2);
                let unseen = 0.1 * (dt_s / 5.0).min(1.0);
                let stop = chance(STOP_S, 0.3) * unseen * (1.0 - missed);
                (stop * deep + TINY).ln()
            }
        };
        let rise_v = match taken.came_from {
            Some(Running) if to == Off && !self.is_low(&taken, taken.before_v) => {
                here.v - taken.low_v - LOADS_V
            }
            Some(Cranking) if to == Off => here.v - taken.before_v,
            None if to == Off => here.v - self.unfaded_v(taken.since, here.at_s),
            _ => 0.0,
        };
        let stopped = to == Off && taken.came_from == Some(Running);
        let fading_v = if stopped {
            let visit_s = here.at_s - self.readings[taken.since].at_s;
            1.5 * (-visit_s / FADING_S).exp()
        } else {
            0.0
        };
        taken.score += ln_p + self.held(to, here.v - fading_v, rise_v, dt_s);
        taken
    }

    fn after_gap(&self, path: &Path, from: EngineState, to: EngineState, i: usize) -> Path {
        let here = self.readings[i];
        let visit = if from == Off { self.off_visit(path, i) } else { 0.0 };
        let same = if from == to { 0.6 } else { 0.2 };
        let score = path.score + visit + f64::ln(same) + begins(to, here.v);
        let rest_v = if from == Off {
            self.rest_level(path, self.level_before(i, path.since))
        } else {
            path.rest_v
        };
        Path {
            score,
            since: i,
            steps: 0,
            low_v: here.v,
            came_from: None,
            before_v: here.v,
            rest_v,
            ..*path
        }
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
                readings.push(Reading { at_s, v: (v / step_v).round() * step_v });
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
        let mut readings: Vec<Reading> =
            (0..60).map(|i| Reading { at_s: f64::from(i), v: 14.2 }).collect();
        readings.extend((0..60).map(|i| Reading { at_s: 500.0 + f64::from(i), v: 12.6 }));
        let (mut states, _) = most_probable(&readings, 0.01, 15.0);
        states.dedup();
        assert_eq!(states, [Running, Off]);
    }
}
