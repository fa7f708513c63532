//! Tables of a proof for a spreadsheet: one row a matched point, a matched step, a
//! criterion. Units are in the header; an unknown cell is empty.

use crate::comparison::{
    After, Comparison, Criterion, KeepUpPrediction, MatchedPoint, MatchedStep, PointPrediction,
    PointSide, PredictionCheck, StepSide,
};
use crate::report::tables::{Table, direction};

/// An item of one of the later logs, and that log's name.
type Of<'c, T> = (&'c str, &'c T);

/// What `items` holds for each of the later logs.
fn of_each<T>(afters: &[After], items: fn(&After) -> &[T]) -> Vec<Of<'_, T>> {
    let of_one = |after| items(after).iter().map(|item| (after.side.name.as_str(), item));
    afters.iter().flat_map(of_one).collect()
}

pub fn points_csv(comparison: &Comparison) -> String {
    let rows: Vec<Of<MatchedPoint>> = of_each(&comparison.afters, |after| &after.points);
    let mut table = Table::of(&rows);
    table.text("log", |(name, _)| *name);
    table.text("loads", |(_, p)| &p.loads);
    table.number("rpm_low", |(_, p)| p.rpm_low);
    table.number("rpm_high", |(_, p)| p.rpm_high);
    table.text("conditions", |(_, p)| p.conditions.word());
    table.text("conditions_how", |(_, p)| p.conditions_how.as_str());
    point_side(&mut table, "before", |p| &p.before);
    point_side(&mut table, "after", |p| &p.after);
    table.estimate("change_v", |(_, p)| &p.change_v);
    table.number("test_degrees_of_freedom", |(_, p)| p.test.degrees_of_freedom);
    table.text("test_p", |(_, p)| probability(p.test.p));
    table.estimate("gain_a", |(_, p)| &p.gain_a);
    table.text("standing", |(_, p)| p.standing.words());
    table.csv()
}

fn point_side(
    table: &mut Table<Of<MatchedPoint>>,
    name: &str,
    side: fn(&MatchedPoint) -> &PointSide,
) {
    let head = |what: &str| format!("{name}_{what}");
    table.number(&head("rpm"), |(_, p)| side(p).rpm);
    table.text(&head("heat"), |(_, p)| side(p).heat.word());
    table.number(&head("seconds"), |(_, p)| side(p).seconds);
    table.estimate(&head("voltage_v"), |(_, p)| &side(p).voltage_v);
    table.text(&head("state"), |(_, p)| side(p).state.word());
    table.text(&head("state_is_sure"), |(_, p)| side(p).is_sure);
    table.estimate(&head("under_setpoint_v"), |(_, p)| &side(p).under_setpoint_v);
    table.estimate(&head("implied_deficit_a"), |(_, p)| &side(p).implied_deficit_a);
}

pub fn steps_csv(comparison: &Comparison) -> String {
    let rows: Vec<Of<MatchedStep>> = of_each(&comparison.afters, |after| &after.steps);
    let mut table = Table::of(&rows);
    table.text("log", |(name, _)| *name);
    table.text("load", |(_, s)| s.load.as_str());
    table.text("direction", |(_, s)| direction(s.direction));
    table.text("loads_after", |(_, s)| &s.loads_after);
    step_side(&mut table, "before", |s| &s.before);
    step_side(&mut table, "after", |s| &s.after);
    table.estimate("sag_change_v", |(_, s)| &s.sag_change_v);
    table.estimate("shift_change_v", |(_, s)| &s.shift_change_v);
    table.csv()
}

fn step_side(table: &mut Table<Of<MatchedStep>>, name: &str, side: fn(&MatchedStep) -> &StepSide) {
    let head = |what: &str| format!("{name}_{what}");
    table.number(&head("number"), |(_, s)| side(s).number as f64);
    table.number(&head("at_s"), |(_, s)| side(s).at_s);
    table.number(&head("rpm"), |(_, s)| side(s).rpm);
    table.estimate(&head("sag_v"), |(_, s)| &side(s).sag_v);
    table.estimate(&head("shift_v"), |(_, s)| &side(s).shift_v);
    table.estimate(&head("recovery_s"), |(_, s)| &side(s).recovery_s);
}

/// What all later logs together say, then each by itself where there are several.
pub fn criteria_csv(comparison: &Comparison) -> String {
    let mut rows: Vec<Of<Criterion>> =
        comparison.criteria.iter().map(|criterion| ("all after", criterion)).collect();
    if comparison.afters.len() > 1 {
        rows.extend(of_each(&comparison.afters, |after| &after.criteria));
    }
    let mut table = Table::of(&rows);
    table.text("log", |(name, _)| *name);
    table.text("criterion", |(_, c)| c.id.as_str());
    table.text("asked", |(_, c)| c.asked.as_str());
    table.text("before", |(_, c)| c.before.words());
    table.text("before_seen", |(_, c)| c.before_seen.as_str());
    table.text("after", |(_, c)| c.after.words());
    table.text("after_seen", |(_, c)| c.after_seen.as_str());
    table.csv()
}

/// What the plan predicted: of each log points first, then keep-up speeds.
pub fn prediction_csv(prediction: &PredictionCheck) -> String {
    struct Row<'c> {
        log: &'c str,
        point: Option<&'c PointPrediction>,
        speed: Option<&'c KeepUpPrediction>,
    }
    let mut rows: Vec<Row> = Vec::new();
    for after in &prediction.afters {
        let log = after.name.as_str();
        rows.extend(after.points.iter().map(|p| Row { log, point: Some(p), speed: None }));
        rows.extend(after.keep_up.iter().map(|k| Row { log, point: None, speed: Some(k) }));
    }
    let mut table = Table::of(&rows);
    table.text("log", |r| r.log);
    table.text("fitted", |_| prediction.fitted.as_str());
    table.text("what", |r| if r.point.is_some() { "operating point" } else { "keep-up speed" });
    table.text("loads", |r| r.point.map(|p| &p.loads).or(r.speed.map(|k| &k.loads)));
    table.number("rpm_low", |r| r.point?.rpm_low);
    table.number("rpm_high", |r| r.point?.rpm_high);
    table.text("conditions", |r| Some(r.point?.conditions.word()));
    table.text("heat", |r| Some(r.point?.heat.word()));
    table.number("seconds", |r| Some(r.point?.seconds));
    table.estimate("predicted_v", |r| Some(&r.point?.predicted_v));
    table.estimate("seen_v", |r| Some(&r.point?.seen_v));
    table.text("predicted_state", |r| Some(r.point?.predicted_state.word()));
    table.number("predicted_state_share", |r| Some(r.point?.predicted_share));
    table.text("seen_state", |r| Some(r.point?.seen_state.word()));
    table.estimate("predicted_keep_up_rpm", |r| r.speed?.predicted_rpm.as_ref());
    table.estimate("seen_keep_up_rpm", |r| r.speed?.seen.rpm.as_ref());
    let kept = |r: &Row| r.point.map(|p| p.kept).or(r.speed.map(|k| k.kept));
    table.text("prediction", |r| Some(kept(r)?.words()));
    table.text("why", |r| r.point.map(|p| p.why.as_str()).or(r.speed.map(|k| k.why.as_str())));
    table.csv()
}

/// Three digits, however small: rounded to zero it would claim certainty.
fn probability(p: f64) -> String {
    if !p.is_finite() {
        String::new()
    } else if p < 1e-3 {
        format!("{p:.2e}")
    } else {
        format!("{p:.4}")
    }
}
