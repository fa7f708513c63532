//! Charge drawn from the battery over the log, and how long the battery would last.

use crate::analysis::battery::BatteryModel;
use crate::analysis::current_estimators;
use crate::assumptions::PEUKERT;
use crate::diagnosis::{BatteryUse, BusState, OperatingPoint};
use crate::estimate::{Estimate, Grade};
use crate::format::{AMP_HOUR, HOUR, RPM, capital, with_loads};
use crate::log::{Log, Role};

/// Fuel and ignition control stop working with about this share of charge left
/// (common practice, no source).
const LEFT_SHARE: f64 = 0.2;
/// Capacity is stated for a discharge over this many hours.
const RATED_H: f64 = 20.0;
/// A smaller discharge gets no duration.
const LEAST_A: f64 = 1.0;

pub fn battery_use(log: &Log, points: &[OperatingPoint], battery: &BatteryModel) -> BatteryUse {
    let worst = points
        .iter()
        .filter(|p| p.state == BusState::Draining)
        .filter_map(|p| Some((p, p.implied_deficit_a.as_ref()?)))
        .max_by(|a, b| a.1.value.total_cmp(&b.1.value))
        .filter(|(_, amps)| amps.low > LEAST_A);
    let taken_ah = taken(log, battery);
    let lasts_h = worst.map(|(_, amps)| lasts(battery, amps));
    let told = match (worst, &lasts_h) {
        (Some((point, _)), Some(hours)) => {
            let at = point.rpm.map_or_else(String::new, |rpm| format!(" at {}", RPM.of(rpm)));
            format!(
                "In this log the battery lost {}. {}{at} it would last {} from the end of the log.",
                AMP_HOUR.told(&taken_ah),
                capital(&with_loads(&point.loads)),
                HOUR.told(hours)
            )
        }
        _ => format!("In this log the battery lost {}.", AMP_HOUR.told(&taken_ah)),
    };
    BatteryUse { taken_ah, lasts_h, told }
}

/// Amp-hours discharged; what was recharged meanwhile is not subtracted.
fn taken(log: &Log, battery: &BatteryModel) -> Estimate {
    if let Some(amps_a) = log.channel(Role::BatteryCurrent) {
        let (mut given_as, mut unsure_as) = (0.0, 0.0);
        for (pair, amps_a) in log.time_s().windows(2).zip(amps_a) {
            let &[from_s, to_s] = pair else { continue };
            let given = current_estimators::measured(*amps_a);
            // What happened in a gap is not known.
            if given.high > 0.0 && to_s - from_s < 10.0 * log.interval_s() {
                given_as += given.value.max(0.0) * (to_s - from_s);
                unsure_as += given.half_width() * (to_s - from_s);
            }
        }
        let low_as = (given_as - unsure_as).max(0.0);
        return Estimate::new(
            given_as / 3600.0,
            low_as / 3600.0,
            (given_as + unsure_as) / 3600.0,
            Grade::Measured,
            "logged battery current, summed",
        );
    }
    let given_ah: Vec<f64> = battery.ensemble.given_as.iter().map(|a| a / 3600.0).collect();
    battery.estimate(&given_ah)
}

/// From each battery's charge at the log's end down to [`LEFT_SHARE`], at a
/// current within `amps`.
fn lasts(battery: &BatteryModel, amps: &Estimate) -> Estimate {
    let count = battery.draws.len().max(1) as f64;
    let hours: Vec<f64> = battery
        .draws
        .iter()
        .zip(&battery.ensemble.ends)
        .enumerate()
        .map(|(k, (draw, end))| {
            // Currents and exponents spread evenly over their ranges, each
            // draw its own, by two turns that never meet.
            let turn = |step: f64| ((k as f64 + 0.5) / count * step).fract();
            let between = |low: f64, middle: f64, high: f64, p: f64| {
                if p < 0.5 {
                    low + (middle - low) * 2.0 * p
                } else {
                    middle + (high - middle) * (2.0 * p - 1.0)
                }
            };
            let amps_a = between(amps.low, amps.value, amps.high, turn(count * 0.618_034));
            let exponent =
                between(PEUKERT.low(), PEUKERT.value, PEUKERT.high(), turn(count * 0.414_214));
            let rated_a = draw.battery.capacity_ah / RATED_H;
            let shrunk = (rated_a / amps_a).powf(exponent - 1.0).min(1.0);
            let left = (end.state_of_charge - LEFT_SHARE).max(0.0);
            left * draw.battery.capacity_ah * shrunk / amps_a
        })
        .collect();
    let how = "charge and capacity of the batteries that this one could be, down to a fifth, at that current";
    Estimate::of_samples(&hours, &battery.ensemble.weights, Grade::Assumed, how)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::car::Car;
    use crate::inference::ensemble::EnsembleRun;
    use crate::inference::prior::{LATENT_DIMENSIONS, Prior};
    use crate::nominal::Nominal;
    use crate::physics::battery::BatteryState;

    /// By hand: 60 Ah from 80 % down to 20 % are 36 Ah; at 24 A against a rated
    /// 3 A, Peukert's 1.2 leaves (3/24)^0.2 = 0.660 of it, 23.8 Ah: 0.99 h.
    #[test]
    fn an_hour_at_eight_times_the_rated_current() {
        let one = Estimate::new(0.005, 0.004, 0.006, Grade::Assumed, "");
        let car = Car::default();
        let prior = Prior {
            car: &car,
            nominal: Nominal::V12,
            temperature_c: None,
            resistance_ohm: &one,
            rest_v: None,
        };
        let mut draw = prior.at(&[0.0; LATENT_DIMENSIONS]);
        draw.battery.capacity_ah = 60.0;
        let draws = vec![draw; 101];
        let ends = vec![BatteryState::rested(0.8, 0.0); draws.len()];
        let battery = BatteryModel {
            nominal: Nominal::V12,
            resistance_ohm: one.clone(),
            routes: Vec::new(),
            disagreement: None,
            zero_current_v: one.clone(),
            ensemble: EnsembleRun::of_ends(ends),
            followed: Vec::new(),
            draws,
            grade: Grade::Assumed,
            how: String::new(),
        };
        let hours = lasts(&battery, &Estimate::around(24.0, 0.0, Grade::Measured, ""));
        assert!((hours.value - 0.99).abs() < 0.02, "{hours:?}");
        assert!(hours.low < hours.value && hours.value < hours.high);
    }
}
