//! The log in steady pieces, each with what its level says of the alternator.

use crate::analysis::Analysis;
use crate::analysis::level::level;
use crate::estimate::Z90;
use crate::levels;
use crate::log::{Log, Role, Span};
use crate::plan::load_budget::Item;
use crate::plan::replay::CarSample;
use crate::plan::scene::Scene;
use crate::segment::{Segments, indices, mean};

/// One steady piece of the log.
pub struct SteadyPiece {
    pub stretch: usize,
    /// Some moments of it, evenly spread: engine rpm and warmth.
    pub running: Vec<(f64, Option<f64>)>,
    /// Mean duty of each item.
    pub duty: Vec<f64>,
    pub volts: f64,
    pub volts_error: f64,
    /// The setpoint's line there.
    pub line_v: f64,
    pub stands: Stands,
    pub alternator_a: Option<f64>,
    pub battery_a: Option<f64>,
}

/// What a level says of the alternator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stands {
    /// It is at full output.
    Full,
    /// It could supply more.
    Holding,
    /// One or the other, by what this car's regulator holds: the log does not show it.
    AsHeld,
}

impl SteadyPiece {
    /// Of this car's alternator.
    pub fn machine_c(&self, trial: &CarSample) -> f64 {
        let all: f64 = self.running.iter().map(|(_, warmth)| trial.machine_c(*warmth)).sum();
        all / self.running.len().max(1) as f64
    }

    /// What this car's curve at a share of one makes over it, and what one amp of each item
    /// draws there.
    pub fn shares(&self, trial: &CarSample) -> (f64, Vec<f64>) {
        let made = |(rpm, warmth): &(f64, Option<f64>)| {
            trial.machine.available_a(*rpm, self.volts, trial.machine_c(*warmth))
        };
        let made_a = self.running.iter().map(made).sum::<f64>() / self.running.len().max(1) as f64;
        let drawn =
            trial.loads.iter().zip(&self.duty).map(|(load, duty)| duty * load.at(self.volts));
        (made_a, drawn.collect())
    }
}

/// A log of more steady pieces than this is thinned evenly.
const MOST_ROWS: usize = 200;
/// Moments of a piece that speak for its speed and heat.
const MOST_MOMENTS: usize = 6;

pub fn rows(
    log: &Log,
    segments: &Segments,
    analysis: &Analysis,
    ledger: &[Item],
    scene: &Scene,
) -> Vec<SteadyPiece> {
    let Some(held_v) = analysis.setpoint.as_ref() else { return Vec::new() };
    let unsure_v = held_v.estimate.value - held_v.estimate.low;
    let droop_v = log.nominal().volts(levels::DROOP);
    let full_output_v = log.nominal().volts(levels::FULL_OUTPUT);
    let logged = |role: Role, span: Span| {
        let amps = mean(&log.channel(role)?[indices(log.time_s(), span)]);
        amps.is_finite().then_some(amps)
    };
    let rows: Vec<SteadyPiece> = segments
        .stretches
        .iter()
        .enumerate()
        .filter(|(stretch, _)| analysis.battery.follows(*stretch))
        .filter_map(|(stretch, s)| {
            let span: Span = s.settled;
            let seen = level(log.time_s(), log.bus_v(), span, &segments.noise_model)?;
            let line_v = held_v.at((span.start_s + span.end_s) / 2.0);
            let under_v = line_v - seen.mean_v;
            let stands = match held_v.is_shown {
                _ if under_v > full_output_v + unsure_v => Stands::Full,
                true if under_v < droop_v => Stands::Holding,
                true => return None,
                false => Stands::AsHeld,
            };
            let moments = scene.moments.get(scene.within(span))?;
            if moments.is_empty() {
                return None;
            }
            let each = moments.len().div_ceil(MOST_MOMENTS);
            let duty = |k: usize| {
                let all: f64 = moments.iter().filter_map(|m| m.duty.get(k)).sum();
                all / moments.len() as f64
            };
            Some(SteadyPiece {
                stretch,
                running: moments
                    .iter()
                    .skip(each / 2)
                    .step_by(each)
                    .map(|m| (m.engine_rpm, m.warmth))
                    .collect(),
                duty: (0..ledger.len()).map(duty).collect(),
                volts: seen.mean_v,
                volts_error: seen.half_width_v / Z90,
                line_v,
                stands,
                alternator_a: logged(Role::AlternatorCurrent, span),
                battery_a: logged(Role::BatteryCurrent, span),
            })
        })
        .collect();
    let each = rows.len().div_ceil(MOST_ROWS).max(1);
    rows.into_iter().step_by(each).collect()
}
