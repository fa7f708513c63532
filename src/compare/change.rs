//! What changed at a matched point: volts as they were read, and the amps behind them.

use crate::compare::matching::Pair;
use crate::comparison::{ChangeTest, MatchedPoint, PointOutcome, PointSide};
use crate::diagnosis::{BusState, OperatingPoint};
use crate::estimate::{Estimate, Grade, LEVEL};
use crate::levels;
use crate::stats::interval::{Summary, welch};

/// Two logs of one unchanged car differ by no more than so many amps in nine of ten
/// pairs of days: 2 % of idle speed and 15 °C of the alternator's own warmth are 4 %
/// each of some 80 A, what is not logged an amp or two (common practice, no source).
const DAY_TO_DAY_A: f64 = 6.0;
/// A battery that takes so much more than on another day may hold a bus down by itself.
const HUNGRY_A: f64 = 5.0;
/// One point of ten differs by chance where each is looked at by a 90 % interval:
/// a point that was not agreed on beforehand has to differ by a 99 % one (2.576
/// over 1.645 deviations).
const AMONG_MANY: f64 = 1.57;
/// An alternator at its limit tips over from one day to the next, at one set of loads
/// or two that draw alike; not at this many.
const TIPPED_POINTS: usize = 3;

/// `is_agreed` is true for the operating point that was agreed to be compared.
pub fn matched_points(
    pairs: &[Pair],
    is_agreed: impl Fn(&OperatingPoint) -> bool,
) -> Vec<MatchedPoint> {
    let point = |pair: &Pair| matched_point(pair, is_agreed(pair.before));
    let mut points: Vec<MatchedPoint> = pairs.iter().map(point).collect();
    let volts: Vec<PointOutcome> =
        pairs.iter().zip(&points).map(|(pair, point)| by_volts(pair, &point.change_v)).collect();
    for standing in [PointOutcome::Better, PointOutcome::Worse] {
        if volts.iter().filter(|v| **v == standing).count() < TIPPED_POINTS {
            continue;
        }
        for (point, by_volts) in points.iter_mut().zip(&volts) {
            if *by_volts == standing && point.standing == PointOutcome::NoClearChange {
                point.standing = standing;
            }
        }
    }
    points
}

fn matched_point(pair: &Pair, is_agreed: bool) -> MatchedPoint {
    let (before, after) = (pair.before, pair.after);
    let (change_v, test) = change(before, after);
    let gain_a = gain(before, after);
    let widened = if is_agreed { 1.0 } else { AMONG_MANY };
    let standing = by_amps(pair, gain_a.as_ref().map(|gain| wider(gain, widened)));
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
    let welch = welch(summary(before), summary(after), LEVEL);
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

/// Amps that alternator and wiring carry more than before with the same loads: what
/// the battery discharges less. The loads draw more at a higher voltage, so it is no
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
    let how = "battery discharge before, less that after";
    Estimate::new(value, value - below, value + above, grade.unwrap_or(Grade::Assumed), how)
}

/// Over the fair points where the earlier log shows all that alternator and wiring
/// carry, the longest seen counting most.
pub fn pooled_gain(pairs: &[Pair]) -> Option<Estimate> {
    pooled(pairs, |pair| pair.conditions.is_fair() && !holds(pair.before))
}

/// The same over the points where the later log shows all they carry, and asks for
/// no more than the earlier: a loss is one below 0.
pub fn pooled_loss(pairs: &[Pair]) -> Option<Estimate> {
    pooled(pairs, |pair| pair.conditions.is_no_harder() && !holds(pair.after))
}

fn holds(point: &OperatingPoint) -> bool {
    point.state == BusState::Holding
}

fn pooled(pairs: &[Pair], fits: impl Fn(&Pair) -> bool) -> Option<Estimate> {
    let terms: Vec<(f64, &Estimate, &Estimate)> = pairs
        .iter()
        .filter(|pair| fits(pair))
        .filter_map(|pair| {
            let (before, after) = (pair.before, pair.after);
            let seconds = before.seconds.min(after.seconds);
            Some((seconds, before.battery_gives_a.as_ref()?, after.battery_gives_a.as_ref()?))
        })
        .collect();
    (!terms.is_empty()).then(|| difference(&terms))
}

