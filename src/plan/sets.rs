//! The sets of loads that a plan is judged by: those that the log ran at idle.

use crate::diagnosis::{Diagnosis, Heat, OperatingPoint};
use crate::log::Span;
use crate::plan::load_budget::Item;
use crate::plan::margin::mean_over;
use crate::plan::scene::Scene;
use crate::stats::robust::median;

/// A set of loads that the log ran at idle, and what it meets in a car that is hot
/// all over.
#[derive(Debug, Clone)]
pub struct LoadSet {
    pub loads: Vec<String>,
    pub engine_rpm: f64,
    /// The hottest that the log ran it.
    pub seen: Heat,
    pub setpoint_v: f64,
    /// Mean duty of each item of the ledger.
    pub duty: Vec<f64>,
}

/// Every set of loads that the log ran at idle, the heaviest first, as a car meets
/// it that is hot all over: its idle no faster than the hottest that was seen, the
/// setpoint that of the hottest moment.
pub fn sets(diagnosis: &Diagnosis, scene: &Scene, ledger: &[Item]) -> Vec<LoadSet> {
    let idle: Vec<&OperatingPoint> =
        diagnosis.operating_points.iter().filter(|p| p.rpm_low == Some(0.0)).collect();
    let hottest = idle.iter().map(|p| degree(p.heat)).max().unwrap_or(0);
    let hot: Vec<f64> =
        idle.iter().filter(|p| degree(p.heat) == hottest).filter_map(|p| p.rpm).collect();
    let hot_rpm = median(&hot);
    let hottest_v = hottest_setpoint_v(scene);
    let mut sets: Vec<LoadSet> = Vec::new();
    for point in idle {
        let Some(seen_rpm) = point.rpm else { continue };
        let duty = mean_duty(scene, ledger.len(), &point.spans);
        let held: Vec<f64> = scene.moments.iter().map(|m| m.setpoint_v).collect();
        let own_v = mean_over(&held, scene, &point.spans);
        let seen_hot = degree(point.heat) == hottest;
        let set = LoadSet {
            loads: point.loads.clone(),
            engine_rpm: if seen_hot { seen_rpm } else { seen_rpm.min(hot_rpm) },
            seen: point.heat,
            setpoint_v: hottest_v.unwrap_or(own_v),
            duty,
        };
        if set.duty.iter().any(|d| d.is_nan()) {
            continue;
        }
        match sets.iter_mut().find(|known| known.loads == set.loads) {
            Some(known) if degree(set.seen) > degree(known.seen) => *known = set,
            Some(_) => {}
            None => sets.push(set),
        }
    }
    let weight = |set: &LoadSet| -> f64 {
        ledger.iter().zip(&set.duty).map(|(item, duty)| item.amps.amps_a * duty).sum()
    };
    sets.sort_by(|a, b| weight(b).total_cmp(&weight(a)));
    sets
}

fn degree(heat: Heat) -> u8 {
    match heat {
        Heat::Cold => 0,
        Heat::Unknown => 1,
        Heat::Warm => 2,
        Heat::Hot => 3,
    }
}

/// Where the log shows heat; a regulator's setpoint falls with it.
fn hottest_setpoint_v(scene: &Scene) -> Option<f64> {
    let running = scene.moments.iter().filter(|m| m.running && m.setpoint_v.is_finite());
    let warm = running.filter_map(|m| Some((m.warmth?, m.setpoint_v)));
    warm.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, volts)| volts)
}

fn mean_duty(scene: &Scene, items: usize, spans: &[Span]) -> Vec<f64> {
    let mut sums = vec![0.0; items];
    let mut count = 0usize;
    for moment in spans.iter().flat_map(|s| scene.moments.get(scene.within(*s)).unwrap_or(&[])) {
        count += 1;
        for (sum, duty) in sums.iter_mut().zip(&moment.duty) {
            *sum += duty;
        }
    }
    // No moment at all: not a number, and the point is left out.
    sums.iter().map(|sum| sum / count as f64).collect()
}
