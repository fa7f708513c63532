//! What enters the balance of currents: windows of the log, and what is believed
//! of the machine and of each load.

use std::collections::{BTreeMap, HashSet};

use crate::analysis::Z90;
use crate::analysis::balance::{Balance, Belief, Entry, Known, Term};
use crate::analysis::level::level;
use crate::analysis::practice::{
    ALWAYS_ON_A, CLAMP_GAIN, CLAMP_ZERO_A, COMMON_RATED_A, common_load_a, label_half_width_a,
    output_share,
};
use crate::car::{AlternatorFacts, Car, LoadAmps};
use crate::diagnosis::PhaseKind;
use crate::levels;
use crate::log::{Log, Role, Span, Tap};
use crate::segment::speed::differ;
use crate::segment::unnamed::letter_of;
use crate::segment::{Segments, Stretch, indices, mean};

/// Long stretches enter in parts, so that a current which moves within one counts
/// against the battery that says so.
const PART_S: f64 = 5.0;
const MOST_PARTS: f64 = 4.0;
/// The longest windows enter, up to so many: enough to know what a log can tell,
/// and a long log costs no more than a short one.
const MOST_FULL: usize = 40;
const MOST_HOLDING: usize = 12;

/// What the alternator gives at idle, less what always draws
/// (common practice, no source: 15 to 90 A less 10 to 30 A).
const SPARE: Belief = Belief { mean: 20.0, sd: 30.0 };
/// What the battery takes at idle where the alternator was seen to give its all, under
/// the loads that were on then: much more and the bus would have risen to its setpoint,
/// much less and nobody would have got home (common practice, no source: a battery that
/// gives 30 A lasts an hour or two).
const AT_LIMIT: Belief = Belief { mean: 0.0, sd: 20.0 };
const IDLE_RPM: f64 = 800.0;
/// A starter's amps as stated: it takes more on a cold engine (90 %; common
/// practice, no source).
const STARTER_SHARE: f64 = 0.15;
/// A warming machine loses output, A a minute (common practice, no source).
const WARMING_A_PER_MIN: Belief = Belief { mean: -0.3, sd: 0.7 };
/// Output on engine speed around one idle, A a rpm (common practice, no source:
/// a third of 70 A gained between 1500 and 2000 alternator rpm at 2.5:1).
const OUTPUT_A_PER_RPM: Belief = Belief { mean: 0.06, sd: 0.05 };
/// Amps that everything else leaves for the battery as a 12 V bus falls by a volt:
/// what always draws takes less, and a slow machine gives more (common practice,
/// no source).
const LEFT_A_PER_12_V: Belief = Belief { mean: 3.5, sd: 2.0 };
/// One visit and the next differ by so much more than all this explains
/// (common practice, no source).
const VISIT: Belief = Belief { mean: 0.0, sd: 0.7 };
/// … and where the engine's speed is not logged, by what the machine gives at another
/// (common practice, no source).
const VISIT_UNSEEN: Belief = Belief { mean: 0.0, sd: 8.0 };
/// What a car draws with its engine stopped and all loads off (common
/// practice, no source: next to nothing asleep, some amps just after).
const ASLEEP: Belief = Belief { mean: 0.5, sd: 0.4 };
/// Inrush and double layer are over by then.
const STOPPED_SETTLING_S: f64 = 2.0;
const STOPPED_SHORTEST_S: f64 = 2.0;
const MOST_STOPPED: f64 = 8.0;

/// The inrush of a starter is over by then.
const INRUSH_S: f64 = 0.3;

/// The windows of a log that enter.
struct Row<'a> {
    entry: Entry,
    span: Span,
    /// What was running; `None` with the engine stopped.
    stretch: Option<&'a Stretch>,
}

impl Row<'_> {
    fn runs(&self) -> bool {
        self.stretch.is_some()
    }
}

