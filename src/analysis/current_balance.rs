//! The current balance of a log: which windows enter, and the priors of alternator and loads.
//! The likelihood over it is in [`crate::inference::likelihood`].

mod alternator;

use std::collections::{BTreeMap, HashSet};

use crate::analysis::amps::{common_load_a, label_half_width_a};
use crate::analysis::level::level;
use crate::assumptions::{ASLEEP, SPARE_PER_VOLT, STARTER_SHARE};
use crate::car::{Car, LoadAmps};
use crate::diagnosis::PhaseKind;
use crate::estimate::Z90;
use crate::inference::likelihood::{CurrentBalance, Entry, GaussianPrior, Known, Term};
use crate::levels;
use crate::log::{Log, Role, Span, Tap};
use crate::segment::unnamed::letter_of;
use crate::segment::{Segments, Stretch, indices, mean};

use alternator::{alternator, center_at_limit, clamped, speeds, visits};

/// Long stretches enter in parts, so that a predicted current that drifts within one is
/// evidence against that sample.
const PART_S: f64 = 5.0;
const MOST_PARTS: f64 = 4.0;
/// Only the longest windows enter, up to these many, so that the cost does not grow with the
/// log.
const MOST_FULL: usize = 40;
const MOST_HOLDING: usize = 12;

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
    /// The steady stretch around it; `None` with the engine stopped.
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

/// Windows with the engine stopped, from the first load or the first run on: the battery then
/// supplies exactly what the loads draw. The rest before that is already in the prior.
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
