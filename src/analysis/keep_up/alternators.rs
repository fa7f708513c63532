//! Carries what a set of loads needs from where the log shows it to the rest of
//! the running with those loads.
//!
//! A fall in engine speed shows the knee at its own moment, and a bus below its setpoint shows how
//! much more the alternator needs at its own speed. A battery that discharged meanwhile draws more
//! at the setpoint, and an alternator that warmed delivers less, so the knee differs from minute to
//! minute. The alternator is unknown, so many samples of it are tried, each with one sample of the
//! battery ([`crate::inference::ensemble`]). For each, at a visit `i`
//! that shows it and at every visit `j`,
//!
//! ```text
//! loads_a = output(rpm_i)·heat_i − battery_i
//! output(knee_j)·heat_j = loads_a + battery_j at the setpoint
//! ```
//!
//! and the knee of the set is the median over its running. An alternator's weight is high if all
//! anchors of one set agree, if it delivers the logged alternator current, and if its knees are
//! above the speeds that slip and below those that hold.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::analysis::amps::clamp_half_width_a;
use crate::analysis::battery::BatteryModel;
use crate::analysis::deficit::load_growth_a;
use crate::analysis::keep_up::{BOUND_SHARE, Knee};
use crate::assumptions::{
    Assumption, HEAT_LOSS, PULLEY_RATIO, RATED_CURRENT, WARM_ALTERNATOR, WARMING_TIME,
};
use crate::car::Car;
use crate::estimate::Z90;
use crate::log::{Log, Place, Role};
use crate::physics::alternator::OutputCurve;
use crate::segment::mean;
use crate::stats::weighted::{tempered, weighted_quantile};

/// An engine cooler than this was cold when the log began.
const COLD_C: f64 = 60.0;
/// Rated values and ratios on datasheets are good to this share.
const SHEET_SHARE: f64 = 0.03;
const SAMPLES: usize = 2400;
const SEED: u64 = 41;
/// Error of the modeled battery current: amps, and share.
const MODEL_A: f64 = 1.0;
const MODEL_SHARE: f64 = 0.15;
/// Output at the knee is read off a curve of common shape.
const SHAPE_SHARE: f64 = 0.03;
/// One anchor that fits no alternator must not outvote all others.
const MOST_DEVIANCE: f64 = 9.0;
/// Weights are tempered to at least this effective sample size.
const LEAST_EFFECTIVE: f64 = 60.0;

/// Steady running with one set of loads, as this file needs it.
pub(super) struct SteadyRunning {
    /// Of the log's stretches.
    pub stretch: usize,
    pub rpm: f64,
    pub seconds: f64,
    pub middle_s: f64,
    pub holds: bool,
    /// The bus, and what the regulator would hold then.
    pub bus_v: f64,
    pub held_v: f64,
    /// As logged, where they are.
    pub battery_a: Option<f64>,
    pub alternator_a: Option<f64>,
}

/// A set of loads: its running, and the falls in speed that show its knee, each
/// with the visit before it.
pub(super) struct LoadSetRuns {
    pub seen: Vec<SteadyRunning>,
    pub falls: Vec<(usize, Knee)>,
}

/// Knees of one set, one for each alternator.
pub(super) struct Knees {
    pub rpm: Vec<f64>,
    pub weights: Vec<f64>,
}

impl Knees {
    /// Median and 90 % interval; `None` where no alternator explains the set.
    pub(super) fn interval(&self) -> Option<(f64, f64, f64)> {
        let at = |p: f64| weighted_quantile(&self.rpm, &self.weights, p);
        let (value, low, high) = (at(0.5), at(0.05), at(0.95));
        (value.is_finite() && low.is_finite() && high.is_finite()).then_some((value, low, high))
    }
}

/// Share of the rated output against alternator speed, both ways.
struct OutputShape {
    curve: OutputCurve,
    /// (share, alternator rpm), rising: a table, because every alternator needs it for every visit.
    back: Vec<(f64, f64)>,
}

impl OutputShape {
    fn typical() -> Option<OutputShape> {
        let curve = OutputCurve::typical(1.0).ok()?;
        let step_rpm = 40.0;
        let back = (0..=200)
            .map(|k| curve.speeds_rpm().0 + step_rpm * f64::from(k))
            .map(|rpm| (curve.output(rpm).amps_a, rpm))
            .collect();
        Some(OutputShape { curve, back })
    }

    fn share(&self, alternator_rpm: f64) -> f64 {
        self.curve.output(alternator_rpm).amps_a
    }

