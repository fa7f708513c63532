//! Cars that this one could be: battery, current alternator and loads fitted to the
//! log together.
//!
//! At full output, what the battery takes is what the alternator makes less what the
//! loads draw,
//!
//! ```text
//! I(k) = s·C(ratio·n_k, U_k, heat_k) − Σ duty(l, k)·f_l(U_k)·a_l
//! ```
//!
//! linear in the alternator's share s of its curve, in the loads' amps a_l, and in what the
//! battery is larger than in the ensemble (its currents scale with its size). For
//! each battery of the ensemble, with pulleys and a curve's shape drawn
//! for it, one solution is drawn (`linear`), and the car counts by how well it fits.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::analysis::Analysis;
use crate::analysis::amps::clamp_half_width_a;
use crate::car::Car;
use crate::estimate::{Estimate, Z90};
use crate::levels;
use crate::log::Log;
use crate::nominal::Nominal;
use crate::physics::alternator::{Derating, OutputCurve};
use crate::physics::machine::Machine;
use crate::physics::pulley::SANE_RATIOS;
use crate::plan::PlanError;
use crate::plan::linear::{Equation, dot, solve, unit, within};
use crate::plan::load_budget::Item;
use crate::plan::margin::spread;
use crate::plan::replay::{CarSample, Consumer};
use crate::plan::rows::{Stands, SteadyPiece, rows};
use crate::plan::scene::Scene;
use crate::plan::setpoint::{CarSetpoint, allows, held_misfit};
use crate::segment::Segments;
use crate::stats::weighted::tempered;

const SEED: u64 = 0x9_1a_4e_07;
/// Cars tried, those that must go on counting, and those that are kept.
const TRIED: usize = 900;
const LEAST: f64 = 60.0;
const KEPT: usize = 120;

/// No model follows a battery's current better than so (common practice, no source).
const MODEL_A: f64 = 0.7;
const MODEL_SHARE: f64 = 0.04;
/// All currents of an observed battery may be off together by this share (90 %; our
/// choice: what is left unsure where neither amps nor a rating tie them).
const SIZE_SHARE: f64 = 0.2;
const LEAST_SIZE: f64 = 0.5;
/// An alternator against its own sheet, against a curve of common shape of its stated
/// rating, and a rating where none is stated (90 %; common practice, no source).
const OF_SHEET: (f64, f64) = (0.97, 0.15);
const OF_RATED: (f64, f64) = (0.95, 0.3);
const COMMON_RATED_A: (f64, f64) = (85.0, 1.9);
/// A new alternator of the shop against its sheet (90 %; common practice, no source).
const NEW_OF_SHEET: (f64, f64) = (1.0, 0.06);
/// Share of its output that an alternator loses from cold to soaked (90 %; common
/// practice, no source: 10 to 25 %).
const LOST_SHARE: (f64, f64) = (0.17, 0.075);
/// How saturated the iron of a full field is: from wholly to not at all. Alternators are
/// built to about the knee of their iron (common practice, no source).
const FLUX_EXPONENTS: std::ops::Range<f64> = 0.0..1.0;
/// No circuit follows closer what a long held battery still takes (90 %; common practice,
/// no source: the log's minutes say little of that).
const TAKES_FACTOR: f64 = 1.25;
/// Warmth of an alternator in a car whose coolant is hot: 65 to 110 °C (common practice, no
/// source). The air under its hood is hot only later.
const SOAKED: std::ops::Range<f64> = 0.45..1.0;
/// Alternator and loads move by so much while nothing is switched (common practice, no
/// source).
const UNSTEADY_A: f64 = 0.3;
const UNSTEADY_SHARE: f64 = 0.02;
/// Pulleys, if not stated.
const RATIOS: std::ops::Range<f64> = 2.1..3.2;
/// How a shape of curve may be stretched along its speeds (90 %), and bent: at the idle
/// point an alternator delivers a third to a half of its rating (common practice, no source).
const SHAPE_FACTOR: f64 = 1.12;
const BENDS: std::ops::Range<f64> = 0.6..1.05;

