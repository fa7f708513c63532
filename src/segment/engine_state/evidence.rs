//! How well a level, a move of the bus or a whole visit fits a state of the engine.

use std::ops::Range;

use super::EngineState::{self, Cranking, Off, Running};
use super::transition::FADING_S;
use super::{BEGINS_SHORT, Model, Path};
use crate::stats::density::{exponential, laplace, normal, uniform};
use crate::stats::robust::median;

/// A battery under load drifts by so much.
const DRIFT_V_PER_S: f64 = 0.004;
/// Highest voltage of a battery at rest, and the time constant with which surface charge fades
/// (six cells, full; common practice, no source).
pub(in crate::segment) const MOST_REST_V: f64 = 12.9;
const SURFACE_FADES_S: f64 = 1800.0;
/// For a log that shows no rest before a start (six cells, full; common practice, no source).
pub(in crate::segment) const USUAL_REST_V: f64 = 12.6;

/// No observation is impossible.
pub(super) const TINY: f64 = 1e-9;

/// Density of the level of a battery that is left alone or carries some loads.
pub(super) fn off_level(v: f64) -> f64 {
    let above = if v > 12.6 { 0.3 } else { 0.35 };
    0.95 * normal(v, 12.6, above) + 0.05 * uniform(v, 10.5, 13.6) + TINY
}

/// Density of the level of a bus with the engine running.
pub(super) fn running_level(v: f64) -> f64 {
    (1.0 - BEGINS_SHORT) * normal(v, 14.0, 0.35) + BEGINS_SHORT * uniform(v, 11.5, 13.8) + TINY
}

/// From 0 to 1 around `edge`.
pub(super) fn smooth_step(x: f64, edge: f64, width: f64) -> f64 {
    1.0 / (1.0 + (-(x - edge) / width).exp())
}

