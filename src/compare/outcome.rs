//! Proven, improved, unchanged, worse, or not comparable: what the matched points
//! and the agreed criteria come to.

use crate::compare::change::{OpenFall, change, is_gained, is_lost, open_fall};
use crate::compare::criteria::Wanted;
use crate::compare::matching::Matched;
use crate::comparison::{
    After, Conditions, Criterion, MatchedPoint, Outcome, PointOutcome, PointSide, Reading, When,
};
use crate::diagnosis::{BusState, OperatingPoint};
use crate::estimate::Estimate;
use crate::format::{self, AMP, VOLT};
use crate::levels;
use crate::nominal::Nominal;

/// More reasons than this are not read.
const MOST_REASONS: usize = 3;

pub struct Conclusion {
    pub outcome: Outcome,
    pub headline: String,
    pub missing: Vec<String>,
}

/// What one later log shows.
pub struct LaterLog<'s> {
    pub matched: &'s Matched<'s>,
    /// Of the matched pairs, in their order.
    pub points: &'s [MatchedPoint],
    pub gained_a: Option<&'s Estimate>,
    /// Below 0 where amps were lost.
    pub lost_a: Option<&'s Estimate>,
    pub regulator: PointOutcome,
    pub criteria: &'s [Criterion],
    /// How long the agreed loads were held without a break.
    pub held_s: Option<f64>,
    pub wanted: &'s Wanted,
    pub nominal: Nominal,
}

pub fn of_one(seen: &LaterLog) -> Conclusion {
    let stands = |standing: PointOutcome, fits: &dyn Fn(Conditions) -> bool| {
        seen.points.iter().any(|p| p.standing == standing && fits(p.conditions))
    };
    let better = seen.gained_a.is_some_and(is_gained)
        || stands(PointOutcome::Better, &Conditions::is_fair)
        || seen.regulator == PointOutcome::Better;
    let worse = seen.lost_a.is_some_and(is_lost)
        || stands(PointOutcome::Worse, &Conditions::is_no_harder)
        || seen.regulator == PointOutcome::Worse;
    let passes = seen.criteria.iter().all(|c| c.after == Reading::Pass);
    let failed = seen.criteria.iter().any(|c| c.before == Reading::Fail);

    let reasons = why_not_comparable(seen);
    let outcome = match (better, worse) {
        (true, false) if passes && failed => Outcome::RepairProven,
        (true, _) => Outcome::ImprovedNotProven,
        (false, true) => Outcome::Worse,
        (false, false) if stands(PointOutcome::Better, &|_| true) => Outcome::ImprovedNotProven,
        (false, false) if reasons.is_empty() => Outcome::NoChange,
        (false, false) => Outcome::NotComparable,
    };
    let missing = match outcome {
        Outcome::RepairProven | Outcome::NoChange => Vec::new(),
        Outcome::NotComparable => reasons,
        Outcome::Worse => left_to_show(seen.criteria),
        Outcome::ImprovedNotProven => {
            let like = (!better).then(|| like_conditions(seen.points));
            let lost = worse_elsewhere(seen.points);
            let unbroken = (!failed).then(|| {
                "evidence of a fault before: the earlier log fails none of the criteria".to_owned()
            });
            [like, lost, unbroken]
                .into_iter()
                .flatten()
                .chain(left_to_show(seen.criteria))
                .collect()
        }
    };
    let headline = headline(outcome, seen, &missing);
    Conclusion { outcome, headline, missing }
}

fn left_to_show(criteria: &[Criterion]) -> Vec<String> {
    criteria.iter().filter_map(Criterion::left_open).collect()
}

fn like_conditions(points: &[MatchedPoint]) -> String {
    let how = points.iter().find(|p| p.standing == PointOutcome::Better).map(|p| &p.conditions_how);
    match how {
        Some(how) => format!(
            "the same operating point under like conditions: the improvement was seen only where \
             the conditions may have been easier ({how})"
        ),
        None => "the same operating point under like conditions".to_owned(),
    }
}

