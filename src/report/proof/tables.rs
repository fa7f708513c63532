//! Tables of a proof for a spreadsheet: one row a matched point, a matched step, a
//! criterion. Units stand in the header; an unknown cell is empty.

use crate::comparison::{
    Comparison, Criterion, Foretold, ForetoldKeepUp, ForetoldPoint, MatchedPoint, MatchedStep,
    PointSide, StepSide,
};
use crate::report::tables::{Columns, direction};

/// An item of one of the later logs, and that log's name.
type Of<'c, T> = (&'c str, &'c T);

pub fn points_csv(comparison: &Comparison) -> String {
    let rows: Vec<Of<MatchedPoint>> = comparison
        .afters
        .iter()
        .flat_map(|after| after.points.iter().map(|point| (after.side.name.as_str(), point)))
        .collect();
    let mut columns = Columns::default();
    columns.text("log", &rows, |(name, _)| (*name).to_owned());
    columns.text("loads", &rows, |(_, p)| p.loads.join(" + "));
    columns.number("rpm_low", &rows, |(_, p)| p.rpm_low);
    columns.number("rpm_high", &rows, |(_, p)| p.rpm_high);
    columns.text("conditions", &rows, |(_, p)| p.conditions.word().to_owned());
    columns.text("conditions_how", &rows, |(_, p)| p.conditions_how.clone());
    point_side(&mut columns, "before", &rows, |p| &p.before);
    point_side(&mut columns, "after", &rows, |p| &p.after);
    columns.estimate("change_v", &rows, |(_, p)| Some(&p.change_v));
    columns.number("test_degrees_of_freedom", &rows, |(_, p)| Some(p.test.degrees_of_freedom));
    columns.cell("test_p", &rows, |(_, p)| probability(p.test.p));
    columns.estimate("gain_a", &rows, |(_, p)| p.gain_a.as_ref());
    columns.text("standing", &rows, |(_, p)| p.standing.words().to_owned());
    columns.write(rows.len())
}

fn point_side(
    columns: &mut Columns,
    name: &str,
    rows: &[Of<MatchedPoint>],
    side: fn(&MatchedPoint) -> &PointSide,
) {
    let head = |what: &str| format!("{name}_{what}");
    columns.number(&head("rpm"), rows, |(_, p)| side(p).rpm);
    columns.text(&head("heat"), rows, |(_, p)| side(p).heat.word().to_owned());
    columns.number(&head("seconds"), rows, |(_, p)| Some(side(p).seconds));
    columns.estimate(&head("voltage_v"), rows, |(_, p)| Some(&side(p).voltage_v));
    columns.text(&head("state"), rows, |(_, p)| side(p).state.word().to_owned());
    columns.text(&head("state_is_sure"), rows, |(_, p)| yes(side(p).is_sure));
    columns.estimate(&head("under_setpoint_v"), rows, |(_, p)| side(p).under_setpoint_v.as_ref());
    columns.estimate(&head("implied_deficit_a"), rows, |(_, p)| side(p).implied_deficit_a.as_ref());
}

pub fn steps_csv(comparison: &Comparison) -> String {
    let rows: Vec<Of<MatchedStep>> = comparison
        .afters
        .iter()
        .flat_map(|after| after.steps.iter().map(|step| (after.side.name.as_str(), step)))
        .collect();
    let mut columns = Columns::default();
    columns.text("log", &rows, |(name, _)| (*name).to_owned());
    columns.text("load", &rows, |(_, s)| s.load.clone());
    columns.text("direction", &rows, |(_, s)| direction(s.direction).to_owned());
    columns.text("loads_after", &rows, |(_, s)| s.loads_after.join(" + "));
    step_side(&mut columns, "before", &rows, |s| &s.before);
    step_side(&mut columns, "after", &rows, |s| &s.after);
    columns.estimate("sag_change_v", &rows, |(_, s)| Some(&s.sag_change_v));
    columns.estimate("shift_change_v", &rows, |(_, s)| Some(&s.shift_change_v));
    columns.write(rows.len())
}

