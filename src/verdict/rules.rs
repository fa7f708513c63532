//! The rules, in one table: what raises a finding, what else could look like
//! it, and the test that tells them apart. What each rule looks for stands in
//! the file of its theme. Limits are common practice, no source, unless a line
//! says otherwise.

mod battery;
mod belt;
mod charging;
mod heat;
mod logging;
mod output;
mod wiring;

use crate::diagnosis::{Evidence, Finding, Severity};
use crate::log::{Log, Place, Role, Tap};
use crate::verdict::{Case, generator};

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

use Other::{Always, Without};

/// Tells losses in cable and ground from a machine that makes too little.
const POST: Role = Role::Voltage(Tap::Alternator);

struct Rule {
    id: &'static str,
    look: fn(&Case) -> Option<Raised>,
    alternatives: &'static [Other],
    /// The meter, where it goes, at what load, and the reading that decides.
    next_test: &'static str,
}

const RULES: &[Rule] = &[
    Rule {
        id: "setpoint-high",
        look: charging::setpoint_high,
        alternatives: &[
            Always("regulator fault"),
            Always("its sense lead reads low (corroded sense connection or ground)"),
            Always("a logger that reads high"),
        ],
        next_test: "Voltmeter straight on the battery posts at 1500 to 2000 rpm, everything off, warm: over 15.0 V condemns the regulator or its sensing; then the same from alternator case to battery negative: over 0.1 V is ground.",
    },
    Rule {
        id: "not-charging",
        look: charging::not_charging,
        alternatives: &[
            Without(Role::AlternatorRpm, "belt off or slipping freely"),
            Always("field or warning-lamp circuit open"),
            Without(POST, "charging cable or its fusible link open"),
            Always("alternator dead"),
        ],
        next_test: "Engine idling, voltmeter from alternator output post to its case: battery voltage there means it makes nothing (check belt, then field supply); well over 14 V there with a low battery means the cable or link is open.",
    },
    Rule {
        id: "short-at-idle",
        look: charging::short_at_idle,
        alternatives: &[
            Always("alternator too small for these loads at this speed"),
            Always("pulley ratio too low for idle"),
            Without(Role::AlternatorRpm, "belt slipping under load"),
            Without(POST, "volts lost in a cable or ground"),
            Always("weak alternator (diode, brushes)"),
        ],
        next_test: "Same loads on, clamp meter round the alternator output cable, hold idle and then 1500 rpm: output at its sheet value for that speed means capacity or pulley; well under it means a weak alternator or a slipping belt.",
    },
    Rule {
        id: "short-at-every-speed",
        look: charging::short_at_every_speed,
        alternatives: &[
            Always("weak alternator or field"),
            Without(POST, "thin or bad charging cable or ground"),
            Without(Role::AlternatorRpm, "belt slip"),
            Always("loads larger than the alternator's rating"),
        ],
        next_test: "At 2000 rpm with the loads on, voltmeter from alternator output post to battery positive (over 0.5 V: cable) and from alternator case to battery negative (over 0.2 V: ground); both small: clamp meter on the output against the alternator's sheet.",
    },
    Rule {
        id: "battery-draining",
        look: charging::battery_draining,
        alternatives: &[
            Without(
                Role::BatteryCurrent,
                "the bus voltage is read behind a bad connection, and the battery itself is not draining",
            ),
            Always("more loads on than the car is driven with"),
        ],
        next_test: "Clamp meter on the battery cable with the same loads at the same speed: current out of the battery confirms it and replaces the estimate.",
    },
    Rule {
        id: "line-drop-high",
        look: wiring::line_drop_high,
        alternatives: &[
            Always("thin cable"),
            Always("corroded or loose joint"),
            Without(Role::GroundDrop, "bad ground strap"),
            Always("the two channels are calibrated apart"),
        ],
        next_test: JOINT_BY_JOINT,
    },
    Rule {
        id: "ground-drop-high",
        look: wiring::ground_drop_high,
        alternatives: &[
            Always("corroded, loose or missing ground strap"),
            Always("paint or rust between alternator, bracket and block"),
            Always("thin ground cable"),
            Always("the ground channel does not read 0 with nothing flowing"),
        ],
        next_test: "Loads on at 1500 rpm, voltmeter from alternator case to battery negative, then along the way: case to block, block to strap, strap to battery post; the joint or strap that holds most is the culprit. A jumper cable from case to battery negative must take the drop away; over 0.2 V in all is bad.",
    },
    Rule {
        id: "module-wiring",
        look: wiring::module_wiring,
        alternatives: &[
            Always("corroded plug, relay or fuse holder in the module's feed"),
            Always("bad module ground"),
            Always("the two channels are calibrated apart"),
        ],
        next_test: "Engine idling, everything on, voltmeter from battery positive to the module's supply pin and then from its ground pin to battery negative: over 0.3 V is in that side; go along it joint by joint. The alternator needs no work for this.",
    },
    Rule {
        id: "belt-slip",
        look: belt::belt_slip,
        alternatives: &[
            Always("loose or glazed belt"),
            Always("weak tensioner"),
            Always("worn pulley or a freewheel in it that slips"),
            Always("an alternator that is hard to turn"),
        ],
        next_test: "Engine off: press the belt midway, look for glaze. Then strobe or optical tachometer on both pulleys at 1500 rpm, everything off and everything on: speeds whose ratio falls by more than 3 % under load are slip; with a new belt at its tension the ratio must stay.",
    },
    Rule {
        id: "dips-on-acceleration",
        look: belt::dips_on_acceleration,
        alternatives: &[
            Without(Role::AlternatorRpm, "belt slipping: tensioner weak or pulley glazed"),
            Always("field dropping out"),
            Always("a load that switches on with engine speed"),
        ],
        next_test: "Mark belt and pulley with chalk or use a strobe; blip the throttle with the loads on: squeal, or the mark walking, is slip. Check tension cold and hot. No slip: voltmeter on the field terminal through a blip, it must not fall.",
    },
    Rule {
        id: "output-below-sheet",
        look: output::output_below_sheet,
        alternatives: &[
            Always("open or shorted diode, worn brushes, weak field"),
            Without(
                Role::AlternatorRpm,
                "belt slip: the alternator turns slower than engine speed and pulley ratio say",
            ),
            Without(
                POST,
                "volts lost in a cable or ground: the regulator senses its own post and reduces the output",
            ),
            Without(
                Role::Temperature(Place::Alternator),
                "an alternator hotter than allowed for here",
            ),
            Always("the sheet of another alternator, or a sheet at another voltage or heat"),
            Always("a current clamp that reads low, or that does not hold the whole output cable"),
        ],
        next_test: "Loads on at 2000 engine rpm, a second clamp meter, zeroed, round the alternator output cable, optical tachometer on its pulley, voltmeter from its post to its case: amps still under 85 % of the sheet at that speed with under 14 V at the post condemn the machine; then AC volts at its post: over 0.5 V is a diode, little AC is brushes or field.",
    },
    Rule {
        id: "weak-output",
        look: charging::weak_output,
        alternatives: &[
            Always("open or shorted diode, worn brushes, weak field"),
            Without(POST, "thin or bad charging cable or ground"),
            Without(Role::AlternatorRpm, "belt slip that does not show as dips"),
            Without(Role::AlternatorCurrent, "loads larger than the alternator's rating"),
        ],
        next_test: "Clamp meter round the alternator output cable at 2000 engine rpm, all loads on: under 85 % of its sheet at that alternator speed is a weak alternator. Then AC volts at its post at the same load: over 0.5 V is a diode; little AC: brushes and field.",
    },
    Rule {
        id: "drop-outs",
        look: wiring::drop_outs,
        alternatives: &[
            Always("loose battery terminal or alternator plug"),
            Always("regulator brush bouncing"),
            Always("loose logger wiring"),
        ],
        next_test: "Engine idling, lamps on, wiggle each charging connection in turn while watching the voltage; then voltmeter across each suspect joint set to record its peak: over 0.2 V is the joint.",
    },
    Rule {
        id: "setpoint-low",
        look: charging::setpoint_low,
        alternatives: &[
            Always("an engine computer that commands less"),
            Always("regulator set low or very hot"),
            Always("sense lead reads high"),
            Always("never reached its setpoint: short of output"),
            Without(POST, "volts lost between its post and this tap"),
            Always("logger reads low"),
        ],
        next_test: "Voltmeter on the battery posts at 2000 rpm, everything off, after ten minutes: under 13.8 V is the regulator; if it reads more than the log, the logger or its ground is off.",
    },
    Rule {
        id: "setpoint-not-drifting",
        look: charging::setpoint_not_drifting,
        alternatives: &[
            Always("a regulator that the engine controller commands"),
            Always("a regulator that sits away from the heat"),
            Always("its temperature sensor is open"),
        ],
        next_test: "Voltmeter on the battery posts at 2000 rpm, everything off, right after a cold start and again heat-soaked: 0.3 V less when hot is usual; no change, on a regulator that should, is its sensor.",
    },
    Rule {
        id: "output-fades-with-heat",
        look: heat::output_fades,
        alternatives: &[
            Without(
                Role::AlternatorCurrent,
                "a battery that discharged early and stands lower late than its model allows for",
            ),
            Always("a setpoint that drifts further than the line drawn through it"),
            Without(Role::AlternatorRpm, "belt warming and slipping"),
            Without(Role::AlternatorCurrent, "more load that is not logged"),
        ],
        next_test: "Clamp meter round the alternator output cable, the same loads on at the same idle speed, cold and again heat-soaked after 20 minutes with the hood shut: 10 to 25 % less when hot is usual (common practice); over 30 % less is the machine or its cooling. Strobe on its pulley both times: a lower speed hot is the belt.",
    },
    Rule {
        id: "tired-battery",
        look: battery::tired_battery,
        alternatives: &[
            Always("a sound battery that is not charged"),
            Always("a starter or its cable that takes too much"),
            Always("a battery too small for this engine"),
        ],
        next_test: "Charge the battery fully, let it stand some hours, voltmeter on its posts: under 12.4 V condemns it; else load it at half its CCA for 15 s: under 9.6 V at 21 °C condemns it, over it clears it.",
    },
    Rule {
        id: "deep-cranking-dip",
        look: battery::deep_cranking_dip,
        alternatives: &[
            Always("battery tired or cold"),
            Always("battery not charged"),
            Always("starter drawing too much"),
            Always("thin or bad starter cable"),
        ],
        next_test: "Charge the battery fully, let it stand, load-test it at half its CCA for 15 s: under 9.6 V at 21 °C condemns it; if it passes, measure starter current and cable drop.",
    },
    Rule {
        id: "low-rest-voltage",
        look: battery::low_rest_voltage,
        alternatives: &[
            Always("battery not charged"),
            Always("battery tired"),
            Always("something was on with the engine stopped"),
        ],
        next_test: "Charge fully, let stand some hours with the negative off, measure: 12.65 V is full, under 12.4 V after a full charge condemns it.",
    },
    Rule {
        id: "battery-kind-unsure",
        look: battery::kind_unsure,
        alternatives: &[
            Always("charged within the last hours"),
            Always("a lithium battery (LiFePO4)"),
            Always("a logger that reads high"),
        ],
        next_test: "Read the battery's label and state its kind: --battery lifepo4, agm, gel, efb or flooded. Of lead and acid, measure again after some hours at rest.",
    },
    Rule {
        id: "slow-return-after-start",
        look: battery::slow_return,
        alternatives: &[
            Always("battery low or tired and taking a long charge"),
            Without(Role::AlternatorCurrent, "alternator weak at idle"),
        ],
        next_test: "Repeat with a fully charged battery, everything off, voltmeter on its posts: back at the setpoint within 10 s clears the alternator.",
    },
    Rule {
        id: "amps-disagree",
        look: battery::amps_disagree,
        alternatives: &[
            Always("a clamp the wrong way round, not zeroed, or on one cable of two"),
            Always("amps stated of a load that draws others"),
            Always("a battery unlike any sound one"),
        ],
        next_test: "Clamp meter zeroed next to the battery cable, then round all cables of its negative post with the engine off and one lamp on: it must read the lamp's amps out of the battery; then repeat the log.",
    },
    Rule {
        id: "undeclared-steps",
        look: logging::undeclared_steps,
        alternatives: &[
            Always("a load without a channel"),
            Always("a thermostat switching on its own"),
            Always("a connection that changes"),
        ],
        next_test: "Find out what switches at those times and log or mark it (--mark TIME=LOAD:on).",
    },
    Rule {
        id: "dc-generator",
        look: generator::dc_generator,
        alternatives: &[Always("an alternator, which charges at idle too")],
        next_test: "Look for a cut-out relay. If it is an alternator, state that in car.toml ([alternator] kind = \"alternator\") and read the log again.",
    },
    Rule {
        id: "coarse-voltage",
        look: logging::coarse_voltage,
        alternatives: &[],
        next_test: "Log the voltage with a finer resolution: 0.02 V or better shows small sags.",
    },
];

