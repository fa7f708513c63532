//! Where a starter was at work, by the voltage and by engine speed.

use crate::levels;
use crate::log::{Log, Span};
use crate::segment::noise_model::NoiseModel;
use crate::segment::{index_at, indices};
use crate::stats::robust::median;

/// No engine idles below this, and no starter turns one faster (common practice, no source).
pub const RUNNING_RPM: f64 = 400.0;
/// Nobody cranks longer without a pause (common practice, no source).
const LONGEST_CRANKING_S: f64 = 30.0;
/// An engine that turns slower than this is standing (common practice, no source).
const STANDING_RPM: f64 = 50.0;
/// No engine starts sooner; a shorter reading is a flickering tachometer (common practice, no
/// source).
const SHORTEST_TURN_S: f64 = 0.3;
/// Longest delay of the tachometer after the starter (common practice, no source:
/// a turn or two).
const TACHOMETER_LAG_S: f64 = 1.0;

/// Length of the level before a dip, or of some samples;
const LEVEL_S: f64 = 1.5;
/// the edge of a dip is no longer than this, or than one sample.
const EDGE_S: f64 = 0.4;
/// A logger slower than this may ask for one channel well after the other,
const SLOW_S: f64 = 0.3;
/// with at most this delay, or two of its samples (common practice, no source).
const LATE_S: f64 = 2.5;

/// Dips of the bus that only a starter makes and that begin `within` these spans.
pub(super) fn dips(log: &Log, within: &[Span], noise_model: &NoiseModel) -> Vec<Span> {
    let (time_s, bus_v) = (log.time_s(), log.bus_v());
    let begins_in = |span: &Span| {
        // A weak alternator lifts the bus out of the dip slowly.
        let seen = Span { end_s: span.end_s + LONGEST_CRANKING_S, ..*span };
        let range = indices(time_s, seen);
        let mut dips = dips_in(&time_s[range.clone()], &bus_v[range], noise_model);
        dips.retain(|dip| dip.start_s <= span.end_s);
        dips
    };
    let mut dips: Vec<Span> = within.iter().flat_map(begins_in).collect();
    if log.raw().is_some() {
        let noise_model = noise_model.of_readings();
        dips.iter_mut().for_each(|dip| *dip = sharpened(*dip, log.as_sampled(), &noise_model));
    }
    dips
}

/// The ends of a dip by the logger's own samples instead of means: a starter engages within a
/// hundredth of a second.
fn sharpened(dip: Span, log: &Log, noise_model: &NoiseModel) -> Span {
    let around = Span { start_s: dip.start_s - 2.0, end_s: dip.end_s + 1.0 };
    let range = indices(log.time_s(), around);
    let (time_s, bus_v) = (&log.time_s()[range.clone()], &log.bus_v()[range]);
    let same = |other: &Span| other.start_s < dip.end_s && other.end_s > dip.start_s;
    dips_in(time_s, bus_v, noise_model).into_iter().find(same).unwrap_or(dip)
}

/// Least dip by a starter while the engine is seen to turn.
fn turning_dip_v(noise_model: &NoiseModel) -> f64 {
    let most_v = noise_model.nominal.volts(levels::CRANKING_DIP);
    noise_model.beyond_noise_v(noise_model.nominal.volts(levels::TURNING_DIP)).min(most_v)
}

/// Where a starter could have been at work: the voltage falls by more than
/// [`levels::CRANKING_DIP`] under the level before it and comes back.
pub(super) fn dips_in(time_s: &[f64], bus_v: &[f64], noise_model: &NoiseModel) -> Vec<Span> {
    // In a short log, steps and starts inflate the noise.
    let cranking_dip_v = noise_model.nominal.volts(levels::CRANKING_DIP);
    let after_stop_v = noise_model.nominal.volts(levels::AFTER_STOP);
    let least_dip_v = noise_model.beyond_noise_v(cranking_dip_v).min(2.0 * cranking_dip_v);
    let reach_s = EDGE_S.max(1.1 * noise_model.interval_s);
    let mut dips = Vec::new();
    let mut i = 1;
    let mut earlier = 0;
    while i < bus_v.len() {
        while earlier + 1 < i && time_s[earlier] < time_s[i] - reach_s {
            earlier += 1;
        }
        // A quick check first: at the edge of a dip the bus was higher a moment ago.
        if bus_v[i] > bus_v[earlier] - least_dip_v / 2.0 {
            i += 1;
            continue;
        }
        let level_v =
            level_before(time_s, bus_v, i, noise_model.interval_s).unwrap_or(bus_v[earlier]);
        if bus_v[i] > level_v - least_dip_v || level_v > after_stop_v {
            i += 1;
            continue;
        }
        // The dip is over when the bus stays above half its depth again: the
        // voltage ripples with every compression stroke.
        let longest = Span { start_s: time_s[i], end_s: time_s[i] + LONGEST_CRANKING_S };
        let lowest_v =
            bus_v[indices(time_s, longest)].iter().copied().fold(f64::INFINITY, f64::min);
        let back_v = level_v - 0.25 * (level_v - lowest_v).min(2.0 * least_dip_v);
        let over = indices(time_s, longest).find(|&k| {
            let next_moment = Span { start_s: time_s[k], end_s: time_s[k] + 0.3 };
            bus_v[indices(time_s, next_moment)].iter().all(|&v| v >= back_v)
        });
        match over {
            Some(end) => {
                dips.push(Span { start_s: time_s[i], end_s: time_s[end] });
                i = end + 1;
            }
            None => i += 1,
        }
    }
    dips
}

