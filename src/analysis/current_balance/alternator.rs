//! Terms of the balance for the alternator: its output by speed, or its logged current.

use super::BalanceRow;
use crate::analysis::amps::output_share;
use crate::assumptions::{
    ALWAYS_ON, BATTERY_AT_LIMIT, CLAMP_GAIN, CLAMP_ZERO, OUTPUT_PER_RPM, RATED_CURRENT,
    SPARE_AT_IDLE, VISIT, VISIT_AT_ANY_SPEED, WARMING_RATE,
};
use crate::car::AlternatorFacts;
use crate::estimate::Z90;
use crate::inference::likelihood::{GaussianPrior, Term};
use crate::log::Log;
use crate::segment::speed::differ;
use crate::segment::{indices, mean};

/// The speed that idle outputs are of.
const IDLE_RPM: f64 = 800.0;

/// Each row's speed group, and rpm relative to the first row of the group; `None` with the
/// engine stopped.
pub(super) fn speeds(rows: &[BalanceRow]) -> Vec<Option<(usize, f64)>> {
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
pub(super) fn center_at_limit(
    coefficients: &mut [f64],
    speeds: &[Option<(usize, f64)>],
    full: usize,
) {
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
pub(super) fn alternator(
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
pub(super) fn clamped(log: &Log, made_a: &[f64], rows: &[BalanceRow]) -> Vec<Term> {
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
pub(super) fn visits(rows: &[BalanceRow], output_logged: bool) -> Vec<Term> {
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
