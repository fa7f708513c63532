//! A setpoint along a straight line: the highest one that the bus kept to for long enough.

use super::regulation_test::{HeldStretch, is_indifferent};
use super::{Setpoint, track};
use crate::estimate::{Estimate, Grade, Z90};
use crate::levels;
use crate::nominal::Nominal;
use crate::stats::robust::median;

/// 7 to 10 mV/°C over a warm-up of a few °C a minute, in steps of
/// [`levels::DRIFT_STEP_PER_MIN`] (common practice, no source).
const DRIFT_STEPS: std::ops::RangeInclusive<i32> = -16..=4;
/// Less running than this shows no drift.
const LEAST_DRIFT_S: f64 = 60.0;

/// The drift (V/s) and members of the highest line with time enough on it and
/// next to none above it; among drifts the one that gathers most time.
pub(super) fn highest_line(seen: &[HeldStretch], nominal: Nominal) -> Option<(f64, Vec<usize>)> {
    let total_s: f64 = seen.iter().map(|s| s.seconds).sum();
    let first_s = seen.first()?.middle_s;
    let spread_s = seen.last()?.middle_s - first_s;
    let unsure_v = median(&seen.iter().map(|s| s.half_width_v).collect::<Vec<_>>());
    let band_v = nominal.volts(levels::ONE_SETPOINT) + 2.0 * unsure_v;
    let charged_v = nominal.volts(levels::CHARGED);
    let step_v_per_min = nominal.volts(levels::DRIFT_STEP_PER_MIN);
    let drifts: Vec<f64> = if spread_s < LEAST_DRIFT_S {
        vec![0.0]
    } else {
        DRIFT_STEPS.map(|k| f64::from(k) * step_v_per_min / 60.0).collect()
    };
    drifts
        .into_iter()
        .filter_map(|drift| {
            let mut order: Vec<(f64, usize)> = seen
                .iter()
                .enumerate()
                .map(|(k, s)| (s.level_v - drift * (s.middle_s - first_s), k))
                .collect();
            order.sort_by(|a, b| b.0.total_cmp(&a.0));
            let (members, on_line_s) = highest_band(&order, seen, total_s, band_v, charged_v)?;
            // A slope must earn its keep: it costs a little support.
            let earned_s = on_line_s * (1.0 - 0.5 * (nominal.as_12_v(drift) * 60.0).abs());
            Some((drift, members, earned_s))
        })
        .max_by(|a, b| a.2.total_cmp(&b.2))
        .map(|(drift, members, _)| (drift, members))
}

/// `order` is sorted from the highest level down. The highest band of `band_v`
/// that holds enough time, with its members and seconds.
fn highest_band(
    order: &[(f64, usize)],
    seen: &[HeldStretch],
    total_s: f64,
    band_v: f64,
    charged_v: f64,
) -> Option<(Vec<usize>, f64)> {
    let enough_s = (0.05 * total_s).max(3.0).min(0.8 * total_s);
    let mut above_s = 0.0;
    // Seconds from the top of the order on, to pass by what cannot be enough.
    let mut within = (0, 0.0);
    for (top, &(top_v, k)) in order.iter().enumerate() {
        while let Some(&(_, next)) = order.get(within.0).filter(|(v, _)| *v >= top_v - band_v) {
            within = (within.0 + 1, within.1 + seen[next].seconds);
        }
        let about_s = within.1;
        within.1 -= seen[k].seconds;
        if about_s < enough_s - 1e-6 * total_s {
            above_s += seen[k].seconds;
            if above_s > 0.1 * total_s {
                return None;
            }
            continue;
        }
        let members: Vec<usize> = order[top..]
            .iter()
            .take_while(|(v, _)| *v >= top_v - band_v)
            .map(|&(_, k)| k)
            .collect();
        let on_line_s: f64 = members.iter().map(|&k| seen[k].seconds).sum();
        if on_line_s >= enough_s {
            return (top_v >= charged_v).then_some((members, on_line_s));
        }
        above_s += seen[k].seconds;
        if above_s > 0.1 * total_s {
            return None;
        }
    }
    None
}

