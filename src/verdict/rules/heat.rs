//! What heat takes away.

use crate::analysis::heat::beyond_drift;
use crate::diagnosis::{BusState, Evidence, HeatPair, OutputChange, Severity};
use crate::estimate::Estimate;
use crate::format::{RPM, duration};
use crate::log::{Place, Role, Span};
use crate::verdict::Case;
use crate::verdict::evidence::{amps, volts, with_loads};
use crate::verdict::rules::{Raised, belt, wiring};

/// A machine that is not warmer than this against early did not fade by heat.
const WARMER_C: f64 = 5.0;

/// The same loads at the same speed, late lower than setpoint and battery
/// explain, and late not held.
pub fn output_fades(case: &Case) -> Option<Raised> {
    // A joint that comes and goes, or a belt, is seen by its own rule.
    if wiring::drop_outs(case).is_some() || belt::belt_slip(case).is_some() {
        return None;
    }
    let worst = case
        .analysis
        .heat
        .iter()
        .filter(|pair| pair.output == OutputChange::Less && !pair.holds_late)
        .filter(|pair| may_be_warmer(case, pair))
        .max_by(|a, b| lost_a(a).total_cmp(&lost_a(b)))?;
    let drains = state_late(case, worst) == Some(BusState::Draining);
    let beyond = beyond_drift(worst).negated();
    let lost = worst.output_change_a.as_ref().map(Estimate::negated)?;
    let speed = worst.rpm.map_or_else(String::new, |rpm| format!(" at {}", RPM.of(rpm)));
    let warmth = match (&worst.temperature, worst.early_c.zip(worst.late_c)) {
        (Some(place), Some((early_c, late_c))) if late_c - early_c > WARMER_C => {
            format!(" while the {place} temperature goes from {early_c:.0} to {late_c:.0} °C")
        }
        _ => format!(
            " within {} of running (alternator temperature is not logged)",
            duration(worst.late.start_s - worst.early.start_s)
        ),
    };
    let soaked = if drains {
        "When warm, the system no longer holds these loads, and the battery discharges."
    } else {
        "When warm, the system no longer holds these loads."
    };
    let half =
        |span: Span, text: String| Evidence { start_s: span.start_s, end_s: span.end_s, text };
    Some(Raised {
        // Only a measured current proves output.
        severity: if drains && case.log.channel(Role::AlternatorCurrent).is_some() {
            Severity::Fault
        } else {
            Severity::Caution
        },
        statement: format!(
            "Less output when hot: {}{speed} the voltage falls by {} more than the setpoint drifts{warmth}. The alternator makes {} less. {soaked}",
            with_loads(&worst.loads),
            volts(&beyond),
            amps(&lost),
        ),
        evidence: vec![
            half(worst.early, format!("early: {}", volts(&worst.early_v))),
            half(worst.late, format!("late, same loads and speed: {}", volts(&worst.late_v))),
        ],
    })
}

/// A thermometer at the machine or in its air may say that it is not.
fn may_be_warmer(case: &Case, pair: &HeatPair) -> bool {
    let near = [Place::Alternator, Place::Intake];
    let logged = near.into_iter().find(|p| case.log.channel(Role::Temperature(*p)).is_some());
    match logged {
        Some(place) if pair.temperature.as_deref() == Some(place.word()) => pair
            .early_c
            .zip(pair.late_c)
            .is_none_or(|(early_c, late_c)| late_c - early_c > WARMER_C),
        _ => true,
    }
}

fn lost_a(pair: &HeatPair) -> f64 {
    pair.output_change_a.as_ref().map_or(0.0, |change| -change.value)
}

fn state_late(case: &Case, pair: &HeatPair) -> Option<BusState> {
    let inside = |span: &Span| span.start_s <= pair.late.start_s && pair.late.end_s <= span.end_s;
    let mut there = case.points().filter(|p| p.loads == pair.loads);
    there.find(|p| p.spans.iter().any(inside)).map(|p| p.state)
}
