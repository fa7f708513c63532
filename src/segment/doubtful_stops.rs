//! Doubtful stops: a battery that is not being charged shows the same voltage whether the engine
//! runs or not.
//!
//! Each stop of the most probable course is weighed against the best course on which the
//! engine ran there.

use std::ops::Range;

use crate::segment::engine_state::{
    BusReading, EngineState, EngineState::Off, EngineState::Running, MOST_REST_V, Model,
    USUAL_REST_V,
};

/// A stop is sure if an engine that ran explains the log less well by so much (natural
/// log). Of true stops in random slow logs 6 % are under it, of shortages that look like
/// stops 6 in 14 (seeds 50000..50080, which chose it).
const SURE_STOP: f64 = 1.5;
/// Most surface charge after charging (six cells; common practice, no
/// source).
const MOST_LEFT_ALONE_V: f64 = 13.6;
/// A rest that ends lower than this, and than the rest before by so much, discharges the
/// battery (six cells; common practice, no source).
const SUNK_V: f64 = 12.0;
const SINKS_V: f64 = 0.3;
/// Readings, over all searches, that take some seconds at most.
const MOST_SEARCHED: usize = 3_000_000;

/// The most probable state at each reading, and the readings of stops that may be none: an
/// engine that ran there explains the log nearly as well. `noise_v` is the scatter of a
/// reading, `gap_s` the time after which nothing ties a reading to the one before.
pub(super) fn most_probable(
    readings: &[BusReading],
    noise_v: f64,
    gap_s: f64,
) -> (Vec<EngineState>, Vec<Range<usize>>) {
    let model = Model::new(readings, noise_v, gap_s);
    let Some(mut best) = model.best(&[]) else { return Default::default() };
    let (mut runs, mut doubtful) = (Vec::new(), Vec::new());
    let found = stops(&best.0);
    // Each is weighed by another search of the whole log.
    let few_enough = found.len() * readings.len() <= MOST_SEARCHED;
    for stop in found.into_iter().filter(|_| few_enough) {
        runs.push(stop.clone());
        let Some(running) = model.best(&runs) else { break };
        if running.1 >= best.1 || model.is_charged(&stop) {
            best = running;
            continue;
        }
        runs.pop();
        if best.1 - running.1 < SURE_STOP || model.sinks(&stop) {
            doubtful.push(stop);
        }
    }
    (best.0, doubtful)
}

/// The readings of each stop after the engine ran.
fn stops(states: &[EngineState]) -> Vec<Range<usize>> {
    let ran = states.iter().position(|state| *state == Running).unwrap_or(states.len());
    let mut stops: Vec<Range<usize>> = Vec::new();
    for (k, _) in states.iter().enumerate().skip(ran).filter(|(_, state)| **state == Off) {
        match stops.last_mut() {
            Some(stop) if stop.end == k => stop.end = k + 1,
            _ => stops.push(k..k + 1),
        }
    }
    stops
}

impl Model<'_> {
    /// Higher than a battery that is left alone stays.
    fn is_charged(&self, stop: &Range<usize>) -> bool {
        self.middle(stop.clone()) > MOST_LEFT_ALONE_V
    }

    /// Lower than a battery that was just charged comes to rest.
    fn sinks(&self, stop: &Range<usize>) -> bool {
        let first_v = self.middle(0..3.min(self.readings.len()));
        let rest_v = if first_v < MOST_REST_V { first_v } else { USUAL_REST_V };
        self.level_before(stop.end, stop.start) < (rest_v - SINKS_V).min(SUNK_V)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seconds that stops begin at, of a log that rests, starts, charges and then comes
    /// down to levels in turn.
    fn doubted(levels: &[(f64, f64)]) -> Vec<usize> {
        let mut volts = vec![12.6; 30];
        volts.push(10.4);
        volts.resize(120, 14.2);
        for &(first_v, last_v) in levels {
            volts.extend((0..150).map(|k| first_v + (last_v - first_v) * f64::from(k) / 150.0));
        }
        let wobble = |k: usize| [0.006, -0.004, 0.001, -0.003][k % 4];
        let readings: Vec<BusReading> = volts
            .iter()
            .enumerate()
            .map(|(k, v)| BusReading { at_s: k as f64, v: v + wobble(k) })
            .collect();
        let (_, doubtful) = most_probable(&readings, 0.005, 15.0);
        doubtful.iter().map(|stop| stop.start).collect()
    }

    #[test]
    fn a_rest_that_sinks_may_be_a_shortage() {
        assert_eq!(doubted(&[(12.4, 11.8)]), [120]);
        assert_eq!(doubted(&[(12.95, 12.75)]), [0; 0]);
    }
}
