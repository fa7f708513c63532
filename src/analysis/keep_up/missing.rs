//! The knee by the amps that are missing below it, where no change of speed
//! shows it: what speed brings so many amps more.

use crate::car::Car;
use crate::diagnosis::{BusState, OperatingPoint};
use crate::estimate::{Estimate, Grade};
use crate::physics::alternator::OutputCurve;
use crate::stats::robust::quantile;

/// Pulley ratios and ratings of passenger cars (common practice, no source).
const PULLEY_RATIOS: (f64, f64) = (2.0, 3.2);
const RATED_A: (f64, f64) = (50.0, 180.0);
/// Values tried of each thing not known.
const TRIED: usize = 9;

/// Speeds at which an alternator of common shape makes up the amps missing at
/// the fastest slipping point; held to the `bracket` (slipping, holding).
pub(super) fn estimate(points: &[&OperatingPoint], bracket: (f64, f64), car: &Car) -> Estimate {
    let (low, high) = bracket;
    let spanning = || {
        let how = "between the fastest speed that slips and the slowest that holds";
        Estimate::new((low + high) / 2.0, low, high, Grade::Inferred, how)
    };
    let slipping = points
        .iter()
        .filter(|p| p.state != BusState::Holding)
        .filter_map(|p| Some((p.rpm?, p.regulation_shortfall_a.as_ref()?)))
        .filter(|(rpm, _)| *rpm < high)
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let Some((from_rpm, lacks)) = slipping else { return spanning() };
    let speeds = speeds(from_rpm, lacks, car);
    let kept: Vec<f64> = speeds.into_iter().filter(|&rpm| low <= rpm && rpm <= high).collect();
    if kept.is_empty() {
        return spanning();
    }
    let stated = car.alternator.rated_a.is_some() && car.alternator.pulley_ratio.is_some();
    let grade = if stated { lacks.grade } else { Grade::Assumed };
    let how = format!(
        "the {:.0} A missing at {from_rpm:.0} rpm on an output curve of common shape, between the speeds that slip and hold",
        lacks.value
    );
    let at = |p: f64| quantile(&kept, p);
    Estimate::new(at(0.5), at(0.05), at(0.95), grade, how)
}

/// One speed for each alternator that this one could be and each shortfall.
fn speeds(from_rpm: f64, lacks: &Estimate, car: &Car) -> Vec<f64> {
    let ratios = tried(car.alternator.pulley_ratio, PULLEY_RATIOS);
    let ratings = tried(car.alternator.rated_a, RATED_A);
    let shortfalls = tried(None, (lacks.low, lacks.high));
    let mut speeds = Vec::new();
    for rated_a in ratings {
        let Ok(curve) = OutputCurve::typical(rated_a) else { continue };
        for ratio in &ratios {
            let has_a = curve.output(from_rpm * ratio).amps_a;
            for missing_a in &shortfalls {
                let rpm = curve.rpm_for(has_a + missing_a, 1.0);
                speeds.extend(rpm.map(|rpm| rpm / ratio));
            }
        }
    }
    speeds
}

/// The known value, or evenly spread ones of the range.
fn tried(known: Option<f64>, (low, high): (f64, f64)) -> Vec<f64> {
    match known {
        Some(value) => vec![value],
        None => (0..TRIED).map(|k| low + (high - low) * (k as f64 + 0.5) / TRIED as f64).collect(),
    }
}