fn worse_elsewhere(points: &[MatchedPoint]) -> Option<String> {
    let lost = points.iter().filter(|p| p.standing == PointOutcome::Worse);
    let worst = lost.min_by(|a, b| a.change_v.value.total_cmp(&b.change_v.value))?;
    let lower = VOLT.with_range(&worst.change_v.negated());
    let where_ = at(worst);
    Some(format!(
        "an explanation for the lower voltage elsewhere: {lower} lower {}{where_}",
        format::with_loads(&worst.loads)
    ))
}

/// Empty if whatever was wrong in the earlier log is covered by both logs.
fn why_not_comparable(seen: &LaterLog) -> Vec<String> {
    let Matched { pairs, unmatched } = seen.matched;
    if pairs.is_empty() {
        let unmatched = unmatched.iter().filter(|u| u.of == When::Before);
        let mut reasons = grouped(unmatched.map(|u| (u.loads.as_slice(), u.why.as_str())));
        reasons.truncate(MOST_REASONS);
        reasons.insert(0, "no operating point is in both logs".to_owned());
        return reasons;
    }
    let troubled = |point: &OperatingPoint| point.state != BusState::Holding && point.is_sure();
    let lower = |change_v: &Estimate, loads: &[String]| {
        let (with, lower_v) = (format::with_loads(loads), VOLT.with_range(&change_v.negated()));
        format!("{with} the voltage is {lower_v} lower than before, but")
    };
    let unfair =
        |p: &&MatchedPoint| p.standing == PointOutcome::Worse && !p.conditions.is_no_harder();
    if let Some(point) = seen.points.iter().find(unfair) {
        let lower = lower(&point.change_v, &point.loads);
        return vec![format!("{lower} not under like conditions: {}", point.conditions_how)];
    }
    match open_fall(pairs) {
        Some(OpenFall::Battery(pair)) => {
            let lower = lower(&change(pair.before, pair.after).0, &pair.before.loads);
            return vec![format!(
                "{lower} a battery that draws more charging current has the same effect: charge \
                 it fully and log again, or log its current"
            )];
        }
        Some(OpenFall::Conditions(pair)) => {
            let lower = lower(&change(pair.before, pair.after).0, &pair.before.loads);
            return vec![format!("{lower} not under like conditions: {}", pair.how)];
        }
        None => {}
    }
    if let Some(point) =
        seen.points.iter().filter(|p| is_risen(p, seen.nominal)).max_by_key(|p| p.loads.len())
    {
        let (with, higher_v) = (format::with_loads(&point.loads), VOLT.with_range(&point.change_v));
        let why = match point.conditions.is_fair() {
            true => {
                "a battery that draws less charging current has the same effect: charge it fully \
                 before each log, or log its current"
            }
            false => &format!("not under like conditions: {}", point.conditions_how),
        };
        return vec![format!("{with} the voltage is {higher_v} higher than before, but {why}")];
    }
    let met = pairs.iter().any(|p| troubled(p.before) && p.conditions != Conditions::Easier);
    let sound = |c: &Criterion| c.id == "setpoint-sound" && c.before == Reading::Fail;
    if met || seen.criteria.iter().any(sound) {
        return Vec::new();
    }
    let easier = pairs.iter().filter(|p| troubled(p.before)).map(|p| {
        (p.before.loads.as_slice(), format!("again only under easier conditions, {}", p.how))
    });
    let stranded =
        unmatched.iter().filter(|u| u.of == When::Before && u.state != BusState::Holding);
    let stranded = stranded.map(|u| (u.loads.as_slice(), u.why.clone()));
    let all: Vec<(&[String], String)> = easier.chain(stranded).collect();
    let mut reasons = grouped(all.iter().map(|(loads, why)| (*loads, why.as_str())));
    reasons.truncate(MOST_REASONS);
    reasons
}