/// The level of the second or the samples before sample `i`, leaving out the last moment.
fn level_before(time_s: &[f64], bus_v: &[f64], i: usize, interval_s: f64) -> Option<f64> {
    let start_s = time_s[i] - LEVEL_S.max(3.5 * interval_s);
    let range = indices(time_s, Span { start_s, end_s: time_s[i] - 0.1 });
    if range.is_empty() { None } else { Some(median(&bus_v[range])) }
}

/// Adds dips that begin only after the engine speed shows running: loggers that poll one channel
/// after the other record the starter's dip that late. Running then begins when the dip is over.
pub(super) fn add_late(
    starts: &mut Vec<Span>,
    running: &mut [Span],
    time_s: &[f64],
    bus_v: &[f64],
    noise_model: &NoiseModel,
) {
    if noise_model.interval_s < SLOW_S {
        return;
    }
    let least_dip_v = turning_dip_v(noise_model);
    let late_s = LATE_S.max(2.0 * noise_model.interval_s);
    for run in running.iter_mut() {
        let from = index_at(time_s, run.start_s);
        let seen =
            starts.iter().any(|s| (s.end_s - late_s..=s.end_s + late_s).contains(&run.start_s));
        if from == 0 || seen {
            continue;
        }
        let before =
            indices(time_s, Span { start_s: run.start_s - 2.0 * late_s, end_s: time_s[from - 1] });
        let level_v = median(&bus_v[before]);
        let gives_way = |i: &usize| bus_v.get(*i).is_some_and(|v| level_v - v > least_dip_v);
        let latest_s = (run.start_s + late_s).min(run.end_s);
        let Some(low) = (from..time_s.len()).take_while(|i| time_s[*i] <= latest_s).find(gives_way)
        else {
            continue;
        };
        let over = (low..time_s.len()).find(|i| !gives_way(i) || time_s[*i] > latest_s);
        let end_s = over.map_or(run.end_s, |i| time_s[i]).min(run.end_s);
        starts.push(Span { start_s: run.start_s, end_s });
        run.start_s = end_s;
    }
    starts.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
}

/// Adds dips too shallow by themselves, during which the engine was turned from standing to less
/// than idle speed.
pub(super) fn add_turns(
    starts: &mut Vec<Span>,
    time_s: &[f64],
    bus_v: &[f64],
    rpm: &[f64],
    noise_model: &NoiseModel,
) {
    let least_dip_v = turning_dip_v(noise_model);
    let turned = turns(time_s, rpm).into_iter().filter_map(|turn| {
        let around_s = turn.start_s - TACHOMETER_LAG_S;
        let before = indices(time_s, Span { start_s: around_s - 2.0, end_s: around_s });
        let level_v = if before.is_empty() {
            *bus_v.get(index_at(time_s, turn.start_s).checked_sub(1)?)?
        } else {
            median(&bus_v[before])
        };
        let inside = indices(time_s, Span { start_s: around_s, end_s: turn.end_s });
        let gives_way = |v: &f64| level_v - v > least_dip_v;
        let first = inside.clone().find(|&i| level_v - bus_v[i] > least_dip_v / 2.0)?;
        let start_s = time_s[first].min(turn.start_s);
        bus_v[inside].iter().any(gives_way).then_some(Span { start_s, ..turn })
    });
    let alone = |turn: &Span| {
        let next = starts.partition_point(|start| start.end_s <= turn.start_s);
        starts.get(next).is_none_or(|start| start.start_s >= turn.end_s)
    };
    let turned: Vec<Span> = turned.filter(alone).collect();
    starts.extend(turned);
    starts.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
}

