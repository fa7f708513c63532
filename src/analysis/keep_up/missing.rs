//! The knee by the amps that are missing below it, where no fall in speed shows
//! it: what speed brings so many amps more.

use crate::car::Car;
use crate::diagnosis::{BusState, OperatingPoint};
use crate::estimate::{Estimate, Grade};
use crate::physics::alternator::OutputCurve;
use crate::segment::speed::differ;
use crate::stats::robust::quantile;

/// Pulley ratios and ratings of passenger cars (common practice, no source).
const PULLEY_RATIOS: (f64, f64) = (2.0, 3.2);
const RATED_A: (f64, f64) = (50.0, 180.0);
/// A rating that falls and missing amps of this log agree on is held good to
/// this factor: the battery stands differently from one set of loads to the next.
const SEEN_FACTOR: f64 = 1.4;
/// Values tried of each thing not known.
const TRIED: usize = 9;

/// Amps missing at a speed that slips.
pub(super) struct Lack {
    rpm: f64,
    amps_a: Estimate,
}

/// The longest seen of the fastest slipping points below `holds_rpm`.
pub(super) fn lack<'a>(
    points: impl Iterator<Item = &'a OperatingPoint>,
    holds_rpm: f64,
) -> Option<Lack> {
    let slipping: Vec<(f64, &OperatingPoint)> = points
        .filter(|p| p.state != BusState::Holding)
        .filter_map(|p| Some((p.rpm?, p)))
        .filter(|(rpm, _)| *rpm < holds_rpm)
        .collect();
    let fastest_rpm = slipping.iter().map(|(rpm, _)| *rpm).fold(f64::NEG_INFINITY, f64::max);
    slipping
        .into_iter()
        .filter(|(rpm, _)| !differ(*rpm, fastest_rpm))
        .max_by(|a, b| a.1.seconds.total_cmp(&b.1.seconds))
        .and_then(|(rpm, point)| Some(Lack { rpm, amps_a: point.regulation_shortfall_a.clone()? }))
}

/// The alternators that this one could be.
pub(super) struct Alternator {
    ratios: Vec<f64>,
    rating: Rating,
}

enum Rating {
    Stated(f64),
    /// Amps by which a set of loads was short, over the rise of the curve from
    /// there to its measured knee: an error of the amps common to the whole log
    /// is in this rating too and cancels.
    Seen(f64),
    Unknown,
}

impl Alternator {
    /// From the car's facts, else from sets of loads with both a measured knee
    /// and missing amps, else from what cars have.
    pub(super) fn seen<'a>(both: impl Iterator<Item = (f64, &'a Lack)>, car: &Car) -> Alternator {
        let ratios = tried(car.alternator.pulley_ratio, PULLEY_RATIOS);
        let middle = quantile(&ratios, 0.5);
        let ratings: Vec<f64> = both
            .filter(|(knee_rpm, lack)| differ(*knee_rpm, lack.rpm))
            .filter_map(|(knee_rpm, lack)| {
                let curve = OutputCurve::typical(1.0).ok()?;
                let share = |rpm: f64| curve.output(rpm * middle).amps_a;
                Some(lack.amps_a.value / (share(knee_rpm) - share(lack.rpm)))
            })
            .filter(|rating| rating.is_finite() && *rating > 0.0)
            .collect();
        let rating = match (car.alternator.rated_a, ratings.as_slice()) {
            (Some(rated_a), _) => Rating::Stated(rated_a),
            (None, []) => Rating::Unknown,
            (None, seen) => Rating::Seen(quantile(seen, 0.5)),
        };
        Alternator { ratios, rating }
    }

    /// Speed at which an output curve of common shape makes up what is missing,
    /// held to the `bracket` (slips, holds).
    pub(super) fn speed(&self, lack: &Lack, bracket: (f64, f64)) -> Option<Estimate> {
        let (low, high) = bracket;
        let kept: Vec<f64> =
            self.speeds(lack).into_iter().filter(|&rpm| low <= rpm && rpm <= high).collect();
        if kept.is_empty() {
            return None;
        }
        let (grade, curve) = match self.rating {
            Rating::Stated(_) if self.ratios.len() == 1 => {
                (lack.amps_a.grade, "the stated alternator's output")
            }
            Rating::Seen(_) => (Grade::Inferred, "output as other loads' falls in speed show it"),
            _ => (Grade::Assumed, "an output curve of common shape"),
        };
        let how = format!("{:.0} A missing at {:.0} rpm, {curve}", lack.amps_a.value, lack.rpm);
        let at = |p: f64| quantile(&kept, p);
        Some(Estimate::new(at(0.5), at(0.05), at(0.95), grade, how))
    }

    /// One speed for each alternator and each shortfall.
    fn speeds(&self, lack: &Lack) -> Vec<f64> {
        let amps = &lack.amps_a;
        let (ratings, shortfalls) = match self.rating {
            Rating::Stated(a) => (vec![a], tried(None, (amps.low, amps.high))),
            Rating::Seen(a) => (tried(None, (a / SEEN_FACTOR, a * SEEN_FACTOR)), vec![amps.value]),
            Rating::Unknown => (tried(None, RATED_A), tried(None, (amps.low, amps.high))),
        };
        let mut speeds = Vec::new();
        for rated_a in ratings {
            let Ok(curve) = OutputCurve::typical(rated_a) else { continue };
            for ratio in &self.ratios {
                let has_a = curve.output(lack.rpm * ratio).amps_a;
                for missing_a in &shortfalls {
                    speeds.extend(curve.rpm_for(has_a + missing_a, 1.0).map(|rpm| rpm / ratio));
                }
            }
        }
        speeds
    }
}

/// The known value, or evenly spread ones of the range.
fn tried(known: Option<f64>, (low, high): (f64, f64)) -> Vec<f64> {
    let step = (high - low) / TRIED as f64;
    let spread = || (0..TRIED).map(|k| low + step * (k as f64 + 0.5)).collect();
    known.map_or_else(spread, |value| vec![value])
}
