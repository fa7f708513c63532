//! The current balance of a log: which windows enter, and the priors of alternator and loads.
//! The likelihood over it is in [`crate::inference::likelihood`].

use std::collections::{BTreeMap, HashSet};

use crate::analysis::amps::{common_load_a, label_half_width_a, output_share};
use crate::analysis::level::level;
use crate::assumptions::{
    ALWAYS_ON, ASLEEP, BATTERY_AT_LIMIT, CLAMP_GAIN, CLAMP_ZERO, OUTPUT_PER_RPM, RATED_CURRENT,
    SPARE_AT_IDLE, SPARE_PER_VOLT, STARTER_SHARE, VISIT, VISIT_AT_ANY_SPEED, WARMING_RATE,
};
use crate::car::{AlternatorFacts, Car, LoadAmps};
use crate::diagnosis::PhaseKind;
use crate::estimate::Z90;
use crate::inference::likelihood::{CurrentBalance, Entry, GaussianPrior, Known, Term};
use crate::levels;
use crate::log::{Log, Role, Span, Tap};
use crate::segment::speed::differ;
use crate::segment::unnamed::letter_of;
use crate::segment::{Segments, Stretch, indices, mean};

/// Long stretches enter in parts, so that a predicted current that drifts within one is
/// evidence against that sample.
const PART_S: f64 = 5.0;
const MOST_PARTS: f64 = 4.0;
/// Only the longest windows enter, up to these many, so that the cost does not grow with the
/// log.
const MOST_FULL: usize = 40;
const MOST_HOLDING: usize = 12;

/// The speed that idle outputs are of.
const IDLE_RPM: f64 = 800.0;
/// Inrush and the double layer's transient have ended by then.
const STOPPED_SETTLING_S: f64 = 2.0;
const STOPPED_SHORTEST_S: f64 = 2.0;
const MOST_STOPPED: f64 = 8.0;

/// The starter's inrush has ended by then.
const INRUSH_S: f64 = 0.3;

/// One window of the log that enters.
struct BalanceRow<'a> {
    entry: Entry,
    span: Span,
    /// The steady stretch it lies in; `None` with the engine stopped.
    stretch: Option<&'a Stretch>,
}

impl BalanceRow<'_> {
    fn is_running(&self) -> bool {
        self.stretch.is_some()
    }
}

/// `full`: indices of the stretches at full output. Appends the windows that the ensemble has
/// to record.
pub fn gather(
    log: &Log,
    segments: &Segments,
    car: &Car,
    full: &[usize],
    windows: &mut Vec<Span>,
) -> CurrentBalance {
    // With a logged alternator current the balance holds at the setpoint too.
    let made_a = log.channel(Role::AlternatorCurrent);
    let full: HashSet<usize> = full.iter().copied().collect();
    let (at_full, holds): (Vec<usize>, Vec<usize>) =
        (0..segments.stretches.len()).partition(|k| made_a.is_some() || full.contains(k));
    let mut rows = rows(log, segments, &at_full, MOST_PARTS, MOST_FULL, windows);
    rows.extend(stopped(log, segments, windows));
    let count = rows.len();
    if rows.iter().any(BalanceRow::is_running) {
        rows.extend(self::rows(log, segments, &holds, 1.0, MOST_HOLDING, windows));
    }
    let loads = loads(log, car, &rows);
    let groups = speeds(&rows);
    let switched = loads.iter().any(|(stated, term)| {
        *stated && varies_at_a_speed(&groups[..count], &term.coefficients[..count])
    });
    let stopped_under = loads.iter().any(|(stated, term)| {
        let mut on = rows.iter().zip(&term.coefficients).filter(|(row, _)| !row.is_running());
        *stated && on.any(|(_, share)| share.abs() > SWITCHED)
    });
    let mut balanced: Vec<Term> = loads.into_iter().map(|(_, term)| term).collect();
    match made_a {
        Some(made_a) => balanced.extend(clamped(log, made_a, &rows)),
        None => {
            balanced
                .iter_mut()
                .for_each(|load| center_at_limit(&mut load.coefficients, &groups, count));
            balanced.extend(alternator(&rows, &groups, count, &car.alternator));
        }
    }
    let where_runs = |runs: f64, stopped: f64| {
        rows.iter()
            .map(move |row| if row.is_running() { runs } else { stopped })
            .collect::<Vec<f64>>()
    };
    let short_v = log.nominal().volts(levels::SHORT_BUS);
    let under_v = rows.iter().map(|row| match row.is_running() {
        true => log.nominal().as_12_v(short_v - row.entry.volts),
        false => 0.0,
    });
    balanced.push(Term { coefficients: under_v.collect(), prior: SPARE_PER_VOLT.into() });
    balanced.push(Term { coefficients: where_runs(0.0, -1.0), prior: ASLEEP.into() });
    balanced.extend(visits(&rows, made_a.is_some()));
    let known: Vec<Known> = starter(log, segments, car, windows).into_iter().collect();
    let anchors = [
        (
            made_a.is_some() && rows.iter().any(BalanceRow::is_running),
            "the logged alternator current",
        ),
        (switched || stopped_under, "loads of stated amps"),
        (!known.is_empty(), "stated starter amps"),
    ];
    let anchors = anchors.into_iter().filter(|(holds, _)| *holds).map(|(_, words)| words).collect();
    let entries: Vec<Entry> = rows.iter().map(|r| r.entry).collect();
    let (full, holding) = entries.split_at(count);
    CurrentBalance::new(full.to_vec(), holding.to_vec(), known, &balanced)
        .anchored(anchors, made_a.is_some())
}

