//! Likelihood of a path from one reading to the next.

use super::EngineState::{self, Cranking, Off, Running};
use super::evidence::{TINY, smooth_step};
use super::{Model, Path, begins};
use crate::stats::density::{laplace, normal, uniform};

// How often things happen (common practice, no source). Each is a broad guess: what a log
// shows outweighs it within some readings.

/// Mean time to a start with the engine off,
const START_S: f64 = 120.0;
/// to a stop with it running,
const STOP_S: f64 = 200.0;
/// between load switches with the engine off,
const OFF_STEP_S: f64 = 60.0;
/// and between moves of the bus with it running: loads, speed, regulator.
const RUN_STEP_S: f64 = 20.0;
/// Mean duration of a start, until the engine fires.
const CRANK_S: f64 = 1.2;
/// Share of starts that are too short or too shallow for one reading a second.
const MISSED: f64 = 0.04;
const LONGEST_CRANK_S: f64 = 30.0;
/// After this long without a switched load, further quiet is no more evidence that the engine is
/// off; nor are more steps than this evidence against it: somebody may try loads one by one.
const STILL_S: f64 = 40.0;
const MOST_OFF_STEPS: u32 = 2;
/// Loads that go off after a stop lift the bus by up to this.
const LOADS_V: f64 = 0.2;
/// Most buses never fall this far with the engine running; one that did will again.
const FELL_V: f64 = 0.4;
const FIRST_FALL: f64 = 0.05;
const FELL_STOPS: f64 = 0.5;
/// Regulators warm up, and are commanded to hold less.
const FORGOTTEN_V_PER_S: f64 = 0.003;
/// A move of the bus that the battery's fast polarization follows,
const FAR_MOVE_V: f64 = 0.1;
/// and its time constant.
pub(super) const FADING_S: f64 = 6.0;
/// Mean time from a failed start to the next try,
const RETRY_S: f64 = 45.0;
/// after which no more is expected.
const GIVES_UP_S: f64 = 225.0;
/// Share of starts that fail.
const FAILED: f64 = 0.12;
/// Share of starts after which the alternator does not lift the bus at once.
const SHORT_AFTER_START: f64 = 0.2;

impl Model<'_> {
    /// `path` taken on from reading `i - 1` in state `from` to `i` in state `to`.
    pub(super) fn taken(&self, path: &Path, from: EngineState, to: EngineState, i: usize) -> Path {
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
                // No load pulls a bus down this far.
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