pub struct PosteriorEnsemble {
    pub trials: Vec<CarSample>,
    /// Whether the current alternator's curve, pulleys, or any load is stated.
    pub has_curve: bool,
    pub has_ratio: bool,
    /// What the regulator is taken to hold, where the log does not show it.
    pub setpoint_v: Option<Estimate>,
    /// Steady pieces at full output that hold the alternator to the log.
    pub full: usize,
}

struct Fitted {
    trial: CarSample,
    deviance: f64,
    /// Before the log is looked at.
    counts: f64,
}

pub fn fleet(
    log: &Log,
    segments: &Segments,
    analysis: &Analysis,
    car: &Car,
    ledger: &[Item],
    scene: &Scene,
) -> Result<PosteriorEnsemble, PlanError> {
    let rows = rows(log, segments, analysis, ledger, scene);
    let mut rng = Rng(ChaCha8Rng::seed_from_u64(SEED));
    let weights = &analysis.battery.ensemble.weights;
    let picks = systematic(weights, TRIED, rng.0.random_range(0.0..1.0));
    let fitted: Vec<Fitted> = picks
        .into_iter()
        .filter_map(|draw| fit(&mut rng, draw, &rows, analysis, car, ledger, scene.machine_seen))
        .collect();
    let deviances: Vec<f64> = fitted.iter().map(|f| f.deviance).collect();
    let counts: Vec<f64> = fitted.iter().map(|f| f.counts).collect();
    let weights = tempered(&deviances, &counts, LEAST);
    if weights.iter().sum::<f64>() <= 0.0 {
        let seen = "no battery, alternator and loads together explain its currents".to_owned();
        return Err(PlanError::NoCar { seen });
    }
    let kept = systematic(&weights, KEPT, rng.0.random_range(0.0..1.0));
    let trials: Vec<CarSample> =
        kept.into_iter().filter_map(|k| Some(fitted.get(k)?.trial.clone())).collect();
    Ok(PosteriorEnsemble {
        has_curve: car.alternator.sheet.is_some(),
        has_ratio: car.alternator.pulley_ratio.is_some(),
        setpoint_v: taken(analysis, &trials),
        full: rows.iter().filter(|row| row.stands == Stands::Full).count(),
        trials,
    })
}

/// What the regulator is taken to hold in a hot car, where the log does not show it.
fn taken(analysis: &Analysis, trials: &[CarSample]) -> Option<Estimate> {
    let setpoint = analysis.setpoint.as_ref().filter(|s| !s.is_shown)?;
    let Estimate { value, grade, .. } = setpoint.estimate;
    let held: Vec<f64> = trials.iter().map(|t| t.setpoint_v(value, t.soaked_c())).collect();
    Some(spread(&held, grade, "as regulators commonly hold, and as the log's levels allow"))
}

