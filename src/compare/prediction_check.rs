//! Whether a plan's prediction held: each matched point and keep-up speed of a later
//! log against what was predicted of the alternator that was fitted.
//!
//! An alternator that was predicted to hold and does is as predicted, whatever its own
//! regulator is set to. Under easier conditions only a failure counts, under harder
//! ones only a success.

use crate::comparison::{
    After, Conditions, InputFile, KeepUpPrediction, MatchedKeepUp, MatchedPoint, PointPrediction,
    PredictionCheck, PredictionOfLog, PredictionResult,
};
use crate::diagnosis::{Bound, BusState, Heat};
use crate::estimate::Estimate;
use crate::format::{self, RPM, VOLT};
use crate::levels;
use crate::nominal::Nominal;
use crate::plan::{Plan, PredictedPoint, Proposal};

/// Surer than this, a plan has promised a state.
const PROMISED_SHARE: f64 = 0.9;

/// A plan, and what of it was fitted.
#[derive(Debug, Clone)]
pub struct ChosenPlan {
    plan: Plan,
    file: InputFile,
    stated: Option<String>,
    candidate: usize,
}

/// Why a plan cannot be checked with these logs.
#[derive(Debug, thiserror::Error)]
pub enum PlanMismatch {
    #[error(
        "the plan is of another log: it was made from {planned} (SHA-256 {planned_sha256}), and \
         the log before the repair is {before} (SHA-256 {before_sha256}). Name the log that was \
         planned with as BEFORE, or plan again with this one."
    )]
    OtherLog { planned: String, planned_sha256: String, before: String, before_sha256: String },
    #[error("the plan has no candidate, so it predicted nothing: plan again with --candidate")]
    NoCandidate,
    #[error("the plan has no candidate called {stated}; it has {known}")]
    NoSuch { stated: String, known: String },
}

impl ChosenPlan {
    /// `before`: name and SHA-256 of the log before the repair. `fitted`: the candidate
    /// that was; else the only one, or the plan's best.
    pub fn new(
        plan: Plan,
        file: InputFile,
        fitted: Option<&str>,
        before: (&str, &str),
    ) -> Result<ChosenPlan, PlanMismatch> {
        if plan.source.sha256 != before.1 {
            return Err(PlanMismatch::OtherLog {
                planned: plan.source.file,
                planned_sha256: start(&plan.source.sha256),
                before: before.0.to_owned(),
                before_sha256: start(before.1),
            });
        }
        let names = || plan.candidates.iter().map(|c| c.name.as_str());
        let candidate = match fitted {
            _ if plan.candidates.is_empty() => return Err(PlanMismatch::NoCandidate),
            None => 0,
            Some(stated) => {
                let like = |name: &str| name.to_lowercase() == stated.to_lowercase();
                let known = || names().collect::<Vec<_>>().join(", ");
                names().position(like).ok_or_else(|| PlanMismatch::NoSuch {
                    stated: stated.to_owned(),
                    known: known(),
                })?
            }
        };
        Ok(ChosenPlan { plan, file, stated: fitted.map(str::to_owned), candidate })
    }

    fn how(&self) -> String {
        match (&self.stated, self.plan.candidates.len()) {
            (Some(_), _) => "stated".to_owned(),
            (None, 1) => "the plan's only candidate".to_owned(),
            (None, count) => {
                format!("the plan's best of {count}; use --fitted NAME if it was another")
            }
        }
    }
}

/// As much of a hash as a person compares.
fn start(sha256: &str) -> String {
    sha256.chars().take(12).chain(['…']).collect()
}

pub fn check(given: &ChosenPlan, afters: &[After]) -> Option<PredictionCheck> {
    let proposal = given.plan.candidates.get(given.candidate)?;
    let nominal = given.plan.source.nominal_v;
    let afters: Vec<PredictionOfLog> =
        afters.iter().map(|after| of_one(proposal, after, nominal)).collect();
    // Over several logs the worst certain result counts; undecided ones do not.
    let kept = afters.iter().map(|a| a.kept).max().unwrap_or(PredictionResult::CannotTell);
    let telling: Vec<&PredictionOfLog> = afters.iter().filter(|a| a.kept == kept).collect();
    let headline = match (telling.as_slice(), afters.len()) {
        ([one], count) if count > 1 => format!("{}: {}", one.name, one.headline),
        ([one, ..], _) => one.headline.clone(),
        ([], _) => String::new(),
    };
    Some(PredictionCheck {
        plan: given.file.clone(),
        fitted: proposal.name.clone(),
        stated: given.stated.clone(),
        fitted_how: given.how(),
        promised: proposal.standing.words().to_owned(),
        kept,
        headline,
        afters,
    })
}

