//! From volts to amps: the discharge at an operating point, and the output needed in addition.

use crate::analysis::battery::BatteryModel;
use crate::estimate::{Estimate, Grade};
use crate::inference::ensemble::WindowCurrent;
use crate::nominal::Nominal;
use crate::segment::Point;

/// Loads draw more as the voltage rises: lamps about V^0.5, motors about V,
/// electronic drivers about 1/V (common practice, no source). How many amps the
/// loads draw in all is not known; this is per volt of a 12 V car for some tens of amps.
const LOAD_GROWTH_A_PER_12_V: f64 = 2.5;

/// Amps that the loads draw in addition on a bus `higher_v` higher.
pub fn load_growth_a(higher_v: f64, nominal: Nominal) -> f64 {
    LOAD_GROWTH_A_PER_12_V * nominal.as_12_v(higher_v).max(0.0)
}

/// Half a clamp meter's zero error: a smaller current does not count as discharge.
pub const DRAINING_A: f64 = 0.5;
/// A battery with a larger charging current is being charged.
pub const CHARGING_A: f64 = 2.0;

/// Amps at one operating point.
#[derive(Debug, Clone, PartialEq)]
pub struct Amps {
    pub implied_deficit_a: Estimate,
    /// The same, negative while charging.
    pub given_a: Estimate,
    pub regulation_shortfall_a: Option<Estimate>,
    /// Probability that the battery discharges.
    pub draining_share: f64,
    /// Probability that it is being charged.
    pub charging_share: f64,
    /// Voltage at which the battery would neither discharge nor charge there.
    pub zero_current_v: Estimate,
}

/// What the voltage at `point` implies, by all samples of the battery's posterior.
/// `setpoint_v` at the time of the point.
pub fn of_point(
    point: &Point,
    voltage_v: f64,
    setpoint_v: Option<f64>,
    battery: &BatteryModel,
    nominal: Nominal,
) -> Amps {
    let weights = &battery.ensemble.weights;
    let over_visits = |of: &dyn Fn(&WindowCurrent, usize) -> f64, draw: usize| {
        let (mut sum, mut seconds) = (0.0, 0.0);
        for (&k, span) in point.stretches.iter().zip(&point.spans) {
            if let Some(window) = battery.window(draw, k) {
                sum += span.seconds() * of(window, draw);
                seconds += span.seconds();
            }
        }
        sum / seconds
    };
    let by_draw = |of: &dyn Fn(&WindowCurrent, usize) -> f64| -> Vec<f64> {
        (0..battery.draws.len()).map(|draw| over_visits(of, draw)).collect()
    };
    let current_a = by_draw(&|window, _| window.mean_a());
    let given_a = by_draw(&|window, _| window.given_a());
    let zero_v = by_draw(&|window, draw| {
        window.end().map_or(f64::NAN, |state| battery.draws[draw].zero_current_v(voltage_v, state))
    });
    let shortfall_a = setpoint_v.map(|held_v| {
        let taken_a = by_draw(&|window, draw| {
            window.end().map_or(f64::NAN, |state| battery.draws[draw].current_at(held_v, state))
        });
        let growth_a = load_growth_a(held_v - voltage_v, nominal);
        let lacks: Vec<f64> = taken_a
            .iter()
            .zip(&current_a)
            .map(|(taken, now)| (taken - now).max(0.0) + growth_a)
            .collect();
        battery.estimate(&lacks)
    });
    let share_of = |is_so: &dyn Fn(f64) -> bool| -> f64 {
        current_a.iter().zip(weights).filter(|(a, _)| is_so(**a)).map(|(_, w)| w).sum()
    };
    let net_a: Vec<f64> = current_a.iter().map(|a| -a).collect();
    Amps {
        given_a: battery.estimate(&net_a),
        implied_deficit_a: battery.estimate(&given_a),
        regulation_shortfall_a: shortfall_a,
        draining_share: share_of(&|taken_a| taken_a < -DRAINING_A),
        charging_share: share_of(&|taken_a| taken_a > CHARGING_A),
        zero_current_v: battery.estimate(&zero_v),
    }
}

/// No deficit.
pub fn zero(grade: Grade, how: &str) -> Estimate {
    Estimate::new(0.0, 0.0, 0.0, grade, how)
}
