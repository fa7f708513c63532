//! Proven, improved, unchanged, worse, or not comparable: what the matched points
//! and the agreed criteria come to.

use crate::compare::change::{by_amps, pooled_gain};
use crate::compare::criteria::Wanted;
use crate::compare::matching::{Matched, Pair};
use crate::comparison::{
    After, Conditions, Criterion, MatchedPoint, Outcome, Reading, Standing, Unmatched,
};
use crate::diagnosis::{BusState, OperatingPoint};
use crate::estimate::Estimate;
use crate::words::{self, AMP, VOLT};

pub struct Call {
    pub outcome: Outcome,
    pub headline: String,
    pub missing: Vec<String>,
}

pub struct Whole {
    pub outcome: Outcome,
    pub headline: String,
    pub missing: Vec<String>,
    pub criteria: Vec<Criterion>,
}

/// What one later log says.
pub fn of_one(
    matched: &Matched,
    points: &[MatchedPoint],
    gain_a: Option<&Estimate>,
    criteria: &[Criterion],
    wanted: &Wanted,
) -> Call {
    let stands = |standing: Standing, fits: &dyn Fn(Conditions) -> bool| {
        points.iter().any(|p| p.standing == standing && fits(p.conditions))
    };
    let fair = |c: Conditions| matches!(c, Conditions::Same | Conditions::Harder);
    // Where the later log asked for more, a lower bus is no fault of the repair.
    let no_harder = |c: Conditions| matches!(c, Conditions::Same | Conditions::Easier);
    let turned = |from: Reading, to: Reading| {
        criteria.iter().any(|c| c.id == "setpoint-sound" && c.before == from && c.after == to)
    };
    let better = gain_a.is_some_and(|gain| by_amps(gain) == Standing::Better)
        || stands(Standing::Better, &fair)
        || turned(Reading::Fail, Reading::Pass);
    let no_harder_pairs: Vec<Pair> =
        matched.pairs.iter().filter(|p| no_harder(p.conditions)).cloned().collect();
    let lost_a = pooled_of(&no_harder_pairs);
    let worse = lost_a.is_some_and(|gain| by_amps(&gain) == Standing::Worse)
        || stands(Standing::Worse, &no_harder)
        || turned(Reading::Pass, Reading::Fail);
    let passes = criteria.iter().all(|c| c.after == Reading::Pass);
    let failed = criteria.iter().any(|c| c.before == Reading::Fail);

    let mut missing = left_to_show(criteria);
    let outcome = match (better, worse) {
        (true, false) if passes && failed => Outcome::RepairProven,
        (true, _) => {
            if worse {
                missing.push("what got worse elsewhere is explained".to_owned());
            }
            Outcome::ImprovedNotProven
        }
        (false, true) => Outcome::Worse,
        (false, false) if stands(Standing::Better, &|_| true) => {
            missing.insert(0, like_conditions(points));
            Outcome::ImprovedNotProven
        }
        (false, false) => {
            let reasons = why_not_comparable(matched, points, criteria);
            let comparable = reasons.is_empty();
            missing = reasons;
            if comparable { Outcome::NoChange } else { Outcome::NotComparable }
        }
    };
    if outcome == Outcome::RepairProven {
        missing.clear();
    }
    let headline = headline(outcome, points, criteria, wanted, &missing);
    Call { outcome, headline, missing }
}

/// As [`pooled_gain`], whatever the conditions of `pairs`.
fn pooled_of(pairs: &[Pair]) -> Option<Estimate> {
    let fair: Vec<Pair> =
        pairs.iter().map(|p| Pair { conditions: Conditions::Same, ..p.clone() }).collect();
    pooled_gain(&fair)
}

fn left_to_show(criteria: &[Criterion]) -> Vec<String> {
    criteria
        .iter()
        .filter(|c| c.after != Reading::Pass)
        .map(|c| format!("{}: {} ({})", c.asked, c.after.words(), c.after_seen))
        .collect()
}

