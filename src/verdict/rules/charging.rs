//! What the alternator makes and what its regulator holds.

use crate::diagnosis::{BusState, MoreSpeed, OperatingPoint, Severity, SheetStanding};
use crate::estimate::{Estimate, Grade, Z90};
use crate::format::{MILLIVOLT_PER_DEGREE, capital, number};
use crate::levels;
use crate::log::{Place, Role, Span, Tap};
use crate::segment::{indices, mean};
use crate::stats::fit::linear::ordinary;
use crate::stats::robust::median;
use crate::verdict::Case;
use crate::verdict::evidence::{
    amps, at_speed, how_low, is_idle, longest, of_point, volts, with_loads,
};
use crate::verdict::rules::{Raised, belt, output, wiring};
use crate::verdict::word::{
    holds_at_speed, is_short, is_uncured, more_speed, short_points, slowest_first,
};

/// A level is read over this long beside a change of speed.
const BESIDE_S: f64 = 2.0;
/// An engine slower than this is not running by itself.
const TURNING_RPM: f64 = 400.0;
/// An alternator that gives this share of its rating is not weak.
const SOUND_SHARE: f64 = 0.85;
/// An alternator is shown to be at its limit where the regulator is in control with less
/// than this probability.
const LIMITED_BELOW: f64 = 0.2;
/// More engine speed by this factor shows what speed does.
const FASTER: f64 = 1.4;
/// A machine short of speed gains more than this share of what it lacks.
const GAINS_SHARE: f64 = 0.5;
/// Less warming than this shows no drift.
const LEAST_WARMING_C: f64 = 25.0;
/// Fewer levels show no line.
const LEAST_LEVELS: usize = 5;

pub fn setpoint_high(case: &Case) -> Option<Raised> {
    let most = match case.has_generator() {
        true => levels::GENERATOR_OVERCHARGE,
        false => case.car.battery.kind.unwrap_or_default().overcharged(),
    };
    let overcharge_v = case.volts(most);
    let seconds = |of: &dyn Fn(&OperatingPoint) -> bool| -> f64 {
        case.points().filter(|p| of(p)).map(|p| p.seconds).sum()
    };
    let is_high = |p: &OperatingPoint| p.voltage_v.low > overcharge_v;
    // A regulator that is still cold may hold as much for a while.
    let mostly = seconds(&is_high) > 0.5 * seconds(&|_| true);
    let highest = case
        .points()
        .filter(|p| mostly && is_high(p))
        .max_by(|a, b| a.seconds.total_cmp(&b.seconds))?;
    Some(Raised {
        severity: Severity::Fault,
        statement: format!(
            "the voltage is held at {}{}, over {overcharge_v:.1} V.",
            volts(&highest.voltage_v),
            at_speed(highest)
        ),
        evidence: of_point(highest, "steady and too high"),
    })
}

pub fn not_charging(case: &Case) -> Option<Raised> {
    let analysis = case.analysis;
    if analysis.setpoint.as_ref().is_some_and(|s| s.is_known()) {
        return None;
    }
    // A generator that was nowhere seen above its cut-in speed has shown nothing.
    if case.has_generator() && case.points().all(|p| p.rpm.is_none()) {
        return None;
    }
    let zero = &analysis.battery.zero_current_v;
    let left_alone_v = case.volts(levels::LEFT_ALONE);
    let higher = |rest: Estimate| if rest.value > zero.value { rest } else { zero.clone() };
    let alone = match (&analysis.rest_voltage_v, gain_with_speed_v(case)) {
        (None, _) => zero.clone(),
        // Speed was tried and did nothing: what the battery shows by itself will do.
        (Some(rest), Some(gained_v)) if gained_v < case.volts(levels::NO_GAIN) => {
            higher(rest.clone())
        }
        // A weak machine that speed helps.
        (Some(_), Some(_)) => zero.clone(),
        (Some(rest), None) => higher(Estimate {
            value: rest.value - left_alone_v,
            low: rest.low - left_alone_v,
            high: rest.high - left_alone_v,
            ..rest.clone()
        }),
    };
    let top = case.points().max_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value))?;
    (top.voltage_v.value < alone.value && is_short(top)).then(|| Raised {
        severity: Severity::Fault,
        statement: format!(
            "the highest steady voltage with the engine running is {}. The battery alone shows as much: {}.",
            volts(&top.voltage_v),
            volts(&alone)
        ),
        evidence: of_point(top, "highest steady level"),
    })
}