/// Equal parts of a span, of about [`PART_S`] or longer.
fn parts(span: Span, most: f64) -> impl Iterator<Item = Span> {
    let count = (span.seconds() / PART_S).floor().clamp(1.0, most);
    let each_s = span.seconds() / count;
    (0..count as usize).map(move |k| {
        let start_s = span.start_s + each_s * k as f64;
        Span { start_s, end_s: start_s + each_s }
    })
}

/// The longest windows of these stretches, in time order.
fn rows<'a>(
    log: &Log,
    segments: &'a Segments,
    stretches: &[usize],
    most_parts: f64,
    most: usize,
    windows: &mut Vec<Span>,
) -> Vec<BalanceRow<'a>> {
    let mut spans: Vec<(&Stretch, Span)> = Vec::new();
    for stretch in stretches.iter().filter_map(|&k| segments.stretches.get(k)) {
        spans.extend(parts(stretch.settled, most_parts).map(|part| (stretch, part)));
    }
    spans.sort_by(|a, b| b.1.seconds().total_cmp(&a.1.seconds()));
    spans.truncate(most);
    spans.sort_by(|a, b| a.1.start_s.total_cmp(&b.1.start_s));
    spans
        .into_iter()
        .filter_map(|(stretch, span)| {
            let entry = entry(log, segments, span, windows)?;
            Some(BalanceRow { entry, stretch: Some(stretch), span })
        })
        .collect()
}

/// The engine stopped, from the first load or the first run on: then the battery
/// gives exactly what the loads draw. What was before is the rest voltage, which
/// the draws already have.
fn stopped<'a>(log: &Log, segments: &Segments, windows: &mut Vec<Span>) -> Vec<BalanceRow<'a>> {
    let time_s = log.time_s();
    let mut spans: Vec<Span> = Vec::new();
    for (k, phase) in segments.phases.iter().enumerate() {
        if phase.kind != PhaseKind::Rest {
            continue;
        }
        let whole = Span { start_s: phase.start_s, end_s: phase.end_s };
        let mut cuts = vec![whole.start_s];
        for duty in log.load_names().iter().filter_map(|name| log.load(name)) {
            let inside = indices(time_s, whole);
            cuts.extend(
                inside
                    .skip(1)
                    .filter(|&i| (duty[i] - duty[i - 1]).abs() > SWITCHED / 4.0)
                    .map(|i| time_s[i]),
            );
        }
        cuts.push(whole.end_s);
        cuts.sort_by(f64::total_cmp);
        let mut rested = k == 0;
        for pair in cuts.windows(2) {
            let span = Span { start_s: pair[0] + STOPPED_SETTLING_S, end_s: pair[1] - 0.2 };
            let on = log
                .load_names()
                .iter()
                .filter_map(|name| log.load(name))
                .any(|duty| mean(&duty[indices(time_s, span)]) > SWITCHED);
            rested &= !on;
            if rested || span.seconds() < STOPPED_SHORTEST_S {
                continue;
            }
            spans.extend(parts(span, MOST_STOPPED));
        }
    }
    // Of many stops, an even selection is enough.
    let each = spans.len().div_ceil(MOST_FULL).max(1);
    spans
        .into_iter()
        .step_by(each)
        .filter_map(|span| {
            Some(BalanceRow { entry: entry(log, segments, span, windows)?, span, stretch: None })
        })
        .collect()
}

fn entry(log: &Log, segments: &Segments, span: Span, windows: &mut Vec<Span>) -> Option<Entry> {
    let volts = log.channel(Role::Voltage(Tap::Battery)).unwrap_or(log.bus_v());
    let seen = level(log.time_s(), volts, span, &segments.noise_model)?;
    windows.push(span);
    Some(Entry {
        window: windows.len() - 1,
        volts: seen.mean_v,
        volts_error: log.nominal().volts(levels::BATTERY_MODEL).hypot(seen.half_width_v / Z90),
    })
}

