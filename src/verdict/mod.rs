//! Findings and the rules that raise them, and the one word above them all.

pub mod cautions;
pub mod evidence;
mod generator;
pub mod rules;
pub mod unknowns;
pub mod word;

use crate::analysis::Analysis;
use crate::car::{Car, ChargerKind};
use crate::diagnosis::{BusState, Finding, OperatingPoint, Severity, Verdict};
use crate::estimate::Estimate;
use crate::log::Log;
use crate::nominal::PerCell;
use crate::segment::Segments;

/// All that a rule may look at.
#[derive(Clone, Copy)]
pub struct Case<'a> {
    pub log: &'a Log,
    pub segments: &'a Segments,
    pub analysis: &'a Analysis,
    pub car: &'a Car,
}

#[derive(Debug, Clone)]
pub struct Judgement {
    pub verdict: Verdict,
    /// Worst first.
    pub findings: Vec<Finding>,
    pub cautions: Vec<String>,
}

pub fn judge(case: &Case) -> Judgement {
    let mut findings = rules::findings(case);
    if case.segments.running_is_assumed {
        findings.retain(|f| f.severity == Severity::Note);
    }
    let verdict = Verdict {
        danger: cautions::danger(&findings),
        cannot_tell: unknowns::cannot_tell(case),
        ..word::verdict(case, &findings)
    };
    let cautions = cautions::cautions(&findings);
    let judgement = Judgement { verdict, findings, cautions };
    if case.has_generator() { generator::reworded(judgement) } else { judgement }
}

/// A sound DC generator has cut in from this engine speed on (common practice, no source).
const MOST_CUT_IN_RPM: f64 = 1500.0;

/// Points seen long enough to carry a verdict.
pub const LEAST_POINT_S: f64 = 4.0;

impl<'a> Case<'a> {
    /// A fixed voltage with the cells of this system.
    pub fn volts(&self, level: PerCell) -> f64 {
        self.log.nominal().volts(level)
    }

    /// Operating points that carry weight.
    pub fn points(&self) -> impl Iterator<Item = &'a OperatingPoint> {
        let case = *self;
        let points = self.analysis.operating_points.iter();
        points.filter(move |p| p.seconds >= LEAST_POINT_S && !case.is_cut_off(p))
    }

    /// What charges the battery is a DC generator, stated or taken for one.
    pub fn has_generator(&self) -> bool {
        self.car.charger(self.log.nominal()) == ChargerKind::DcGenerator
    }

    /// A DC generator below its cut-in speed charges nothing, and is sound. Where engine
    /// speed is not logged, any level at which it does not charge may be that.
    pub fn is_cut_off(&self, point: &OperatingPoint) -> bool {
        let slow = point.rpm.is_none_or(|rpm| rpm < MOST_CUT_IN_RPM);
        self.has_generator() && slow && point.state == BusState::Draining
    }

    /// Volts that a point lies under the setpoint, where one is known.
    pub fn under_setpoint_v(&self, point: &OperatingPoint) -> Option<f64> {
        self.under_setpoint(point).map(|under| under.value)
    }

    /// The same, as sure as voltage and setpoint are.
    pub fn under_setpoint(&self, point: &OperatingPoint) -> Option<Estimate> {
        let setpoint = self.analysis.setpoint.as_ref()?;
        let mut there = setpoint.over(&point.spans);
        // Against a common setpoint only its low end may be held.
        if !setpoint.is_known() {
            there.value = there.low;
        }
        Some(there.less(&point.voltage_v, "setpoint less voltage"))
    }
}