/// Where the engine turned, from standing, slower than it runs.
fn turns(time_s: &[f64], rpm: &[f64]) -> Vec<Span> {
    let mut turns = Vec::new();
    let (mut stood, mut open) = (false, None);
    for (&t, &r) in time_s.iter().zip(rpm).filter(|(_, r)| r.is_finite()) {
        let turning = (STANDING_RPM..RUNNING_RPM).contains(&r);
        match open {
            Some(start_s) if !turning => {
                if (SHORTEST_TURN_S..=LONGEST_CRANKING_S).contains(&(t - start_s)) {
                    turns.push(Span { start_s, end_s: t });
                }
                open = None;
            }
            None if turning && stood => open = Some(t),
            _ => {}
        }
        stood = r < STANDING_RPM;
    }
    turns
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seconds, volts, rpm.
    type Part = (f64, f64, f64);

    /// Where the engine was turned, at 20 Hz.
    fn starts(parts: &[Part]) -> Vec<Span> {
        let (mut time_s, mut bus_v, mut rpm) = (Vec::new(), Vec::new(), Vec::new());
        for &(seconds, volts, speed_rpm) in parts {
            for _ in 0..(seconds * 20.0).round() as usize {
                let i = time_s.len();
                time_s.push(i as f64 / 20.0);
                bus_v.push(volts + if i % 2 == 0 { 0.004 } else { -0.004 });
                rpm.push(speed_rpm);
            }
        }
        let noise_model = NoiseModel::first_look(&time_s, &bus_v, None);
        let mut starts = dips_in(&time_s, &bus_v, &noise_model);
        add_turns(&mut starts, &time_s, &bus_v, &rpm, &noise_model);
        starts
    }

    fn near(span: &Span, start_s: f64, end_s: f64) -> bool {
        (span.start_s - start_s).abs() < 0.11 && (span.end_s - end_s).abs() < 0.11
    }

    #[test]
    fn a_strong_battery_that_hardly_dips_was_cranked_where_the_engine_turned() {
        let found = starts(&[(10.0, 12.9, 0.0), (1.0, 12.3, 200.0), (20.0, 13.8, 850.0)]);
        assert!(found.len() == 1 && near(&found[0], 10.0, 11.0), "{found:?}");
    }

    #[test]
    fn a_tachometer_that_wakes_up_late_does_not_cut_the_start() {
        let parts = [(10.0, 12.9, 0.0), (0.6, 12.3, 0.0), (0.6, 12.35, 220.0), (20.0, 13.8, 850.0)];
        let found = starts(&parts);
        assert!(found.len() == 1 && near(&found[0], 10.0, 11.2), "{found:?}");
    }

    #[test]
    fn one_start_is_told_once() {
        let found = starts(&[(10.0, 12.6, 0.0), (1.0, 10.4, 200.0), (20.0, 14.2, 850.0)]);
        assert!(found.len() == 1 && near(&found[0], 10.0, 11.0), "{found:?}");
    }

    #[test]
    fn an_engine_that_runs_out_is_not_cranked() {
        let parts =
            [(10.0, 12.7, 850.0), (0.5, 12.5, 300.0), (0.5, 12.4, 120.0), (10.0, 12.4, 0.0)];
        assert_eq!(starts(&parts), []);
    }

    #[test]
    fn a_tachometer_that_flickers_at_rest_shows_no_start() {
        let parts = [(10.0, 12.6, 0.0), (1.0, 12.6, 90.0), (10.0, 12.6, 0.0)];
        assert_eq!(starts(&parts), []);
        // Nor does it while a load is on for a while.
        let parts = [(10.0, 12.6, 0.0), (1.0, 12.3, 0.0), (0.1, 12.3, 90.0), (10.0, 12.6, 0.0)];
        assert_eq!(starts(&parts), []);
    }

    #[test]
    fn of_a_slow_logger_one_sample_is_enough() {
        let time_s: Vec<f64> = (0..30).map(f64::from).collect();
        let at = |t_s: f64, rest, crank, runs| match t_s {
            ..10.0 => rest,
            ..11.0 => crank,
            _ => runs,
        };
        let noise_v = |t_s: f64| 0.01 * (7.0 * t_s).sin();
        let bus_v: Vec<f64> =
            time_s.iter().map(|t_s| at(*t_s, 12.8, 12.1, 14.0) + noise_v(*t_s)).collect();
        let rpm: Vec<f64> = time_s.iter().map(|t_s| at(*t_s, 0.0, 180.0, 900.0)).collect();
        let noise_model = NoiseModel::first_look(&time_s, &bus_v, None);
        let mut starts = Vec::new();
        add_turns(&mut starts, &time_s, &bus_v, &rpm, &noise_model);
        assert_eq!(starts, [Span { start_s: 10.0, end_s: 11.0 }]);
    }
}