fn fit(
    rng: &mut Rng,
    draw: usize,
    rows: &[SteadyPiece],
    analysis: &Analysis,
    car: &Car,
    ledger: &[Item],
    machine_seen: bool,
) -> Option<Fitted> {
    let battery = analysis.battery.draws.get(draw)?.clone();
    let lost_share = rng.near(LOST_SHARE).clamp(0.03, 0.35);
    let ratio = match car.alternator.pulley_ratio {
        Some(stated) => rng.near((stated, 0.02 * stated)),
        None => rng.0.random_range(RATIOS),
    };
    let ratio = ratio.clamp(*SANE_RATIOS.start(), *SANE_RATIOS.end());
    let nominal = analysis.battery.nominal;
    let reference_v = nominal.volts(levels::REFERENCE);
    // Half-way between a regulator's droop and an alternator at full output.
    let half_way_v = (nominal.volts(levels::DROOP) + nominal.volts(levels::FULL_OUTPUT)) / 2.0;
    let model_v = nominal.volts(levels::FITTED_CAR);
    let (curve, test_v, test_c, believed) = present_curve(rng, car, nominal)?;
    let machine = Machine {
        curve,
        test_v,
        test_c,
        ratio,
        share: 1.0,
        derating: Derating { cold_c: 25.0, soaked_c: 110.0, lost_share },
        flux_exponent: rng.0.random_range(FLUX_EXPONENTS),
    };
    let mut trial = CarSample {
        battery,
        loads: ledger
            .iter()
            .map(|item| {
                let exponent = rng.near(item.exponent());
                Consumer { amps_a: 1.0, at_v: reference_v, exponent }
            })
            .collect(),
        held: CarSetpoint::OffLine(0.0),
        takes: rng.factor((1.0, TAKES_FACTOR)),
        warmth: rng.0.random_range(0.4..1.0),
        soaked: if machine_seen { 1.0 } else { rng.0.random_range(SOAKED) },
        lost_share,
        new_share: rng.near(NEW_OF_SHEET),
        flux_exponent: machine.flux_exponent,
        ratio,
        machine,
    };
    let mut counts = match analysis.setpoint.as_ref() {
        Some(setpoint) if !setpoint.is_shown => {
            let highest = rows.iter().max_by(|a, b| a.volts.total_cmp(&b.volts));
            let highest = highest.map(|row| (row.volts, row.machine_c(&trial)));
            let (held, counts) = CarSetpoint::unshown(rng, highest, nominal);
            trial.held = held;
            counts
        }
        Some(setpoint) => {
            trial.held = CarSetpoint::shown(rng, setpoint, nominal);
            1.0
        }
        None => 1.0,
    };
    let unshown = matches!(trial.held, CarSetpoint::Own { .. });
    let (mut by_levels, mut lowest_v) = (0.0, 0.0_f64);
    // Unknowns: the alternator's share, each item's amps, and by what share the battery is
    // larger.
    let unknowns = ledger.len() + 2;
    let mut equations: Vec<Equation> = Vec::new();
    let mut holding: Vec<(Vec<f64>, f64, f64)> = Vec::new();
    for row in rows {
        let window = analysis.battery.window(draw, row.stretch)?;
        let under_v = trial.setpoint_v(row.line_v, row.machine_c(&trial)) - row.volts;
        let full = match row.stands {
            _ if unshown => under_v > half_way_v,
            stands => stands == Stands::Full,
        };
        // Whether a level is held or what the alternator leaves over is weighed by the
        // density of its volts either way.
        if unshown {
            lowest_v = lowest_v.min(under_v);
            by_levels += match full {
                true => 2.0 * trial.battery.ohm_near(row.volts, window.end()?).ln(),
                false => held_misfit(under_v, nominal),
            };
        }
        let ohm = trial.battery.ohm_near(row.volts, window.end()?);
        let by_volts_a = model_v.hypot(row.volts_error) / ohm;
        let model_a = window.mean_a();
        let model_sd = by_volts_a.hypot(MODEL_A).hypot(MODEL_SHARE * model_a);
        let (current_a, sd, grows_a) = match row.battery_a {
            Some(seen_a) => {
                let clamp_a = (clamp_half_width_a(seen_a) / Z90).hypot(UNSTEADY_A);
                let mut size = vec![0.0; unknowns - 1];
                size.push(model_a);
                let sd = clamp_a.hypot(model_sd);
                equations.push(Equation::new(rng, size, seen_a - model_a, sd));
                (seen_a, clamp_a, 0.0)
            }
            None => (model_a, model_sd, model_a),
        };
        let (made_a, drawn) = row.shares(&trial);
        let sd = sd.hypot(UNSTEADY_SHARE * made_a);
        let mut left = vec![made_a];
        left.extend(drawn.iter().map(|share| -share));
        left.push(-grows_a);
        if full {
            equations.push(Equation::new(rng, left, current_a, sd));
        } else {
            holding.push((left, current_a, sd));
        }
        if let Some(seen_a) = row.alternator_a {
            let clamp_a = (clamp_half_width_a(seen_a) / Z90).hypot(UNSTEADY_A);
            let mut machine = vec![made_a];
            machine.resize(unknowns, 0.0);
            if full {
                equations.push(Equation::new(rng, machine, seen_a, clamp_a));
            } else {
                // Held, it could give at least that.
                holding.push((machine, seen_a, clamp_a));
                let mut loads = vec![0.0];
                loads.extend(drawn.iter().copied());
                loads.push(grows_a);
                let value = seen_a - current_a;
                equations.push(Equation::new(rng, loads, value, sd.hypot(clamp_a)));
            }
        }
    }
    equations.push(Equation::new(rng, unit(0, unknowns), believed.0, believed.1 / Z90));
    equations.push(Equation::new(rng, unit(unknowns - 1, unknowns), 0.0, SIZE_SHARE / Z90));
    for (k, item) in ledger.iter().enumerate() {
        // Amps are stated at a voltage of their own.
        let carried = trial.loads.get(k).map_or(1.0, |load| 1.0 / load.at(item.amps.at_v(nominal)));
        let (amps_a, sd_a) = (item.amps.amps_a * carried, item.sd_a * carried);
        equations.push(Equation::new(rng, unit(k + 1, unknowns), amps_a, sd_a));
    }
    counts *= allows(lowest_v, nominal);
    let stated = equations.len();
    let (_, log_determinant) = solve(&equations, unknowns, |e| e.value)?;
    let drawn = within(rng, &mut equations, &holding, unknowns)?;
    let (middle, _) = solve(&equations, unknowns, |e| e.value)?;
    let squares: f64 =
        equations.iter().map(|e| ((dot(&e.shares, &middle) - e.value) / e.sd).powi(2)).sum();
    let spreads: f64 = equations.iter().take(stated).map(|e| 2.0 * e.sd.ln()).sum();
    let (share, rest) = drawn.split_first()?;
    let (larger, loads_a) = rest.split_last()?;
    trial.battery.battery = trial.battery.battery.scaled((1.0 + larger).max(LEAST_SIZE));
    trial.machine.share = share.max(0.02);
    for (load, amps_a) in trial.loads.iter_mut().zip(loads_a) {
        load.amps_a = amps_a.max(0.0);
    }
    Some(Fitted { trial, deviance: squares + spreads + log_determinant + by_levels, counts })
}

