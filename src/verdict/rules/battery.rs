//! The battery: how deep it is pulled down, how full it is, how fast it comes back.

use crate::analysis::level::half_width_v;
use crate::diagnosis::{BusState, Cranking, Evidence, PhaseKind, Severity};
use crate::estimate::{Estimate, Grade};
use crate::format::{MILLIOHM, PERCENT, SECOND, VOLT, duration};
use crate::levels;
use crate::log::Span;
use crate::segment::indices;
use crate::stats::robust::median;
use crate::verdict::Case;
use crate::verdict::evidence::{at_speed, of_point, volts, with_loads};
use crate::verdict::rules::Raised;

/// Longer from the start back to the setpoint is slow.
const SLOW_RETURN_S: f64 = 20.0;
/// A sound 12 V car battery has 4 to 12 mΩ over some seconds.
const TIRED_OHM: f64 = 0.020;
/// A shorter stretch shows no fall.
const LEAST_FALL_S: f64 = 20.0;
/// One sign alone has other causes too.
const SIGNS: usize = 2;

pub fn deep_cranking_dip(case: &Case) -> Option<Raised> {
    let cranking = case.analysis.cranking.as_ref()?;
    let limit_v = case.volts(levels::CRANKING_LIMIT);
    (cranking.lowest_v < limit_v).then(|| Raised {
        severity: Severity::Caution,
        statement: format!(
            "Cranking pulls the battery down to {} and lasts {}. Limit {limit_v} V at 21 °C.",
            lowest(cranking),
            cranking
                .duration
                .as_ref()
                .map_or_else(|| duration(cranking.duration_s), |lasts| SECOND.with_range(lasts))
        ),
        evidence: vec![Evidence {
            start_s: cranking.at_s,
            end_s: cranking.at_s,
            text: "lowest cranking voltage".to_owned(),
        }],
    })
}

fn lowest(cranking: &Cranking) -> String {
    cranking.lowest.as_ref().map_or_else(|| VOLT.of(cranking.lowest_v), volts)
}

/// Two ways to the same amps that do not meet: one of them is wrong.
pub fn amps_disagree(case: &Case) -> Option<Raised> {
    let point = case
        .points()
        .filter(|p| p.routes_disagree.is_some())
        .max_by(|a, b| a.seconds.total_cmp(&b.seconds))?;
    let said = point.routes_disagree.as_deref()?;
    Some(Raised {
        severity: Severity::Note,
        statement: format!(
            "The estimates of battery discharge {}{} disagree: {said}.",
            with_loads(&point.loads),
            at_speed(point)
        ),
        evidence: of_point(point, "the estimates of the amps disagree"),
    })
}

pub fn low_rest_voltage(case: &Case) -> Option<Raised> {
    let rest = case.analysis.rest_voltage_v.as_ref()?;
    let charge = case.analysis.state_of_charge_percent.as_ref()?;
    let first = case.segments.phases.first().filter(|p| p.kind == PhaseKind::Rest)?;
    (rest.high < case.volts(case.car.battery.kind.unwrap_or_default().low_rest())).then(|| Raised {
        severity: Severity::Caution,
        statement: format!("Rest voltage {}: charged to {}.", volts(rest), PERCENT.told(charge)),
        evidence: vec![Evidence {
            start_s: first.start_s,
            end_s: first.end_s,
            text: "engine stopped".to_owned(),
        }],
    })
}

/// Stated kinds are taken as stated.
pub fn kind_unsure(case: &Case) -> Option<Raised> {
    let rest = case.analysis.rest_voltage_v.as_ref()?;
    let first = case.segments.phases.first().filter(|p| p.kind == PhaseKind::Rest)?;
    let high = case.car.battery.kind.is_none() && rest.value > case.volts(levels::HIGH_REST);
    high.then(|| Raised {
        severity: Severity::Note,
        statement: format!(
            "Rest voltage {}: too high for lead-acid some hours after charging. State of charge, resistance and amps assume a flooded battery.",
            volts(rest)
        ),
        evidence: vec![Evidence {
            start_s: first.start_s,
            end_s: first.end_s,
            text: "engine stopped".to_owned(),
        }],
    })
}

pub fn slow_return(case: &Case) -> Option<Raised> {
    let cranking = case.analysis.cranking.as_ref()?;
    let seconds = cranking.return_to_setpoint_s.filter(|s| *s > SLOW_RETURN_S)?;
    let started = case.segments.phases.iter().find(|p| p.kind == PhaseKind::Cranking)?;
    Some(Raised {
        severity: Severity::Caution,
        statement: format!(
            "After the start the voltage takes {} to reach the setpoint.",
            cranking
                .return_to_setpoint
                .as_ref()
                .map_or_else(|| duration(seconds), |took| SECOND.with_range(took))
        ),
        evidence: vec![Evidence {
            start_s: started.end_s,
            end_s: started.end_s + seconds,
            text: "from the start until the setpoint is held".to_owned(),
        }],
    })
}