/// What more engine speed lifts the bus by: the median over the log's own
/// changes of speed, just after against just before, so that a battery which
/// runs down over the log does not count.
fn gain_with_speed_v(case: &Case) -> Option<f64> {
    let (time_s, bus_v) = (case.log.time_s(), case.log.bus_v());
    let rpm = case.log.engine_rpm()?;
    let level = |values: &[f64], start_s: f64, end_s: f64| {
        median(&values[indices(time_s, Span { start_s, end_s })])
    };
    let steps = &case.analysis.load_steps;
    let switched = |change: &Span| {
        let later = steps.partition_point(|step| step.at_s <= change.start_s - BESIDE_S);
        steps.get(later).is_some_and(|step| step.at_s < change.end_s + BESIDE_S)
    };
    let gains: Vec<f64> = case
        .segments
        .speed_changes
        .iter()
        .filter(|change| !switched(change))
        .filter(|change| {
            let before_rpm = level(rpm, change.start_s - BESIDE_S, change.start_s);
            before_rpm > TURNING_RPM
                && level(rpm, change.end_s, change.end_s + BESIDE_S) > FASTER * before_rpm
        })
        .map(|change| {
            level(bus_v, change.end_s, change.end_s + BESIDE_S)
                - level(bus_v, change.start_s - BESIDE_S, change.start_s)
        })
        .filter(|gained_v| gained_v.is_finite())
        .collect();
    (!gains.is_empty()).then(|| median(&gains))
}

pub fn setpoint_low(case: &Case) -> Option<Raised> {
    let setpoint = case.analysis.setpoint.as_ref()?;
    // A bus that is short at some point may nowhere have reached its setpoint.
    let reached = setpoint.is_known() && short_points(case).is_empty();
    let low = reached && setpoint.estimate.high < case.volts(levels::LOW_SETPOINT);
    let holding = longest(case.points().filter(|p| p.state == BusState::Holding));
    low.then(|| Raised {
        // A battery is charged at it, and engine computers command as much.
        severity: if setpoint.estimate.value >= case.volts(levels::CHARGED) {
            Severity::Note
        } else {
            Severity::Caution
        },
        statement: format!(
            "The highest level held is {}; {} is usual warm where no engine computer commands less.",
            volts(&setpoint.estimate),
            case.log.nominal().in_words("13.8 to 14.7 V")
        ),
        evidence: holding.map(|p| of_point(p, "held, and low")).unwrap_or_default(),
    })
}

/// "−7 to −10 mV/°C" of six cells.
fn usual_drift(case: &Case) -> String {
    let [least, most] = [7.0, 10.0].map(|of_six| number(case.log.nominal().from_12_v(of_six), 1));
    let plain = |text: &str| text.trim_end_matches(".0").to_owned();
    format!("−{} to −{} mV/°C", plain(&least), plain(&most))
}