/// A bus that certainly holds now and certainly did not before, for whatever reason.
fn is_risen(point: &MatchedPoint, nominal: Nominal) -> bool {
    let (before, after) = (&point.before, &point.after);
    let turned = before.state != BusState::Holding && after.state == BusState::Holding;
    turned
        && before.is_sure
        && after.is_sure
        && point.change_v.low > nominal.volts(levels::DAY_TO_DAY)
}

/// Each reason once, with the first set of loads with most on.
fn grouped<'r>(all: impl Iterator<Item = (&'r [String], &'r str)>) -> Vec<String> {
    let mut groups: Vec<(&str, &[String], usize)> = Vec::new();
    for (loads, why) in all {
        match groups.iter_mut().find(|(known, ..)| *known == why) {
            Some((_, most, count)) => {
                *count += 1;
                if loads.len() > most.len() {
                    *most = loads;
                }
            }
            None => groups.push((why, loads, 1)),
        }
    }
    // A stable sort: those with most on first.
    groups.sort_by_key(|(_, loads, _)| std::cmp::Reverse(loads.len()));
    if let [(why, _, 2..)] = groups.as_slice() {
        return vec![(*why).to_owned()];
    }
    let told = groups.into_iter().map(|(why, loads, count)| match count {
        1 => format!("{}: {why}", format::with_loads(loads)),
        n => {
            let others = format::plural(n - 1, "other set of loads", "other sets of loads");
            format!("{}, and {others}: {why}", format::with_loads(loads))
        }
    });
    told.collect()
}

fn at(point: &MatchedPoint) -> String {
    match (point.rpm_low, format::rpm_band(point.rpm_low, point.rpm_high)) {
        (Some(0.0), _) => " at idle".to_owned(),
        (_, Some(band)) => format!(" at {band} rpm"),
        (_, None) => String::new(),
    }
}

/// The most informative point: of those with the same result as the whole, the agreed
/// loads together at idle, else the largest change.
fn telling<'p>(
    outcome: Outcome,
    points: &'p [MatchedPoint],
    wanted: &Wanted,
) -> Option<&'p MatchedPoint> {
    let standing = match outcome {
        Outcome::RepairProven | Outcome::ImprovedNotProven => PointOutcome::Better,
        Outcome::Worse => PointOutcome::Worse,
        Outcome::NoChange | Outcome::NotComparable => PointOutcome::NoClearChange,
    };
    let labels = wanted.labels();
    let agreed = |p: &MatchedPoint| p.loads == labels && p.rpm_low == Some(0.0);
    points.iter().max_by(|a, b| {
        let rank = |p: &MatchedPoint| (p.standing == standing, agreed(p));
        let size = |p: &MatchedPoint| p.change_v.value.abs();
        rank(a).cmp(&rank(b)).then(size(a).total_cmp(&size(b)))
    })
}

fn headline(outcome: Outcome, seen: &LaterLog, missing: &[String]) -> String {
    if outcome == Outcome::NotComparable {
        let why = missing.first().map_or("", String::as_str);
        return format!("These logs cannot show whether the repair worked: {why}.");
    }
    let regulator = seen.criteria.iter().find(|c| c.id == "setpoint-sound");
    let regulator = regulator.filter(|_| {
        matches!(
            (outcome, seen.regulator),
            (Outcome::RepairProven | Outcome::ImprovedNotProven, PointOutcome::Better)
                | (Outcome::Worse, PointOutcome::Worse)
        )
    });
    let mut told: Vec<String> = Vec::new();
    if let Some(setpoint) = regulator {
        let (new, old) = (&setpoint.after_seen, &setpoint.before_seen);
        told.push(format!("The regulator holds {new}; before it held {old}."));
    }
    if let Some(point) = telling(outcome, seen.points, seen.wanted) {
        let end = match outcome {
            Outcome::NoChange if point.before.state != point.after.state => {
                ". The difference in amps is within the day-to-day variation of one car."
            }
            Outcome::NoChange => {
                ". That is within the day-to-day variation of battery charge, temperature and noise."
            }
            _ => ".",
        };
        told.push(format!("{}{end}", sentence(point)));
    }
    let pooled = match outcome {
        Outcome::ImprovedNotProven => seen.gained_a.map(|gain| (gain.clone(), "more")),
        Outcome::Worse => seen.lost_a.map(|gain| (gain.negated(), "less")),
        _ => None,
    };
    // If no single point shows it, all of them together may.
    let shown = seen.points.iter().any(|p| p.standing != PointOutcome::NoClearChange);
    if let Some((amps, word)) = pooled.filter(|_| !shown && regulator.is_none()) {
        let amps = AMP.with_range(&amps);
        told.push(format!(
            "Over all that both logs show, alternator and wiring carry {amps} {word} than before."
        ));
    }
    if let Some(held_s) = seen.held_s.filter(|_| outcome == Outcome::RepairProven) {
        told.push(format!("Held for {} without a break.", format::duration(held_s)));
    }
    told.join(" ")
}