fn of_one(proposal: &Proposal, after: &After, nominal: Nominal) -> PredictionOfLog {
    let points: Vec<PointPrediction> = after
        .points
        .iter()
        .filter_map(|seen| Some(point(predicted(proposal, seen)?, seen, nominal)))
        .collect();
    let keep_up: Vec<KeepUpPrediction> =
        after.keep_up.iter().filter_map(|seen| keep_up(proposal, seen, &after.points)).collect();
    let kept = together(&points);
    let headline = headline(&points, kept);
    PredictionOfLog { name: after.side.name.clone(), kept, headline, points, keep_up }
}

/// What the plan predicted for the same loads, speed and heat as the earlier log had.
fn predicted<'p>(proposal: &'p Proposal, seen: &MatchedPoint) -> Option<&'p PredictedPoint> {
    let same = |p: &&PredictedPoint| p.loads == seen.loads && p.rpm_low == seen.rpm_low;
    let mut all = proposal.points.iter().filter(same);
    all.find(|p| p.heat == seen.before.heat)
}

fn point(predicted: &PredictedPoint, seen: &MatchedPoint, nominal: Nominal) -> PointPrediction {
    let (raw, why) = word(predicted, seen, nominal);
    let differ = || format!("its conditions differ: {}", seen.conditions_how);
    let (kept, why) = match (seen.conditions, raw) {
        (Conditions::Same, _) => (raw, why),
        (Conditions::Harder, PredictionResult::Held | PredictionResult::Better) => {
            (raw, format!("{why}, though more was asked"))
        }
        (Conditions::Easier, PredictionResult::Worse) => {
            (raw, format!("{why}, though less was asked"))
        }
        (_, PredictionResult::CannotTell) => (raw, why),
        _ => (PredictionResult::CannotTell, differ()),
    };
    PointPrediction {
        loads: seen.loads.clone(),
        rpm_low: seen.rpm_low,
        rpm_high: seen.rpm_high,
        conditions: seen.conditions,
        heat: seen.after.heat,
        seconds: seen.after.seconds,
        predicted_v: predicted.predicted_v.clone(),
        seen_v: seen.after.voltage_v.clone(),
        predicted_state: predicted.state,
        predicted_share: predicted.state_share,
        seen_state: seen.after.state,
        kept,
        why,
    }
}

/// As if the conditions were the same.
fn word(
    predicted: &PredictedPoint,
    seen: &MatchedPoint,
    nominal: Nominal,
) -> (PredictionResult, String) {
    let (told_v, seen_v) = (&predicted.predicted_v, &seen.after.voltage_v);
    let now = seen.after.state;
    let near_v = nominal.volts(levels::DAY_TO_DAY);
    let within = seen_v.high >= told_v.low - near_v && seen_v.low <= told_v.high + near_v;
    let promised = predicted.state_share >= PROMISED_SHARE;
    if predicted.state == BusState::Holding && now == BusState::Holding {
        let why = match within {
            true => "held at the setpoint, as predicted".to_owned(),
            false => format!(
                "held, as predicted, at a setpoint of its own: {} and not {}",
                VOLT.with_range(seen_v),
                VOLT.with_range(told_v)
            ),
        };
        return (PredictionResult::Held, why);
    }
    if promised && now > predicted.state {
        let words = (predicted.state.label(), now.label());
        return match seen.after.is_sure {
            true => (PredictionResult::Worse, format!("{} predicted, {} seen", words.0, words.1)),
            false => {
                let why =
                    format!("{} predicted, and whether it is {} is not sure", words.0, words.1);
                (PredictionResult::CannotTell, why)
            }
        };
    }
    // A mere range predicts nothing that could fail.
    if !predicted.voltage_is_told {
        let why = format!("predicted only as {}", VOLT.with_range(told_v));
        return (PredictionResult::CannotTell, why);
    }
    let volts = format!("{} predicted, {} seen", VOLT.with_range(told_v), VOLT.with_range(seen_v));
    if within {
        (PredictionResult::Held, format!("as predicted to within its interval: {volts}"))
    } else if seen_v.low > told_v.high {
        (PredictionResult::Better, volts)
    } else {
        (PredictionResult::Worse, volts)
    }
}

