//! The sentences of a plan: which alternator, why, and what is assumed.

use std::collections::BTreeSet;

use crate::car::{ALWAYS_ON, Car};
use crate::diagnosis::{Finding, Heat, Severity, VerdictWord};
use crate::estimate::Grade;
use crate::format::{self, AMP, RATIO, RPM, VOLT};
use crate::levels;
use crate::log::Log;
use crate::nominal::Nominal;
use crate::plan::Asked;
use crate::plan::calibrate::PosteriorEnsemble;
use crate::plan::contract::{Margin, Proposal, Speeds, Suitability};
use crate::plan::load_budget::{Item, MOST_LABELS, is_detected};
use crate::plan::margin::sureness;
use crate::plan::sets::LoadSet;
use crate::segment::Segments;

/// Low is better: those that certainly carry the loads first, the smallest of them
/// leading; then by how near to enough.
pub fn rank(proposal: &Proposal) -> f64 {
    let least = proposal.margins.iter().map(sureness).fold(f64::INFINITY, f64::min);
    let class = match proposal.standing {
        Suitability::Carries => 0.0,
        Suitability::May => 1.0,
        Suitability::FallsShort => 2.0,
        Suitability::TooFast => 3.0,
    };
    let within = match proposal.standing {
        // More than enough is no better than enough.
        Suitability::Carries => proposal.most_a.value / 1e3,
        _ => 0.5 - least.clamp(-100.0, 100.0) / 1e3,
    };
    class + within.clamp(0.0, 0.99)
}

fn tightest(margins: &[Margin]) -> Option<&Margin> {
    margins.iter().min_by(|a, b| sureness(a).total_cmp(&sureness(b)))
}

pub fn why(standing: Suitability, margins: &[Margin], speeds: &Speeds) -> String {
    if standing == Suitability::TooFast {
        return format!(
            "At a redline of {} it would turn at {}, above its limit of {}.",
            RPM.of(speeds.redline_rpm),
            RPM.with_range(&speeds.at_redline_rpm),
            RPM.of(speeds.limit_rpm)
        );
    }
    let Some(margin) = tightest(margins) else {
        return "The log has no idle to judge it by.".to_owned();
    };
    let loads = format::with_loads(&margin.loads);
    let at = format!("hot idle of {}", RPM.of(margin.engine_rpm));
    let numbers = format!(
        "it supplies {} and {} are needed",
        AMP.with_range(&margin.available_a),
        AMP.with_range(&margin.needed_a)
    );
    match standing {
        Suitability::Carries => {
            format!("At a {at} {loads} {numbers}: {} in reserve.", AMP.with_range(&margin.margin_a))
        }
        Suitability::May => format!(
            "At a {at} {loads} {numbers}: {} in reserve, enough with a chance of {:.0} %.",
            AMP.with_range(&margin.margin_a),
            100.0 * margin.enough_share
        ),
        _ => format!(
            "At a {at} {loads} {numbers}: {} short.",
            AMP.with_range(&margin.margin_a.negated())
        ),
    }
}

/// What is repaired before an alternator is chosen: it looks like an alternator that is too
/// small, and the plan took it for one.
const MENDED_FIRST: [(&str, &str); 8] = [
    ("not-charging", "it does not charge at all"),
    ("belt-slip", "the belt slips"),
    ("drop-outs", "a connection drops out"),
    ("line-drop-high", "the charging cable loses volts"),
    ("ground-drop-high", "the ground side loses volts"),
    ("module-wiring", "the wiring to the module loses volts"),
    ("setpoint-high", "the regulator holds too much"),
    ("setpoint-low", "the regulator holds too little"),
];

/// "the belt slips and the ground side loses volts"; `None` if nothing is in
/// the way.
pub fn mended_first(findings: &[Finding]) -> Option<String> {
    let raised = |id: &str| findings.iter().any(|f| f.id == id && f.severity > Severity::Note);
    let words: Vec<String> = MENDED_FIRST
        .iter()
        .filter(|(id, _)| raised(id))
        .map(|(_, words)| (*words).to_owned())
        .collect();
    (!words.is_empty()).then(|| format::loads(&words))
}

pub fn headline(
    present: &Proposal,
    candidates: &[Proposal],
    verdict: VerdictWord,
    mend: Option<&str>,
) -> String {
    let plan = match candidates.first() {
        None => {
            format!("As it is: {} Name alternators with --candidate NAME=CURVE.csv.", present.why)
        }
        Some(best) => proposed(best, candidates.len()),
    };
    if let Some(what) = mend {
        return format!(
            "Repair first, then log again: {what}, and a plan made from this log counts that against \
             the alternator. With that left as it is: {plan}"
        );
    }
    match (verdict, candidates.first()) {
        (VerdictWord::KeepsUp, _) => format!(
            "The loads of this log need no other alternator: the current alternator keeps up. \
             {plan}"
        ),
        (_, Some(best)) if best.standing == Suitability::Carries => {
            format!("Fit {}. {}", geared(best), best.why)
        }
        _ => plan,
    }
}

/// "new at 2.90 to 1", or the name alone on the pulleys that are there.
fn geared(proposal: &Proposal) -> String {
    let ratio = &proposal.ratio;
    match ratio.low == ratio.high {
        true => format!("{} at {}", proposal.name, RATIO.of(ratio.value)),
        false => proposal.name.clone(),
    }
}