/// `full`: the stretches at full output, by index. Windows are appended to
/// those the observer is to follow.
pub fn gather(
    log: &Log,
    segments: &Segments,
    car: &Car,
    full: &[usize],
    windows: &mut Vec<Span>,
) -> Balance {
    // A logged alternator current keeps the balance at the setpoint too.
    let made_a = log.channel(Role::AlternatorCurrent);
    let full: HashSet<usize> = full.iter().copied().collect();
    let (at_full, holds): (Vec<usize>, Vec<usize>) =
        (0..segments.stretches.len()).partition(|k| made_a.is_some() || full.contains(k));
    let mut rows = rows(log, segments, &at_full, MOST_PARTS, MOST_FULL, windows);
    rows.extend(stopped(log, segments, windows));
    let count = rows.len();
    if rows.iter().any(Row::runs) {
        rows.extend(self::rows(log, segments, &holds, 1.0, MOST_HOLDING, windows));
    }
    let loads = loads(log, car, &rows);
    let groups = speeds(&rows);
    let switched = loads.iter().any(|(stated, term)| {
        *stated && varies_at_a_speed(&groups[..count], &term.shares[..count])
    });
    let stopped_under = loads.iter().any(|(stated, term)| {
        let mut on = rows.iter().zip(&term.shares).filter(|(row, _)| !row.runs());
        *stated && on.any(|(_, share)| share.abs() > SWITCHED)
    });
    let mut balanced: Vec<Term> = loads.into_iter().map(|(_, term)| term).collect();
    match made_a {
        Some(made_a) => balanced.extend(clamped(log, made_a, &rows)),
        None => {
            balanced.iter_mut().for_each(|load| around_limit(&mut load.shares, &groups, count));
            balanced.extend(machine(&rows, &groups, count, &car.alternator));
        }
    }
    let where_runs = |runs: f64, stopped: f64| {
        rows.iter().map(move |row| if row.runs() { runs } else { stopped }).collect::<Vec<f64>>()
    };
    let short_v = log.nominal().volts(levels::SHORT_BUS);
    let under_v = rows.iter().map(|row| match row.runs() {
        true => log.nominal().as_12_v(short_v - row.entry.volts),
        false => 0.0,
    });
    balanced.push(Term { shares: under_v.collect(), believed: LEFT_A_PER_12_V });
    balanced.push(Term { shares: where_runs(0.0, -1.0), believed: ASLEEP });
    balanced.extend(visits(&rows, made_a.is_some()));
    let known: Vec<Known> = starter(log, segments, car, windows).into_iter().collect();
    let anchors = [
        (made_a.is_some() && rows.iter().any(Row::runs), "the logged alternator current"),
        (switched || stopped_under, "loads of stated amps"),
        (!known.is_empty(), "stated starter amps"),
    ];
    let anchors = anchors.into_iter().filter(|(holds, _)| *holds).map(|(_, words)| words).collect();
    let entries: Vec<Entry> = rows.iter().map(|r| r.entry).collect();
    let (full, holding) = entries.split_at(count);
    let seen = made_a.is_some();
    Balance { anchors, seen, ..Balance::new(full.to_vec(), holding.to_vec(), known, &balanced) }
}

/// The longest of the windows of these stretches, in the order of the log.
fn rows<'a>(
    log: &Log,
    segments: &'a Segments,
    stretches: &[usize],
    most_parts: f64,
    most: usize,
    windows: &mut Vec<Span>,
) -> Vec<Row<'a>> {
    let mut spans: Vec<(&Stretch, Span)> = Vec::new();
    for stretch in stretches.iter().filter_map(|&k| segments.stretches.get(k)) {
        let Span { start_s, end_s } = stretch.settled;
        let parts = ((end_s - start_s) / PART_S).floor().clamp(1.0, most_parts);
        let each_s = (end_s - start_s) / parts;
        spans.extend((0..parts as usize).map(|part| {
            let start_s = start_s + each_s * part as f64;
            (stretch, Span { start_s, end_s: start_s + each_s })
        }));
    }
    spans.sort_by(|a, b| b.1.seconds().total_cmp(&a.1.seconds()));
    spans.truncate(most);
    spans.sort_by(|a, b| a.1.start_s.total_cmp(&b.1.start_s));
    spans
        .into_iter()
        .filter_map(|(stretch, span)| {
            let entry = entry(log, segments, span, windows)?;
            Some(Row { entry, stretch: Some(stretch), span })
        })
        .collect()
}

