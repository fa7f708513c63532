//! The one picture that shows it: all logs around the same load step.

use crate::compare::Recorded;
use crate::compare::criteria::Wanted;
use crate::comparison::{After, MatchedStep, ProofPicture, ProofTrace};
use crate::diagnosis::{Diagnosis, Direction, Envelope, LoadStep};
use crate::format;

/// Shown before the step, and at most after it.
const BEFORE_S: f64 = 15.0;
const MOST_AFTER_S: f64 = 90.0;
/// Shorter than this after the step shows nothing.
const LEAST_AFTER_S: f64 = 10.0;

/// Around the step after which most is on and that all logs have; `None` where
/// there is no such step.
pub fn picture(
    before: &Diagnosis,
    afters: &[Recorded],
    judged: &[After],
    wanted: &Wanted,
) -> Option<ProofPicture> {
    let (first, rest) = judged.split_first()?;
    let in_all = |step: &&MatchedStep| rest.iter().all(|after| twin(after, step).is_some());
    let best =
        first.steps.iter().filter(|step| step.direction == Direction::On).filter(in_all).max_by(
            |a, b| {
                let size = |s: &MatchedStep| (s.loads_after.len(), s.before.sag_v.value);
                let ((na, va), (nb, vb)) = (size(a), size(b));
                na.cmp(&nb).then(va.total_cmp(&vb))
            },
        )?;
    let mut placed: Vec<(&str, &Diagnosis, &LoadStep)> = Vec::new();
    placed.push(("before", before, numbered(before, best.before.number)?));
    for (after, recorded) in judged.iter().zip(afters) {
        let twin = twin(after, best)?;
        let step = numbered(&recorded.diagnosis, twin.after.number)?;
        placed.push((&after.side.name, &recorded.diagnosis, step));
    }
    // As long as the shortest of them holds those loads and that speed.
    let shortest_s = placed.iter().map(|(_, _, step)| step.until_s - step.at_s);
    let to_s = shortest_s.fold(MOST_AFTER_S, f64::min).max(LEAST_AFTER_S);
    let after_on = format::loads(&best.loads_after);
    let all = best.loads_after == wanted.labels() && wanted.loads.len() > 1;
    let aligned_at = if all {
        format!(
            "{} comes on: now {after_on} are on, all loads that the earlier log used",
            best.load
        )
    } else {
        format!("{} comes on; loads on then: {after_on}", best.load)
    };
    let traces = placed.into_iter().map(|(name, diagnosis, step)| ProofTrace {
        name: name.to_owned(),
        file: diagnosis.source.file.clone(),
        at_s: step.at_s,
        voltage: around(&diagnosis.picture.voltage, step.at_s, -BEFORE_S, to_s),
        setpoint_v: diagnosis.setpoint_v.clone(),
        zero_current_v: diagnosis.battery.zero_current_v.clone(),
        settled_v: Some(step.settled_v.clone()),
    });
    Some(ProofPicture { aligned_at, from_s: -BEFORE_S, to_s, traces: traces.collect() })
}

/// The same switching in another later log: known by the earlier log's step.
fn twin<'a>(after: &'a After, step: &MatchedStep) -> Option<&'a MatchedStep> {
    after.steps.iter().find(|other| other.before.number == step.before.number)
}

fn numbered(diagnosis: &Diagnosis, number: usize) -> Option<&LoadStep> {
    diagnosis.load_steps.iter().find(|step| step.number == number)
}

/// The part of `envelope` from `from_s` to `to_s` around `at_s`, its times from there.
fn around(envelope: &Envelope, at_s: f64, from_s: f64, to_s: f64) -> Envelope {
    let mut part = Envelope::default();
    let buckets = envelope.time_s.iter().zip(envelope.low.iter().zip(&envelope.high));
    for (&t_s, (&low, &high)) in buckets {
        let since_s = t_s - at_s;
        if (from_s..=to_s).contains(&since_s) {
            part.time_s.push(since_s);
            part.low.push(low);
            part.high.push(high);
        }
    }
    part
}
