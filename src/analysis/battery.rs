//! The battery behind the bus: its resistance by every estimator that the log and the car allow,
//! and its current.

use crate::analysis::current_balance;
use crate::analysis::level::{bus_level, level};
use crate::analysis::setpoint::Setpoint;
use crate::assumptions::{BATTERY_CONDITION, BATTERY_RESISTANCE};
use crate::car::{BATTERY_RANGE_C, BatteryFacts, Car};
use crate::estimate::{Estimate, Grade, Z90};
use crate::format::DEGREE;
use crate::inference::ensemble::{EnsembleRun, WindowCurrent};
use crate::inference::likelihood::CurrentBalance;
use crate::inference::prior::{ParameterSample, Prior};
use crate::inference::sampling;
use crate::levels;
use crate::log::{Log, Place, Role, Span};
use crate::nominal::Nominal;
use crate::physics::battery::{
    CrankingStandard, MILD_C, low_unstated, resistance_from_cca, resistance_over_mild,
};
use crate::segment::{Segments, mean};
use crate::stats::fit::linear::ordinary;

pub struct BatteryModel {
    /// System that its volts and ohms are of.
    pub nominal: Nominal,
    /// The best route's.
    pub resistance_ohm: Estimate,
    /// Every route to the resistance that this log and car allow, best first.
    pub routes: Vec<Estimate>,
    /// Stated where estimates disagree beyond their intervals.
    pub disagreement: Option<String>,
    /// Voltage at which the battery neither discharges nor charges, over the steady running at full
    /// output, or over all of it.
    pub zero_current_v: Estimate,
    /// Samples of the battery's posterior, and the currents of each over the log.
    pub draws: Vec<ParameterSample>,
    pub ensemble: EnsembleRun,
    /// The ensemble's window for each of the log's stretches, where it has one.
    pub followed: Vec<Option<usize>>,
    /// Grade of the samples.
    pub grade: Grade,
    pub how: String,
}

pub fn model(
    log: &Log,
    segments: &Segments,
    car: &Car,
    rest_v: Option<&Estimate>,
    setpoint: Option<&Setpoint>,
) -> BatteryModel {
    let measured = by_current(log, segments);
    let nominal = log.nominal();
    let temperature_c = temperature(log, car);
    let rated = by_rating(&car.battery, temperature_c, nominal);
    let common = common(&car.battery, temperature_c, nominal);
    let usual = rated.clone().unwrap_or_else(|| common.clone());
    let (followed, mut windows) = followed(segments);
    let full: Vec<usize> = segments
        .stretches
        .iter()
        .enumerate()
        .filter(|(_, stretch)| at_full_output(log, segments, setpoint, stretch.settled))
        .map(|(k, _)| k)
        .collect();
    let balance = current_balance::gather(log, segments, car, &full, &mut windows);
    let prior = Prior { car, nominal, temperature_c, resistance_ohm: &usual, rest_v };
    let (draws, ensemble) = sampling::posterior(log, &prior, &windows, &balance);

    let inferred = balance.is_anchored().then(|| posterior(&draws, &ensemble, &balance));
    let (grade, how) = match &inferred {
        Some(_) => (
            Grade::Inferred,
            format!("battery model driven by the logged voltage, held to {}", balance.anchors()),
        ),
        None => (
            Grade::Assumed,
            format!("battery model driven by the logged voltage, resistance {}", usual.how),
        ),
    };
    let asked: Vec<usize> =
        if full.is_empty() { (0..segments.stretches.len()).collect() } else { full };
    let asked: Vec<(usize, usize)> =
        asked.into_iter().filter_map(|k| Some((k, *followed.get(k)?.as_ref()?))).collect();
    let zero_v = zero_current(log, segments, &draws, &ensemble, &asked);
    let routes: Vec<Estimate> =
        [measured, inferred, rated, Some(common)].into_iter().flatten().collect();
    BatteryModel {
        nominal,
        resistance_ohm: routes[0].clone(),
        disagreement: disagreement(&routes),
        routes,
        zero_current_v: Estimate::of_samples(&zero_v, &ensemble.weights, grade, how.as_str()),
        draws,
        ensemble,
        followed,
        grade,
        how,
    }
}

