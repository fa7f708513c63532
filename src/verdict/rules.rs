//! The rules, in one table: what raises a finding, what else could look like
//! it, and the test that tells them apart. Limits are common practice, no
//! source, unless a line says otherwise.

use crate::diagnosis::{BusState, Direction, Evidence, Finding, Origin, PhaseKind, Severity};
use crate::log::Span;
use crate::segment::indices;
use crate::stats::robust::median;
use crate::verdict::Case;
use crate::verdict::evidence::{amps, at_speed, is_idle, of_point, volts, with_loads};
use crate::verdict::word::{OVERCHARGE_V, holds_at_speed, short_points};

/// What a rule saw.
struct Seen {
    severity: Severity,
    statement: String,
    evidence: Vec<Evidence>,
}

struct Rule {
    id: &'static str,
    look: fn(&Case) -> Option<Seen>,
    alternatives: &'static [&'static str],
    next_test: &'static str,
}

const RULES: &[Rule] = &[
    Rule {
        id: "setpoint-high",
        look: setpoint_high,
        alternatives: &[
            "regulator fault",
            "its sense lead reads low (corroded sense connection or ground)",
            "a logger that reads high",
        ],
        next_test: "Voltmeter straight on the battery posts at 1500 to 2000 rpm, everything off, warm: over 15.0 V condemns the regulator or its sensing; then the same from alternator case to battery negative: over 0.1 V is ground.",
    },
    Rule {
        id: "not-charging",
        look: not_charging,
        alternatives: &[
            "belt off or slipping freely",
            "field or warning-lamp circuit open",
            "charging cable or its fusible link open",
            "alternator dead",
        ],
        next_test: "Engine idling, voltmeter from alternator output post to its case: battery voltage there means it makes nothing (check belt, then field supply); well over 14 V there with a low battery means the cable or link is open.",
    },
    Rule {
        id: "short-at-idle",
        look: short_at_idle,
        alternatives: &[
            "alternator too small for these loads at this speed",
            "pulley ratio too low for idle",
            "belt slipping under load",
            "weak alternator (diode, brushes)",
        ],
        next_test: "Same loads on, clamp meter round the alternator output cable, hold idle and then 1500 rpm: output at its sheet value for that speed means capacity or pulley; well under it means a weak machine or a slipping belt.",
    },
    Rule {
        id: "short-at-every-speed",
        look: short_at_every_speed,
        alternatives: &[
            "weak alternator or field",
            "thin or bad charging cable or ground",
            "belt slip",
            "loads larger than the alternator's rating",
        ],
        next_test: "At 2000 rpm with the loads on, voltmeter from alternator output post to battery positive (over 0.5 V: cable) and from alternator case to battery negative (over 0.2 V: ground); both small: clamp meter on the output against the alternator's sheet.",
    },
    Rule {
        id: "battery-draining",
        look: battery_draining,
        alternatives: &[
            "the bus voltage is read behind a bad connection, and the battery itself is not draining",
        ],
        next_test: "Clamp meter on the battery cable with the same loads at the same speed: current out of the battery confirms it and replaces the estimate.",
    },
    Rule {
        id: "line-drop-high",
        look: line_drop_high,
        alternatives: &[
            "thin cable",
            "corroded or loose joint",
            "bad ground strap",
            "the two channels are calibrated apart",
        ],
        next_test: "Loads on at 1500 rpm, voltmeter along the path joint by joint, positive side and ground side apart: the joint or cable that holds most of the drop is the culprit; with the engine stopped both channels must read alike within their accuracy.",
    },
    Rule {
        id: "drop-outs",
        look: drop_outs,
        alternatives: &[
            "loose battery terminal or alternator plug",
            "regulator brush bouncing",
            "loose logger wiring",
        ],
        next_test: "Engine idling, wiggle each charging connection in turn while watching the voltage; then voltmeter across each suspect joint set to record its peak.",
    },
    Rule {
        id: "dips-on-acceleration",
        look: dips_on_acceleration,
        alternatives: &["belt slipping", "tensioner weak or pulley glazed", "field dropping out"],
        next_test: "Mark belt and pulley with chalk or use a strobe; blip the throttle with the loads on: squeal, or the mark walking, is slip. Check tension cold and hot.",
    },
    Rule {
        id: "setpoint-low",
        look: setpoint_low,
        alternatives: &[
            "regulator set low or very hot",
            "sense lead reads high",
            "never reached its setpoint: short of output",
            "logger reads low",
        ],
        next_test: "Voltmeter on the battery posts at 2000 rpm, everything off, after ten minutes: under 13.8 V is the regulator; if it reads more than the log, the logger or its ground is off.",
    },
    Rule {
        id: "deep-cranking-dip",
        look: deep_cranking_dip,
        alternatives: &[
            "battery tired or cold",
            "battery not charged",
            "starter drawing too much",
            "thin or bad starter cable",
        ],
        next_test: "Charge the battery fully, let it stand, load-test it at half its CCA for 15 s: under 9.6 V at 21 °C condemns it; if it passes, measure starter current and cable drop.",
    },
    Rule {
        id: "low-rest-voltage",
        look: low_rest_voltage,
        alternatives: &[
            "battery not charged",
            "battery tired",
            "something was on with the engine stopped",
        ],
        next_test: "Charge fully, let stand some hours with the negative off, measure: 12.65 V is full, under 12.4 V after a full charge condemns it.",
    },
    Rule {
        id: "slow-return-after-start",
        look: slow_return,
        alternatives: &["battery low or tired and taking a long charge", "alternator weak at idle"],
        next_test: "Repeat with a fully charged battery: a quick return clears the alternator.",
    },
    Rule {
        id: "undeclared-steps",
        look: undeclared_steps,
        alternatives: &[
            "a load without a channel",
            "a thermostat switching on its own",
            "a connection that changes",
        ],
        next_test: "Find out what switches at those times and log or mark it (--mark TIME=LOAD:on).",
    },
    Rule {
        id: "coarse-voltage",
        look: coarse_voltage,
        alternatives: &[],
        next_test: "Log the voltage with a finer resolution: 0.02 V or better shows small sags.",
    },
];

