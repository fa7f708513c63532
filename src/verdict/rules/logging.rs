//! What the log itself is short of.

use crate::diagnosis::{Evidence, LoadStep, Origin, Severity};
use crate::estimate::Estimate;
use crate::verdict::Case;
use crate::verdict::evidence::{SHOWN, first, volts};
use crate::verdict::rules::Raised;

pub fn undeclared_steps(case: &Case) -> Option<Raised> {
    if case.log.load_names().is_empty() {
        return None;
    }
    let detected: Vec<_> =
        case.analysis.load_steps.iter().filter(|s| s.origin == Origin::Detected).collect();
    let evidence = |s: &&LoadStep| Evidence {
        start_s: s.at_s,
        end_s: s.at_s,
        text: format!("step {}: the bus {}", s.number, moved(&s.shift_v)),
    };
    (!detected.is_empty()).then(|| Raised {
        severity: Severity::Note,
        statement: format!(
            "The voltage steps {} times where no load channel changes.",
            detected.len()
        ),
        evidence: first(SHOWN, detected.iter().map(evidence).collect()),
    })
}

pub fn coarse_voltage(case: &Case) -> Option<Raised> {
    let step_v = case.log.source.resolution_v?;
    (step_v > 0.06).then(|| Raised {
        severity: Severity::Note,
        statement: format!(
            "The voltage is logged in steps of {step_v:.3} V. Smaller sags do not show."
        ),
        evidence: vec![Evidence {
            start_s: 0.0,
            end_s: case.log.source.duration_s,
            text: "the whole log".to_owned(),
        }],
    })
}

/// "falls by 0.31 V (0.28 to 0.34)"
fn moved(shift: &Estimate) -> String {
    if shift.value < 0.0 {
        format!("rises by {}", volts(&shift.negated()))
    } else {
        format!("falls by {}", volts(shift))
    }
}
