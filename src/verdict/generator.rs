//! A DC generator in place of the alternator: what is said of one and not of the other.

use super::{Case, Judgement};
use crate::diagnosis::{Evidence, Severity};
use crate::verdict::rules::Raised;

/// What stands for causes that only an alternator has.
const OWN_CAUSE: &str = "worn brushes, dirty commutator or weak field of the generator";

/// Says that the log was judged as that of a DC generator, and why.
pub fn dc_generator(case: &Case) -> Option<Raised> {
    let stated = case.car.alternator.kind.is_some();
    let why = if stated {
        "car.toml says so".to_owned()
    } else {
        format!("a {} system mostly has one", case.log.nominal())
    };
    let cut_off = case.analysis.operating_points.iter().filter(|p| case.is_cut_off(p));
    let seconds: f64 = cut_off.map(|p| p.seconds).sum();
    let idle = if seconds > 0.0 {
        format!(
            " For {seconds:.0} s the battery discharges: at idle that is not a fault, at speed it is."
        )
    } else {
        String::new()
    };
    case.has_generator().then(|| Raised {
        severity: Severity::Note,
        statement: format!(
            "Judged as a DC generator with a cut-out relay: {why}. Below its cut-in speed it does not charge.{idle}"
        ),
        evidence: vec![Evidence {
            start_s: 0.0,
            end_s: case.log.source.duration_s,
            text: "the whole log".to_owned(),
        }],
    })
}

/// The same judgement in the words of a generator.
pub fn reworded(mut judgement: Judgement) -> Judgement {
    let own = |text: &mut String| *text = of_generator(text);
    let verdict = &mut judgement.verdict;
    own(&mut verdict.headline);
    verdict.danger.iter_mut().for_each(own);
    verdict.cannot_tell.retain(|text| !is_of_alternators(text));
    verdict.cannot_tell.iter_mut().for_each(own);
    for finding in judgement.findings.iter_mut().filter(|f| f.id != "dc-generator") {
        own(&mut finding.statement);
        own(&mut finding.cause);
        let mut test = std::mem::take(&mut finding.test);
        test.steps.iter_mut().for_each(own);
        own(&mut test.bad_if);
        finding.set_test(test);
        let mut causes: Vec<String> = Vec::new();
        for cause in &finding.alternatives {
            let cause = match is_of_alternators(cause) {
                true => OWN_CAUSE.to_owned(),
                false => of_generator(cause),
            };
            if !causes.contains(&cause) {
                causes.push(cause);
            }
        }
        finding.alternatives = causes;
    }
    judgement.cautions.iter_mut().for_each(own);
    judgement
}

/// A generator has a commutator where an alternator has diodes.
fn is_of_alternators(text: &str) -> bool {
    ["diode", "AC volts", "slip ring"].iter().any(|word| text.contains(word))
}

fn of_generator(text: &str) -> String {
    let text = text.replace("an alternator", "a generator").replace("An alternator", "A generator");
    text.replace("alternator", "generator").replace("Alternator", "Generator")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_alternator_becomes_a_generator() {
        assert_eq!(
            of_generator("hold an alternator, Alternator post"),
            "hold a generator, Generator post"
        );
    }
}