/// The engine stopped, from the first load or the first run on: then the battery
/// gives exactly what the loads draw. What was before is the rest voltage, which
/// the draws already have.
fn stopped<'a>(log: &Log, segments: &Segments, windows: &mut Vec<Span>) -> Vec<Row<'a>> {
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
            let parts = (span.seconds() / PART_S).floor().clamp(1.0, MOST_STOPPED);
            let each_s = span.seconds() / parts;
            spans.extend((0..parts as usize).map(|part| {
                let start_s = span.start_s + each_s * part as f64;
                Span { start_s, end_s: start_s + each_s }
            }));
        }
    }
    // Of a log with many stops those tell enough that lie evenly over it.
    let each = spans.len().div_ceil(MOST_FULL).max(1);
    spans
        .into_iter()
        .step_by(each)
        .filter_map(|span| {
            Some(Row { entry: entry(log, segments, span, windows)?, span, stretch: None })
        })
        .collect()
}

fn entry(log: &Log, segments: &Segments, span: Span, windows: &mut Vec<Span>) -> Option<Entry> {
    let volts = log.channel(Role::Voltage(Tap::Battery)).unwrap_or(log.bus_v());
    let seen = level(log.time_s(), volts, span, &segments.grain)?;
    windows.push(span);
    Some(Entry {
        window: windows.len() - 1,
        volts: seen.mean_v,
        volts_error: log.nominal().volts(levels::BATTERY_MODEL).hypot(seen.half_width_v / Z90),
    })
}

/// A term for each load, and whether its amps are stated: the channels, and the
/// loads that only the voltage shows, as the stretches name them.
fn loads(log: &Log, car: &Car, rows: &[Row]) -> Vec<(bool, Term)> {
    let logged = log.load_names().iter().filter_map(|name| {
        let duty = log.load(name)?;
        let stated = car.loads_a.get(name);
        let shares = rows.iter().map(|row| {
            let on = mean(&duty[indices(log.time_s(), row.span)]);
            let follows = stated.unwrap_or(&LoadAmps::AT_LARGE).share_at(
                name,
                row.entry.volts,
                log.nominal(),
            );
            if on.is_finite() { -on * follows } else { 0.0 }
        });
        let believed = stated.map_or_else(
            || common(name),
            |load| Belief { mean: load.amps_a, sd: label_half_width_a(load.amps_a) / Z90 },
        );
        Some((stated.is_some(), Term { shares: shares.collect(), believed }))
    });
    let mut unnamed: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for (i, row) in rows.iter().enumerate() {
        let named = row.stretch.map_or(&[][..], |stretch| &stretch.loads);
        for name in named.iter().filter(|name| log.load(name).is_none()) {
            if letter_of(name).is_none() {
                continue;
            }
            let shares = unnamed.entry(name).or_insert_with(|| vec![0.0; rows.len()]);
            shares[i] = -LoadAmps::AT_LARGE.share_at(name, row.entry.volts, log.nominal());
        }
    }
    let unnamed =
        unnamed.into_iter().map(|(name, shares)| (false, Term { shares, believed: common(name) }));
    logged.chain(unnamed).collect()
}

/// A load that nobody stated.
fn common(name: &str) -> Belief {
    let (mean, half_a) = common_load_a(name);
    Belief { mean, sd: half_a / Z90 }
}

/// Each row's engine speed: its group, and rpm over the first of the group;
/// `None` with the engine stopped.
fn speeds(rows: &[Row]) -> Vec<Option<(usize, f64)>> {
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

/// Where a speed was seen at the limit, in the first `full` rows, a load's shares are taken
/// from their mean there, so that what the machine leaves over is what the battery took
/// then: the more loads a car has, the larger the machine that just fails to carry them.
fn around_limit(shares: &mut [f64], speeds: &[Option<(usize, f64)>], full: usize) {
    for group in 0..groups(speeds) {
        let of = |k: &usize| speeds[*k].is_some_and(|(at, _)| at == group);
        let at_limit: Vec<f64> = (0..full).filter(of).map(|k| shares[k]).collect();
        if at_limit.is_empty() {
            continue;
        }
        let usual = mean(&at_limit);
        (0..shares.len()).filter(of).for_each(|k| shares[k] -= usual);
    }
}

fn groups(speeds: &[Option<(usize, f64)>]) -> usize {
    speeds.iter().flatten().map(|(group, _)| group + 1).max().unwrap_or(0)
}

/// What the alternator leaves over: a level for each engine speed, a slope around it, a
/// drift as it warms. The first `full` rows are at its limit.
fn machine(
    rows: &[Row],
    speeds: &[Option<(usize, f64)>],
    full: usize,
    alternator: &AlternatorFacts,
) -> Vec<Term> {
    let running = |of: &dyn Fn(&Row, usize, f64) -> f64| -> Vec<f64> {
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
                shares: running(&|_, at, _| f64::from(u8::from(at == group))),
                believed: left_over(limited, first_rpm, alternator),
            }
        })
        .collect();
    terms.push(Term { shares: running(&|_, _, off_rpm| off_rpm), believed: OUTPUT_A_PER_RPM });
    terms.push(Term {
        shares: running(&|row, _, _| (row.span.start_s + row.span.end_s) / 120.0),
        believed: WARMING_A_PER_MIN,
    });
    terms
}