/// Every finding that the log raises, worst first, the table's order within.
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
                alternatives: rule.alternatives.iter().map(|s| s.to_string()).collect(),
                next_test: rule.next_test.to_owned(),
            })
        })
        .collect();
    findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
    findings
}

fn setpoint_high(case: &Case) -> Option<Seen> {
    let highest = case
        .points()
        .filter(|p| p.voltage_v.low > OVERCHARGE_V)
        .max_by(|a, b| a.seconds.total_cmp(&b.seconds))?;
    Some(Seen {
        severity: Severity::Fault,
        statement: format!(
            "the bus is held at {}{}, over {OVERCHARGE_V:.1} V.",
            volts(&highest.voltage_v),
            at_speed(highest)
        ),
        evidence: of_point(highest, "steady and too high"),
    })
}

fn not_charging(case: &Case) -> Option<Seen> {
    let zero = &case.analysis.battery.zero_current_v;
    let top = case.points().max_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value))?;
    (top.voltage_v.value < zero.value && !case.analysis.setpoint.as_ref().is_some_and(|s| s.is_known())).then(|| Seen {
        severity: Severity::Fault,
        statement: format!(
            "the highest steady level with the engine running is {}, no more than the battery alone shows.",
            volts(&top.voltage_v)
        ),
        evidence: of_point(top, "highest steady level"),
    })
}

fn short_at_idle(case: &Case) -> Option<Seen> {
    let short = short_points(case);
    let worst = short.iter().copied().find(|p| is_idle(p) && p.rpm.is_some())?;
    if holds_at_speed(case, &worst.loads) == Some(false) {
        return None;
    }
    let above = match holds_at_speed(case, &worst.loads) {
        Some(true) => "; faster, the same loads hold",
        _ => "; the same loads were not seen faster",
    };
    let lacks = worst.regulation_shortfall_a.as_ref().map_or_else(String::new, |a| {
        format!(" To hold the setpoint there the alternator lacks {}.", amps(a))
    });
    Some(Seen {
        severity: Severity::Fault,
        statement: format!(
            "{}{} the bus sits at {}{above}.{lacks}",
            sentence(&with_loads(&worst.loads)),
            at_speed(worst),
            volts(&worst.voltage_v)
        ),
        evidence: of_point(worst, "steady idle, short"),
    })
}

fn short_at_every_speed(case: &Case) -> Option<Seen> {
    let short = short_points(case);
    let worst = short
        .iter()
        .copied()
        .find(|p| holds_at_speed(case, &p.loads) == Some(false) || p.rpm.is_none())?;
    let where_ = if worst.rpm.is_some() {
        "also at the highest speed seen"
    } else {
        "engine speed is not logged"
    };
    Some(Seen {
        severity: Severity::Fault,
        statement: format!(
            "{}{} the bus sits at {}; {where_}.",
            sentence(&with_loads(&worst.loads)),
            at_speed(worst),
            volts(&worst.voltage_v)
        ),
        evidence: of_point(worst, "steady, short"),
    })
}

