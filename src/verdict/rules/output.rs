//! The alternator's measured output against its sheet.

use crate::diagnosis::{Evidence, OutputPoint, Severity, SheetStanding};
use crate::estimate::Estimate;
use crate::format::{PERCENT, RPM};
use crate::verdict::Case;
use crate::verdict::evidence::{amps, first};
use crate::verdict::rules::Raised;

/// Shorter evidence than this convinces nobody.
const MOST_EVIDENCE: usize = 3;

pub fn standing(case: &Case) -> Option<SheetStanding> {
    case.analysis.output.as_ref()?.standing
}

/// Said beside a shortage where the machine itself is proven sound.
pub fn meets_sheet(case: &Case) -> bool {
    standing(case) == Some(SheetStanding::Meets)
}

pub fn output_below_sheet(case: &Case) -> Option<Raised> {
    let output = case.analysis.output.as_ref()?;
    if output.standing != Some(SheetStanding::Below) {
        return None;
    }
    let mut below: Vec<(&OutputPoint, &Estimate)> = output
        .points
        .iter()
        .filter_map(|point| Some((point, point.share_of_sheet.as_ref()?)))
        .filter(|(_, share)| share.high < 1.0)
        .collect();
    below.sort_by(|a, b| b.0.seconds.total_cmp(&a.0.seconds));
    let &(worst, share) = below.first()?;
    let sheet_a = worst.sheet_a.as_ref()?;
    let rpm = worst.alternator_rpm?;
    let percent = |share: f64| PERCENT.bare(100.0 * share);
    let evidence = |(point, share): &(&OutputPoint, &Estimate)| {
        let longest = point.spans.iter().max_by(|a, b| a.seconds().total_cmp(&b.seconds()))?;
        Some(Evidence {
            start_s: longest.start_s,
            end_s: longest.end_s,
            text: format!(
                "full output at {} alternator rpm, {} of the sheet",
                RPM.bare(point.alternator_rpm?),
                PERCENT.of_shares().with_range(share)
            ),
        })
    };
    Some(Raised {
        severity: Severity::Fault,
        statement: format!(
            "Full output {1} at {0} alternator rpm. The data sheet, converted to this voltage and heat, states {2}: {3} % of it ({4} to {5} %, {6}).",
            RPM.bare(rpm),
            amps(&worst.amps_a),
            amps(sheet_a),
            percent(share.value),
            percent(share.low),
            percent(share.high),
            share.grade.word()
        ),
        evidence: first(MOST_EVIDENCE, below.iter().filter_map(evidence).collect()),
    })
}