/// What the alternator leaves over at a speed: more than at idle, the faster it turns.
fn left_over(limited: bool, engine_rpm: Option<f64>, alternator: &AlternatorFacts) -> Belief {
    let share = |rpm: f64| output_share(rpm, alternator.pulley_ratio);
    let rated_a = alternator.rated_a.unwrap_or(COMMON_RATED_A);
    let more_a = engine_rpm.map_or(0.0, |rpm| rated_a * (share(rpm) - share(IDLE_RPM)).max(0.0));
    match limited {
        true => Belief { mean: AT_LIMIT.mean, sd: AT_LIMIT.sd.hypot(more_a) },
        false => Belief { mean: SPARE.mean + more_a, sd: SPARE.sd.hypot(0.5 * more_a) },
    }
}

/// What the alternator is seen to give, as far as its clamp can be trusted, less
/// what always draws.
fn clamped(log: &Log, made_a: &[f64], rows: &[Row]) -> Vec<Term> {
    let seen_a: Vec<f64> = rows
        .iter()
        .map(|row| mean(&made_a[indices(log.time_s(), row.span)]))
        .map(|amps_a| if amps_a.is_finite() { amps_a } else { 0.0 })
        .collect();
    let gain = Belief { mean: 1.0, sd: CLAMP_GAIN / Z90 };
    let (always_a, unsure_a) = ALWAYS_ON_A;
    let rest = Belief { mean: -always_a, sd: unsure_a.hypot(CLAMP_ZERO_A) / Z90 };
    vec![
        Term { shares: seen_a, believed: gain },
        Term {
            shares: rows.iter().map(|r| f64::from(u8::from(r.runs()))).collect(),
            believed: rest,
        },
    ]
}

/// Each stretch a little for itself; more where neither the machine's output nor its speed
/// is seen.
fn visits(rows: &[Row], seen: bool) -> Vec<Term> {
    // An engine that warms from one heat band to the next is still the same visit.
    let same = |a: &Row, b: &Row| match (a.stretch, b.stretch) {
        (Some(earlier), Some(later)) => {
            let goes_on = earlier.span.end_s == later.span.start_s && earlier.loads == later.loads;
            earlier.span == later.span || goes_on
        }
        _ => a.runs() == b.runs(),
    };
    let mut terms = Vec::new();
    let mut before = 0;
    for visit in rows.chunk_by(same) {
        let here = before..before + visit.len();
        before = here.end;
        if visit.iter().all(Row::runs) {
            let mut shares = vec![0.0; rows.len()];
            shares[here].fill(1.0);
            let blind = visit.iter().any(|row| row.stretch.is_some_and(|s| s.rpm.is_none()));
            let believed = if blind && !seen { VISIT_UNSEEN } else { VISIT };
            terms.push(Term { shares, believed });
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
    let sd = STARTER_SHARE * starter_a / Z90;
    Some(Known { entry, current_a: Belief { mean: -starter_a, sd } })
}

/// A duty changes by so much as a load goes on or off.
const SWITCHED: f64 = 0.4;

/// Whether a load went on or off while the engine kept its speed.
fn varies_at_a_speed(speeds: &[Option<(usize, f64)>], shares: &[f64]) -> bool {
    let seen: Vec<(usize, f64)> = speeds
        .iter()
        .zip(shares)
        .filter_map(|(at, share)| Some((at.as_ref()?.0, *share)))
        .collect();
    seen.iter().any(|(group, share)| {
        let mut others = seen.iter().filter(|(other, _)| other == group);
        others.any(|(_, other)| (share - other).abs() > SWITCHED)
    })
}
