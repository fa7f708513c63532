//! Rest, cranking, running: from engine speed where it is logged, else from the voltage alone.

use crate::levels;
use crate::log::{Log, Span};
use crate::segment::doubtful_stops;
use crate::segment::engine_state::{BusReading, EngineState};
use crate::segment::kinds::{Phase, PhaseKind};
use crate::segment::noise_model::NoiseModel;
use crate::segment::starter::{self, RUNNING_RPM};
use crate::stats::robust::median;

/// A missing tachometer pulse or two is no stall.
const SHORTEST_STOP_S: f64 = 1.0;
/// Closer samples are combined to pieces of this length: no start is over sooner.
const READING_S: f64 = 0.5;
/// A gap of this many intervals, and this many seconds, leaves open what happened in it.
const GAP_INTERVALS: f64 = 5.0;
const GAP_S: f64 = 10.0;
/// A mark made by hand may be this far off (as in `ingest::marks`).
const MARKED_WITHIN_S: f64 = 3.0;

/// What the engine did over the whole log.
pub struct Course {
    /// In time order, without gaps or overlaps.
    pub phases: Vec<Phase>,
    /// Rests in which the engine may have run, with nothing charging the battery.
    pub doubtful_stops: Vec<Span>,
}

impl From<Vec<Phase>> for Course {
    fn from(phases: Vec<Phase>) -> Course {
        Course { phases, doubtful_stops: Vec::new() }
    }
}

pub fn course(log: &Log, noise_model: &NoiseModel) -> Course {
    let (time_s, bus_v) = (log.time_s(), log.bus_v());
    match log.engine_rpm().filter(|rpm| rpm.iter().any(|r| r.is_finite())) {
        Some(rpm) => {
            let mut running = running_by_speed(time_s, rpm);
            let mut starts = starter::dips(log, &stops(time_s, &running), noise_model);
            starter::add_turns(&mut starts, time_s, bus_v, rpm, noise_model);
            starter::add_late(&mut starts, &mut running, time_s, bus_v, noise_model);
            phases_around(time_s, &running, &starts, noise_model).into()
        }
        None => {
            let whole = Span { start_s: f64::NEG_INFINITY, end_s: f64::INFINITY };
            let dips = starter::dips(log, &[whole], noise_model);
            match &log.marks.engine_running {
                Some(marked) => {
                    let shown = by_voltage(time_s, bus_v, &dips, noise_model).phases;
                    let running = running_by_marks(marked, &dips, &shown);
                    phases_around(time_s, &running, &dips, noise_model).into()
                }
                None => by_voltage(time_s, bus_v, &dips, noise_model),
            }
        }
    }
}

/// The phases if the engine is assumed to run from its last start on, or all along.
pub fn taken_to_run(phases: &[Phase]) -> Vec<Phase> {
    let started = phases.iter().rposition(|p| p.kind == PhaseKind::Cranking);
    let (before, after) = phases.split_at(started.map_or(0, |k| k + 1));
    let run = after.first().zip(after.last()).map(|(first, last)| Phase {
        kind: PhaseKind::Running,
        start_s: first.start_s,
        end_s: last.end_s,
    });
    before.iter().cloned().chain(run).collect()
}

/// Where the engine does not run.
fn stops(time_s: &[f64], running: &[Span]) -> Vec<Span> {
    let mut stops = Vec::new();
    let mut now_s = time_s.first().copied().unwrap_or(0.0);
    for run in running {
        stops.push(Span { start_s: now_s, end_s: run.start_s });
        now_s = run.end_s;
    }
    stops.push(Span { start_s: now_s, end_s: f64::INFINITY });
    stops
}

fn phases_around(
    time_s: &[f64],
    running: &[Span],
    dips: &[Span],
    noise_model: &NoiseModel,
) -> Vec<Phase> {
    let (Some(&first_s), Some(&last_s)) = (time_s.first(), time_s.last()) else {
        return Vec::new();
    };
    let mut phases = Vec::new();
    let mut now_s = first_s;
    let fires_within_s = FIRES_WITHIN_S.max(1.5 * noise_model.interval_s);
    for run in running {
        stopped(&mut phases, Span { start_s: now_s, end_s: run.start_s }, dips, fires_within_s);
        let begin_s = phases.last().map_or(run.start_s, |p: &Phase| p.end_s);
        phases.push(Phase { kind: PhaseKind::Running, start_s: begin_s, end_s: run.end_s });
        now_s = run.end_s;
    }
    stopped(&mut phases, Span { start_s: now_s, end_s: last_s }, dips, 0.0);
    phases
}