/// Curve, its test conditions, and the prior of the alternator's share of it.
fn present_curve(
    rng: &mut Rng,
    car: &Car,
    nominal: Nominal,
) -> Option<(OutputCurve, f64, f64, (f64, f64))> {
    if let Some(sheet) = &car.alternator.sheet {
        let test_v = sheet.tested_v(nominal).value;
        return Some((sheet.curve.clone(), test_v, sheet.test_c.value, OF_SHEET));
    }
    let rated_a = match car.alternator.rated_a {
        Some(rated_a) => rated_a,
        None => rng.factor(COMMON_RATED_A),
    };
    let stretch = rng.factor((1.0, SHAPE_FACTOR));
    let curve = OutputCurve::shaped(rated_a, stretch, rng.0.random_range(BENDS)).ok()?;
    Some((curve, nominal.volts(levels::REFERENCE), 25.0, OF_RATED))
}

/// `count` indices, each as often as its weight calls for (systematic resampling;
/// G. Kitagawa, J. Comput. Graph. Stat. 5, 1996; from memory).
fn systematic(weights: &[f64], count: usize, offset: f64) -> Vec<usize> {
    let total: f64 = weights.iter().sum();
    let mut picks = Vec::with_capacity(count);
    let mut passed = 0.0;
    for (k, weight) in weights.iter().enumerate() {
        passed += weight / total * count as f64;
        while (picks.len() as f64) + offset < passed && picks.len() < count {
            picks.push(k);
        }
    }
    picks
}

pub struct Rng(ChaCha8Rng);

impl Rng {
    pub fn z(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// Middle and 90 % distance.
    fn near(&mut self, (middle, distance): (f64, f64)) -> f64 {
        middle + distance * self.z() / Z90
    }

    fn factor(&mut self, (middle, factor): (f64, f64)) -> f64 {
        middle * factor.powf(self.z() / Z90)
    }

    pub fn within(&mut self, range: std::ops::Range<f64>) -> f64 {
        self.0.random_range(range)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn picks_follow_the_weights() {
        let picks = systematic(&[0.5, 0.0, 0.25, 0.25], 8, 0.3);
        assert_eq!(picks, [0, 0, 0, 0, 2, 2, 3, 3]);
        assert!(systematic(&[], 3, 0.1).is_empty());
    }
}
