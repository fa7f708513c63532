//! What page and terminal both say first: the meaning of the verdict and the finding that leads.

use crate::diagnosis::{Bound, Diagnosis, Finding, LoadStep, MoreSpeed, Severity, VerdictWord};
use crate::estimate::Estimate;
use crate::report::format::{self, VOLT, plain};
use crate::report::svg;

/// The verdict in words that a car's owner can act on, before any number.
pub fn meaning(diagnosis: &Diagnosis) -> String {
    let meaning = match diagnosis.verdict.word {
        VerdictWord::FallsShort | VerdictWord::FallsShortAtIdle => return falls_short(diagnosis),
        VerdictWord::KeepsUp if is_generator(diagnosis) => {
            "The generator carries every load this log switched on, above its cut-in speed. Below \
             it the battery discharges, as with any DC generator."
        }
        VerdictWord::KeepsUp => {
            "The alternator carries every load this log switched on. The battery stays charged."
        }
        VerdictWord::LittleInReserve if is_generator(diagnosis) => {
            "The generator just carries these loads above its cut-in speed."
        }
        VerdictWord::LittleInReserve => {
            "The alternator just carries these loads. One more load, more heat or a slower idle may \
             be too much."
        }
        VerdictWord::Overcharges => {
            "The voltage is too high. It damages the battery, lamps and electronics."
        }
        VerdictWord::NotCharging => {
            "The car runs on its battery alone and stops when the battery is empty."
        }
        VerdictWord::CannotTell => "This log does not show enough to decide.",
    };
    meaning.to_owned()
}

fn is_generator(diagnosis: &Diagnosis) -> bool {
    diagnosis.findings.iter().any(|finding| finding.id == "dc-generator")
}

/// What happens to the battery, and whether driving helps.
fn falls_short(diagnosis: &Diagnosis) -> String {
    // Whoever reads only this must not buy an alternator.
    if diagnosis.findings.iter().any(|f| f.id == "line-drop-high" && f.severity == Severity::Fault)
    {
        return "Voltage is lost in the cable or ground to the battery. Repair that first: a bigger \
                alternator does not help."
            .to_owned();
    }
    let verdict = &diagnosis.verdict;
    let at_idle = verdict.word == VerdictWord::FallsShortAtIdle;
    let with = if at_idle { "At idle with these loads on" } else { "With these loads on" };
    let charger = if is_generator(diagnosis) { "generator" } else { "alternator" };
    let battery = if verdict.battery_drains == Some(true) {
        "the battery discharges".to_owned()
    } else {
        format!("the {charger} is at its limit, and the battery charges little or not at all")
    };
    let driving = match verdict.more_speed {
        Some(MoreSpeed::Cures) => "Driving charges it again.",
        Some(MoreSpeed::DoesNotCure) => "Driving does not help.",
        Some(MoreSpeed::Unsure) => "Whether driving helps is not clear from this log.",
        Some(MoreSpeed::NotSeen) | None => {
            "The log does not show whether driving charges it again."
        }
    };
    format!("{with}, {battery}. {driving}")
}

/// Worst first; the verdict has ordered those of one severity.
pub fn worst_first(diagnosis: &Diagnosis) -> Vec<&Finding> {
    let mut findings: Vec<&Finding> = diagnosis.findings.iter().collect();
    findings.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
    findings
}

/// The finding that names the likeliest cause; a note names none.
pub fn leading(diagnosis: &Diagnosis) -> Option<&Finding> {
    worst_first(diagnosis).into_iter().find(|finding| finding.severity > Severity::Note)
}

/// From which engine speed the hardest set of loads holds; `written` gives the speed.
pub fn speed_claim(diagnosis: &Diagnosis, written: fn(&Estimate) -> String) -> Option<String> {
    let item = svg::worst_keep_up(diagnosis)?;
    Some(match (item.bound, &item.rpm) {
        (Bound::Within, Some(rpm)) => format!("Holds only above {}", written(rpm)),
        (Bound::BelowSeen, _) => "Holds at every speed seen".to_owned(),
        _ => "Does not hold at any speed seen".to_owned(),
    })
}

/// The largest alternator shortfall; `written` gives the amps.
pub fn shortfall_claim(diagnosis: &Diagnosis, written: fn(&Estimate) -> String) -> Option<String> {
    let short = diagnosis.operating_points.iter().filter_map(|p| p.regulation_shortfall_a.as_ref());
    let worst = short.max_by(|a, b| a.value.total_cmp(&b.value))?;
    Some(format!("Needs up to {} more to hold the setpoint", written(worst)))
}

/// How many load steps, and the one with the largest lasting drop.
pub fn steps_claim(diagnosis: &Diagnosis) -> String {
    let steps = &diagnosis.load_steps;
    let count = format::plural(steps.len(), "step", "steps");
    let drop = |step: &&LoadStep| step.answered && step.shift_v.value > 0.0;
    let largest = steps.iter().filter(drop).max_by(|a, b| {
        let volts = |step: &LoadStep| step.shift_v.value;
        volts(a).total_cmp(&volts(b))
    });
    largest.map_or(count.clone(), |step| {
        let what = plain(&svg::what(step));
        format!("{count}, largest drop {} ({what})", VOLT.with_range(&step.shift_v))
    })
}