fn keep_up(
    proposal: &Proposal,
    seen: &MatchedKeepUp,
    points: &[MatchedPoint],
) -> Option<KeepUpPrediction> {
    let told = proposal.keep_up.iter().find(|k| k.loads == seen.loads)?;
    let hot = |p: &MatchedPoint| p.loads == seen.loads && p.after.heat == Heat::Hot;
    let (kept, why) = match (&told.rpm, &seen.after.rpm, seen.after.bound) {
        _ if !points.iter().any(hot) => {
            (PredictionResult::CannotTell, "predicted for a hot car, and not seen hot".to_owned())
        }
        (Some(told), Some(now), Bound::Within) => speeds(told, now),
        (Some(told), _, Bound::BelowSeen) => below(told, seen.after.seen_low_rpm),
        (Some(told), _, Bound::AboveSeen) => above(told, seen.after.seen_high_rpm),
        (None, _, Bound::AboveSeen) => {
            (PredictionResult::Held, "at no speed seen, as predicted".to_owned())
        }
        (None, _, _) => (PredictionResult::Better, "predicted at no speed of its curve".to_owned()),
        (Some(_), None, Bound::Within) => {
            (PredictionResult::CannotTell, "the later log does not show it".to_owned())
        }
    };
    Some(KeepUpPrediction {
        loads: seen.loads.clone(),
        predicted_rpm: told.rpm.clone(),
        seen: seen.after.clone(),
        kept,
        why,
    })
}

fn speeds(told: &Estimate, now: &Estimate) -> (PredictionResult, String) {
    let words = format!("{} predicted, {} seen", RPM.with_range(told), RPM.with_range(now));
    let kept = if now.low > told.high {
        PredictionResult::Worse
    } else if now.high < told.low {
        PredictionResult::Better
    } else {
        PredictionResult::Held
    };
    (kept, words)
}

/// It keeps up at every speed that was seen.
fn below(told: &Estimate, least_rpm: f64) -> (PredictionResult, String) {
    let words = format!(
        "{} predicted; carried at every speed seen, the lowest {}",
        RPM.with_range(told),
        RPM.of(least_rpm)
    );
    (if told.low > least_rpm { PredictionResult::Better } else { PredictionResult::Held }, words)
}

/// It keeps up at no speed that was seen.
fn above(told: &Estimate, most_rpm: f64) -> (PredictionResult, String) {
    let words = format!(
        "{} predicted; carried at no speed seen, the highest {}",
        RPM.with_range(told),
        RPM.of(most_rpm)
    );
    (if told.high < most_rpm { PredictionResult::Worse } else { PredictionResult::Held }, words)
}

/// What all points of a log come to: one that is worse is a prediction that failed;
/// better is one that is better wherever that can be decided.
fn together(points: &[PointPrediction]) -> PredictionResult {
    points.iter().map(|p| p.kept).max().unwrap_or(PredictionResult::CannotTell)
}

fn headline(points: &[PointPrediction], kept: PredictionResult) -> String {
    let count = |kept: PredictionResult| points.iter().filter(|p| p.kept == kept).count();
    let told = points.len() - count(PredictionResult::CannotTell);
    let heaviest = |kept: PredictionResult| {
        let of = points.iter().filter(|p| p.kept == kept);
        of.max_by_key(|p| (p.rpm_low == Some(0.0), p.loads.len()))
    };
    let at = |p: &PointPrediction| {
        let idle = if p.rpm_low == Some(0.0) { " at idle" } else { "" };
        format!("{}{idle}", format::with_loads(&p.loads))
    };
    match (kept, heaviest(kept)) {
        (PredictionResult::CannotTell, Some(first)) => {
            format!("this log shows nothing that was predicted: {}, {}", at(first), first.why)
        }
        (_, None) => "the plan predicted no operating point that both logs contain".to_owned(),
        (PredictionResult::Worse, Some(worst)) => {
            format!(
                "{} of {}; {}: {}",
                count(kept),
                format::plural(told, "point", "points") + " worse than predicted",
                at(worst),
                worst.why
            )
        }
        (_, Some(first)) => {
            let cannot = match count(PredictionResult::CannotTell) {
                0 => String::new(),
                n => format!("; {n} not decided"),
            };
            format!(
                "{} of {} as predicted or better{cannot}; {}: {}",
                told,
                format::plural(told, "point", "points"),
                at(first),
                first.why
            )
        }
    }
}
