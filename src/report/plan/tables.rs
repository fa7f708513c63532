//! A plan's tables for a spreadsheet. Units stand in the header.

use crate::plan::{CableRow, Margin, Plan, PredictedPoint, Proposal, Wiring};
use crate::report::tables::Columns;

/// The machine that is there, then the candidates, best first.
fn all(plan: &Plan) -> Vec<&Proposal> {
    [&plan.present].into_iter().chain(&plan.candidates).collect()
}

/// One row a machine and set of loads at idle.
pub fn candidates_csv(plan: &Plan) -> String {
    let rows: Vec<(&Proposal, &Margin)> =
        all(plan).into_iter().flat_map(|p| p.margins.iter().map(move |m| (p, m))).collect();
    let mut columns = Columns::default();
    columns.text("machine", &rows, |(p, _)| p.name.clone());
    columns.text("standing", &rows, |(p, _)| p.standing.words().to_owned());
    columns.estimate("ratio", &rows, |(p, _)| Some(&p.ratio));
    columns.text("loads", &rows, |(_, m)| m.loads.join(" + "));
    columns.number("engine_rpm", &rows, |(_, m)| Some(m.engine_rpm));
    columns.text("heat", &rows, |(_, m)| m.heat.word().to_owned());
    columns.estimate("needed_a", &rows, |(_, m)| Some(&m.needed_a));
    columns.estimate("available_a", &rows, |(_, m)| Some(&m.available_a));
    columns.estimate("margin_a", &rows, |(_, m)| Some(&m.margin_a));
    columns.number("enough_share", &rows, |(_, m)| Some(m.enough_share));
    columns.write(rows.len())
}

/// One row a machine and operating point of the log.
pub fn points_csv(plan: &Plan) -> String {
    let rows: Vec<(&Proposal, &PredictedPoint)> =
        all(plan).into_iter().flat_map(|p| p.points.iter().map(move |q| (p, q))).collect();
    let mut columns = Columns::default();
    columns.text("machine", &rows, |(p, _)| p.name.clone());
    columns.text("loads", &rows, |(_, q)| q.loads.join(" + "));
    columns.number("rpm_low", &rows, |(_, q)| q.rpm_low);
    columns.number("rpm_high", &rows, |(_, q)| q.rpm_high);
    columns.text("heat", &rows, |(_, q)| q.heat.word().to_owned());
    columns.number("seconds", &rows, |(_, q)| Some(q.seconds));
    columns.estimate("logged_v", &rows, |(_, q)| Some(&q.logged_v));
    columns.text("logged_state", &rows, |(_, q)| q.logged_state.word().to_owned());
    columns.estimate("predicted_v", &rows, |(_, q)| Some(&q.predicted_v));
    columns.text("voltage_is_told", &rows, |(_, q)| {
        if q.voltage_is_told { "yes" } else { "no" }.to_owned()
    });
    columns.text("state", &rows, |(_, q)| q.state.word().to_owned());
    columns.number("state_share", &rows, |(_, q)| Some(q.state_share));
    columns.estimate("deficit_a", &rows, |(_, q)| Some(&q.deficit_a));
    columns.estimate("margin_a", &rows, |(_, q)| Some(&q.margin_a));
    columns.write(rows.len())
}

pub fn cables_csv(wiring: &Wiring) -> String {
    let rows = &wiring.rows;
    let mut columns = Columns::default();
    columns.text("gauge", rows, |r: &CableRow| r.gauge.clone());
    columns.number("area_mm2", rows, |r| Some(r.area_mm2));
    columns.number("feed_drop_v", rows, |r| Some(r.feed_drop_v));
    columns.number("ground_drop_v", rows, |r| Some(r.ground_drop_v));
    columns.number("bears_a", rows, |r| Some(r.bears_a));
    columns.text("feed_serves", rows, |r| if r.feed_serves { "yes" } else { "no" }.to_owned());
    columns.text("ground_serves", rows, |r| if r.ground_serves { "yes" } else { "no" }.to_owned());
    columns.text("why", rows, |r| r.why.clone());
    columns.write(rows.len())
}