impl Model<'_> {
    /// Highest voltage of a battery left alone since then, as its surface charge fades.
    pub(super) fn unfaded_v(&self, since: usize, at_s: f64) -> f64 {
        let first_v = self.middle(since..(since + 3).min(self.readings.len()));
        let fades = (-(at_s - self.readings[since].at_s) / SURFACE_FADES_S).exp();
        MOST_REST_V + (first_v - MOST_REST_V).max(0.0) * fades
    }

    /// Density of a move by noise alone.
    pub(super) fn still(&self, move_v: f64) -> f64 {
        normal(move_v, 0.0, std::f64::consts::SQRT_2 * self.noise_v)
    }

    /// The same, while the battery's polarization follows the last large move.
    pub(super) fn settling(&self, path: &Path, move_v: f64, at_s: f64, dt_s: f64) -> f64 {
        let fades = (-(at_s - path.moved_s) / FADING_S).exp();
        let spread = (std::f64::consts::SQRT_2 * self.noise_v).hypot(DRIFT_V_PER_S * dt_s);
        let still = normal(move_v, 0.0, spread);
        let on_v = move_v * path.moved_v.signum();
        let follows = 0.3 * fades * exponential(on_v, 0.02 + 0.3 * fades);
        still.max(follows)
    }

    /// ln of how well a state keeps a level, over time: a battery that nothing charges
    /// does not stay far over its rest level.
    pub(super) fn held(&self, state: EngineState, v: f64, rise_v: f64, dt_s: f64) -> f64 {
        let (over, under) = match state {
            Off => ((v - 13.3) / 0.2, (11.3 - v) / 0.4),
            Running => ((v - 15.5) / 0.5, (11.3 - v) / 0.4),
            Cranking => return 0.0,
        };
        // After a stop or a failed start only loads that go off lift the bus.
        let risen = (rise_v - 0.1 - 2.0 * self.noise_v) / 0.15;
        let squares = [over, under, risen].iter().map(|z| z.max(0.0).powi(2)).sum::<f64>();
        -0.5 * squares * dt_s.min(30.0) / 10.0
    }

    /// The log's own rest level: that of its beginning, before loads or after them.
    pub(super) fn rest_level(&self, path: &Path, before_v: f64) -> f64 {
        if path.rest_v.is_finite() || path.came_from.is_some() {
            return path.rest_v;
        }
        let first = path.since..(path.since + 3).min(self.readings.len());
        before_v.max(self.middle(first))
    }

    /// The level just before reading `i`, of a visit since `since`.
    pub(in crate::segment) fn level_before(&self, i: usize, since: usize) -> f64 {
        self.middle(i.saturating_sub(3).max(since.min(i - 1))..i)
    }

    pub(in crate::segment) fn middle(&self, range: Range<usize>) -> f64 {
        let values: Vec<f64> = self.readings[range].iter().map(|r| r.v).collect();
        median(&values)
    }

    /// ln of how much better a visit to [`Off`], up to reading `end`, looks like one than
    /// like a bus that is low with the engine running.
    pub(super) fn off_visit(&self, path: &Path, end: usize) -> f64 {
        let n = end - path.since;
        if n < 3 {
            return 0.0;
        }
        // The bus must have come down, at once or while the battery's charging fades.
        let down_v = path.before_v - self.level_before(end, path.since);
        let down = match path.came_from {
            Some(Running) if !self.is_low(path, path.before_v) => {
                (smooth_step(down_v, 0.4, 0.08) + 0.002).ln()
            }
            _ => 0.0,
        };
        let quiet = self.quiet(path.since, end);
        down + quiet + self.shape(path, end) + self.fall(path, end)
    }

    /// Hardly above the rest level: the battery was not charging, so a stop changes nothing.
    pub(super) fn is_low(&self, path: &Path, v: f64) -> bool {
        let rest_v = if path.rest_v.is_finite() { path.rest_v } else { USUAL_REST_V };
        v < rest_v + 0.35
    }

    /// Ignition, ripple and a hunting idle unsettle a bus with the engine running.
    fn quiet(&self, since: usize, end: usize) -> f64 {
        let n = (end - since - 1) as f64;
        if !self.running_move_v.is_finite() || n < 4.0 {
            return 0.0;
        }
        let floor_v = 0.3 * self.noise_v;
        let move_v = (self.moves[end - 1] - self.moves[since]) / n;
        let ratio = ((move_v + floor_v) / (self.running_move_v + floor_v)).ln();
        let spread = (0.1 + 1.0 / n).sqrt();
        let off = 0.5 * normal(ratio, 0.0, spread) + 0.5 * uniform(ratio, -3.0, 0.0);
        let running = normal(ratio, 0.0, 1.2 * spread) + 0.02;
        ((off + TINY) / running).ln().clamp(-0.7, 3.0)
    }

    /// A battery that is left alone hardly falls once the first seconds are over.
    fn fall(&self, path: &Path, end: usize) -> f64 {
        let n = end - path.since;
        if n < 6 || path.came_from != Some(Running) {
            return 0.0;
        }
        let third = n / 3;
        let (early, late) = (path.since + third..path.since + 2 * third, end - third..end);
        let minutes = (self.readings[late.start].at_s - self.readings[early.start].at_s) / 60.0;
        let unsure = self.noise_v / (third as f64).sqrt() / minutes.max(0.05);
        let level = |range: Range<usize>| {
            (self.levels[range.end] - self.levels[range.start]) / range.len() as f64
        };
        let per_minute = (level(early) - level(late)) / minutes.max(0.05);
        let spread = (0.06 / minutes.max(1.0)).max(0.015).hypot(2.0 * unsure);
        let usual = normal(per_minute, 0.6 * spread, spread);
        let off = 0.7 * usual + 0.3 * uniform(per_minute, -0.3, 0.8);
        let running = 0.3 * usual + 0.7 * uniform(per_minute, -0.5, 0.8);
        ((off + 0.02) / (running + 0.02)).ln()
    }

    /// How the level at the end of a visit compares with the one it should come to.
    fn shape(&self, path: &Path, end: usize) -> f64 {
        let last_v = self.level_before(end, path.since);
        match path.came_from {
            // After a start that failed the battery recovers; under an engine that nothing
            // charges for, it goes on falling.
            Some(Cranking) => {
                let short_v = last_v - path.before_v;
                let off = 0.8 * normal(short_v, -0.03, 0.05f64.hypot(self.noise_v))
                    + 0.2 * uniform(short_v, -0.8, 0.2);
                let running = laplace(short_v + 0.2, 0.15);
                ((off + TINY) / (running + 0.02)).ln().clamp(-3.0, 3.0)
            }
            // A battery that was charged rests no lower than before, but for its loads.
            Some(Running) => {
                let rest_v = if path.rest_v.is_finite() { path.rest_v } else { USUAL_REST_V };
                let over_v = last_v - rest_v;
                let spread = 0.2f64.hypot(self.noise_v);
                let off = 0.9 * normal(over_v, 0.35, spread) + 0.1 * uniform(over_v, -1.0, 1.0);
                let running = 0.8 * normal(over_v, 0.15, 0.4) + 0.2 * uniform(over_v, -1.0, 1.3);
                ((off + TINY) / (running + 0.02)).ln().clamp(-3.0, 3.0)
            }
            _ => 0.0,
        }
    }
}
