//! From rules to findings. The rules stand in one table; what each rule looks for stands in
//! the file of its theme.

mod battery;
mod belt;
mod charging;
mod heat;
mod logging;
mod output;
mod table;
mod wiring;

use crate::diagnosis::{Evidence, Finding, NextTest, OperatingPoint, Severity};
use crate::log::{Log, Role};
use crate::verdict::Case;
use table::{DIODE_READING, DIODE_STEP, JOINT_BY_JOINT, RULES, Rule, Steps};

pub use wiring::post_holding;

/// What a rule saw.
pub(super) struct Raised {
    pub(super) severity: Severity,
    pub(super) statement: String,
    pub(super) evidence: Vec<Evidence>,
}

/// What else could look like a finding.
enum Other {
    /// Whatever is logged.
    Always(&'static str),
    /// A channel would tell it apart. Where the log has that channel, its own
    /// rule speaks; where not, the log cannot tell, and says so.
    Without(Role, &'static str),
}

/// Findings that name a cause. Raised as a fault, it is measured, and comes before what it
/// brings about.
const CAUSES: [&str; 3] = ["line-drop-high", "ground-drop-high", "belt-slip"];

const LOST_ON_THE_WAY: &str =
    "Voltage lost in a cable or ground. The alternator's own post holds its setpoint.";
/// A low voltage that does not follow engine speed is not for want of output.
const NOT_THE_OUTPUT: &str =
    "A cable, the sensing, the logger's ground or a commanded voltage, before the alternator.";

/// Every finding that the log raises: worst first, measured causes before their effects, then
/// in the table's order.
pub fn findings(case: &Case) -> Vec<Finding> {
    let mut findings: Vec<Finding> =
        RULES.iter().filter_map(|rule| Some(rule.finding((rule.look)(case)?, case))).collect();
    let effects = [
        ("short-at-idle", charging::worst_at_idle(case)),
        ("short-at-every-speed", charging::worst_uncured(case)),
    ];
    for (id, worst) in effects {
        for effect in findings.iter_mut().filter(|f| f.id == id) {
            rule_out_alternator(effect, worst, case);
        }
    }
    let is_cause = |f: &Finding| f.severity == Severity::Fault && CAUSES.contains(&f.id.as_str());
    findings.sort_by_key(|f| (std::cmp::Reverse(f.severity), !is_cause(f)));
    findings
}

/// Where its own post holds the setpoint, or the voltage does not follow engine speed, the
/// alternator is not what to buy.
fn rule_out_alternator(effect: &mut Finding, worst: Option<&OperatingPoint>, case: &Case) {
    let Some(worst) = worst else { return };
    if post_holding(case, worst).is_some() {
        effect.cause = LOST_ON_THE_WAY.to_owned();
        effect.alternatives.clear();
        effect.set_test(JOINT_BY_JOINT.test(case));
    } else if charging::is_flat_over_speed(worst) {
        effect.cause = NOT_THE_OUTPUT.to_owned();
    }
}

impl Rule {
    fn finding(&self, seen: Raised, case: &Case) -> Finding {
        let mut finding = Finding {
            id: self.id.to_owned(),
            severity: seen.severity,
            cause: self.cause.to_owned(),
            statement: seen.statement,
            evidence: seen.evidence,
            alternatives: self.alternatives.iter().filter_map(|o| o.text(case.log)).collect(),
            next_test: String::new(),
            test: NextTest::default(),
        };
        finding.set_test(self.test.test(case));
        finding
    }
}

impl Steps {
    /// The test with its limits in volts of this system.
    fn test(&self, case: &Case) -> NextTest {
        let in_words = |text: &str| case.log.nominal().in_words(text);
        let mut steps: Vec<String> = self.steps.iter().map(|step| in_words(step)).collect();
        let mut bad_if = in_words(self.bad_if);
        if self.with_diodes && !case.has_generator() {
            steps.push(DIODE_STEP.to_owned());
            bad_if = format!("{bad_if}. {}", in_words(DIODE_READING));
        }
        NextTest { steps, bad_if }
    }
}

impl Other {
    fn text(&self, log: &Log) -> Option<String> {
        match *self {
            Other::Always(text) => Some(text.to_owned()),
            Other::Without(role, _) if log.channel(role).is_some() => None,
            Other::Without(role, text) => {
                let missing = match role {
                    Role::Voltage(tap) => format!("{} voltage", tap.word()),
                    Role::Temperature(place) => format!("{} temperature", place.word()),
                    role => role.word().replace('_', " ").replace("rpm", "speed"),
                };
                Some(format!("{text} (not checked: {missing} is not logged)"))
            }
        }
    }
}
