//! Sentences that page and terminal share.

use crate::car::AcceptanceFacts;
use crate::comparison::{
    After, Comparison, Conditions, Criterion, MatchedPoint, Outcome, PointOutcome, PointSide,
    PredictionCheck, Reading, Unmatched, When,
};
use crate::diagnosis::{BusState, Heat};
use crate::estimate::Estimate;
use crate::report::format::{self, AMP, RPM, Unit, number};

/// A smaller probability is shown as smaller than this.
const LEAST_P: f64 = 1e-4;

/// "Proof of repair" only where the repair is proven.
pub fn title(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::RepairProven => "Proof of repair",
        _ => "Repair check",
    }
}

/// "Agreed" only where somebody stated criteria.
pub fn criteria_name(comparison: &Comparison) -> &'static str {
    let nominal = comparison.before.source.nominal_v;
    match comparison.acceptance == AcceptanceFacts::default().of(nominal) {
        true => "default criteria",
        false => "agreed criteria",
    }
}

/// What the outcome means, for the customer.
pub fn meaning(comparison: &Comparison) -> String {
    let criteria = criteria_name(comparison);
    let changes = |changes: Vec<&str>| match changes.as_slice() {
        [] => String::new(),
        changes => format!(" {}.", format::capital(&changes.join(", and "))),
    };
    match comparison.outcome {
        Outcome::RepairProven => format!(
            "The repair worked. All {criteria} are met now, and before the repair they were \
             not.{}",
            changes(turned(comparison))
        ),
        Outcome::ImprovedNotProven => format!(
            "The car does better than before the repair, but these logs do not prove the repair: \
             not all {criteria} were met and shown."
        ),
        Outcome::NoChange => "These logs show no difference between before and after beyond the \
             day-to-day variation of one car."
            .to_owned(),
        Outcome::Worse => format!(
            "The charging system performs worse than before the repair, and the conditions of the \
             later log do not explain it.{}",
            changes(fallen(comparison))
        ),
        Outcome::NotComparable => "These logs cannot show whether the repair worked: they do not \
             contain the same loads and engine speeds under like conditions."
            .to_owned(),
    }
}

/// What was agreed, failed before and passes now.
fn turned(comparison: &Comparison) -> Vec<&'static str> {
    went(comparison, Reading::Fail, Reading::Pass, |id| match id {
        "at-setpoint" => Some("with these loads on at idle the voltage no longer drops"),
        "never-draining" => Some("the battery no longer discharges while the engine runs"),
        "setpoint-sound" => Some("the regulator holds a correct voltage"),
        _ => None,
    })
}

/// What was agreed, passed before and fails now.
fn fallen(comparison: &Comparison) -> Vec<&'static str> {
    went(comparison, Reading::Pass, Reading::Fail, |id| match id {
        "at-setpoint" => Some("with these loads on at idle the voltage now drops"),
        "never-draining" => Some("the battery now discharges while the engine runs"),
        "setpoint-sound" => Some("the regulator now holds a voltage outside its limits"),
        _ => None,
    })
}

fn went(
    comparison: &Comparison,
    before: Reading,
    after: Reading,
    say: fn(&str) -> Option<&'static str>,
) -> Vec<&'static str> {
    let went = comparison.criteria.iter().filter(|c| c.before == before && c.after == after);
    went.filter_map(|criterion| say(&criterion.id)).collect()
}

/// What [`Comparison::missing`] is a list of.
pub fn missing_title(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::NotComparable => "Why these logs cannot be compared",
        _ => "What is missing for a proof",
    }
}

/// The most informative point of a later log: most loads on at idle, of those the one
/// that the earlier log holds longest; else the largest change.
pub fn most_informative(after: &After) -> Option<&MatchedPoint> {
    let at_idle = || after.points.iter().filter(|p| p.rpm_low == Some(0.0) && !p.loads.is_empty());
    let most = at_idle().map(|p| p.loads.len()).max();
    let longest = at_idle()
        .filter(|p| Some(p.loads.len()) == most)
        .max_by(|a, b| a.before.seconds.total_cmp(&b.before.seconds));
    longest.or_else(|| {
        let size = |p: &MatchedPoint| p.change_v.value.abs();
        after.points.iter().max_by(|a, b| size(a).total_cmp(&size(b)))
    })
}

/// The points to show where there is no room for all, in their own order: those
/// where the earlier log was in trouble first, at like conditions, longest.
pub fn foremost(points: &[MatchedPoint], most: usize) -> Vec<usize> {
    let fair = |p: &MatchedPoint| matches!(p.conditions, Conditions::Same | Conditions::Harder);
    let mut ranked: Vec<(usize, &MatchedPoint)> = points.iter().enumerate().collect();
    ranked.sort_by(|(_, a), (_, b)| {
        (b.before.state.cmp(&a.before.state))
            .then(fair(b).cmp(&fair(a)))
            .then(b.loads.len().cmp(&a.loads.len()))
            .then(b.before.seconds.total_cmp(&a.before.seconds))
    });
    ranked.truncate(most);
    let mut kept: Vec<usize> = ranked.into_iter().map(|(k, _)| k).collect();
    kept.sort_unstable();
    kept
}

