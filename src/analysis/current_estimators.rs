//! Every estimate of the battery's current at one operating point that a log allows, best first,
//! and whether they agree.
//!
//! 1. Battery current is logged: it is read.
//! 2. The battery model, driven by the voltage.
//! 3. The load budget: amps of every load that is on, less alternator output.
//! 4. The slope of the voltage in a long drain, against the battery's capacity.

use crate::analysis::amps::{clamp_half_width_a, label_half_width_a};
use crate::analysis::battery::BatteryModel;
use crate::analysis::level::bus_level;
use crate::assumptions;
use crate::car::{ALWAYS_ON, Car};
use crate::diagnosis::BusState;
use crate::estimate::{Estimate, Grade, Z90};
use crate::format::{AMP, RPM, with_loads};
use crate::log::{Log, Role, Span};
use crate::nominal::Nominal;
use crate::physics::battery::BatteryKind;
use crate::segment::{Point, Segments, indices, mean};
use crate::stats::fit::linear::ordinary;

/// Polarization has settled by then, so a further fall is loss of charge.
const SLOPE_AFTER_S: f64 = 600.0;
const SLOPE_LEAST_S: f64 = 300.0;
/// Resistance grows meanwhile, and capacity shrinks at high current: amps from a slope are good to
/// this factor (common practice, no source).
const SLOPE_FACTOR: f64 = 1.8;
/// Least slope over its standard error.
const SLOPE_SEEN: f64 = 3.0;

/// What a point's amps are computed from.
pub struct PointContext<'a> {
    pub log: &'a Log,
    pub segments: &'a Segments,
    pub car: &'a Car,
    pub battery: &'a BatteryModel,
    pub point: &'a Point,
    pub voltage_v: f64,
}

/// The logged battery current as a discharge; negative while charging.
pub fn measured(amps_a: f64) -> Estimate {
    Estimate::around(-amps_a, clamp_half_width_a(amps_a), Grade::Measured, "logged battery current")
}

/// Loads less alternator. `None` unless every load that is on is stated, and the
/// alternator's amps are logged.
pub fn by_load_budget(seen: &PointContext) -> Option<Estimate> {
    let made_a = seen.point.mean_of(Role::AlternatorCurrent)?;
    let (mut drawn_a, mut unsure) = (0.0, 0.0_f64);
    let mut add = |amps_a: f64, half_a: f64| {
        drawn_a += amps_a;
        unsure = unsure.hypot(half_a);
    };
    if !seen.point.loads.iter().all(|name| is_channel(seen.log, name)) {
        return None;
    }
    for name in seen.log.load_names() {
        let duty = mean_over(seen.log, seen.log.load(name)?, &seen.point.spans)?;
        if duty > 0.0 {
            let load = seen.car.loads_a.get(name)?;
            let amps_a =
                duty * load.amps_a * load.share_at(name, seen.voltage_v, seen.log.nominal());
            add(amps_a, label_half_width_a(amps_a));
        }
    }
    let stated = seen.car.loads_a.get(ALWAYS_ON);
    match stated {
        Some(always) => {
            let amps_a =
                always.amps_a * always.share_at(ALWAYS_ON, seen.voltage_v, seen.log.nominal());
            add(amps_a, label_half_width_a(amps_a));
        }
        None => add(assumptions::ALWAYS_ON.value, assumptions::ALWAYS_ON.half_width()),
    }
    add(-made_a, clamp_half_width_a(made_a));
    let (grade, always) = match stated {
        Some(_) => (Grade::Inferred, "stated"),
        None => (Grade::Assumed, "assumed"),
    };
    let how = format!(
        "loads of stated amps and {always} amps of what is always on, less the logged alternator current"
    );
    Some(Estimate::around(drawn_a, unsure, grade, how))
}

/// The slope late in a long discharge is loss of charge: amps = slope × capacity over the volts
/// between full and empty (its kind's table).
pub fn by_slope(seen: &PointContext) -> Option<Estimate> {
    let longest = seen.point.spans.iter().max_by(|a, b| a.seconds().total_cmp(&b.seconds()))?;
    let late = Span { start_s: longest.start_s + SLOPE_AFTER_S, ..*longest };
    if late.seconds() < SLOPE_LEAST_S {
        return None;
    }
    let parts = 12;
    let each_s = late.seconds() / f64::from(parts);
    let (mut at_h, mut volts) = (Vec::new(), Vec::new());
    for k in 0..parts {
        let start_s = late.start_s + each_s * f64::from(k);
        let part = Span { start_s, end_s: start_s + each_s };
        let here = bus_level(seen.log, seen.segments, part)?;
        at_h.push((start_s + each_s / 2.0) / 3600.0);
        volts.push(here.mean_v);
    }
    let fit = ordinary(&at_h, &volts)?;
    if -fit.slope < SLOPE_SEEN * fit.slope_error() {
        return None;
    }
    let capacity_ah = match seen.car.battery.capacity_ah {
        Some(stated_ah) => stated_ah,
        None => {
            let all: Vec<f64> = seen.battery.draws.iter().map(|d| d.battery.capacity_ah).collect();
            crate::stats::robust::median(&all)
        }
    };
    let how = format!(
        "fall of the voltage over {:.0} min of steady drain, {capacity_ah:.0} Ah",
        late.seconds() / 60.0
    );
    let per_h_v = (-fit.slope, Z90 * fit.slope_error());
    let kind = seen.car.battery.kind.unwrap_or_default();
    of_slope(per_h_v, (kind, capacity_ah), seen.log.nominal(), how)
}

