//! A plan's tables for a spreadsheet. Units are in the header.

use crate::plan::{Margin, Plan, PredictedPoint, Proposal, Wiring};
use crate::report::tables::Table;

/// The current alternator, then the candidates, best first, each with its `items`.
fn of_each<T>(plan: &Plan, items: fn(&Proposal) -> &[T]) -> Vec<(&Proposal, &T)> {
    let all = [&plan.present].into_iter().chain(&plan.candidates);
    all.flat_map(|proposal| items(proposal).iter().map(move |item| (proposal, item))).collect()
}

/// One row an alternator and set of loads at idle.
pub fn candidates_csv(plan: &Plan) -> String {
    let rows: Vec<(&Proposal, &Margin)> = of_each(plan, |proposal| &proposal.margins);
    let mut table = Table::of(&rows);
    table.text("machine", |(p, _)| p.name.as_str());
    table.text("standing", |(p, _)| p.standing.words());
    table.estimate("ratio", |(p, _)| &p.ratio);
    table.text("loads", |(_, m)| &m.loads);
    table.number("engine_rpm", |(_, m)| m.engine_rpm);
    table.text("heat", |(_, m)| m.heat.word());
    table.estimate("needed_a", |(_, m)| &m.needed_a);
    table.estimate("available_a", |(_, m)| &m.available_a);
    table.estimate("margin_a", |(_, m)| &m.margin_a);
    table.number("enough_share", |(_, m)| m.enough_share);
    table.csv()
}

/// One row an alternator and operating point of the log.
pub fn points_csv(plan: &Plan) -> String {
    let rows: Vec<(&Proposal, &PredictedPoint)> = of_each(plan, |proposal| &proposal.points);
    let mut table = Table::of(&rows);
    table.text("machine", |(p, _)| p.name.as_str());
    table.text("loads", |(_, q)| &q.loads);
    table.number("rpm_low", |(_, q)| q.rpm_low);
    table.number("rpm_high", |(_, q)| q.rpm_high);
    table.text("heat", |(_, q)| q.heat.word());
    table.number("seconds", |(_, q)| q.seconds);
    table.estimate("logged_v", |(_, q)| &q.logged_v);
    table.text("logged_state", |(_, q)| q.logged_state.word());
    table.estimate("predicted_v", |(_, q)| &q.predicted_v);
    table.text("voltage_is_told", |(_, q)| q.voltage_is_told);
    table.text("state", |(_, q)| q.state.word());
    table.number("state_share", |(_, q)| q.state_share);
    table.estimate("deficit_a", |(_, q)| &q.deficit_a);
    table.estimate("margin_a", |(_, q)| &q.margin_a);
    table.csv()
}

pub fn cables_csv(wiring: &Wiring) -> String {
    let mut table = Table::of(&wiring.rows);
    table.text("gauge", |r| r.gauge.as_str());
    table.number("area_mm2", |r| r.area_mm2);
    table.number("feed_drop_v", |r| r.feed_drop_v);
    table.number("ground_drop_v", |r| r.ground_drop_v);
    table.number("bears_a", |r| r.bears_a);
    table.text("feed_serves", |r| r.feed_serves);
    table.text("ground_serves", |r| r.ground_serves);
    table.text("why", |r| r.why.as_str());
    table.csv()
}