    /// Infinite where the alternator never delivers it.
    fn speed(&self, share: f64) -> f64 {
        let right = self.back.partition_point(|&(has, _)| has < share);
        let left = right.checked_sub(1).and_then(|k| self.back.get(k));
        match (left, self.back.get(right)) {
            (Some(&(s0, r0)), Some(&(s1, r1))) => r0 + (r1 - r0) * (share - s0) / (s1 - s0),
            (None, Some(&(_, rpm))) => rpm,
            _ => f64::INFINITY,
        }
    }
}

/// An alternator and a battery that these could be.
struct AlternatorSample {
    draw: usize,
    ratio: f64,
    rated_a: f64,
    lost_share: f64,
    /// Warmth from 0 (cold) to 1 (soaked), at first and in the end.
    first: f64,
    last: f64,
    warming_s: f64,
}

impl AlternatorSample {
    /// Output over cold output.
    fn heat(&self, t_s: f64) -> f64 {
        let warmth = self.last + (self.first - self.last) * (-t_s / self.warming_s).exp();
        1.0 - self.lost_share * warmth
    }

    fn output_a(&self, shape: &OutputShape, rpm: f64, t_s: f64) -> f64 {
        self.rated_a * self.heat(t_s) * shape.share(rpm * self.ratio)
    }

    fn speed(&self, shape: &OutputShape, amps_a: f64, t_s: f64) -> f64 {
        shape.speed(amps_a / (self.rated_a * self.heat(t_s))) / self.ratio
    }
}

/// Whether the log began cold; `None` where no temperature shows it.
fn began_cold(log: &Log) -> Option<bool> {
    [Place::Alternator, Place::Coolant].into_iter().find_map(|place| {
        let degrees = log.channel(Role::Temperature(place))?;
        let first = mean(degrees.get(..degrees.len().min(100))?);
        first.is_finite().then_some(first < COLD_C)
    })
}

fn alternators(log: &Log, battery: &BatteryModel, car: &Car) -> Vec<AlternatorSample> {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let cold = began_cold(log);
    (0..SAMPLES)
        .map(|k| {
            let mut within = |(low, high): (f64, f64)| rng.random_range(low..high);
            let ends = |row: Assumption| (row.low(), row.high());
            let sheet = 1.0 + SHEET_SHARE * within((-1.0, 1.0));
            let (least_a, most_a) = ends(RATED_CURRENT);
            let rated_a = least_a * (most_a / least_a).powf(within((0.0, 1.0)));
            let ratio = within(ends(PULLEY_RATIO));
            let lost_share = within(ends(HEAT_LOSS));
            let last = within(ends(WARM_ALTERNATOR));
            let (chance, start) = (within((0.0, 1.0)), within((0.0, 0.3)));
            let warming_s = within(ends(WARMING_TIME));
            let first = if cold.unwrap_or(chance < 0.5) { start * last } else { last };
            AlternatorSample {
                draw: k % battery.draws.len().max(1),
                ratio: car.alternator.pulley_ratio.unwrap_or(ratio),
                rated_a: car.alternator.rated_a.map_or(rated_a, |rated_a| rated_a * sheet),
                lost_share,
                first,
                last,
                warming_s,
            }
        })
        .collect()
}

/// What the loads of one set draw at the setpoint, by one alternator.
struct SetCurrent {
    loads_a: f64,
    /// Squared differences between its anchors.
    deviance: f64,
}

/// The knees of every set.
pub(super) fn knees(
    log: &Log,
    sets: &[LoadSetRuns],
    battery: &BatteryModel,
    car: &Car,
) -> Vec<Knees> {
    let Some(shape) = OutputShape::typical() else { return Vec::new() };
    let alternators = alternators(log, battery, car);
    let needs: Vec<Vec<Option<SetCurrent>>> = alternators
        .iter()
        .map(|alternator| sets.iter().map(|set| alternator.needs(&shape, set, battery)).collect())
        .collect();
    let known =
        |alternator: &AlternatorSample| battery.ensemble.weights.get(alternator.draw).copied();
    let deviances: Vec<f64> = needs
        .iter()
        .map(|of_sets| of_sets.iter().flatten().map(|n| n.deviance.min(MOST_DEVIANCE)).sum())
        .collect();
    (0..sets.len())
        .map(|s| {
            let set = &sets[s];
            let mut rpm = Vec::with_capacity(alternators.len());
            let mut squares = Vec::with_capacity(alternators.len());
            for ((alternator, of_sets), deviance) in alternators.iter().zip(&needs).zip(&deviances)
            {
                let (knee, out) = of_sets
                    .get(s)
                    .and_then(Option::as_ref)
                    .map_or((f64::NAN, f64::INFINITY), |n| {
                        alternator.knee(&shape, set, battery, n.loads_a)
                    });
                rpm.push(knee);
                squares.push(deviance + out);
            }
            let prior: Vec<f64> = alternators.iter().map(|m| known(m).unwrap_or(0.0)).collect();
            Knees { rpm, weights: tempered(&squares, &prior, LEAST_EFFECTIVE) }
        })
        .collect()
}