/// Against the temperature nearest to the regulator that the log has.
pub fn setpoint_not_drifting(case: &Case) -> Option<Raised> {
    let (log, setpoint) = (case.log, case.analysis.setpoint.as_ref()?);
    let places = [Place::Alternator, Place::Intake, Place::Coolant];
    let (place, degrees) =
        places.into_iter().find_map(|p| Some((p, log.channel(Role::Temperature(p))?)))?;
    let holding: Vec<&OperatingPoint> = case
        .points()
        .filter(|p| p.state == BusState::Holding && setpoint.estimate.grade == Grade::Measured)
        .collect();
    let (warmth_c, levels_v): (Vec<f64>, Vec<f64>) = holding
        .iter()
        .flat_map(|p| &p.spans)
        .map(|span| indices(log.time_s(), *span))
        .map(|range| (mean(&degrees[range.clone()]), mean(&log.bus_v()[range])))
        .filter(|(c, v)| c.is_finite() && v.is_finite())
        .unzip();
    let extreme = |f: fn(f64, f64) -> f64| warmth_c.iter().copied().reduce(f);
    let warming_c = extreme(f64::max)? - extreme(f64::min)?;
    if levels_v.len() < LEAST_LEVELS || warming_c < LEAST_WARMING_C {
        return None;
    }
    let fit = ordinary(&warmth_c, &levels_v)?;
    let slope = Estimate::around(
        fit.slope,
        Z90 * fit.slope_error(),
        Grade::Measured,
        "line through the held levels",
    );
    (slope.low > -case.volts(levels::NO_DRIFT_PER_C)).then(|| Raised {
        severity: Severity::Note,
        statement: format!(
            "The setpoint does not fall with heat: {} over {warming_c:.0} °C of {} temperature; {} of its own temperature is usual where the regulator sits in the alternator.",
            MILLIVOLT_PER_DEGREE.told(&slope),
            place.word(),
            usual_drift(case)
        ),
        evidence: longest(holding.into_iter())
            .map(|p| of_point(p, "held while it warms"))
            .unwrap_or_default(),
    })
}

/// The short point that idle is reported by; `None` where [`worst_uncured`] reports it.
pub fn worst_at_idle<'a>(case: &Case<'a>) -> Option<&'a OperatingPoint> {
    slowest_first(short_points(case).iter().copied()).filter(|p| !is_uncured(case, p))
}

/// The lowest short point that no engine speed cures.
pub fn worst_uncured<'a>(case: &Case<'a>) -> Option<&'a OperatingPoint> {
    short_points(case).into_iter().find(|p| is_uncured(case, p))
}

pub fn short_at_idle(case: &Case) -> Option<Raised> {
    let worst = worst_at_idle(case)?;
    let above = match more_speed(case, &worst.loads) {
        MoreSpeed::Cures if holds_at_speed(case, &worst.loads) => {
            " The same loads hold at higher speed."
        }
        MoreSpeed::Cures => " At higher speed the battery charges with the same loads.",
        MoreSpeed::NotSeen => " The same loads were not on at higher speed.",
        MoreSpeed::Unsure | MoreSpeed::DoesNotCure => {
            " Whether they hold at higher speed is not sure."
        }
    };
    let needs = worst
        .regulation_shortfall_a
        .as_ref()
        .map_or_else(String::new, |a| format!(" Needs {} more to hold the setpoint.", amps(a)));
    let sound = if output::meets_sheet(case) {
        " Its output meets its data sheet: it needs more capacity or speed, not repair."
    } else {
        ""
    };
    Some(Raised {
        severity: Severity::Fault,
        statement: format!(
            "{}{}: {}.{above}{needs}{sound}{}",
            capital(&with_loads(&worst.loads)),
            at_speed(worst),
            how_low(case, worst),
            flat_over_speed(worst)
        ),
        evidence: of_point(worst, "steady idle, short"),
    })
}

pub fn short_at_every_speed(case: &Case) -> Option<Raised> {
    let worst = worst_uncured(case)?;
    let where_ = if worst.rpm.is_some() {
        "Also at the highest speed seen"
    } else {
        "Engine speed is not logged"
    };
    Some(Raised {
        severity: Severity::Fault,
        statement: format!(
            "{}{}: {}. {where_}.{}",
            capital(&with_loads(&worst.loads)),
            at_speed(worst),
            how_low(case, worst),
            flat_over_speed(worst)
        ),
        evidence: of_point(worst, "steady, short"),
    })
}

/// A low voltage that does not follow speed is not the alternator's.
pub fn is_flat_over_speed(point: &OperatingPoint) -> bool {
    point.regulated_probability.is_some_and(|sure| sure >= 0.5)
}

fn flat_over_speed(point: &OperatingPoint) -> &'static str {
    if is_flat_over_speed(point) { " The voltage does not rise with engine speed." } else { "" }
}