/// Several signs that each have other causes, and together one: little is left
/// of the battery's capacity.
pub fn tired_battery(case: &Case) -> Option<Raised> {
    let signs: Vec<Evidence> =
        [labours(case), rests_low(case), returns_slowly(case), resists(case), falls_fast(case)]
            .into_iter()
            .flatten()
            .collect();
    (signs.len() >= SIGNS).then(|| Raised {
        severity: Severity::Caution,
        statement: format!(
            "{} signs of a worn battery: {}.",
            signs.len(),
            signs.iter().map(|sign| sign.text.as_str()).collect::<Vec<_>>().join("; ")
        ),
        evidence: signs,
    })
}

fn labours(case: &Case) -> Option<Evidence> {
    let limit_v = case.volts(levels::CRANKING_LIMIT);
    let cranking = case.analysis.cranking.as_ref().filter(|c| c.lowest_v < limit_v)?;
    Some(Evidence {
        start_s: cranking.at_s,
        end_s: cranking.at_s,
        text: format!("the starter pulls it down to {}", lowest(cranking)),
    })
}

fn rests_low(case: &Case) -> Option<Evidence> {
    let low_v = case.volts(case.car.battery.kind.unwrap_or_default().low_rest());
    let rest = case.analysis.rest_voltage_v.as_ref().filter(|r| r.high < low_v)?;
    let first = case.segments.phases.first().filter(|p| p.kind == PhaseKind::Rest)?;
    Some(Evidence {
        start_s: first.start_s,
        end_s: first.end_s,
        text: format!("it rests at {}", volts(rest)),
    })
}

fn returns_slowly(case: &Case) -> Option<Evidence> {
    let evidence = slow_return(case)?.evidence.into_iter().next()?;
    let took = case.analysis.cranking.as_ref()?.return_to_setpoint.as_ref()?;
    Some(Evidence {
        text: format!("after the start it charges for {}", SECOND.with_range(took)),
        ..evidence
    })
}

fn resists(case: &Case) -> Option<Evidence> {
    let ohm = &case.analysis.battery.resistance_ohm;
    let tired_ohm = case.log.nominal().from_12_v(TIRED_OHM);
    (ohm.grade != Grade::Assumed && ohm.low > tired_ohm).then(|| Evidence {
        start_s: 0.0,
        end_s: case.log.source.duration_s,
        text: format!("its resistance is {}", MILLIOHM.told(ohm)),
    })
}

/// The second half of the steepest draining stretch: by then the surface charge
/// and the fast polarisation are through.
fn falls_fast(case: &Case) -> Option<Evidence> {
    let (time_s, bus_v) = (case.log.time_s(), case.log.bus_v());
    let draining = case.points().filter(|p| p.state == BusState::Draining);
    let noise_model = &case.segments.noise_model;
    let no_surface_v = case.volts(levels::NO_SURFACE_CHARGE);
    let (span, fall, half_width) = draining
        .flat_map(|p| p.spans.iter().copied())
        .filter(|span| span.seconds() >= LEAST_FALL_S)
        .filter_map(|span| {
            let half_s = span.seconds() / 2.0;
            let (from_s, end_s) = (span.start_s + half_s, span.end_s);
            let level = |start_s, end_s| median(&bus_v[indices(time_s, Span { start_s, end_s })]);
            let early_v = level(from_s, from_s + half_s / 2.0);
            let late_v = level(from_s + half_s / 2.0, end_s);
            let per_minute = 60.0 / (half_s / 2.0);
            let fall = per_minute * (early_v - late_v);
            // A median of a normal scatter is as unsure as a mean of 2/π as many.
            let samples =
                (half_s / 2.0 / noise_model.interval_s * std::f64::consts::FRAC_2_PI) as usize;
            let half_width =
                per_minute * std::f64::consts::SQRT_2 * half_width_v(samples.max(1), noise_model);
            let later = Span { start_s: from_s, end_s };
            (early_v < no_surface_v).then_some((later, fall, half_width))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    (fall > case.volts(levels::FAST_FALL_PER_MIN)).then(|| Evidence {
        start_s: span.start_s,
        end_s: span.end_s,
        text: format!(
            "it falls by {} a minute while discharging",
            volts(&Estimate::around(fall, half_width, Grade::Measured, "later half of it"))
        ),
    })
}
