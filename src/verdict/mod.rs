//! Findings and the rules that raise them, and the one word above them all.

pub mod cautions;
pub mod evidence;
pub mod rules;
pub mod unknowns;
pub mod word;

use crate::analysis::Analysis;
use crate::car::Car;
use crate::diagnosis::{Finding, OperatingPoint, Verdict};
use crate::estimate::Estimate;
use crate::log::Log;
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
    let findings = rules::findings(case);
    let verdict =
        Verdict { cannot_tell: unknowns::cannot_tell(case), ..word::verdict(case, &findings) };
    let cautions = cautions::cautions(&findings);
    Judgement { verdict, findings, cautions }
}

/// Points seen long enough to carry a verdict.
pub const LEAST_POINT_S: f64 = 4.0;

impl<'a> Case<'a> {
    /// Operating points that carry weight.
    pub fn points(&self) -> impl Iterator<Item = &'a OperatingPoint> {
        self.analysis.operating_points.iter().filter(|p| p.seconds >= LEAST_POINT_S)
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