impl BatteryModel {
    /// Current of one sample over one of the log's stretches, if it was followed.
    pub fn window(&self, draw: usize, stretch: usize) -> Option<&WindowCurrent> {
        let window = *self.followed.get(stretch)?.as_ref()?;
        Some(self.ensemble.window(draw, window))
    }

    /// Median and 90 % interval of a quantity computed from each draw.
    pub fn estimate(&self, by_draw: &[f64]) -> Estimate {
        Estimate::of_samples(by_draw, &self.ensemble.weights, self.grade, self.how.as_str())
    }

    pub fn follows(&self, stretch: usize) -> bool {
        self.followed.get(stretch).is_some_and(Option::is_some)
    }
}

/// Up to this many stretches are all followed; of more, some of each operating point, spread
/// evenly, so that memory does not grow with the log.
const MOST_FOLLOWED: usize = 240;
const LEAST_OF_POINT: usize = 3;

/// The battery's temperature: as stated, else the mean of the log's own.
fn temperature(log: &Log, car: &Car) -> Option<f64> {
    let logged = || {
        let known = log.channel(Role::Temperature(Place::Battery))?.iter().copied();
        let known: Vec<f64> = known.filter(|c| BATTERY_RANGE_C.contains(c)).collect();
        Some(mean(&known)).filter(|c| c.is_finite())
    };
    car.battery.temperature_c.or_else(logged)
}

/// The window of each stretch, and the windows.
fn followed(segments: &Segments) -> (Vec<Option<usize>>, Vec<Span>) {
    let stretches = &segments.stretches;
    let mut follow = vec![stretches.len() <= MOST_FOLLOWED; stretches.len()];
    if stretches.len() > MOST_FOLLOWED {
        let most = (MOST_FOLLOWED / segments.points.len().max(1)).max(LEAST_OF_POINT);
        for point in &segments.points {
            let each = point.stretches.len().div_ceil(most).max(1);
            for &k in point.stretches.iter().step_by(each) {
                follow[k] = true;
            }
        }
    }
    let mut windows = Vec::new();
    let followed = stretches
        .iter()
        .zip(follow)
        .map(|(stretch, follow)| {
            follow.then(|| {
                windows.push(stretch.settled);
                windows.len() - 1
            })
        })
        .collect();
    (followed, windows)
}

/// Zero-current voltage by sample: the mean over the given stretches, each with its window.
fn zero_current(
    log: &Log,
    segments: &Segments,
    draws: &[ParameterSample],
    ensemble: &EnsembleRun,
    asked: &[(usize, usize)],
) -> Vec<f64> {
    let levels: Vec<(usize, f64)> = asked
        .iter()
        .filter_map(|&(k, window)| {
            let span = segments.stretches[k].settled;
            Some((window, bus_level(log, segments, span)?.mean_v))
        })
        .collect();
    (0..draws.len())
        .map(|draw| {
            let zero_v: Vec<f64> = levels
                .iter()
                .filter_map(|&(window, volts)| {
                    let state = ensemble.window(draw, window).end()?;
                    Some(draws[draw].zero_current_v(volts, state))
                })
                .collect();
            mean(&zero_v)
        })
        .collect()
}

/// The first estimate whose interval does not overlap the best one's.
fn disagreement(routes: &[Estimate]) -> Option<String> {
    let (best, others) = routes.split_first()?;
    let told = |route: &Estimate| {
        format!("{} says {:.1} to {:.1} mΩ", route.how, 1e3 * route.low, 1e3 * route.high)
    };
    others
        .iter()
        .find(|other| other.high < best.low || other.low > best.high)
        .map(|other| format!("Battery resistance: {}, {}.", told(best), told(other)))
}