/// Between the starter letting go and a steady tachometer passes no more than this.
const FIRES_WITHIN_S: f64 = 2.0;

/// Appends rest and cranking over `span`, in which the engine does not run.
/// Less than `fires_within_s` between the last dip and the end belongs to running.
fn stopped(phases: &mut Vec<Phase>, span: Span, dips: &[Span], fires_within_s: f64) {
    let mut now_s = span.start_s;
    let mut push = |kind, start_s: f64, end_s: f64| {
        if end_s > start_s {
            phases.push(Phase { kind, start_s, end_s });
        }
    };
    for dip in dips.iter().filter(|d| d.end_s > span.start_s && d.start_s < span.end_s) {
        let start_s = dip.start_s.max(now_s);
        let end_s = dip.end_s.min(span.end_s);
        push(PhaseKind::Rest, now_s, start_s);
        push(PhaseKind::Cranking, start_s, end_s);
        now_s = end_s.max(now_s);
    }
    let just_cranked = phases.last().is_some_and(|p| p.kind == PhaseKind::Cranking);
    if !(just_cranked && span.end_s - now_s < fires_within_s) && span.end_s > now_s {
        phases.push(Phase { kind: PhaseKind::Rest, start_s: now_s, end_s: span.end_s });
    }
}

fn running_by_speed(time_s: &[f64], rpm: &[f64]) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    let mut open: Option<Span> = None;
    let mut last_rpm = f64::NAN;
    for (&t, &r) in time_s.iter().zip(rpm) {
        if r.is_finite() {
            last_rpm = r;
        }
        if last_rpm >= RUNNING_RPM {
            open = Some(Span { start_s: open.map_or(t, |s| s.start_s), end_s: t });
        } else if let Some(span) = open.take() {
            // It ran until some moment before this sample.
            spans.push(Span { end_s: t, ..span });
        }
    }
    spans.extend(open);
    let mut joined: Vec<Span> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.start_s - last.end_s < SHORTEST_STOP_S => last.end_s = span.end_s,
            _ => joined.push(span),
        }
    }
    joined.retain(|span| span.seconds() >= SHORTEST_STOP_S);
    joined
}

/// By marks made by hand; the time of a start that the voltage shows near a mark is more exact.
/// Before a first mark that says "off", the engine ran from the start that it shows, or from
/// the first sample.
fn running_by_marks(marked: &[Span], dips: &[Span], shown: &[Phase]) -> Vec<Span> {
    let rests_first = shown.first().is_some_and(|phase| phase.kind == PhaseKind::Rest);
    let started = shown.iter().find(|phase| phase.kind == PhaseKind::Running);
    let first_s = shown.first().map_or(0.0, |phase| phase.start_s);
    let begun_s = started.filter(|_| rests_first).map_or(first_s, |run| run.start_s);
    let after_start = |run: &Span| {
        let run =
            &Span { start_s: if run.start_s.is_finite() { run.start_s } else { begun_s }, ..*run };
        let near = |dip: &&Span| {
            dip.end_s >= run.start_s - MARKED_WITHIN_S
                && dip.start_s <= run.start_s + MARKED_WITHIN_S
        };
        let started_s = dips.iter().filter(near).map(|dip| dip.end_s).next_back();
        let start_s = started_s.unwrap_or(run.start_s);
        Span { start_s, ..*run }
    };
    marked.iter().map(after_start).filter(|run| run.end_s > run.start_s).collect()
}