/// A term for each load, and whether its amps are stated: logged channels, and loads detected
/// from the voltage.
fn loads(log: &Log, car: &Car, rows: &[BalanceRow]) -> Vec<(bool, Term)> {
    let logged = log.load_names().iter().filter_map(|name| {
        let duty = log.load(name)?;
        let stated = car.loads_a.get(name);
        let coefficients = rows.iter().map(|row| {
            let on = mean(&duty[indices(log.time_s(), row.span)]);
            let follows = stated.unwrap_or(&LoadAmps::AT_LARGE).share_at(
                name,
                row.entry.volts,
                log.nominal(),
            );
            if on.is_finite() { -on * follows } else { 0.0 }
        });
        let prior = stated.map_or_else(
            || common(name),
            |load| GaussianPrior { mean: load.amps_a, sd: label_half_width_a(load.amps_a) / Z90 },
        );
        Some((stated.is_some(), Term { coefficients: coefficients.collect(), prior }))
    });
    let mut unnamed: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for (i, row) in rows.iter().enumerate() {
        let named = row.stretch.map_or(&[][..], |stretch| &stretch.loads);
        for name in named.iter().filter(|name| log.load(name).is_none()) {
            if letter_of(name).is_none() {
                continue;
            }
            let coefficients = unnamed.entry(name).or_insert_with(|| vec![0.0; rows.len()]);
            coefficients[i] = -LoadAmps::AT_LARGE.share_at(name, row.entry.volts, log.nominal());
        }
    }
    let unnamed = unnamed
        .into_iter()
        .map(|(name, coefficients)| (false, Term { coefficients, prior: common(name) }));
    logged.chain(unnamed).collect()
}

/// Prior of a load without stated amps.
fn common(name: &str) -> GaussianPrior {
    let (mean, half_a) = common_load_a(name);
    GaussianPrior { mean, sd: half_a / Z90 }
}

/// Each row's speed group, and rpm relative to the first row of the group; `None` with the
/// engine stopped.
fn speeds(rows: &[BalanceRow]) -> Vec<Option<(usize, f64)>> {
    let mut firsts_rpm: Vec<f64> = Vec::new();
    rows.iter()
        .map(|row| {
            let rpm = row.stretch?.rpm.unwrap_or(0.0);
            let group = firsts_rpm.iter().position(|first| !differ(*first, rpm));
            let group = group.unwrap_or_else(|| {
                firsts_rpm.push(rpm);
                firsts_rpm.len() - 1
            });
            Some((group, rpm - firsts_rpm[group]))
        })
        .collect()
}

/// Centers a load's coefficients on their mean over the rows at the limit (the first `full`) of
/// each speed, so that the level of that speed is the battery's current there: a car with more
/// loads has a larger alternator.
fn center_at_limit(coefficients: &mut [f64], speeds: &[Option<(usize, f64)>], full: usize) {
    for group in 0..groups(speeds) {
        let of = |k: &usize| speeds[*k].is_some_and(|(at, _)| at == group);
        let at_limit: Vec<f64> = (0..full).filter(of).map(|k| coefficients[k]).collect();
        if at_limit.is_empty() {
            continue;
        }
        let usual = mean(&at_limit);
        (0..coefficients.len()).filter(of).for_each(|k| coefficients[k] -= usual);
    }
}

fn groups(speeds: &[Option<(usize, f64)>]) -> usize {
    speeds.iter().flatten().map(|(group, _)| group + 1).max().unwrap_or(0)
}

/// Alternator output less loads: a level for each engine speed, a slope around it, a drift as
/// it warms. The first `full` rows are at its limit.
fn alternator(
    rows: &[BalanceRow],
    speeds: &[Option<(usize, f64)>],
    full: usize,
    facts: &AlternatorFacts,
) -> Vec<Term> {
    let running = |of: &dyn Fn(&BalanceRow, usize, f64) -> f64| -> Vec<f64> {
        let rows = rows.iter().zip(speeds);
        rows.map(|(row, speed)| speed.map_or(0.0, |(group, off_rpm)| of(row, group, off_rpm)))
            .collect()
    };
    let mut terms: Vec<Term> = (0..groups(speeds))
        .map(|group| {
            let limited = speeds[..full].iter().flatten().any(|(at, _)| *at == group);
            let first = speeds.iter().position(|speed| speed.is_some_and(|(at, _)| at == group));
            let first_rpm = first.and_then(|k| rows[k].stretch?.rpm);
            Term {
                coefficients: running(&|_, at, _| f64::from(u8::from(at == group))),
                prior: spare_a(limited, first_rpm, facts),
            }
        })
        .collect();
    terms.push(Term {
        coefficients: running(&|_, _, off_rpm| off_rpm),
        prior: OUTPUT_PER_RPM.into(),
    });
    terms.push(Term {
        coefficients: running(&|row, _, _| (row.span.start_s + row.span.end_s) / 120.0),
        prior: WARMING_RATE.into(),
    });
    terms
}

