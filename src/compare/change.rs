//! What changed at a matched point: volts as they were read, and the amps behind them.

use crate::analysis::LEVEL;
use crate::compare::matching::Pair;
use crate::comparison::{ChangeTest, Conditions, MatchedPoint, PointSide, Standing};
use crate::diagnosis::{BusState, OperatingPoint};
use crate::estimate::{Estimate, Grade};
use crate::stats::interval::{Summary, welch_summaries};

/// Two logs of one unchanged car differ by so many amps from day to day: the
/// machine's own warmth, brake lamps, what nobody logged (common practice, no
/// source).
const DAY_TO_DAY_A: f64 = 3.0;
/// … and by so many volts, held or not.
pub const DAY_TO_DAY_V: f64 = 0.2;
/// A battery that takes more than this is hungry, and may hold a bus down by itself.
const HUNGRY_A: f64 = 5.0;

pub fn matched_point(pair: &Pair) -> MatchedPoint {
    let (before, after) = (pair.before, pair.after);
    let (change_v, test) = change(before, after);
    let gain_a = gain(before, after);
    let standing = standing(pair, &change_v, gain_a.as_ref());
    MatchedPoint {
        loads: before.loads.clone(),
        rpm_low: before.rpm_low,
        rpm_high: before.rpm_high,
        conditions: pair.conditions,
        conditions_how: pair.how.clone(),
        before: side(before),
        after: side(after),
        change_v,
        test,
        gain_a,
        standing,
    }
}

fn side(point: &OperatingPoint) -> PointSide {
    PointSide {
        rpm: point.rpm,
        heat: point.heat,
        seconds: point.seconds,
        voltage_v: point.voltage_v.clone(),
        state: point.state,
        is_sure: point.is_sure(),
        under_setpoint_v: point.under_setpoint_v.clone(),
        implied_deficit_a: point.implied_deficit_a.clone(),
    }
}

/// Volts after less before, by Welch's method with effective sample sizes
/// (Welch, Biometrika 34, 1947); what no number of samples averages out of a
/// side counts in its standard error.
pub fn change(before: &OperatingPoint, after: &OperatingPoint) -> (Estimate, ChangeTest) {
    let welch = welch_summaries(summary(before), summary(after), LEVEL);
    let how = "mean after less mean before";
    let change_v = Estimate::new(welch.difference, welch.low, welch.high, Grade::Measured, how);
    (change_v, ChangeTest { degrees_of_freedom: welch.dof, p: welch.p })
}

fn summary(point: &OperatingPoint) -> Summary {
    let scatter = &point.scatter;
    let effective_n = scatter.effective_samples.max(2.0);
    let shared_v = scatter.shared_v * effective_n.sqrt();
    Summary { mean: point.voltage_v.value, sigma: scatter.sigma_v.hypot(shared_v), effective_n }
}

/// Amps that machine and wiring carry more than before with the same loads: what
/// the battery gives less. The loads draw more at a higher voltage, so it is no
/// less than this; where the later bus holds, there may be more in reserve.
fn gain(before: &OperatingPoint, after: &OperatingPoint) -> Option<Estimate> {
    if before.state == BusState::Holding && after.state == BusState::Holding {
        return None;
    }
    let (old, new) = (before.battery_gives_a.as_ref()?, after.battery_gives_a.as_ref()?);
    Some(difference(&[(1.0, old, new)]))
}

/// Weighted mean of old less new. The errors of one log go together (one
/// battery, one clamp), those of two logs do not.
fn difference(terms: &[(f64, &Estimate, &Estimate)]) -> Estimate {
    let weights: f64 = terms.iter().map(|(w, ..)| w).sum();
    let mean = |of: &dyn Fn(&Estimate, &Estimate) -> f64| {
        terms.iter().map(|(w, old, new)| w * of(old, new)).sum::<f64>() / weights
    };
    let value = mean(&|old, new| old.value - new.value);
    let below = mean(&|old, _| old.value - old.low).hypot(mean(&|_, new| new.high - new.value));
    let above = mean(&|old, _| old.high - old.value).hypot(mean(&|_, new| new.value - new.low));
    let grade = terms.iter().map(|(_, old, new)| old.grade.max(new.grade)).max();
    let how = "what the battery gave before, less what it gives after";
    Estimate::new(value, value - below, value + above, grade.unwrap_or(Grade::Assumed), how)
}