fn step_side(
    columns: &mut Columns,
    name: &str,
    rows: &[Of<MatchedStep>],
    side: fn(&MatchedStep) -> &StepSide,
) {
    let head = |what: &str| format!("{name}_{what}");
    columns.cell(&head("number"), rows, |(_, s)| side(s).number.to_string());
    columns.number(&head("at_s"), rows, |(_, s)| Some(side(s).at_s));
    columns.number(&head("rpm"), rows, |(_, s)| side(s).rpm);
    columns.estimate(&head("sag_v"), rows, |(_, s)| Some(&side(s).sag_v));
    columns.estimate(&head("shift_v"), rows, |(_, s)| Some(&side(s).shift_v));
    columns.estimate(&head("recovery_s"), rows, |(_, s)| side(s).recovery_s.as_ref());
}

/// What all later logs together say, then each by itself where there are several.
pub fn criteria_csv(comparison: &Comparison) -> String {
    let mut rows: Vec<Of<Criterion>> =
        comparison.criteria.iter().map(|criterion| ("all after", criterion)).collect();
    if comparison.afters.len() > 1 {
        rows.extend(comparison.afters.iter().flat_map(|after| {
            after.criteria.iter().map(|criterion| (after.side.name.as_str(), criterion))
        }));
    }
    let mut columns = Columns::default();
    columns.text("log", &rows, |(name, _)| (*name).to_owned());
    columns.text("criterion", &rows, |(_, c)| c.id.clone());
    columns.text("asked", &rows, |(_, c)| c.asked.clone());
    columns.text("before", &rows, |(_, c)| c.before.words().to_owned());
    columns.text("before_seen", &rows, |(_, c)| c.before_seen.clone());
    columns.text("after", &rows, |(_, c)| c.after.words().to_owned());
    columns.text("after_seen", &rows, |(_, c)| c.after_seen.clone());
    columns.write(rows.len())
}

/// What the plan predicted: of each log points first, then keep-up speeds.
pub fn foretold_csv(foretold: &Foretold) -> String {
    type Row<'c> = (&'c str, Option<&'c ForetoldPoint>, Option<&'c ForetoldKeepUp>);
    let rows: Vec<Row> = foretold
        .afters
        .iter()
        .flat_map(|a| {
            let name = a.name.as_str();
            let points = a.points.iter().map(move |point| (name, Some(point), None));
            points.chain(a.keep_up.iter().map(move |speed| (name, None, Some(speed))))
        })
        .collect();
    let either = |row: &Row, p: fn(&ForetoldPoint) -> String, k: fn(&ForetoldKeepUp) -> String| {
        row.1.map(p).or(row.2.map(k)).unwrap_or_default()
    };
    let nothing = |_: &ForetoldKeepUp| String::new();
    let mut columns = Columns::default();
    columns.text("log", &rows, |row| row.0.to_owned());
    columns.text("fitted", &rows, |_| foretold.fitted.clone());
    columns.text("what", &rows, |row| {
        either(row, |_| "operating point".to_owned(), |_| "keep-up speed".to_owned())
    });
    columns
        .text("loads", &rows, |row| either(row, |p| p.loads.join(" + "), |k| k.loads.join(" + ")));
    columns.number("rpm_low", &rows, |row| row.1?.rpm_low);
    columns.number("rpm_high", &rows, |row| row.1?.rpm_high);
    columns
        .text("conditions", &rows, |row| either(row, |p| p.conditions.word().to_owned(), nothing));
    columns.text("heat", &rows, |row| either(row, |p| p.heat.word().to_owned(), nothing));
    columns.number("seconds", &rows, |row| Some(row.1?.seconds));
    columns.estimate("predicted_v", &rows, |row| Some(&row.1?.predicted_v));
    columns.estimate("seen_v", &rows, |row| Some(&row.1?.seen_v));
    columns.text("predicted_state", &rows, |row| {
        either(row, |p| p.predicted_state.word().to_owned(), nothing)
    });
    columns.number("predicted_state_share", &rows, |row| Some(row.1?.predicted_share));
    columns
        .text("seen_state", &rows, |row| either(row, |p| p.seen_state.word().to_owned(), nothing));
    columns.estimate("predicted_keep_up_rpm", &rows, |row| row.2?.predicted_rpm.as_ref());
    columns.estimate("seen_keep_up_rpm", &rows, |row| row.2?.seen.rpm.as_ref());
    columns.text("prediction", &rows, |row| {
        either(row, |p| p.kept.words().to_owned(), |k| k.kept.words().to_owned())
    });
    columns.text("why", &rows, |row| either(row, |p| p.why.clone(), |k| k.why.clone()));
    columns.write(rows.len())
}

fn yes(is: bool) -> String {
    if is { "yes" } else { "no" }.to_owned()
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