/// Whether a gain is beyond its interval and a day's difference together.
pub fn is_gained(gain_a: &Estimate) -> bool {
    gain_a.value > (gain_a.value - gain_a.low).hypot(DAY_TO_DAY_A)
}

pub fn is_lost(gain_a: &Estimate) -> bool {
    is_gained(&gain_a.negated())
}

/// An alternator that holds the bus supplies what is needed and may have more: a gain is
/// one over an alternator at its limit, and only an alternator at its limit has lost any.
fn by_amps(pair: &Pair, gain_a: Option<Estimate>) -> PointOutcome {
    let Some(gain_a) = gain_a else { return PointOutcome::NoClearChange };
    if !holds(pair.before) && is_gained(&gain_a) {
        PointOutcome::Better
    } else if !holds(pair.after) && is_lost(&gain_a) {
        PointOutcome::Worse
    } else {
        PointOutcome::NoClearChange
    }
}

fn wider(gain_a: &Estimate, factor: f64) -> Estimate {
    let Estimate { value, low, high, .. } = *gain_a;
    let low = value - factor * (value - low);
    let high = value + factor * (high - value);
    Estimate { low, high, ..gain_a.clone() }
}

/// A bus that surely holds where it surely did not, without the amps to say by how
/// much: only where a battery that takes less does not explain it.
fn by_volts(pair: &Pair, change_v: &Estimate) -> PointOutcome {
    let Some(gain_a) = gain(pair.before, pair.after) else { return PointOutcome::NoClearChange };
    match tipped(pair, change_v) {
        PointOutcome::Better if gain_a.low > -HUNGRY_A => PointOutcome::Better,
        PointOutcome::Worse if gain_a.high < HUNGRY_A => PointOutcome::Worse,
        _ => PointOutcome::NoClearChange,
    }
}

/// Whether the bus surely went to its setpoint or off it, whatever the battery takes.
fn tipped(pair: &Pair, change_v: &Estimate) -> PointOutcome {
    let (before, after) = (pair.before, pair.after);
    let day_to_day_v = pair.nominal.volts(levels::DAY_TO_DAY);
    if !(before.is_sure() && after.is_sure()) {
        PointOutcome::NoClearChange
    } else if !holds(before) && holds(after) && change_v.low > day_to_day_v {
        PointOutcome::Better
    } else if holds(before) && !holds(after) && change_v.high < -day_to_day_v {
        PointOutcome::Worse
    } else {
        PointOutcome::NoClearChange
    }
}

/// Why a bus that no longer holds proves nothing about the alternator.
pub enum OpenFall<'p, 'd> {
    /// A battery that draws more charging current may do it.
    Battery(&'p Pair<'d>),
    /// The later log asked for more, or it is not known.
    Conditions(&'p Pair<'d>),
}

