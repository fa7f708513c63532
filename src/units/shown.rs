//! A diagnosis with its sentences in imperial units. Its numbers stay as they are: what
//! draws them converts them.

use super::sentences::Names;
use crate::diagnosis::Diagnosis;
use crate::estimate::Estimate;

/// Only what can name a temperature, a length or a cable is looked at.
pub fn imperial(diagnosis: &Diagnosis) -> Diagnosis {
    let mut d = diagnosis.clone();
    let lanes = diagnosis.picture.loads.iter().map(|lane| lane.load.clone());
    let columns = diagnosis.columns.iter().map(|column| column.name.clone());
    let names = Names::new(columns.chain(lanes).collect());
    let convert = |text: &mut String| *text = names.imperial(text);
    let how = |estimate: &mut Estimate| convert(&mut estimate.how);
    d.verdict.cannot_tell.iter_mut().for_each(convert);
    for finding in &mut d.findings {
        convert(&mut finding.statement);
        let mut test = std::mem::take(&mut finding.test);
        test.steps.iter_mut().chain([&mut test.bad_if]).for_each(convert);
        finding.set_test(test);
        finding.alternatives.iter_mut().for_each(convert);
        finding.evidence.iter_mut().for_each(|seen| convert(&mut seen.text));
    }
    d.operating_points.iter_mut().flat_map(|p| &mut p.deficit_routes_a).for_each(how);
    d.heat.iter_mut().for_each(|pair| convert(&mut pair.told));
    d.line_drop.iter_mut().for_each(|drop| convert(&mut drop.told));
    how(&mut d.battery.resistance_ohm);
    d.battery.routes.iter_mut().chain(&mut d.battery.zero_current_v).for_each(how);
    d.setpoint_v.iter_mut().chain(&mut d.rest_voltage_v).for_each(how);
    d.state_of_charge_percent.iter_mut().for_each(how);
    d
}