fn battery_draining(case: &Case) -> Option<Seen> {
    let worst = case
        .points()
        .filter(|p| p.state == BusState::Draining)
        .max_by(|a, b| deficit(a).total_cmp(&deficit(b)))?;
    let total_s: f64 =
        case.points().filter(|p| p.state == BusState::Draining).map(|p| p.seconds).sum();
    Some(Seen {
        severity: Severity::Fault,
        statement: format!(
            "The battery gives {} {}{}; it was draining for {total_s:.0} s of steady running.",
            worst.implied_deficit_a.as_ref().map_or_else(|| "current".to_owned(), amps),
            with_loads(&worst.loads),
            at_speed(worst)
        ),
        evidence: of_point(worst, &worst.state_how),
    })
}

fn deficit(point: &crate::diagnosis::OperatingPoint) -> f64 {
    point.implied_deficit_a.as_ref().map_or(0.0, |a| a.value)
}

/// Charging cable: 0.2 V good, 0.5 V the limit, at load.
fn line_drop_high(case: &Case) -> Option<Seen> {
    let worst = case
        .analysis
        .line_drop
        .iter()
        .filter(|d| d.drop_v.low > 0.3)
        .max_by(|a, b| a.drop_v.value.total_cmp(&b.drop_v.value))?;
    let severity = if worst.drop_v.low > 0.5 { Severity::Fault } else { Severity::Caution };
    let evidence = case
        .analysis
        .operating_points
        .iter()
        .find(|p| p.loads == worst.loads && p.rpm_low == worst.rpm_low)
        .map(|p| of_point(p, "both taps steady"))
        .unwrap_or_default();
    Some(Seen {
        severity,
        statement: format!(
            "From the {} tap to the {} tap {} are lost {}; 0.5 V is the limit by common practice.",
            worst.from,
            worst.to,
            volts(&worst.drop_v),
            with_loads(&worst.loads)
        ),
        evidence,
    })
}

/// Brief losses of contact: far out of the level around them, and back at once.
fn drop_outs(case: &Case) -> Option<Seen> {
    let (time_s, bus_v) = (case.log.time_s(), case.log.bus_v());
    let far_v = (12.0 * case.analysis.noise.sigma_v).max(0.5);
    let mut spans: Vec<Span> = Vec::new();
    let level = |start_s, end_s| median(&bus_v[indices(time_s, Span { start_s, end_s })]);
    for stretch in &case.segments.stretches {
        let range = indices(time_s, stretch.settled);
        let level_v = median(&bus_v[range.clone()]);
        for k in range.filter(|&k| bus_v[k] < level_v - far_v) {
            match spans.last_mut() {
                Some(last) if time_s[k] - last.end_s < 0.5 => last.end_s = time_s[k],
                _ => spans.push(Span { start_s: time_s[k], end_s: time_s[k] }),
            }
        }
    }
    // Back at once, to where it came from: a slide or a step is no drop-out.
    spans.retain(|s| {
        let before_v = level(s.start_s - 1.0, s.start_s - 1e-9);
        let after_v = level(s.end_s + 1e-9, s.end_s + 1.0);
        let lowest_v = bus_v[indices(time_s, *s)].iter().copied().fold(f64::INFINITY, f64::min);
        s.seconds() < 1.5 && lowest_v < before_v.min(after_v) - far_v
    });
    (spans.len() >= 2).then(|| Seen {
        severity: Severity::Fault,
        statement: format!(
            "The bus drops out by more than {far_v:.1} V and comes back at once, {} times, with nothing switched.",
            spans.len()
        ),
        evidence: spans
            .iter()
            .take(6)
            .map(|s| Evidence { start_s: s.start_s, end_s: s.end_s, text: "drop-out".to_owned() })
            .collect(),
    })
}