/// Over the points of such conditions where the bus leaves its setpoint in either
/// log, the longest seen counting most.
pub fn pooled_gain(pairs: &[Pair], fits: impl Fn(Conditions) -> bool) -> Option<Estimate> {
    let terms: Vec<(f64, &Estimate, &Estimate)> = pairs
        .iter()
        .filter(|pair| fits(pair.conditions) && gain(pair.before, pair.after).is_some())
        .filter_map(|pair| {
            let (before, after) = (pair.before, pair.after);
            let seconds = before.seconds.min(after.seconds);
            Some((seconds, before.battery_gives_a.as_ref()?, after.battery_gives_a.as_ref()?))
        })
        .collect();
    (!terms.is_empty()).then(|| difference(&terms))
}

/// What a gain in amps says: more than a day's difference, and beyond its interval.
pub fn by_amps(gain_a: &Estimate) -> Standing {
    if gain_a.low > 0.0 && gain_a.value > DAY_TO_DAY_A {
        Standing::Better
    } else if gain_a.high < 0.0 && gain_a.value < -DAY_TO_DAY_A {
        Standing::Worse
    } else {
        Standing::NoClearChange
    }
}

fn standing(pair: &Pair, change_v: &Estimate, gain_a: Option<&Estimate>) -> Standing {
    let by_amps = gain_a.map_or(Standing::NoClearChange, by_amps);
    match (by_amps, by_volts(pair, change_v)) {
        (Standing::NoClearChange, by_volts) => by_volts,
        (by_amps, Standing::NoClearChange) => by_amps,
        (by_amps, by_volts) if by_amps == by_volts => by_amps,
        // Volts and amps that point apart tell nothing clear.
        _ => Standing::NoClearChange,
    }
}

/// A bus that surely holds where it surely did not, without the amps to say by how
/// much: only where no hungry battery held it down.
fn by_volts(pair: &Pair, change_v: &Estimate) -> Standing {
    let (before, after) = (pair.before, pair.after);
    if !(before.is_sure() && after.is_sure()) {
        return Standing::NoClearChange;
    }
    let sated = |point: &OperatingPoint| {
        point.battery_gives_a.as_ref().is_some_and(|gives| gives.low > -HUNGRY_A)
    };
    let holds = |point: &OperatingPoint| point.state == BusState::Holding;
    if !holds(before) && holds(after) && change_v.low > DAY_TO_DAY_V && sated(before) {
        Standing::Better
    } else if holds(before) && !holds(after) && change_v.high < -DAY_TO_DAY_V && sated(after) {
        Standing::Worse
    } else {
        Standing::NoClearChange
    }
}

/// `new` less `old`, their errors being independent.
pub fn estimate_change(old: &Estimate, new: &Estimate, how: &str) -> Estimate {
    let half_width = old.half_width().hypot(new.half_width());
    Estimate::around(new.value - old.value, half_width, old.grade.max(new.grade), how)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn amps(value: f64, low: f64, high: f64) -> Estimate {
        Estimate::new(value, low, high, Grade::Inferred, "by hand")
    }

    /// By hand: 20 (14 to 30) less 2 (0 to 5): 18, down by √(6² + 3²), up by √(10² + 2²).
    #[test]
    fn a_gain_joins_what_both_logs_leave_open() {
        let (old, new) = (amps(20.0, 14.0, 30.0), amps(2.0, 0.0, 5.0));
        let gain = difference(&[(1.0, &old, &new)]);
        assert_eq!(gain.value, 18.0);
        assert!((gain.low - (18.0 - 45f64.sqrt())).abs() < 1e-12);
        assert!((gain.high - (18.0 + 104f64.sqrt())).abs() < 1e-12);
    }

    /// One battery's error is the same at every point: more points do not narrow it.
    #[test]
    fn points_of_one_log_do_not_average_their_common_error_out() {
        let (old, new) = (amps(20.0, 14.0, 26.0), amps(0.0, -3.0, 3.0));
        let one = difference(&[(1.0, &old, &new)]);
        let many = difference(&[(5.0, &old, &new), (7.0, &old, &new), (1.0, &old, &new)]);
        assert!((one.low - many.low).abs() < 1e-9 && (one.high - many.high).abs() < 1e-9);
    }

    #[test]
    fn a_day_to_day_difference_is_no_change() {
        assert_eq!(by_amps(&amps(2.0, 1.0, 3.0)), Standing::NoClearChange);
        assert_eq!(by_amps(&amps(8.0, -1.0, 17.0)), Standing::NoClearChange);
        assert_eq!(by_amps(&amps(8.0, 1.0, 15.0)), Standing::Better);
        assert_eq!(by_amps(&amps(-8.0, -15.0, -1.0)), Standing::Worse);
    }
}