pub fn battery_draining(case: &Case) -> Option<Raised> {
    let worst = case
        .points()
        .filter(|p| p.state == BusState::Draining)
        .max_by(|a, b| deficit(a).total_cmp(&deficit(b)))?;
    let total_s: f64 =
        case.points().filter(|p| p.state == BusState::Draining).map(|p| p.seconds).sum();
    // For a few seconds, or by a regulator that is in control, it is no fault.
    let proven = worst.is_sure() && short_points(case).iter().any(|p| p.spans == worst.spans);
    let (severity, discharging) = if proven {
        (Severity::Fault, "discharging")
    } else {
        (Severity::Caution, "possibly discharging")
    };
    Some(Raised {
        severity,
        statement: format!(
            "Battery {discharging}{} {}{}. In all for {total_s:.0} s of steady running.",
            worst
                .implied_deficit_a
                .as_ref()
                .map_or_else(String::new, |a| format!(" at {}", amps(a))),
            with_loads(&worst.loads),
            at_speed(worst)
        ),
        evidence: of_point(worst, &worst.state_how),
    })
}

fn deficit(point: &OperatingPoint) -> f64 {
    point.implied_deficit_a.as_ref().map_or(0.0, |a| a.value)
}

/// What is left once speed, belt and line are ruled out as far as the log can.
pub fn weak_output(case: &Case) -> Option<Raised> {
    let short = short_points(case);
    let fast = short
        .iter()
        .copied()
        .filter(|p| p.rpm.is_some() && !is_idle(p))
        // A regulator in control asks for no more: its level is no output.
        .filter(|p| p.regulated_probability.is_none_or(|r| r < LIMITED_BELOW))
        .find(|p| more_speed(case, &p.loads) == MoreSpeed::DoesNotCure)?;
    if wiring::post_holding(case, fast).is_some()
        || belt::belt_slip(case).is_some()
        || belt::dips_on_acceleration(case).is_some()
        || not_charging(case).is_some()
        // Its sheet has been asked, and that finding says more.
        || matches!(output::standing(case), Some(SheetStanding::Below | SheetStanding::Meets))
        || gives_its_rating(case, fast)
    {
        return None;
    }
    let slow = short.iter().copied().find(|p| {
        p.loads == fast.loads
            && p.rpm.zip(fast.rpm).is_some_and(|(slow, fast)| fast > FASTER * slow)
    });
    let gain = slow.and_then(|slow| {
        let gained = fast.voltage_v.less(&slow.voltage_v, "faster less slower");
        let too_little = gained.value < GAINS_SHARE * case.under_setpoint_v(slow)?;
        Some((slow, gained, too_little))
    });
    let speed = match &gain {
        Some((_, _, false)) => return None,
        Some((slow, gained, true)) => format!(
            ", from{} to{} the bus gains no more than {}",
            at_speed(slow).replace(" at", ""),
            at_speed(fast).replace(" at", ""),
            volts(gained)
        ),
        None => format!("{} the bus is still at {}", at_speed(fast), volts(&fast.voltage_v)),
    };
    // The post itself is low: nothing between it and the battery explains that.
    let post_logged = case.log.channel(Role::Voltage(Tap::Alternator)).is_some();
    let severity = if post_logged { Severity::Fault } else { Severity::Caution };
    let mut evidence = of_point(fast, "faster, and still short");
    evidence.extend(gain.map(|(slow, ..)| of_point(slow, "idle, short")).unwrap_or_default());
    Some(Raised {
        severity,
        statement: format!("The output is weak: {}{speed}.", with_loads(&fast.loads)),
        evidence,
    })
}

fn gives_its_rating(case: &Case, point: &OperatingPoint) -> bool {
    let there = case.segments.points.iter().find(|p| p.spans == point.spans);
    let given_a = there.and_then(|p| p.mean_of(Role::AlternatorCurrent));
    given_a
        .zip(case.car.alternator.rated_a)
        .is_some_and(|(given_a, rated_a)| given_a > SOUND_SHARE * rated_a)
}