/// "idle", or the band of speeds.
pub fn band(rpm_low: Option<f64>, rpm_high: Option<f64>) -> Option<String> {
    match rpm_low {
        Some(0.0) => Some("idle".to_owned()),
        _ => format::rpm_band(rpm_low, rpm_high).map(|band| format!("{band} {}", RPM.name)),
    }
}

/// "at 872 rpm, hot, 68 s"; no number is torn from its unit at the end of a line.
pub fn place(side: &PointSide) -> String {
    let whole = |number: String| number.replace(' ', "\u{a0}");
    let mut parts: Vec<String> = Vec::new();
    let known = side.rpm.filter(|rpm| rpm.is_finite());
    parts.extend(known.map(|rpm| format!("at {}", whole(RPM.of(rpm)))));
    if side.heat != Heat::Unknown {
        parts.push(side.heat.word().to_owned());
    }
    parts.push(whole(format::duration(side.seconds)));
    parts.join(", ")
}

/// "draining", or that it may be.
pub fn state(side: &PointSide) -> String {
    let word = side.state.label();
    if side.is_sure { word.to_owned() } else { format!("{word}, not certain") }
}

/// "battery discharges at 24 A (14 to 36, assumed)"; only where it is draining.
pub fn discharge(side: &PointSide) -> Option<String> {
    let amps = side.implied_deficit_a.as_ref().filter(|_| side.state == BusState::Draining)?;
    Some(format!("battery discharges at {}", AMP.with_range(amps)))
}

/// What alternator and wiring carry more, or less: "14 A (6 to 31, assumed) more than
/// before"; `None` where it is nothing at the digits shown.
pub fn carried(gain_a: &Estimate) -> Option<String> {
    if AMP.is_nothing(gain_a) {
        None
    } else if gain_a.low <= 0.0 && 0.0 <= gain_a.high {
        let (range, grade) = (AMP.range(gain_a), gain_a.grade.word());
        Some(format!("as much as before ({range} A, {grade})"))
    } else if gain_a.value < 0.0 {
        Some(format!("{} less than before", AMP.with_range(&gain_a.negated())))
    } else {
        Some(format!("{} more than before", AMP.with_range(gain_a)))
    }
}

/// What the point shows of the repair, and whether it proves anything.
pub fn says(point: &MatchedPoint) -> &'static str {
    match (point.standing, point.conditions) {
        (PointOutcome::Better, Conditions::Easier) => "better, but under easier conditions",
        (PointOutcome::Better, Conditions::Unknown) => "better, if conditions were the same",
        (PointOutcome::Worse, Conditions::Harder) => "worse, but under harder conditions",
        (PointOutcome::Worse, Conditions::Unknown) => "worse, if conditions were the same",
        (standing, _) => standing.words(),
    }
}

/// What the plan predicted, and what the logs show: follows the word of
/// [`PredictionCheck::kept`].
pub fn plan_said(prediction: &PredictionCheck) -> String {
    format!(
        "The plan predicted that {} ({}) {}: {}.",
        prediction.fitted, prediction.fitted_how, prediction.promised, prediction.headline
    )
}

/// What is missing and no criterion says already.
pub fn missing_elsewhere(comparison: &Comparison) -> Vec<String> {
    let mut said: Vec<String> = Vec::new();
    for after in &comparison.afters {
        let open = after.criteria.iter().filter_map(Criterion::left_open);
        said.extend(open.flat_map(|text| [after.named(&text), text]));
    }
    comparison.missing.iter().filter(|item| !said.contains(item)).cloned().collect()
}

/// "p = 0.034", "p < 0.0001"
pub fn probability(p: f64) -> String {
    if !p.is_finite() {
        format!("p {}", format::NOT_TOLD)
    } else if p < LEAST_P {
        format!("p\u{a0}<\u{a0}{}", number(LEAST_P, 4))
    } else if p < 0.1 {
        format!("p\u{a0}=\u{a0}{}", number(p, 4))
    } else {
        format!("p\u{a0}=\u{a0}{}", number(p, 2))
    }
}

/// With a plus before what rose.
pub fn signed(unit: Unit, value: &Estimate) -> String {
    let text = unit.value(value);
    let rose = value.value > 0.0 && text.bytes().any(|b| matches!(b, b'1'..=b'9'));
    if rose { format!("+{text}") } else { text }
}

/// Points of the earlier log that drained and that the later one has no partner for.
pub fn drained_alone(unmatched: &[Unmatched]) -> Vec<&Unmatched> {
    unmatched.iter().filter(|u| u.of == When::Before && u.state == BusState::Draining).collect()
}

/// "With fan + AC on, 1100 to 1700 rpm, hot"
pub fn running(
    loads: &[String],
    rpm_low: Option<f64>,
    rpm_high: Option<f64>,
    heat: Heat,
) -> String {
    let mut parts = vec![format::capital(&format::with_loads(loads))];
    parts.extend(band(rpm_low, rpm_high));
    if heat != Heat::Unknown {
        parts.push(heat.word().to_owned());
    }
    parts.join(", ")
}

/// The file names, before first.
pub fn files(comparison: &Comparison) -> (String, Vec<String>) {
    let name = |file: &str| format::plain(file);
    let afters = comparison.afters.iter().map(|after| name(&after.side.source.file));
    (name(&comparison.before.source.file), afters.collect())
}
