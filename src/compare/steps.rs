//! The same switching, keep-up speed and noise in both logs.

use crate::compare::load_matching::{Pairing, load_names};
use crate::compare::matching::parsed;
use crate::comparison::{MatchedKeepUp, MatchedStep, NoiseChange, StepSide};
use crate::diagnosis::{Diagnosis, LoadStep, Origin};
use crate::format::MILLIVOLT;
use crate::segment::points::band;

/// Duties this far apart are the same switching.
const DUTY_POINTS: f64 = 10.0;
/// Noise that differs by less than this factor is the same: other loads run, the
/// probe sits elsewhere (common practice, no source).
const ANOTHER_NOISE: f64 = 1.3;

/// The first of each switching that both logs have: the same load, the same way,
/// the same loads on after it, in the same speed band.
pub fn matched_steps(before: &Diagnosis, after: &Diagnosis, pairing: &Pairing) -> Vec<MatchedStep> {
    let (old_names, new_names) = (load_names(before), load_names(after));
    let mut used = vec![false; after.load_steps.len()];
    let mut matched: Vec<MatchedStep> = Vec::new();
    for old in before.load_steps.iter().filter(|s| s.origin == Origin::Declared && s.answered) {
        let Some(load) = &old.load else { continue };
        let twin = after.load_steps.iter().enumerate().find(|(j, new)| {
            !used.get(*j).copied().unwrap_or(true)
                && new.answered
                && new.direction == old.direction
                && new.load.as_deref() == pairing.after(load)
                && new.rpm_before.map(band) == old.rpm_before.map(band)
                && same_set(old, new, &old_names, &new_names, pairing)
        });
        let Some((j, new)) = twin else { continue };
        if let Some(slot) = used.get_mut(j) {
            *slot = true;
        }
        matched.push(MatchedStep {
            load: load.clone(),
            direction: old.direction,
            loads_after: old.loads_after.clone(),
            before: side(old),
            after: side(new),
            sag_change_v: new.sag_v.less(&old.sag_v, "sag after less sag before"),
            shift_change_v: new.shift_v.less(&old.shift_v, "shift after less shift before"),
        });
    }
    matched
}

fn same_set(
    old: &LoadStep,
    new: &LoadStep,
    old_names: &[String],
    new_names: &[String],
    pairing: &Pairing,
) -> bool {
    let sets = (parsed(&old.loads_after, old_names), parsed(&new.loads_after, new_names));
    let (Some(olds), Some(news)) = sets else { return false };
    if olds.strays || news.strays {
        return false;
    }
    let (olds, news) = (olds.loads, news.loads);
    let partner = |(name, duty): &(String, f64)| {
        news.iter().any(|(new, after)| {
            pairing.after(name) == Some(new) && (after - duty).abs() <= DUTY_POINTS
        })
    };
    olds.len() == news.len() && olds.iter().all(partner)
}

fn side(step: &LoadStep) -> StepSide {
    StepSide {
        number: step.number,
        at_s: step.at_s,
        sag_v: step.sag_v.clone(),
        shift_v: step.shift_v.clone(),
        recovery_s: step.recovery.clone(),
        rpm: step.rpm_after.or(step.rpm_before),
    }
}

/// Keep-up speed of every set of loads that both logs have it for.
pub fn matched_keep_up(
    before: &Diagnosis,
    after: &Diagnosis,
    pairing: &Pairing,
) -> Vec<MatchedKeepUp> {
    let (old_names, new_names) = (load_names(before), load_names(after));
    let renamed = |loads: &[String]| -> Option<Vec<(String, f64)>> {
        let set = parsed(loads, &old_names).filter(|set| !set.strays)?;
        set.loads
            .into_iter()
            .map(|(name, duty)| Some((pairing.after(&name)?.to_owned(), duty)))
            .collect()
    };
    let sorted = |mut set: Vec<(String, f64)>| {
        set.sort_by(|a, b| a.0.cmp(&b.0));
        set
    };
    before
        .keep_up
        .iter()
        .filter_map(|old| {
            let wanted = sorted(renamed(&old.loads)?);
            let new = after.keep_up.iter().find(|new| {
                let set = parsed(&new.loads, &new_names).filter(|set| !set.strays);
                set.map(|set| sorted(set.loads)) == Some(wanted.clone())
            })?;
            Some(MatchedKeepUp {
                loads: old.loads.clone(),
                before: old.clone(),
                after: new.clone(),
            })
        })
        .collect()
}

/// Two loggers that sample and round alike show whether the bus got noisier.
pub fn noise_change(before: &Diagnosis, after: &Diagnosis) -> NoiseChange {
    let cannot = |why: &str| NoiseChange {
        change_v: None,
        told: format!("The logs cannot show whether ripple or noise changed: {why}."),
    };
    let (old, new) = (&before.source, &after.source);
    let ratio = new.sample_interval_s / old.sample_interval_s;
    if !(0.8..=1.25).contains(&ratio) {
        return cannot("they sample at different rates");
    }
    let step = |v: Option<f64>| v.unwrap_or(0.0);
    if (step(old.resolution_v) - step(new.resolution_v)).abs() > 1e-3 {
        return cannot("they read the voltage to different steps");
    }
    let (Some(was), Some(is)) = (&before.noise.sigma, &after.noise.sigma) else {
        return cannot("one of them has too little steady operation");
    };
    let change = is.less(was, "noise after less noise before");
    let words = format!("{} before, {} after", MILLIVOLT.with_range(was), MILLIVOLT.with_range(is));
    let told = if is.low > was.high * ANOTHER_NOISE {
        format!(
            "The voltage is noisier than before: {words}. Possible causes: a diode, a loose ground, the logger's own wiring. Look at the ripple with a scope."
        )
    } else if is.high * ANOTHER_NOISE < was.low {
        format!("The voltage is quieter than before: {words}.")
    } else {
        format!("Noise is about the same: {words}.")
    };
    NoiseChange { change_v: Some(change), told }
}
