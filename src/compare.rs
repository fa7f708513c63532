//! Did the repair work? Logs of one car from before and after, compared at the same
//! loads, speed and heat.
//!
//! Only operating points that both logs contain count, each with whether its conditions
//! were easier or harder in the later log: an improvement under easier conditions proves
//! nothing. The criteria are set beforehand. Pure: logs in, one [`Comparison`] out.

mod change;
mod criteria;
pub mod differences;
mod hold_duration;
mod load_matching;
mod matching;
mod outcome;
mod picture;
mod prediction_check;
mod regulator;
mod seal;
mod steps;

#[cfg(test)]
mod fixtures;
#[cfg(test)]
mod tests;

use crate::car::{Acceptance, Job};
use crate::comparison::{After, Comparison, FindingSeen, Outcome, SCHEMA, Settings, Side};
use crate::diagnosis::Diagnosis;
use crate::units::Units;
use crate::verdict::cautions;

pub use change::change;
pub use load_matching::{SameError, SamePair};
pub use prediction_check::{ChosenPlan, PlanMismatch};
pub use seal::{is_sealed, of as hash_of, seal};

/// One log as it goes into a comparison.
#[derive(Debug, Clone)]
pub struct Recorded {
    pub diagnosis: Diagnosis,
    pub settings: Settings,
}

/// What was agreed before the comparison.
#[derive(Debug, Clone, Default)]
pub struct Agreed {
    pub acceptance: Acceptance,
    /// Loads of the earlier log and what the later ones call them.
    pub same: Vec<SamePair>,
    pub job: Job,
    /// The plan that the repair followed.
    pub plan: Option<ChosenPlan>,
    /// Units of the page.
    pub units: Units,
}

/// Compares each of `afters` with `before`, and all of them together with the criteria.
pub fn compare(
    before: &Recorded,
    afters: &[Recorded],
    agreed: &Agreed,
) -> Result<Comparison, SameError> {
    let nominal = before.diagnosis.source.nominal_v;
    if let Some(other) = afters.iter().find(|a| a.diagnosis.source.nominal_v != nominal) {
        return Err(SameError::OtherSystem {
            before: nominal,
            file: other.diagnosis.source.file.clone(),
            after: other.diagnosis.source.nominal_v,
        });
    }
    let pairings = load_matching::pairings(before, afters, &agreed.same)?;
    let wanted = criteria::wanted_loads(&before.diagnosis, &agreed.acceptance)?;
    let several = afters.len() > 1;
    let judged: Vec<After> = afters
        .iter()
        .zip(pairings)
        .enumerate()
        .map(|(k, (recorded, pairing))| {
            let name = if several { format!("after {}", k + 1) } else { "after".to_owned() };
            after(before, recorded, pairing, &wanted, &agreed.acceptance, name)
        })
        .collect();
    let whole = outcome::together(&judged);
    let picture = picture::picture(&before.diagnosis, afters, &judged, &wanted);
    let mut comparison = Comparison {
        schema: SCHEMA.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        seal_sha256: String::new(),
        outcome: whole.outcome,
        headline: whole.headline,
        missing: whole.missing,
        criteria: outcome::merged(&judged),
        before: side(before, "before".to_owned()),
        prediction: agreed.plan.as_ref().and_then(|given| prediction_check::check(given, &judged)),
        afters: judged,
        picture,
        acceptance: agreed.acceptance.clone(),
        same: agreed.same.clone(),
        job: agreed.job.clone(),
        cautions: cautions::usual(),
        units: agreed.units,
    };
    comparison.seal_sha256 = seal(&comparison);
    Ok(comparison)
}

fn after(
    before: &Recorded,
    recorded: &Recorded,
    pairing: load_matching::Pairing,
    wanted: &criteria::Wanted,
    acceptance: &Acceptance,
    name: String,
) -> After {
    let (old, new) = (&before.diagnosis, &recorded.diagnosis);
    let matched = matching::matched(old, new, &pairing);
    let points = change::matched_points(&matched.pairs, |point| wanted.is(point));
    let (criteria, held_s) = criteria::criteria(old, new, &pairing, wanted, acceptance);
    let (gained_a, lost_a) =
        (change::pooled_gain(&matched.pairs), change::pooled_loss(&matched.pairs));
    let seen = outcome::LaterLog {
        regulator: regulator::regulator(old, new, &matched.pairs, acceptance),
        matched: &matched,
        points: &points,
        gained_a: gained_a.as_ref(),
        lost_a: lost_a.as_ref(),
        criteria: &criteria,
        held_s,
        wanted,
        nominal: old.source.nominal_v,
    };
    let call = outcome::of_one(&seen);
    let gain_a = match call.outcome {
        Outcome::Worse => lost_a.or(gained_a),
        _ => gained_a.or(lost_a),
    };
    After {
        side: side(recorded, name),
        outcome: call.outcome,
        headline: call.headline,
        missing: call.missing,
        criteria,
        on_trust: pairing.on_trust(),
        steps: steps::matched_steps(old, new, &pairing),
        keep_up: steps::matched_keep_up(old, new, &pairing),
        noise: steps::noise_change(old, new),
        same_loads: pairing.same_loads(),
        points,
        unmatched: matched.unmatched,
        gain_a,
    }
}

fn side(recorded: &Recorded, name: String) -> Side {
    let diagnosis = &recorded.diagnosis;
    let findings = diagnosis.findings.iter().map(|finding| FindingSeen {
        id: finding.id.clone(),
        severity: finding.severity,
        statement: finding.statement.clone(),
    });
    Side {
        name,
        source: diagnosis.source.clone(),
        settings: recorded.settings.clone(),
        settings_sha256: seal::of(&recorded.settings),
        verdict: diagnosis.verdict.clone(),
        findings: findings.collect(),
        setpoint_v: diagnosis.setpoint_v.clone(),
        rest_voltage_v: diagnosis.rest_voltage_v.clone(),
        noise_v: diagnosis.noise.sigma.clone(),
    }
}
