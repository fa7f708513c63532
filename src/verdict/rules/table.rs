//! The table of rules: what raises a finding, its likeliest cause, what else could look
//! like it, and the test that tells them apart. Limits are common practice, no source,
//! unless a line says otherwise.

use super::Other::{self, Always, Without};
use super::{Raised, battery, belt, charging, heat, logging, output, wiring};
use crate::log::{Place, Role, Tap};
use crate::verdict::{Case, generator};

/// Separates losses in cable and ground from an alternator that makes too little.
const POST: Role = Role::Voltage(Tap::Alternator);

pub(super) struct Rule {
    pub(super) id: &'static str,
    /// Returns what the log shows, or `None` where the rule does not apply.
    pub(super) look: fn(&Case) -> Option<Raised>,
    /// The likeliest cause, in one sentence for someone who reads nothing else.
    pub(super) cause: &'static str,
    pub(super) alternatives: &'static [Other],
    pub(super) test: Steps,
}

/// A test in the workshop: meter, place and load of each step; then the reading that decides.
pub(super) struct Steps {
    pub(super) steps: &'static [&'static str],
    /// Follows "Bad if".
    pub(super) bad_if: &'static str,
    /// Whether the diodes are tested too. A DC generator has none.
    pub(super) with_diodes: bool,
}

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "setpoint-high",
        look: charging::setpoint_high,
        cause: "The regulator or its voltage sensing is faulty.",
        alternatives: &[
            Always("regulator fault"),
            Always("its sense lead reads low (corroded sense connection or ground)"),
            Always("a logger that reads high"),
        ],
        test: Steps {
            steps: &[
                "Engine warm, 1500 to 2000 rpm, everything off: voltmeter on the battery posts.",
                "Then voltmeter from the alternator case to battery negative.",
            ],
            bad_if: "the battery reads over 15.0 V (regulator or sensing), or the second reading is over 0.1 V (ground)",
            with_diodes: false,
        },
    },
    Rule {
        id: "not-charging",
        look: charging::not_charging,
        cause: "The alternator makes no current, or none of it reaches the battery.",
        alternatives: &[
            Without(Role::AlternatorRpm, "belt off or slipping freely"),
            Always("field or warning-lamp circuit open"),
            Without(POST, "charging cable or its fusible link open"),
            Always("alternator dead"),
        ],
        test: Steps {
            steps: &[
                "Engine off, key out: check that the belt is on and tight.",
                "Engine idling: voltmeter from the alternator output post to its case.",
            ],
            bad_if: "it reads battery voltage (no output: belt, then field circuit), or well over 14 V while the battery stays low (cable or fusible link open)",
            with_diodes: false,
        },
    },
    Rule {
        id: "short-at-idle",
        look: charging::short_at_idle,
        cause: "The alternator makes too little at idle for these loads.",
        alternatives: &[
            Always("alternator too small for these loads at this speed"),
            Always("pulley ratio too low for idle"),
            Without(Role::AlternatorRpm, "belt slipping under load"),
            Without(POST, "volts lost in a cable or ground"),
            Always("weak alternator (diode, brushes)"),
        ],
        test: Steps {
            steps: &[
                "Same loads on, idle: clamp meter around the alternator output cable.",
                "Repeat at 1500 rpm.",
            ],
            bad_if: "the output is well under its data sheet at either speed (weak alternator or slipping belt). At the sheet's value the alternator is too small, or its pulley too large",
            with_diodes: false,
        },
    },
    Rule {
        id: "short-at-every-speed",
        look: charging::short_at_every_speed,
        cause: "The alternator is weak or too small, or the voltage is lost in cable or ground.",
        alternatives: &[
            Always("weak alternator or field"),
            Without(POST, "thin or bad charging cable or ground"),
            Without(Role::AlternatorRpm, "belt slip"),
            Always("loads larger than the alternator's rating"),
        ],
        test: Steps {
            steps: &[
                "Same loads on, 2000 rpm: voltmeter from the alternator output post to battery positive.",
                "Then from the alternator case to battery negative.",
                "If both are small: clamp meter around the alternator output cable.",
            ],
            bad_if: "the first reading is over 0.5 V (cable), the second over 0.2 V (ground), or the output is under 85 % of its data sheet (alternator)",
            with_diodes: false,
        },
    },
    Rule {
        id: "battery-draining",
        look: charging::battery_draining,
        cause: "The battery supplies what the alternator does not.",
        alternatives: &[
            Without(
                Role::BatteryCurrent,
                "the bus voltage is read behind a bad connection, and the battery itself is not draining",
            ),
            Always("more loads on than the car is driven with"),
        ],
        test: Steps {
            steps: &["Same loads, same engine speed: clamp meter on the battery cable."],
            bad_if: "current flows out of the battery. That reading replaces the estimate",
            with_diodes: false,
        },
    },
    Rule {
        id: "line-drop-high",
        look: wiring::line_drop_high,
        cause: "A thin, corroded or loose charging cable, joint or ground.",
        alternatives: &[
            Always("thin cable"),
            Always("corroded or loose joint"),
            Without(Role::GroundDrop, "bad ground strap"),
            Always("the two channels are calibrated apart"),
        ],
        test: JOINT_BY_JOINT,
    },
    Rule {
        id: "ground-drop-high",
        look: wiring::ground_drop_high,
        cause: "A bad ground between alternator and battery.",
        alternatives: &[
            Always("corroded, loose or missing ground strap"),
            Always("paint or rust between alternator, bracket and block"),
            Always("thin ground cable"),
            Always("the ground channel does not read 0 with nothing flowing"),
        ],
        test: Steps {
            steps: &[
                "Loads on, 1500 rpm: voltmeter from the alternator case to battery negative.",
                "Then case to block, block to strap, strap to battery post.",
                "Bridge case and battery negative with a jumper cable: the reading must fall to almost nothing.",
            ],
            bad_if: "the first reading is over 0.2 V. The joint or strap with most of it is the fault",
            with_diodes: false,
        },
    },
    Rule {
        id: "module-wiring",
        look: wiring::module_wiring,
        cause: "A bad supply or ground connection of the module, not the charging system.",
        alternatives: &[
            Always("corroded plug, relay or fuse holder in the module's feed"),
            Always("bad module ground"),
            Always("the two channels are calibrated apart"),
        ],
        test: Steps {
            steps: &[
                "Engine idling, everything on: voltmeter from battery positive to the module's supply pin.",
                "Then from its ground pin to battery negative.",
            ],
            bad_if: "either reading is over 0.3 V. Follow that side joint by joint",
            with_diodes: false,
        },
    },
    Rule {
        id: "belt-slip",
        look: belt::belt_slip,
        cause: "The belt slips.",
        alternatives: &[
            Always("loose or glazed belt"),
            Always("weak tensioner"),
            Always("worn pulley or a freewheel in it that slips"),
            Always("an alternator that is hard to turn"),
        ],
        test: Steps {
            steps: &[
                "Engine off, key out: press the belt at midspan and look for glaze.",
                "1500 rpm, everything off, then everything on: strobe or optical tachometer on both pulleys.",
            ],
            bad_if: "the speed ratio falls by more than 3 % under load",
            with_diodes: false,
        },
    },
    Rule {
        id: "dips-on-acceleration",
        look: belt::dips_on_acceleration,
        cause: "The belt slips, or the field drops out, when the engine accelerates.",
        alternatives: &[
            Without(Role::AlternatorRpm, "belt slipping: tensioner weak or pulley glazed"),
            Always("field dropping out"),
            Always("a load that switches on with engine speed"),
        ],
        test: Steps {
            steps: &[
                "Engine off, key out: mark belt and pulley with chalk.",
                "Loads on: blip the throttle and watch the marks with a strobe, cold and hot.",
                "If they stay together: voltmeter on the field terminal through a blip.",
            ],
            bad_if: "the marks drift apart or the belt squeals (slip), or the field voltage falls (field circuit)",
            with_diodes: false,
        },
    },
    Rule {
        id: "output-below-sheet",
        look: output::output_below_sheet,
        cause: "The alternator makes less than its data sheet: diode, brushes or field.",
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
        test: Steps {
            steps: &[
                "Loads on, 2000 engine rpm: a second clamp meter, zeroed, around the alternator output cable.",
                "Optical tachometer on its pulley, voltmeter from its output post to its case.",
            ],
            bad_if: "the output is under 85 % of the sheet at that speed with under 14 V at the post",
            with_diodes: true,
        },
    },
    Rule {
        id: "weak-output",
        look: charging::weak_output,
        cause: "The alternator is weak: diode, brushes or field.",
        alternatives: &[
            Always("open or shorted diode, worn brushes, weak field"),
            Without(POST, "thin or bad charging cable or ground"),
            Without(Role::AlternatorRpm, "belt slip that does not show as dips"),
            Without(Role::AlternatorCurrent, "loads larger than the alternator's rating"),
        ],
        test: Steps {
            steps: &[
                "All loads on, 2000 engine rpm: clamp meter around the alternator output cable.",
            ],
            bad_if: "the output is under 85 % of its data sheet at that alternator speed",
            with_diodes: true,
        },
    },
    Rule {
        id: "drop-outs",
        look: wiring::drop_outs,
        cause: "A loose battery terminal or alternator plug.",
        alternatives: &[
            Always("loose battery terminal or alternator plug"),
            Always("regulator brush bouncing"),
            Always("loose logger wiring"),
        ],
        test: Steps {
            steps: &[
                "Engine off, key out: check the battery terminals, the alternator plug and the logger's leads by hand; clean and tighten them.",
                "Engine idling, lamps on: voltmeter with peak hold across each joint in turn while someone moves the harness. Never lift a terminal while the engine runs.",
            ],
            bad_if: "a joint reads over 0.2 V",
            with_diodes: false,
        },
    },
    Rule {
        id: "setpoint-low",
        look: charging::setpoint_low,
        cause: "A low regulator setting, or a voltage that the engine computer commands.",
        alternatives: &[
            Always("an engine computer that commands less"),
            Always("regulator set low or very hot"),
            Always("sense lead reads high"),
            Always("never reached its setpoint: short of output"),
            Without(POST, "volts lost between its post and this tap"),
            Always("logger reads low"),
        ],
        test: Steps {
            steps: &[
                "2000 rpm, everything off, after ten minutes: voltmeter on the battery posts.",
            ],
            bad_if: "it reads under 13.8 V (regulator or command). If it reads more than the log, the logger or its ground is off",
            with_diodes: false,
        },
    },
    Rule {
        id: "setpoint-not-drifting",
        look: charging::setpoint_not_drifting,
        cause: "The regulator is commanded, sits away from the heat, or has an open sensor.",
        alternatives: &[
            Always("a regulator that the engine controller commands"),
            Always("a regulator that sits away from the heat"),
            Always("its temperature sensor is open"),
        ],
        test: Steps {
            steps: &[
                "2000 rpm, everything off, right after a cold start: voltmeter on the battery posts.",
                "Repeat heat-soaked: 0.3 V less is usual.",
            ],
            bad_if: "nothing changes on a regulator that should compensate (its sensor)",
            with_diodes: false,
        },
    },
    Rule {
        id: "output-fades-with-heat",
        look: heat::output_fades,
        cause: "The alternator makes less when hot.",
        alternatives: &[
            Without(
                Role::AlternatorCurrent,
                "a battery that discharged early and stands lower late than its model allows for",
            ),
            Always("a setpoint that drifts further than the line drawn through it"),
            Without(Role::AlternatorRpm, "belt warming and slipping"),
            Without(Role::AlternatorCurrent, "more load that is not logged"),
        ],
        test: Steps {
            steps: &[
                "Same loads, same idle speed, cold: clamp meter around the alternator output cable, strobe on its pulley.",
                "Repeat heat-soaked, after 20 minutes with the hood shut: 10 to 25 % less is usual (common practice).",
            ],
            bad_if: "it makes over 30 % less (alternator or its cooling), or its pulley turns slower (belt)",
            with_diodes: false,
        },
    },
    Rule {
        id: "tired-battery",
        look: battery::tired_battery,
        cause: "The battery is worn out or discharged.",
        alternatives: &[
            Always("a sound battery that is not charged"),
            Always("a starter or its cable that takes too much"),
            Always("a battery too small for this engine"),
        ],
        test: Steps {
            steps: &[
                "Charge the battery fully and let it rest some hours: voltmeter on its posts.",
                "If it reads 12.4 V or more: load it at half its CCA for 15 s.",
            ],
            bad_if: "it rests under 12.4 V, or falls under 9.6 V under load at 21 °C",
            with_diodes: false,
        },
    },
    Rule {
        id: "deep-cranking-dip",
        look: battery::deep_cranking_dip,
        cause: "The battery is worn, cold or discharged, or the starter draws too much.",
        alternatives: &[
            Always("battery tired or cold"),
            Always("battery not charged"),
            Always("starter drawing too much"),
            Always("thin or bad starter cable"),
        ],
        test: Steps {
            steps: &[
                "Charge the battery fully and let it rest: load it at half its CCA for 15 s.",
                "If it passes: clamp meter on the starter cable and voltmeter along it while cranking.",
            ],
            bad_if: "it falls under 9.6 V at 21 °C under load",
            with_diodes: false,
        },
    },
    Rule {
        id: "low-rest-voltage",
        look: battery::low_rest_voltage,
        cause: "The battery is not fully charged.",
        alternatives: &[
            Always("battery not charged"),
            Always("battery tired"),
            Always("something was on with the engine stopped"),
        ],
        test: Steps {
            steps: &[
                "Charge the battery fully and let it rest some hours with the negative terminal off: voltmeter on its posts. 12.65 V is full.",
            ],
            bad_if: "it reads under 12.4 V after a full charge",
            with_diodes: false,
        },
    },
    Rule {
        id: "battery-kind-unsure",
        look: battery::kind_unsure,
        cause: "The battery was charged shortly before, or is not a flooded lead-acid battery.",
        alternatives: &[
            Always("charged within the last hours"),
            Always("a lithium battery (LiFePO4)"),
            Always("a logger that reads high"),
        ],
        test: Steps {
            steps: &[
                "Read the battery's label and state its kind: --battery lifepo4, agm, gel, efb or flooded.",
                "Lead-acid: measure again after some hours at rest.",
            ],
            bad_if: "a flooded battery still rests over 13.1 V (the logger reads high)",
            with_diodes: false,
        },
    },
    Rule {
        id: "slow-return-after-start",
        look: battery::slow_return,
        cause: "The battery is low and takes a long charge.",
        alternatives: &[
            Always("battery low or tired and taking a long charge"),
            Without(Role::AlternatorCurrent, "alternator weak at idle"),
        ],
        test: Steps {
            steps: &[
                "Repeat the start with a fully charged battery, everything off: voltmeter on its posts.",
            ],
            bad_if: "the voltage is not back at the setpoint within 10 s (alternator weak at idle)",
            with_diodes: false,
        },
    },
    Rule {
        id: "amps-disagree",
        look: battery::amps_disagree,
        cause: "A current that was logged or stated is wrong.",
        alternatives: &[
            Always("a clamp the wrong way round, not zeroed, or on one cable of two"),
            Always("amps stated of a load that draws others"),
            Always("a battery unlike any sound one"),
        ],
        test: Steps {
            steps: &[
                "Engine off: zero the clamp meter next to the battery cable, then put it around all cables of the negative post, one lamp on.",
                "Repeat the log once it reads right.",
            ],
            bad_if: "it does not read the lamp's amps out of the battery",
            with_diodes: false,
        },
    },
    Rule {
        id: "undeclared-steps",
        look: logging::undeclared_steps,
        cause: "Something switches that no channel or mark declares.",
        alternatives: &[
            Always("a load without a channel"),
            Always("a thermostat switching on its own"),
            Always("a connection that changes"),
        ],
        test: Steps {
            steps: &[
                "Find out what switches at those times, and log or mark it (--mark TIME=LOAD:on).",
            ],
            bad_if: "",
            with_diodes: false,
        },
    },
    Rule {
        id: "dc-generator",
        look: generator::dc_generator,
        cause: "A DC generator does not charge below its cut-in speed.",
        alternatives: &[Always("an alternator, which charges at idle too")],
        test: Steps {
            steps: &[
                "Look for a cut-out relay.",
                "If it is an alternator, state that in car.toml ([alternator] kind = \"alternator\") and read the log again.",
            ],
            bad_if: "",
            with_diodes: false,
        },
    },
    Rule {
        id: "coarse-voltage",
        look: logging::coarse_voltage,
        cause: "The logger's resolution hides small sags.",
        alternatives: &[],
        test: Steps {
            steps: &["Log the voltage with a finer resolution: 0.02 V or better shows small sags."],
            bad_if: "",
            with_diodes: false,
        },
    },
];

/// For volts that are lost between the alternator's post and the battery.
pub(super) const JOINT_BY_JOINT: Steps = Steps {
    steps: &[
        "Engine stopped: both logged voltages must read the same.",
        "Loads on, 1500 rpm: voltmeter from the alternator output post to battery positive, then from the alternator case to battery negative.",
        "On the side that loses more: across each cable and each joint in turn.",
    ],
    bad_if: "the positive side loses over 0.5 V, or the ground side over 0.2 V. The cable or joint with most of it is the fault",
    with_diodes: false,
};

/// Follows the steps of a test that also looks for a failed diode.
pub(super) const DIODE_STEP: &str = "Same loads: AC voltmeter on the output post.";
pub(super) const DIODE_READING: &str =
    "Over 0.5 V AC points to a diode, less AC to brushes or field";