/// The point with most on where the bus no longer holds, where that is so at many
/// and the logs leave open what does it.
pub fn open_fall<'p, 'd>(pairs: &'p [Pair<'d>]) -> Option<OpenFall<'p, 'd>> {
    let fallen = pairs.iter().filter(|pair| {
        let (change_v, _) = change(pair.before, pair.after);
        tipped(pair, &change_v) == PointOutcome::Worse
    });
    let (fair, unfair): (Vec<&Pair>, Vec<&Pair>) =
        fallen.partition(|pair| pair.conditions.is_no_harder());
    let most = |fallen: &[&'p Pair<'d>]| {
        let most = fallen.iter().max_by_key(|pair| pair.before.loads.len()).copied();
        most.filter(|_| fallen.len() >= TIPPED_POINTS)
    };
    let may_be_lost = pooled_loss(pairs).is_none_or(|gain| gain.low < -DAY_TO_DAY_A);
    let battery = most(&fair).filter(|_| may_be_lost).map(OpenFall::Battery);
    battery.or_else(|| most(&unfair).map(OpenFall::Conditions))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::fixtures::{draining, holding};
    use crate::comparison::Conditions;
    use crate::nominal::Nominal;

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

    /// 8 A ± 4: √(4² + 6²) = 7.2, beyond; ± 6: √72 = 8.5, not.
    #[test]
    fn a_day_to_day_difference_is_no_change() {
        assert!(!is_gained(&amps(5.9, 5.8, 6.0)));
        assert!(is_gained(&amps(8.0, 4.0, 12.0)));
        assert!(!is_gained(&amps(8.0, 2.0, 14.0)));
        assert!(is_lost(&amps(-8.0, -12.0, -4.0)));
        assert!(!is_lost(&amps(-8.0, -14.0, -2.0)));
    }

    /// 14 A ± 7 is beyond √(7² + 6²) = 9.2; by 99 %, ± 11, within √(11² + 6²) = 12.5
    /// it is too, and 11 A ± 7 is not.
    #[test]
    fn what_nobody_agreed_on_has_to_show_more() {
        let old = |gives_a| OperatingPoint {
            battery_gives_a: Some(amps(gives_a, gives_a - 7.0, gives_a + 7.0)),
            ..draining(&[], gives_a)
        };
        let new =
            OperatingPoint { battery_gives_a: Some(amps(0.0, 0.0, 0.0)), ..draining(&[], 0.0) };
        let of = |gives_a, agreed: bool| {
            let old = old(gives_a);
            matched_points(&[pair(&old, &new)], |_| agreed)[0].standing
        };
        assert_eq!(of(14.0, false), PointOutcome::Better);
        assert_eq!(of(11.0, false), PointOutcome::NoClearChange);
        assert_eq!(of(11.0, true), PointOutcome::Better);
        assert_eq!(of(9.0, true), PointOutcome::NoClearChange);
    }

    fn pair<'d>(before: &'d OperatingPoint, after: &'d OperatingPoint) -> Pair<'d> {
        let nominal = Nominal::V12;
        Pair { before, after, conditions: Conditions::Same, how: String::new(), nominal }
    }

    /// A battery that draws much charging current that took 20 A from an alternator at its limit, and a full one
    /// that takes 2 A from an alternator that holds: it is not known what it has left.
    #[test]
    fn a_full_battery_is_no_loss() {
        let hungry = OperatingPoint {
            state: BusState::Limited,
            voltage_v: amps(13.6, 13.59, 13.61),
            battery_gives_a: Some(amps(-20.0, -21.0, -19.0)),
            ..holding(&[])
        };
        let full = holding(&[]);
        let found = matched_points(&[pair(&hungry, &full)], |_| true);
        assert_eq!(found[0].standing, PointOutcome::NoClearChange);
        assert!(found[0].gain_a.as_ref().is_some_and(is_lost));
        assert!(pooled_loss(&[pair(&hungry, &full)]).is_none());
        // The other way round the alternator at its limit is the later one.
        let found = matched_points(&[pair(&full, &hungry)], |_| true);
        assert_eq!(found[0].standing, PointOutcome::NoClearChange);
        assert!(pooled_gain(&[pair(&full, &hungry)]).is_none());
    }

    /// The same 1.6 V, at one set of loads and at three; the battery's share is
    /// within a day's.
    #[test]
    fn one_set_of_loads_may_tip_over_but_not_three() {
        let short = draining(&[], 2.0);
        let cured = holding(&[]);
        let one = pair(&short, &cured);
        let alone = matched_points(std::slice::from_ref(&one), |_| true);
        assert_eq!(alone[0].standing, PointOutcome::NoClearChange);
        let three = matched_points(&[one.clone(), one.clone(), one], |_| true);
        assert!(three.iter().all(|p| p.standing == PointOutcome::Better));
    }
}