/// Battery current that the alternator can supply at a speed. Above idle it makes more by its
/// common output curve, half of that either way; at its limit the battery may take all of it
/// (common practice, no source).
fn spare_a(limited: bool, engine_rpm: Option<f64>, alternator: &AlternatorFacts) -> GaussianPrior {
    let share = |rpm: f64| output_share(rpm, alternator.pulley_ratio);
    let rated_a = alternator.rated_a.unwrap_or(RATED_CURRENT.value);
    let more_a = engine_rpm.map_or(0.0, |rpm| rated_a * (share(rpm) - share(IDLE_RPM)).max(0.0));
    match limited {
        true => {
            GaussianPrior { mean: BATTERY_AT_LIMIT.value, sd: BATTERY_AT_LIMIT.sd().hypot(more_a) }
        }
        false => GaussianPrior {
            mean: SPARE_AT_IDLE.value + more_a,
            sd: SPARE_AT_IDLE.sd().hypot(0.5 * more_a),
        },
    }
}

/// The logged alternator current, with its clamp's gain error, less the loads that are always
/// on.
fn clamped(log: &Log, made_a: &[f64], rows: &[BalanceRow]) -> Vec<Term> {
    let seen_a: Vec<f64> = rows
        .iter()
        .map(|row| mean(&made_a[indices(log.time_s(), row.span)]))
        .map(|amps_a| if amps_a.is_finite() { amps_a } else { 0.0 })
        .collect();
    let gain = GaussianPrior::from(CLAMP_GAIN);
    let unsure_a = ALWAYS_ON.half_width().hypot(CLAMP_ZERO.half_width());
    let rest = GaussianPrior { mean: -ALWAYS_ON.value, sd: unsure_a / Z90 };
    vec![
        Term { coefficients: seen_a, prior: gain },
        Term {
            coefficients: rows.iter().map(|r| f64::from(u8::from(r.is_running()))).collect(),
            prior: rest,
        },
    ]
}

/// A random effect per visit; larger where neither alternator current nor engine speed is
/// logged.
fn visits(rows: &[BalanceRow], output_logged: bool) -> Vec<Term> {
    // A change of the heat band does not end a visit.
    let same = |a: &BalanceRow, b: &BalanceRow| match (a.stretch, b.stretch) {
        (Some(earlier), Some(later)) => {
            let goes_on = earlier.span.end_s == later.span.start_s && earlier.loads == later.loads;
            earlier.span == later.span || goes_on
        }
        _ => a.is_running() == b.is_running(),
    };
    let mut terms = Vec::new();
    let mut before = 0;
    for visit in rows.chunk_by(same) {
        let here = before..before + visit.len();
        before = here.end;
        if visit.iter().all(BalanceRow::is_running) {
            let mut coefficients = vec![0.0; rows.len()];
            coefficients[here].fill(1.0);
            let blind = visit.iter().any(|row| row.stretch.is_some_and(|s| s.rpm.is_none()));
            let prior = if blind && !output_logged { VISIT_AT_ANY_SPEED } else { VISIT };
            terms.push(Term { coefficients, prior: prior.into() });
        }
    }
    terms
}

/// The first cranking, where the starter's amps are stated.
fn starter(log: &Log, segments: &Segments, car: &Car, windows: &mut Vec<Span>) -> Option<Known> {
    let starter_a = car.starter_a?;
    let phase = segments.phases.iter().find(|p| p.kind == PhaseKind::Cranking)?;
    let span = Span { start_s: phase.start_s + INRUSH_S, end_s: phase.end_s - INRUSH_S / 2.0 };
    if span.seconds() < INRUSH_S {
        return None;
    }
    let entry = entry(log, segments, span, windows)?;
    let sd = STARTER_SHARE.half_width() * starter_a / Z90;
    Some(Known { entry, current_a: GaussianPrior { mean: -starter_a, sd } })
}

/// Least change of duty that counts as switching.
const SWITCHED: f64 = 0.4;

/// Whether a load was switched at constant engine speed.
fn varies_at_a_speed(speeds: &[Option<(usize, f64)>], coefficients: &[f64]) -> bool {
    let seen: Vec<(usize, f64)> = speeds
        .iter()
        .zip(coefficients)
        .filter_map(|(at, share)| Some((at.as_ref()?.0, *share)))
        .collect();
    seen.iter().any(|(group, share)| {
        let mut others = seen.iter().filter(|(other, _)| other == group);
        others.any(|(_, other)| (share - other).abs() > SWITCHED)
    })
}