fn proposed(best: &Proposal, of: usize) -> String {
    let (name, why) = (geared(best), &best.why);
    match best.standing {
        Suitability::Carries => format!("Of the candidates, {name} would carry it. {why}"),
        Suitability::May => {
            format!("Of the candidates, {name} may carry it, but that is not certain. {why}")
        }
        Suitability::FallsShort if of == 1 => format!("The candidate {name} is not enough. {why}"),
        Suitability::FallsShort => {
            format!("None of the candidates carries it. Nearest is {name}. {why}")
        }
        Suitability::TooFast if of == 1 => format!("The candidate {name} is not suitable. {why}"),
        Suitability::TooFast => format!("None of the candidates is suitable. {name}: {why}"),
    }
}

pub fn beyond_sheet((first_rpm, last_rpm): (f64, f64), speeds: &Speeds) -> Option<String> {
    if speeds.at_idle_rpm.value < first_rpm {
        Some(format!(
            "At idle it turns at {}, below the first point of its curve at {}: its output \
             there is not known, and that of the first point is used.",
            RPM.with_range(&speeds.at_idle_rpm),
            RPM.of(first_rpm)
        ))
    } else if speeds.at_redline_rpm.value > last_rpm {
        Some(format!(
            "Its curve ends at {}; above that its output is assumed to stay the same.",
            RPM.of(last_rpm)
        ))
    } else {
        None
    }
}

pub fn reproduction(
    rms_v: f64,
    within_v: f64,
    fleet: &PosteriorEnsemble,
    nominal: Nominal,
) -> String {
    let how = format!(
        "Replayed with the current alternator, the fitted cars come within {} of the logged voltage \
         in nine of ten moments (root mean square {}).",
        VOLT.of(within_v),
        VOLT.of(rms_v)
    );
    let held = match fleet.full {
        0 => " The log never shows the current alternator at full output, so its \
              output and the amps of the loads rest on common practice alone."
            .to_owned(),
        n => format!(
            " {} at full output match the alternator to the log.",
            format::plural(n, "steady piece", "steady pieces")
        ),
    };
    let poor = if within_v > nominal.volts(levels::POOR_FIT) {
        " That is too far off to trust a prediction: something in this car differs from the \
         model. Look at the diagnosis first."
    } else {
        ""
    };
    how + &held + poor
}

pub fn assumed(
    log: &Log,
    segments: &Segments,
    car: &Car,
    ledger: &[Item],
    fleet: &PosteriorEnsemble,
    sets: &[LoadSet],
    asked: &Asked,
) -> Vec<String> {
    let mut assumed = Vec::new();
    let unstated: Vec<String> = ledger
        .iter()
        .filter(|item| !item.stated && item.name != ALWAYS_ON)
        .map(|item| item.name.clone())
        .collect();
    if !unstated.is_empty() {
        assumed.push(format!(
            "Amps of {} are common values, adjusted to the log. Measure them with a clamp meter and \
             enter --load-amps LOAD=A to narrow every margin.",
            format::loads(&unstated)
        ));
    }
    if !car.loads_a.contains_key(ALWAYS_ON) {
        assumed.push(format!(
            "The amps of what is always on (ignition, pumps, control) are not entered: --load-amps \"{ALWAYS_ON}=A\"."
        ));
    }
    if !fleet.has_curve {
        assumed.push(
            "The current alternator's curve is assumed to have the common shape; enter it with --alternator-curve FILE."
                .to_owned(),
        );
    }
    if !fleet.has_ratio {
        assumed.push(
            "The pulley ratio of the current alternator is not entered, so 2.1 to 3.2 is assumed: set \
             pulley_ratio in car.toml, and a candidate's own ratio with @RATIO."
                .to_owned(),
        );
    }
    if let Some(setpoint_v) = &fleet.setpoint_v {
        let seen = match setpoint_v.grade {
            Grade::Assumed => "The log shows no level that the regulator holds",
            _ => "The highest level of the log may be the alternator's limit and not the setpoint",
        };
        assumed.push(format!(
            "{seen}, so the setpoint is assumed to be {}. Log a minute at 2500 to 3000 rpm with all off, and \
             switch the smallest load on and off once, or enter --setpoint-v.",
            VOLT.with_range(setpoint_v)
        ));
    }
    if sets.iter().all(|set| set.seen == Heat::Unknown) {
        assumed.push(
            "No temperature is logged: the alternator is assumed to be between warm and soaked in the \
             log, and soaked for the margins."
                .to_owned(),
        );
    } else if sets.iter().all(|set| set.seen != Heat::Hot) {
        assumed.push(
            "The log never gets hot: the output of a soaked alternator and the hot idle speed are \
             common values. Repeat the log hot before buying."
                .to_owned(),
        );
    }
    if asked.cable.is_none() {
        assumed.push(
            "Cable and fuse need a length: enter --cable GAUGE:LENGTH, with the current gauge."
                .to_owned(),
        );
    }
    let labels: BTreeSet<&String> =
        segments.stretches.iter().flat_map(|s| &s.loads).filter(|l| is_detected(log, l)).collect();
    if labels.len() > MOST_LABELS {
        assumed.push(format!(
            "Of {} loads that only the voltage shows, the {MOST_LABELS} that ran longest are \
             used; marks or a column show when each is on.",
            labels.len()
        ));
    } else if !labels.is_empty() {
        assumed.push(
            "Some loads are known from the voltage alone; marks or a column show when they are on."
                .to_owned(),
        );
    }
    if log.load_names().is_empty() && segments.points.iter().all(|p| p.loads.is_empty()) {
        assumed.push("The log shows no load coming on.".to_owned());
    }
    assumed.push(
        "The regulator of a new alternator is assumed to hold what the current one holds."
            .to_owned(),
    );
    assumed
}