fn like_conditions(points: &[MatchedPoint]) -> String {
    let how = points.iter().find(|p| p.standing == Standing::Better).map(|p| &p.conditions_how);
    match how {
        Some(how) => format!(
            "the same running at like conditions: what improved was seen only where the later log \
             may have asked for less ({how})"
        ),
        None => "the same running at like conditions".to_owned(),
    }
}

/// Empty where the trouble of the earlier log, if it had any, is in both logs.
fn why_not_comparable(
    matched: &Matched,
    points: &[MatchedPoint],
    criteria: &[Criterion],
) -> Vec<String> {
    if matched.pairs.is_empty() {
        let mut reasons: Vec<String> =
            matched.unmatched.iter().filter(|u| u.of == "before").map(|u| u.why.clone()).collect();
        reasons.dedup();
        reasons.truncate(3);
        reasons.insert(0, "no operating point is in both logs".to_owned());
        return reasons;
    }
    let troubled = |point: &OperatingPoint| point.state != BusState::Holding && point.is_sure();
    let stranded = |u: &&Unmatched| u.of == "before" && u.state != BusState::Holding;
    let met = matched.pairs.iter().any(|p| troubled(p.before) && !is_easier(p.conditions));
    let unseen =
        points.iter().any(|p| p.standing == Standing::Worse && p.conditions == Conditions::Unknown);
    if unseen {
        return vec![
            "the later log is lower, but how hot either was is not told: log a temperature in both"
                .to_owned(),
        ];
    }
    let regulator = criteria.iter().any(|c| c.id == "setpoint-sound" && c.before == Reading::Fail);
    if met || regulator {
        return Vec::new();
    }
    let easier = matched.pairs.iter().filter(|p| troubled(p.before) && is_easier(p.conditions));
    let easier = easier
        .map(|p| format!("{}, only at easier conditions ({})", running(&p.before.loads), p.how));
    let stranded = matched
        .unmatched
        .iter()
        .filter(stranded)
        .map(|u| format!("{}: {}", running(&u.loads), u.why));
    let mut reasons: Vec<String> = easier.chain(stranded).collect();
    reasons.dedup();
    reasons
}

fn is_easier(conditions: Conditions) -> bool {
    conditions == Conditions::Easier
}

fn running(loads: &[String]) -> String {
    words::capital(&words::with_loads(loads))
}

/// The point that says most: the agreed loads together at idle, else the largest change.
fn telling<'p>(points: &'p [MatchedPoint], wanted: &Wanted) -> Option<&'p MatchedPoint> {
    let labels = wanted.labels();
    let agreed = points.iter().filter(|p| p.loads == labels && p.rpm_low == Some(0.0));
    let size = |p: &&MatchedPoint| p.change_v.value.abs();
    agreed
        .max_by(|a, b| a.before.seconds.total_cmp(&b.before.seconds))
        .or_else(|| points.iter().max_by(|a, b| size(a).total_cmp(&size(b))))
}