/// Amps that lower a battery's rest voltage by this much in an hour, with its 90 % half-width.
fn of_slope(
    (fall_v_per_h, unsure_v_per_h): (f64, f64),
    (kind, capacity_ah): (BatteryKind, f64),
    nominal: Nominal,
    how: String,
) -> Option<Estimate> {
    let [(_, empty_v), .., (_, full_v)] = kind.rest_table() else { return None };
    let whole_v = nominal.from_12_v(full_v - empty_v);
    let amps_a = fall_v_per_h * capacity_ah / whole_v;
    let noise = unsure_v_per_h / fall_v_per_h;
    let low_a = amps_a / SLOPE_FACTOR * (1.0 - noise).max(0.0);
    let high_a = amps_a * SLOPE_FACTOR * (1.0 + noise);
    Some(Estimate::new(amps_a, low_a, high_a, Grade::Assumed, how))
}

/// The first estimate that disagrees with the best one, in words. Two 90 % intervals that just
/// miss each other are no contradiction, so they must not overlap even half as wide again.
pub fn disagreement(routes: &[Estimate]) -> Option<String> {
    let wide = |e: &Estimate| {
        let (below, above) = (e.value - e.low, e.high - e.value);
        (e.low - 0.5 * below, e.high + 0.5 * above)
    };
    let told = |route: &Estimate| {
        let (way, from, to) = match route.high <= 0.0 {
            true => ("charges at", -route.high, -route.low),
            false => ("discharges at", route.low, route.high),
        };
        let (from, to) = (AMP.bare(from), AMP.bare(to));
        format!("it {way} {from} to {to} A ({}) by {}", route.grade.word(), route.how)
    };
    let (best, others) = routes.split_first()?;
    let (low, high) = wide(best);
    others
        .iter()
        .find(|other| wide(other).1 < low || wide(other).0 > high)
        .map(|other| format!("{}, but {}", told(best), told(other)))
}

/// The discharge there, how it is known, and what would measure it better.
pub fn sentence(point: &Point, state: BusState, given: Option<&Estimate>) -> String {
    let at = point.rpm.map_or_else(String::new, |rpm| format!(" at {}", RPM.of(rpm)));
    let where_ = format!("{}{at}", with_loads(&point.loads));
    let Some(given) = given else {
        return format!("This log does not show at how many amps the battery discharges {where_}.");
    };
    let narrower = match given.grade {
        Grade::Measured => "",
        Grade::Inferred => " A clamp on the battery cable narrows it to an amp.",
        Grade::Assumed => {
            " A clamp on the battery cable narrows it to an amp; a load of known amps (--load-amps) switched while the bus sags narrows it too, most where that load was also held on for half a minute before the start."
        }
    };
    match state {
        BusState::Holding => format!("The battery does not discharge {where_}: {}.", given.how),
        BusState::Limited if given.high < 0.5 => {
            format!("The battery does not discharge {where_}: {}.", given.how)
        }
        BusState::Limited => format!(
            "The battery most likely does not discharge {where_}, at most at {} ({}): {}.{narrower}",
            AMP.of(given.high),
            given.grade.word(),
            given.how
        ),
        BusState::Draining => {
            let amount = AMP.told(given);
            format!("The battery discharges at {amount} {where_}: {}.{narrower}", given.how)
        }
    }
}

fn is_channel(log: &Log, label: &str) -> bool {
    log.load_names().iter().any(|name| label == name || label.starts_with(&format!("{name} ")))
}

fn mean_over(log: &Log, values: &[f64], spans: &[Span]) -> Option<f64> {
    let (mut sum, mut seconds) = (0.0, 0.0);
    for span in spans {
        let here = mean(values.get(indices(log.time_s(), *span))?);
        if here.is_finite() {
            sum += span.seconds() * here;
            seconds += span.seconds();
        }
    }
    (seconds > 0.0).then(|| sum / seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn route(low: f64, high: f64, how: &str) -> Estimate {
        Estimate::new((low + high) / 2.0, low, high, Grade::Assumed, how)
    }

    #[test]
    fn routes_that_do_not_meet_are_told() {
        let routes = [
            route(10.0, 12.0, "a clamp"),
            route(13.0, 30.0, "a model"),
            route(-9.0, -5.0, "a ledger"),
        ];
        let said = disagreement(&routes).unwrap_or_default();
        assert_eq!(
            said,
            "it discharges at 10 to 12 A (assumed) by a clamp, but it charges at 5 to 9 A (assumed) by a ledger"
        );
        assert_eq!(disagreement(&routes[..2]), None);
        assert_eq!(disagreement(&[]), None);
    }

    /// By hand: a flooded battery falls 12.65 − 11.90 = 0.75 V from full to empty
    /// (common practice, no source), so 0.3 V an hour are 0.4 of it an hour: 24 A
    /// of a 60 Ah battery.
    #[test]
    fn charge_that_goes_shows_in_the_slope() {
        let given =
            of_slope((0.3, 0.03), (BatteryKind::Flooded, 60.0), Nominal::V12, String::new())
                .expect("a table has two ends");
        assert!((given.value - 24.0).abs() < 1e-9);
        assert!((given.low - 24.0 / 1.8 * 0.9).abs() < 1e-9);
        assert!((given.high - 24.0 * 1.8 * 1.1).abs() < 1e-9);
    }

    #[test]
    fn a_clamp_reads_its_zero_and_its_gain() {
        let given = measured(-40.0);
        assert!((given.value - 40.0).abs() < 1e-9);
        // √(0.5² + (0.02·40)²) = 0.943 A.
        assert!((given.half_width() - 0.943).abs() < 1e-3);
    }
}
