//! Each of the values that reports are drawn from, with its sentences in imperial units.
//! Numbers stay as they are: what draws them converts them.

use super::sentences::Names;
use crate::comparison::{After, Comparison, Criterion, Foretold, Side};
use crate::diagnosis::{Diagnosis, Verdict};
use crate::estimate::Estimate;
use crate::plan::{Plan, Proposal};
use crate::review::{Outcome, Review, Summary};

fn in_sentences(names: Vec<String>) -> impl Fn(&mut String) {
    let names = Names::new(names);
    move |text| *text = names.imperial(text)
}

pub fn diagnosis(diagnosis: &Diagnosis) -> Diagnosis {
    let mut d = diagnosis.clone();
    let lanes = diagnosis.picture.loads.iter().map(|lane| lane.load.clone());
    let names = diagnosis.columns.iter().map(|c| c.name.clone()).chain(lanes).collect();
    let say = &in_sentences(names);
    let how = |estimate: &mut Estimate| say(&mut estimate.how);
    say(&mut d.verdict.headline);
    d.verdict.cannot_tell.iter_mut().for_each(say);
    d.verdict.danger.iter_mut().chain(&mut d.cautions).for_each(say);
    for finding in &mut d.findings {
        say(&mut finding.statement);
        let mut test = std::mem::take(&mut finding.test);
        test.steps.iter_mut().chain([&mut test.bad_if]).for_each(say);
        finding.set_test(test);
        finding.alternatives.iter_mut().for_each(say);
        finding.evidence.iter_mut().for_each(|seen| say(&mut seen.text));
    }
    for point in &mut d.operating_points {
        say(&mut point.state_how);
        say(&mut point.deficit_told);
        point.deficit_routes_a.iter_mut().for_each(how);
    }
    d.keep_up.iter_mut().for_each(|item| say(&mut item.told));
    for pair in &mut d.heat {
        say(&mut pair.told);
        how(&mut pair.change_v);
        pair.per_minute_v.iter_mut().chain(&mut pair.per_degree_v).for_each(how);
    }
    d.line_drop.iter_mut().for_each(|drop| say(&mut drop.told));
    how(&mut d.battery.resistance_ohm);
    d.battery.routes.iter_mut().chain(&mut d.battery.zero_current_v).for_each(how);
    d.battery.disagreement.iter_mut().for_each(say);
    d.setpoint_v.iter_mut().chain(&mut d.rest_voltage_v).for_each(how);
    d.state_of_charge_percent.iter_mut().for_each(how);
    if let Some(regulation) = &mut d.regulation {
        say(&mut regulation.why);
    }
    if let Some(used) = &mut d.battery_use {
        say(&mut used.told);
    }
    if let Some(output) = &mut d.output {
        say(&mut output.statement);
    }
    d
}

pub fn plan(plan: &Plan) -> Plan {
    let mut plan = plan.clone();
    let mut names: Vec<String> = plan.ledger.iter().map(|item| item.load.clone()).collect();
    let machines = plan.candidates.iter().chain([&plan.present]);
    names.extend(machines.map(|machine| machine.name.clone()));
    let say = &in_sentences(names);
    verdict(&mut plan.verdict, say);
    say(&mut plan.headline);
    say(&mut plan.reproduction.told);
    plan.assumed.iter_mut().chain(&mut plan.cautions).for_each(say);
    for machine in plan.candidates.iter_mut().chain([&mut plan.present]) {
        proposal(machine, say);
    }
    if let Some(wiring) = &mut plan.wiring {
        say(&mut wiring.told);
        for row in &mut wiring.rows {
            say(&mut row.gauge);
            say(&mut row.why);
        }
    }
    plan
}

fn proposal(machine: &mut Proposal, say: &impl Fn(&mut String)) {
    say(&mut machine.why);
    machine.keep_up.iter_mut().for_each(|item| say(&mut item.told));
    machine.ratios.iter_mut().for_each(|ratios| say(&mut ratios.told));
    machine.beyond_sheet.iter_mut().for_each(say);
}

fn verdict(verdict: &mut Verdict, say: &impl Fn(&mut String)) {
    say(&mut verdict.headline);
    verdict.cannot_tell.iter_mut().for_each(say);
}

pub fn comparison(comparison: &Comparison) -> Comparison {
    let mut c = comparison.clone();
    let same = c.afters.iter().flat_map(|after| &after.same_loads);
    let say = &in_sentences(
        same.flat_map(|same| [Some(same.before.clone()), same.after.clone()]).flatten().collect(),
    );
    say(&mut c.headline);
    c.missing.iter_mut().chain(&mut c.cautions).for_each(say);
    c.criteria.iter_mut().for_each(|asked| criterion(asked, say));
    side(&mut c.before, say);
    c.afters.iter_mut().for_each(|later| after(later, say));
    c.foretold.iter_mut().for_each(|told| foretold(told, say));
    c.picture.iter_mut().for_each(|picture| say(&mut picture.aligned_at));
    c
}

fn criterion(criterion: &mut Criterion, say: &impl Fn(&mut String)) {
    say(&mut criterion.asked);
    say(&mut criterion.before_seen);
    say(&mut criterion.after_seen);
}

fn side(side: &mut Side, say: &impl Fn(&mut String)) {
    verdict(&mut side.verdict, say);
    side.findings.iter_mut().for_each(|finding| say(&mut finding.statement));
}

fn after(after: &mut After, say: &impl Fn(&mut String)) {
    side(&mut after.side, say);
    say(&mut after.headline);
    after.missing.iter_mut().chain(&mut after.on_trust).for_each(say);
    after.criteria.iter_mut().for_each(|asked| criterion(asked, say));
    after.points.iter_mut().for_each(|point| say(&mut point.conditions_how));
    after.unmatched.iter_mut().for_each(|point| say(&mut point.why));
    for item in &mut after.keep_up {
        say(&mut item.before.told);
        say(&mut item.after.told);
    }
    say(&mut after.noise.told);
}

fn foretold(foretold: &mut Foretold, say: &impl Fn(&mut String)) {
    say(&mut foretold.headline);
    for after in &mut foretold.afters {
        say(&mut after.headline);
        after.points.iter_mut().for_each(|point| say(&mut point.why));
        for item in &mut after.keep_up {
            say(&mut item.why);
            say(&mut item.seen.told);
        }
    }
}

pub fn review(review: &Review) -> Review {
    let mut review = review.clone();
    let columns = review.rows.iter().filter_map(|row| row.summary()).map(|s| &s.quality.columns);
    let say = &in_sentences(columns.flatten().cloned().collect());
    say(&mut review.headline);
    review.cautions.iter_mut().for_each(say);
    review.cars.iter_mut().flat_map(|car| &mut car.doubts).for_each(say);
    for row in &mut review.rows {
        if let Outcome::Read(read) = &mut row.result {
            summary(read, say);
        }
    }
    review
}

fn summary(summary: &mut Summary, say: &impl Fn(&mut String)) {
    say(&mut summary.headline);
    summary.findings.iter_mut().for_each(|finding| say(&mut finding.statement));
    summary.keep_up.iter_mut().for_each(|item| say(&mut item.told));
    summary.heat_loss.iter_mut().for_each(|item| say(&mut item.told));
}