/// The line through the members, with its interval and grade.
pub(super) fn held_line(
    seen: &[HeldStretch],
    members: &[usize],
    drift: f64,
    nominal: Nominal,
) -> Option<Setpoint> {
    let weight_s: f64 = members.iter().map(|&k| seen[k].seconds).sum();
    let average = |f: &dyn Fn(&HeldStretch) -> f64| {
        members.iter().map(|&k| seen[k].seconds * f(&seen[k])).sum::<f64>() / weight_s
    };
    let middle_s = average(&|s| s.middle_s);
    let level_v = average(&|s| s.level_v);
    let time_variance = average(&|s| (s.middle_s - middle_s).powi(2));
    let spread_s = members.iter().map(|&k| seen[k].middle_s).fold(f64::NEG_INFINITY, f64::max)
        - members.iter().map(|&k| seen[k].middle_s).fold(f64::INFINITY, f64::min);
    let drifts = members.len() >= 3 && spread_s >= LEAST_DRIFT_S;
    let drift_v_per_s = if drifts {
        average(&|s| (s.middle_s - middle_s) * (s.level_v - level_v)) / time_variance
    } else {
        drift
    };
    let residual_v =
        average(&|s| (s.level_v - level_v - drift_v_per_s * (s.middle_s - middle_s)).powi(2))
            .sqrt();
    let count = members.len() as f64;
    let read_v = average(&|s| s.half_width_v);
    let scatter_v = Z90 * residual_v / (count - 1.0).max(1.0).sqrt();
    let half_width_v = scatter_v.hypot(read_v);
    let drift_per_minute = drifts.then(|| {
        let half = 60.0 * half_width_v / time_variance.sqrt();
        Estimate::around(
            60.0 * drift_v_per_s,
            half,
            Grade::Measured,
            "line through the held levels",
        )
    });
    // A draining battery falls along a line too, one that begins as high.
    if level_v < nominal.volts(levels::CHARGED) {
        return None;
    }
    let knots = track::knots(members.iter().filter_map(|&k| seen.get(k)));
    let shown = members.iter().any(|&k| seen.get(k).is_some_and(|s| s.is_shown));
    let is_shown = shown || is_indifferent(seen, members, nominal);
    if !is_shown && level_v < nominal.volts(levels::LEAST_UNSHOWN_SETPOINT) {
        return None;
    }
    let estimate = if is_shown {
        let how = format!("level held over {weight_s:.0} s while loads or speed changed");
        Estimate::around(level_v, half_width_v, Grade::Measured, how)
    } else {
        let how = format!(
            "highest level, over {weight_s:.0} s; at least that: no load or speed changed there \
             without changing it, so it may be the alternator's limit"
        );
        let [.., common_high] = levels::COMMON_SETPOINT;
        let high_v = (level_v + half_width_v).max(nominal.volts(common_high));
        Estimate::new(level_v, level_v - half_width_v, high_v, Grade::Inferred, how)
    };
    Some(Setpoint {
        middle_s,
        drift_v_per_s,
        drift_per_minute,
        is_shown,
        knots,
        ..Setpoint::constant(estimate, nominal)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::Stretch;

    fn stretch(start_s: f64, rpm: f64, loads: &[&str]) -> Stretch {
        Stretch::of_test(start_s, 20.0, rpm, loads)
    }

    fn shown(levels: &[(f64, f64, &[&str], f64)]) -> bool {
        let stretches: Vec<Stretch> =
            levels.iter().map(|(at_s, rpm, loads, _)| stretch(*at_s, *rpm, loads)).collect();
        let seen: Vec<HeldStretch> =
            stretches.iter().zip(levels).map(|(s, l)| HeldStretch::of_test(s, l.3)).collect();
        let members: Vec<usize> = (0..seen.len()).collect();
        held_line(&seen, &members, 0.0, Nominal::V12).is_some_and(|setpoint| setpoint.is_shown)
    }

    #[test]
    fn a_level_that_minds_nothing_is_the_setpoint() {
        assert!(shown(&[(0.0, 850.0, &[], 14.20), (30.0, 840.0, &["fan"], 14.19)]));
        assert!(shown(&[(0.0, 2500.0, &["fan"], 14.20), (30.0, 850.0, &["fan"], 14.21)]));
    }

    #[test]
    fn a_level_that_nothing_tried_may_be_the_machines_limit() {
        // One load and speed; another load at a raised idle; faster on a flat curve; a
        // load that costs volts; the same after minutes of charging.
        assert!(!shown(&[(0.0, 850.0, &[], 14.20), (30.0, 850.0, &[], 14.20)]));
        assert!(!shown(&[(0.0, 850.0, &[], 14.20), (30.0, 970.0, &["ac"], 14.20)]));
        assert!(!shown(&[(0.0, 3100.0, &[], 14.20), (30.0, 2100.0, &[], 14.20)]));
        assert!(!shown(&[(0.0, 850.0, &[], 14.20), (30.0, 850.0, &["fan"], 14.14)]));
        assert!(!shown(&[(0.0, 850.0, &[], 14.20), (300.0, 850.0, &["fan"], 14.20)]));
    }

    #[test]
    fn an_unshown_level_is_a_lower_bound() {
        let stretches = [stretch(0.0, 850.0, &[]), stretch(30.0, 850.0, &[])];
        let seen: Vec<HeldStretch> =
            stretches.iter().map(|s| HeldStretch::of_test(s, 13.8)).collect();
        let setpoint = held_line(&seen, &[0, 1], 0.0, Nominal::V12).expect("a level");
        assert_eq!(setpoint.estimate.grade, Grade::Inferred);
        assert!(setpoint.estimate.low > 13.75 && setpoint.estimate.high == 14.7);
        let low: Vec<HeldStretch> =
            stretches.iter().map(|s| HeldStretch::of_test(s, 13.3)).collect();
        assert!(held_line(&low, &[0, 1], 0.0, Nominal::V12).is_none());
    }
}