impl AlternatorSample {
    /// Charge current at the setpoint, by this alternator's battery.
    fn taken_a(&self, seen: &SteadyRunning, battery: &BatteryModel) -> Option<f64> {
        let window = battery.window(self.draw, seen.stretch)?;
        match (seen.holds, seen.battery_a) {
            (true, Some(logged_a)) => Some(logged_a),
            (true, None) => Some(window.mean_a()),
            (false, _) => {
                Some(battery.draws.get(self.draw)?.current_at(seen.held_v, window.end()?))
            }
        }
    }

    fn needs(
        &self,
        shape: &OutputShape,
        set: &LoadSetRuns,
        battery: &BatteryModel,
    ) -> Option<SetCurrent> {
        // Amps of the loads, with one standard deviation.
        let mut anchors: Vec<(f64, f64)> = Vec::new();
        let mut deviance = 0.0;
        for (at, knee) in &set.falls {
            let seen = set.seen.get(*at)?;
            let has_a = self.output_a(shape, knee.rpm, seen.middle_s);
            let half_a =
                self.output_a(shape, knee.rpm + knee.half_width_rpm, seen.middle_s) - has_a;
            let taken_a = self.taken_a(seen, battery)?;
            let unsure_a = (half_a / Z90).hypot(SHAPE_SHARE * has_a);
            anchors.push((has_a - taken_a, unsure_a.hypot(MODEL_A).hypot(MODEL_SHARE * taken_a)));
        }
        for seen in set.seen.iter().filter(|seen| !seen.holds) {
            let has_a = self.output_a(shape, seen.rpm, seen.middle_s);
            if let Some(logged_a) = seen.alternator_a {
                let unsure_a = (clamp_half_width_a(logged_a) / Z90).hypot(SHAPE_SHARE * logged_a);
                deviance += ((has_a - logged_a) / unsure_a).powi(2);
            }
            let window = battery.window(self.draw, seen.stretch)?;
            let given_a = seen.battery_a.unwrap_or(window.mean_a());
            let growth_a = load_growth_a(seen.held_v - seen.bus_v, battery.nominal);
            let unsure_a = MODEL_A.hypot(MODEL_SHARE * given_a).hypot(SHAPE_SHARE * has_a);
            anchors.push((has_a - given_a + growth_a, unsure_a));
        }
        let total: f64 = anchors.iter().map(|a| a.1.powi(-2)).sum();
        let loads_a = anchors.iter().map(|a| a.0 * a.1.powi(-2)).sum::<f64>() / total;
        deviance += anchors.iter().map(|a| ((a.0 - loads_a) / a.1).powi(2)).sum::<f64>();
        (loads_a.is_finite() && loads_a > 0.0).then_some(SetCurrent { loads_a, deviance })
    }

    /// The set's knee, and squares by which the knees of its visits contradict
    /// what was seen to slip or hold.
    fn knee(
        &self,
        shape: &OutputShape,
        set: &LoadSetRuns,
        battery: &BatteryModel,
        loads_a: f64,
    ) -> (f64, f64) {
        let mut knees: Vec<(f64, f64)> = Vec::with_capacity(set.seen.len());
        let mut contradicts = 0.0;
        for seen in &set.seen {
            let Some(taken_a) = self.taken_a(seen, battery) else { continue };
            let rpm = self.speed(shape, loads_a + taken_a, seen.middle_s);
            knees.push((rpm, seen.seconds));
            let beyond = if seen.holds { rpm / seen.rpm - 1.0 } else { 1.0 - rpm / seen.rpm };
            contradicts += (beyond.max(0.0) / BOUND_SHARE).powi(2).min(MOST_DEVIANCE);
        }
        (middle(&mut knees), contradicts)
    }
}

/// Median of (value, weight); infinite values count.
fn middle(values: &mut [(f64, f64)]) -> f64 {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = values.iter().map(|v| v.1).sum::<f64>() / 2.0;
    let mut passed = 0.0;
    for (value, weight) in values.iter() {
        passed += weight;
        if passed >= half {
            return *value;
        }
    }
    f64::NAN
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shape_reads_both_ways() {
        let Some(shape) = OutputShape::typical() else { panic!("no curve") };
        for rpm in [1300.0, 1800.0, 2600.0, 5000.0] {
            assert!((shape.speed(shape.share(rpm)) - rpm).abs() < 15.0);
        }
        assert!(shape.speed(1.2).is_infinite());
    }

    #[test]
    fn the_middle_goes_by_seconds() {
        assert_eq!(middle(&mut [(900.0, 1.0), (1200.0, 5.0), (f64::INFINITY, 2.0)]), 1200.0);
        assert!(middle(&mut []).is_nan());
    }
}