/// Whether the bus is far enough below the setpoint over `span` that the alternator must be at
/// full output.
fn at_full_output(log: &Log, segments: &Segments, setpoint: Option<&Setpoint>, span: Span) -> bool {
    let Some(seen) = bus_level(log, segments, span) else {
        return false;
    };
    let middle_s = span.middle_s();
    let full_output_v = log.nominal().volts(levels::FULL_OUTPUT);
    setpoint.is_some_and(|s| {
        let unsure_v = s.estimate.value - s.estimate.low;
        seen.mean_v < s.at(middle_s) - full_output_v - unsure_v
    })
}

/// Posterior resistance.
fn posterior(
    draws: &[ParameterSample],
    ensemble: &EnsembleRun,
    balance: &CurrentBalance,
) -> Estimate {
    let ohms: Vec<f64> = draws.iter().map(|d| d.battery.seconds_ohm()).collect();
    let how = format!("by {}", balance.anchors());
    Estimate::of_samples(&ohms, &ensemble.weights, Grade::Inferred, how)
}

/// Slope of bus voltage on battery current over the stretches that drain.
fn by_current(log: &Log, segments: &Segments) -> Option<Estimate> {
    let current = log.channel(Role::BatteryCurrent)?;
    let (mut amps, mut volts) = (Vec::new(), Vec::new());
    for stretch in &segments.stretches {
        let v = bus_level(log, segments, stretch.settled)?;
        let a = level(log.time_s(), current, stretch.settled, &segments.noise_model)
            .filter(|a| a.mean_v < -1.0);
        if let Some(a) = a {
            amps.push(a.mean_v);
            volts.push(v.mean_v);
        }
    }
    let fit = ordinary(&amps, &volts).filter(|fit| fit.dof >= 1 && fit.slope > 0.0)?;
    let half = Z90 * fit.slope_error() * (1.0 + 2.0 / fit.dof as f64);
    (half < fit.slope).then(|| {
        let how = "slope of voltage on logged battery current while draining";
        Estimate::around(fit.slope, half, Grade::Measured, how)
    })
}

/// Three cells that give as many cold-cranking amps as six have half their resistance.
fn by_rating(
    battery: &BatteryFacts,
    temperature_c: Option<f64>,
    nominal: Nominal,
) -> Option<Estimate> {
    let temperature_c = temperature_c.unwrap_or(MILD_C);
    let (cca_a, standard) = (battery.cca_a?, battery.cca_standard);
    let rated_ohm = nominal.from_12_v(resistance_from_cca(cca_a, standard, temperature_c)?);
    let usual = BATTERY_CONDITION.value;
    let (mut best, worst) = (BATTERY_CONDITION.low(), BATTERY_CONDITION.high());
    if standard.is_none() {
        // The label's standard may be another, and the battery a stronger one.
        best = low_unstated(usual, best);
    }
    let by = standard.map_or("standard not stated", CrankingStandard::word);
    let at = DEGREE.of(temperature_c);
    let how = format!("from {cca_a:.0} A cold-cranking ({by}), carried to {at}");
    let [value, low, high] = [usual, best, worst].map(|condition| condition * rated_ohm);
    Some(Estimate::new(value, low, high, Grade::Assumed, how))
}

fn common(battery: &BatteryFacts, temperature_c: Option<f64>, nominal: Nominal) -> Estimate {
    let share = battery.kind.unwrap_or_default().resistance_share()
        * temperature_c.map_or(1.0, resistance_over_mild);
    let ohm = |of_12_v| share * nominal.from_12_v(of_12_v);
    let mut how = match battery.kind {
        Some(kind) => format!("of a passenger car's {} battery at large", kind.name()),
        None => "of a passenger-car battery at large".to_owned(),
    };
    if let Some(temperature_c) = temperature_c {
        how.push_str(&format!(", at {}", DEGREE.of(temperature_c)));
    }
    let row = BATTERY_RESISTANCE;
    Estimate::new(ohm(row.value), ohm(row.low()), ohm(row.high()), Grade::Assumed, how)
}