/// Without a tachometer: the most probable course of the engine, with starts as sharp as the
/// samples show them.
fn by_voltage(time_s: &[f64], bus_v: &[f64], dips: &[Span], noise_model: &NoiseModel) -> Course {
    let readings = readings(time_s, bus_v, noise_model);
    let gap_s = GAP_S.max(GAP_INTERVALS * noise_model.interval_s);
    let (states, doubtful) =
        doubtful_stops::most_probable(&readings, noise_v(&readings, noise_model), gap_s);
    let (Some(&first_s), Some(&last_s)) = (time_s.first(), time_s.last()) else {
        return Vec::new().into();
    };
    let mut phases: Vec<Phase> = Vec::new();
    for (reading, state) in readings.iter().zip(&states) {
        let kind = match state {
            EngineState::Off => PhaseKind::Rest,
            EngineState::Cranking => PhaseKind::Cranking,
            EngineState::Running => PhaseKind::Running,
        };
        let start_s = if phases.is_empty() { first_s } else { reading.at_s };
        match phases.last_mut() {
            Some(last) if last.kind == kind => last.end_s = reading.at_s,
            Some(last) => {
                last.end_s = start_s;
                phases.push(Phase { kind, start_s, end_s: start_s });
            }
            None => phases.push(Phase { kind, start_s, end_s: start_s }),
        }
    }
    // A state that begins with the last sample has no duration.
    if phases.last().is_some_and(|last| phases.len() > 1 && last.start_s >= last_s) {
        phases.pop();
    }
    match phases.last_mut() {
        Some(last) => last.end_s = last_s,
        None => phases.push(Phase { kind: PhaseKind::Rest, start_s: first_s, end_s: last_s }),
    }
    sharpen(&mut phases, dips);
    let until_s = |end: usize| readings.get(end).map_or(last_s, |reading| reading.at_s);
    let doubtful_stops = doubtful
        .into_iter()
        .filter_map(|stop| {
            Some(Span { start_s: readings.get(stop.start)?.at_s, end_s: until_s(stop.end) })
        })
        .collect();
    Course { phases, doubtful_stops }
}

/// Scatter of a reading by the usual move from one to the next, which steps and starts do not
/// affect.
fn noise_v(readings: &[BusReading], noise_model: &NoiseModel) -> f64 {
    const MEDIAN_TO_SIGMA: f64 = 1.4826 * std::f64::consts::FRAC_1_SQRT_2;
    let moves: Vec<f64> = readings.windows(2).map(|pair| (pair[1].v - pair[0].v).abs()).collect();
    let cells = noise_model.nominal.over_12_v();
    let (step_v, sigma_v) =
        (noise_model.step_v.unwrap_or(0.0) / cells, noise_model.sigma_v / cells);
    let rounding_v = step_v / 12f64.sqrt();
    let usual_v = (MEDIAN_TO_SIGMA * median(&moves)).max(rounding_v);
    if usual_v.is_finite() { usual_v.min(sigma_v) } else { sigma_v }
}

/// The voltage as the model of the engine's states reads it: samples, or medians of close
/// ones, as six cells would show them.
fn readings(time_s: &[f64], bus_v: &[f64], noise_model: &NoiseModel) -> Vec<BusReading> {
    let supply_off_v = noise_model.nominal.volts(levels::SUPPLY_OFF);
    let cells = noise_model.nominal.over_12_v();
    let close = noise_model.interval_s < READING_S / 2.0;
    let piece = |t_s: f64| if close { (t_s / READING_S).floor() } else { t_s };
    let known: Vec<(f64, f64)> = time_s
        .iter()
        .zip(bus_v)
        .map(|(t_s, v)| (*t_s, *v))
        .filter(|(_, v)| *v >= supply_off_v)
        .collect();
    let of_piece = |samples: &[(f64, f64)]| {
        let volts: Vec<f64> = samples.iter().map(|(_, v)| *v).collect();
        BusReading { at_s: samples[0].0, v: median(&volts) / cells }
    };
    known.chunk_by(|a, b| piece(a.0) == piece(b.0)).map(of_piece).collect()
}