fn headline(
    outcome: Outcome,
    points: &[MatchedPoint],
    criteria: &[Criterion],
    wanted: &Wanted,
    missing: &[String],
) -> String {
    if outcome == Outcome::NotComparable {
        let why = missing.first().map_or("", String::as_str);
        return format!(
            "These logs cannot show whether the repair worked. {}.",
            words::capital(why)
        );
    }
    let Some(point) = telling(points, wanted) else {
        return match outcome {
            Outcome::NoChange => "Nothing changed beyond what one car differs from day to day.",
            _ => "The regulator's setpoint changed.",
        }
        .to_owned();
    };
    let amps = point
        .before
        .implied_deficit_a
        .as_ref()
        .filter(|_| point.before.state == BusState::Draining);
    let old = match amps {
        Some(amps) => format!(
            "{} with the battery giving {}",
            VOLT.with_range(&point.before.voltage_v),
            AMP.with_range(amps)
        ),
        None => {
            format!("{}, {}", VOLT.with_range(&point.before.voltage_v), point.before.state.word())
        }
    };
    let new = format!("{}, {}", VOLT.with_range(&point.after.voltage_v), point.after.state.word());
    let at = match point.rpm_low {
        Some(0.0) => " at idle",
        _ => "",
    };
    let seen = format!("{}{at} the bus is at {new}; before it was at {old}", running(&point.loads));
    match outcome {
        Outcome::RepairProven => {
            let held =
                criteria.iter().find(|c| c.id == "loads-held").map(|c| c.after_seen.as_str());
            format!("{seen}. Held for {}.", held.unwrap_or("as long as agreed"))
        }
        Outcome::NoChange => {
            format!("{seen}: no more than charge, warmth and noise differ from day to day.")
        }
        _ => format!("{seen}."),
    }
}

/// All later logs together: proven where one proves it and none fails.
pub fn together(afters: &[After]) -> Whole {
    let criteria = merged(afters);
    let is = |outcome: Outcome| afters.iter().find(|a| a.outcome == outcome);
    let fails = afters.iter().any(|a| a.criteria.iter().any(|c| c.after == Reading::Fail));
    let order = [
        Outcome::Worse,
        Outcome::RepairProven,
        Outcome::ImprovedNotProven,
        Outcome::NoChange,
        Outcome::NotComparable,
    ];
    let Some(speaks) = order.into_iter().find_map(is) else {
        return Whole {
            outcome: Outcome::NotComparable,
            headline: "There is no log from after the repair.".to_owned(),
            missing: Vec::new(),
            criteria,
        };
    };
    let outcome = match speaks.outcome {
        Outcome::RepairProven if fails => Outcome::ImprovedNotProven,
        outcome => outcome,
    };
    let named = |after: &After, text: &str| format!("{}: {text}", after.side.name);
    let missing = match (outcome, afters) {
        (Outcome::RepairProven, _) => Vec::new(),
        (_, [only]) => only.missing.clone(),
        _ => afters
            .iter()
            .flat_map(|after| after.missing.iter().map(|text| named(after, text)))
            .collect(),
    };
    let headline = match afters {
        [only] => only.headline.clone(),
        _ => {
            let others = afters.iter().filter(|a| a.side.name != speaks.side.name);
            let others: Vec<String> = others
                .map(|a| format!("{} ({}): {}", a.side.name, a.side.source.file, a.outcome.words()))
                .collect();
            let file = &speaks.side.source.file;
            format!(
                "{} ({file}): {} Of the others, {}.",
                speaks.side.name,
                speaks.headline,
                others.join("; ")
            )
        }
    };
    Whole { outcome, headline, missing, criteria }
}

/// A criterion passes where one log shows it and none fails it.
fn merged(afters: &[After]) -> Vec<Criterion> {
    let Some((first, rest)) = afters.split_first() else { return Vec::new() };
    if rest.is_empty() {
        return first.criteria.clone();
    }
    first
        .criteria
        .iter()
        .map(|criterion| {
            let all: Vec<(&str, &Criterion)> = afters
                .iter()
                .filter_map(|after| {
                    let same = after.criteria.iter().find(|c| c.id == criterion.id)?;
                    Some((after.side.name.as_str(), same))
                })
                .collect();
            let any = |reading: Reading| all.iter().any(|(_, c)| c.after == reading);
            let after = match (any(Reading::Fail), any(Reading::Pass)) {
                (true, _) => Reading::Fail,
                (_, true) => Reading::Pass,
                _ => Reading::NotShown,
            };
            let seen: Vec<String> = all
                .iter()
                .map(|(name, c)| format!("{name}: {} ({})", c.after.words(), c.after_seen))
                .collect();
            Criterion { after, after_seen: seen.join("; "), ..criterion.clone() }
        })
        .collect()
}