const JOINT_BY_JOINT: &str = "Loads on at 1500 rpm, voltmeter along the path joint by joint, positive side and ground side apart: the joint or cable that holds most of the drop is the culprit; with the engine stopped both channels must read alike within their accuracy.";
const LOST_ON_THE_WAY: &str =
    "volts lost in a cable or ground: the alternator's own post holds its setpoint";

/// Findings that name a cause. Raised as a fault, it is measured, and comes before what it
/// brings about.
const CAUSES: [&str; 3] = ["line-drop-high", "ground-drop-high", "belt-slip"];
/// Every finding that the log raises: worst first, measured causes before their effects, then
/// in the table's order.
pub fn findings(case: &Case) -> Vec<Finding> {
    let mut findings: Vec<Finding> = RULES
        .iter()
        .filter_map(|rule| {
            let seen = (rule.look)(case)?;
            Some(Finding {
                id: rule.id.to_owned(),
                severity: seen.severity,
                statement: seen.statement,
                evidence: seen.evidence,
                alternatives: rule.alternatives.iter().filter_map(|o| o.told(case.log)).collect(),
                next_test: case.log.nominal().in_words(rule.next_test),
            })
        })
        .collect();
    // Where the alternator's own post holds the setpoint, the alternator is ruled out.
    let effects = [
        ("short-at-idle", charging::worst_at_idle(case)),
        ("short-at-every-speed", charging::worst_uncured(case)),
    ];
    for (id, worst) in effects {
        if worst.is_some_and(|point| post_holding(case, point).is_some()) {
            for effect in findings.iter_mut().filter(|f| f.id == id) {
                effect.alternatives = vec![LOST_ON_THE_WAY.to_owned()];
                effect.next_test = case.log.nominal().in_words(JOINT_BY_JOINT);
            }
        }
    }
    let is_cause = |f: &Finding| f.severity == Severity::Fault && CAUSES.contains(&f.id.as_str());
    findings.sort_by_key(|f| (std::cmp::Reverse(f.severity), !is_cause(f)));
    findings
}

impl Other {
    fn told(&self, log: &Log) -> Option<String> {
        match *self {
            Always(text) => Some(text.to_owned()),
            Without(role, _) if log.channel(role).is_some() => None,
            Without(role, text) => {
                let lacks = match role {
                    Role::Voltage(tap) => format!("{} voltage", tap.word()),
                    Role::Temperature(place) => format!("{} temperature", place.word()),
                    role => role.word().replace('_', " ").replace("rpm", "speed"),
                };
                Some(format!("{text} (this log cannot tell it apart: no {lacks} is logged)"))
            }
        }
    }
}