/// Puts the ends of a start where the samples have them.
fn sharpen(phases: &mut [Phase], dips: &[Span]) {
    for k in 0..phases.len() {
        let phase = phases[k];
        if phase.kind != PhaseKind::Cranking {
            continue;
        }
        let near = |dip: &&Span| {
            dip.start_s < phase.end_s + READING_S && dip.end_s > phase.start_s - READING_S
        };
        let Some(dip) = dips.iter().find(near) else { continue };
        let earliest_s = if k > 0 { phases[k - 1].start_s } else { phase.start_s };
        let latest_s = phases.get(k + 1).map_or(phase.end_s, |next| next.end_s);
        let start_s = if k > 0 { dip.start_s.clamp(earliest_s, latest_s) } else { phase.start_s };
        let end_s = dip.end_s.clamp(start_s, latest_s);
        (phases[k].start_s, phases[k].end_s) = (start_s, end_s);
        if let Some(before) = k.checked_sub(1) {
            phases[before].end_s = start_s;
        }
        if let Some(next) = phases.get_mut(k + 1) {
            next.start_s = end_s;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(phases: &[Phase]) -> Vec<PhaseKind> {
        phases.iter().map(|p| p.kind).collect()
    }

    fn phases(time_s: &[f64], bus_v: &[f64]) -> Vec<Phase> {
        let noise_model = NoiseModel::first_look(time_s, bus_v, None);
        by_voltage(time_s, bus_v, &starter::dips_in(time_s, bus_v, &noise_model), &noise_model)
            .phases
    }

    fn trace(levels: &[(f64, f64)]) -> (Vec<f64>, Vec<f64>) {
        let mut time_s = Vec::new();
        let mut bus_v = Vec::new();
        for &(seconds, volts) in levels {
            for _ in 0..(seconds * 20.0) as usize {
                let i = time_s.len();
                time_s.push(i as f64 / 20.0);
                bus_v.push(volts + if i % 2 == 0 { 0.004 } else { -0.004 });
            }
        }
        (time_s, bus_v)
    }

    #[test]
    fn phases_cover_the_log_without_gaps_whatever_is_missing() {
        let (time_s, mut bus_v) =
            trace(&[(10.0, 12.6), (1.0, 10.4), (30.0, 14.2), (20.0, 0.0), (30.0, 14.2)]);
        bus_v[..5].fill(f64::NAN);
        let phases = phases(&time_s, &bus_v);
        let last = phases.last().expect("phases");
        assert_eq!((phases[0].start_s, last.end_s), (time_s[0], time_s[time_s.len() - 1]));
        assert!(phases.windows(2).all(|pair| pair[0].end_s == pair[1].start_s));
    }

    /// One channel after the other is asked for: the dip shows up late.
    #[test]
    fn a_dip_that_shows_after_the_speed_is_the_start() {
        let time_s: Vec<f64> = (0..200).map(|i| f64::from(i) / 2.0).collect();
        let bus_v: Vec<f64> = (0..200)
            .map(|i| match i {
                ..6 => 12.42,
                6..10 => 11.9,
                _ => 13.9 + 0.01 * f64::from(i % 3),
            })
            .collect();
        let rpm: Vec<f64> = (0..200).map(|i| if i < 5 { 0.0 } else { 1100.0 }).collect();
        let noise_model = NoiseModel::first_look(&time_s, &bus_v, None);
        let mut running = running_by_speed(&time_s, &rpm);
        let mut starts = starter::dips_in(&time_s, &bus_v, &noise_model);
        starter::add_late(&mut starts, &mut running, &time_s, &bus_v, &noise_model);
        let phases = phases_around(&time_s, &running, &starts, &noise_model);
        assert_eq!(kinds(&phases), [PhaseKind::Rest, PhaseKind::Cranking, PhaseKind::Running]);
        assert_eq!((phases[1].start_s, phases[1].end_s), (2.5, 5.0));
    }

    /// The edge of a dip lies between two samples.
    #[test]
    fn a_slow_log_with_speed_shows_rest_and_start() {
        let time_s: Vec<f64> = (0..100).map(f64::from).collect();
        let bus_v: Vec<f64> = (0..100)
            .map(|i| match i {
                ..8 => 12.5,
                8 => 10.6,
                _ => 14.1,
            })
            .collect();
        let rpm: Vec<f64> = (0..100).map(|i| if i < 9 { 0.0 } else { 900.0 }).collect();
        let noise_model = NoiseModel::first_look(&time_s, &bus_v, Some(0.1));
        let running = running_by_speed(&time_s, &rpm);
        let phases = phases_around(
            &time_s,
            &running,
            &starter::dips_in(&time_s, &bus_v, &noise_model),
            &noise_model,
        );
        assert_eq!(kinds(&phases), [PhaseKind::Rest, PhaseKind::Cranking, PhaseKind::Running]);
        assert_eq!((phases[1].start_s, phases[1].end_s), (8.0, 9.0));
    }
}