fn sentence(point: &MatchedPoint) -> String {
    let draining = point.before.state == BusState::Draining;
    let amps = point.before.implied_deficit_a.as_ref().filter(|_| draining);
    let bus =
        |side: &PointSide| format!("{}, {}", VOLT.with_range(&side.voltage_v), side.state.label());
    let old = match amps {
        Some(amps) => format!(
            "{} with the battery discharging at {}",
            VOLT.with_range(&point.before.voltage_v),
            AMP.with_range(amps)
        ),
        None => bus(&point.before),
    };
    let new = bus(&point.after);
    let running = format::capital(&format::with_loads(&point.loads));
    format!("{running}{} the voltage is {new}; before, it was {old}", at(point))
}

/// All later logs together: proven where one proves it and none fails.
pub fn together(afters: &[After]) -> Conclusion {
    let is = |outcome: Outcome| afters.iter().find(|a| a.outcome == outcome);
    let fails = afters.iter().any(|a| a.criteria.iter().any(|c| c.after == Reading::Fail));
    let order = [
        Outcome::Worse,
        Outcome::RepairProven,
        Outcome::ImprovedNotProven,
        Outcome::NoChange,
        Outcome::NotComparable,
    ];
    let Some(deciding) = order.into_iter().find_map(is) else {
        return Conclusion {
            outcome: Outcome::NotComparable,
            headline: "There is no log from after the repair.".to_owned(),
            missing: Vec::new(),
        };
    };
    let outcome = match deciding.outcome {
        Outcome::RepairProven if fails => Outcome::ImprovedNotProven,
        outcome => outcome,
    };
    let missing = match (outcome, afters) {
        (Outcome::RepairProven, _) => Vec::new(),
        (_, [only]) => only.missing.clone(),
        _ => afters
            .iter()
            .flat_map(|after| after.missing.iter().map(|text| after.named(text)))
            .collect(),
    };
    let headline = match afters {
        [only] => only.headline.clone(),
        _ => {
            let others = afters.iter().filter(|a| a.side.name != deciding.side.name);
            let others: Vec<String> = others
                .map(|a| format!("{} ({}): {}", a.side.name, a.side.source.file, a.outcome.words()))
                .collect();
            let also = match others.len() {
                1 => "The other log by itself",
                _ => "The other logs by themselves",
            };
            format!(
                "{} ({}): {} {also}: {}.",
                format::capital(&deciding.side.name),
                deciding.side.source.file,
                deciding.headline,
                others.join("; ")
            )
        }
    };
    Conclusion { outcome, headline, missing }
}

/// A criterion passes where one log shows it and none fails it.
pub fn merged(afters: &[After]) -> Vec<Criterion> {
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
                .map(|(name, c)| format!("{name}: {}, {}", c.after.words(), c.after_seen))
                .collect();
            Criterion { after, after_seen: seen.join("; "), ..criterion.clone() }
        })
        .collect()
}