/// More engine speed must never mean less voltage.
fn dips_on_acceleration(case: &Case) -> Option<Seen> {
    let rpm = case.log.engine_rpm()?;
    let (time_s, bus_v) = (case.log.time_s(), case.log.bus_v());
    let level = |values: &[f64], start_s: f64, end_s: f64| {
        median(&values[indices(time_s, Span { start_s, end_s })])
    };
    let least_v = (5.0 * case.analysis.noise.sigma_v).max(0.1);
    let running = case.segments.phases.iter().filter(|p| p.kind == PhaseKind::Running);
    let dips: Vec<Evidence> = case
        .segments
        .speed_changes
        .iter()
        // From the starter's grip to idle the battery alone carries the bus.
        .filter(|c| running.clone().any(|p| p.start_s <= c.start_s && c.end_s <= p.end_s))
        .filter(|c| level(rpm, c.end_s, c.end_s + 1.0) > level(rpm, c.start_s - 1.0, c.start_s))
        .filter_map(|c| {
            let before_v = level(bus_v, c.start_s - 2.0, c.start_s);
            let lowest_v = lowest_short_mean(&bus_v[indices(time_s, *c)]);
            let dip_v = before_v - lowest_v;
            let switched = case.analysis.load_steps.iter().any(|s| {
                s.direction == Direction::On && s.at_s > c.start_s - 2.0 && s.at_s < c.end_s
            });
            (dip_v > least_v && !switched).then(|| Evidence {
                start_s: c.start_s,
                end_s: c.end_s,
                text: format!("{dip_v:.2} V lower while the engine speeds up"),
            })
        })
        .collect();
    (dips.len() >= 2).then(|| Seen {
        severity: Severity::Fault,
        statement: format!(
            "The bus dips while the engine speeds up, {} times: more speed must never mean less voltage.",
            dips.len()
        ),
        evidence: dips.into_iter().take(6).collect(),
    })
}

fn lowest_short_mean(values: &[f64]) -> f64 {
    values.windows(3).map(|w| w.iter().sum::<f64>() / 3.0).fold(f64::INFINITY, f64::min)
}

fn setpoint_low(case: &Case) -> Option<Seen> {
    let setpoint = case.analysis.setpoint.as_ref()?;
    (setpoint.is_known() && setpoint.estimate.high < 13.8).then(|| Seen {
        severity: Severity::Caution,
        statement: format!(
            "The highest level held is {}; 13.8 to 14.7 V is usual warm.",
            volts(&setpoint.estimate)
        ),
        evidence: Vec::new(),
    })
}

/// Not under 9.6 V at 21 °C.
fn deep_cranking_dip(case: &Case) -> Option<Seen> {
    let cranking = case.analysis.cranking.as_ref()?;
    (cranking.lowest_v < 9.6).then(|| Seen {
        severity: Severity::Caution,
        statement: format!(
            "Cranking takes the battery down to {:.2} V for {:.1} s in all; 9.6 V is the limit at 21 °C.",
            cranking.lowest_v, cranking.duration_s
        ),
        evidence: vec![Evidence {
            start_s: cranking.at_s,
            end_s: cranking.at_s,
            text: "lowest cranking voltage".to_owned(),
        }],
    })
}

fn low_rest_voltage(case: &Case) -> Option<Seen> {
    let rest = case.analysis.rest_voltage_v.as_ref()?;
    let charge = case.analysis.state_of_charge_percent.as_ref()?;
    let first = case.segments.phases.first().filter(|p| p.kind == PhaseKind::Rest)?;
    (rest.high < 12.35).then(|| Seen {
        severity: Severity::Caution,
        statement: format!(
            "At rest the battery shows {}, about {:.0} % charged ({:.0} to {:.0} %, {}).",
            volts(rest),
            charge.value,
            charge.low,
            charge.high,
            charge.grade.word()
        ),
        evidence: vec![Evidence {
            start_s: first.start_s,
            end_s: first.end_s,
            text: "engine stopped".to_owned(),
        }],
    })
}

fn slow_return(case: &Case) -> Option<Seen> {
    let seconds = case.analysis.cranking.as_ref()?.return_to_setpoint_s?;
    (seconds > 20.0).then(|| Seen {
        severity: Severity::Caution,
        statement: format!(
            "After the start the bus takes {seconds:.0} s to come back to its setpoint."
        ),
        evidence: Vec::new(),
    })
}

fn undeclared_steps(case: &Case) -> Option<Seen> {
    if case.log.load_names().is_empty() {
        return None;
    }
    let detected: Vec<_> =
        case.analysis.load_steps.iter().filter(|s| s.origin == Origin::Detected).collect();
    (!detected.is_empty()).then(|| Seen {
        severity: Severity::Note,
        statement: format!(
            "The voltage steps {} times where no load channel changes.",
            detected.len()
        ),
        evidence: detected
            .iter()
            .take(6)
            .map(|s| Evidence {
                start_s: s.at_s,
                end_s: s.at_s,
                text: format!("step {}: {:+.2} V", s.number, -s.shift_v.value),
            })
            .collect(),
    })
}

fn coarse_voltage(case: &Case) -> Option<Seen> {
    let step_v = case.log.source.resolution_v?;
    (step_v > 0.06).then(|| Seen {
        severity: Severity::Note,
        statement: format!(
            "The voltage is logged in steps of {step_v:.3} V: sags smaller than that do not show."
        ),
        evidence: Vec::new(),
    })
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |c| c.to_uppercase().collect::<String>() + letters.as_str())
}
