//! Voltage in, current out: the current that each battery of an ensemble must have carried to
//! show the logged voltage.
//!
//! The logged voltage drives the model of [`crate::physics::battery`], with its surface charge
//! and polarization, through the whole log. The battery is unknown, so all parameter samples
//! are driven side by side; the likelihood ([`crate::inference::likelihood`]) weights them.

use crate::inference::likelihood::{CurrentBalance, Prediction};
use crate::inference::prior::ParameterSample;
use crate::log::{Log, Role, Span, Tap};
use crate::parallel::{flat_shared, shared};
use crate::physics::battery::{BatteryState, Paced};
use crate::segment::{indices, mean};

/// Time step, longer in a long log; the fast polarization takes seconds.
const BLOCK_S: f64 = 0.5;
const MOST_BLOCKS: usize = 20_000;
/// Fewer steps of all samples together, and fewer samples, are not worth a thread.
const LEAST_STEPS: usize = 50_000;
const LEAST_DRAWS: usize = 100;

/// Currents of every sample over every window, positive charging.
#[derive(Default)]
pub struct EnsembleRun {
    /// One weight per sample, summing to 1.
    pub weights: Vec<f64>,
    windows: Vec<Vec<WindowCurrent>>,
    /// Charge drawn from the battery over the log, A·s, one value per sample.
    pub given_as: Vec<f64>,
    /// State of each sample's battery at the end of the log.
    pub ends: Vec<BatteryState>,
}

/// Current of one sample's battery over one window.
#[derive(Debug, Clone, Copy, Default)]
pub struct WindowCurrent {
    seconds: f64,
    sum_a: f64,
    sum_given_a: f64,
    /// State of the battery at the window's end.
    end: Option<BatteryState>,
}

impl WindowCurrent {
    fn add(&mut self, current_a: f64, seconds: f64) {
        self.seconds += seconds;
        self.sum_a += seconds * current_a;
        self.sum_given_a += seconds * (-current_a).max(0.0);
    }

    pub fn mean_a(&self) -> f64 {
        self.sum_a / self.seconds
    }

    pub fn given_a(&self) -> f64 {
        self.sum_given_a / self.seconds
    }

    /// State at the window's end, to compute what the battery would take there.
    pub fn end(&self) -> Option<&BatteryState> {
        self.end.as_ref()
    }
}

impl EnsembleRun {
    #[cfg(test)]
    pub fn of_ends(ends: Vec<BatteryState>) -> EnsembleRun {
        let weights = vec![1.0 / ends.len().max(1) as f64; ends.len()];
        EnsembleRun { weights, windows: Vec::new(), given_as: vec![0.0; ends.len()], ends }
    }

    pub fn window(&self, draw: usize, w: usize) -> &WindowCurrent {
        &self.windows[draw][w]
    }

    /// Deviance (−2 ln likelihood) of each sample.
    pub fn deviances(&self, draws: &[ParameterSample], balance: &CurrentBalance) -> Vec<f64> {
        let of = |draw: &ParameterSample, windows: &[WindowCurrent]| {
            let deviance = balance.deviance(|entry| {
                let window = &windows[entry.window];
                let ohm = window.end().map_or(f64::NAN, |state| draw.ohm_near(entry.volts, state));
                Prediction { current_a: window.mean_a(), ohm }
            });
            if deviance.is_finite() { deviance } else { f64::MAX }
        };
        let pairs: Vec<(&ParameterSample, &Vec<WindowCurrent>)> =
            draws.iter().zip(&self.windows).collect();
        flat_shared(&pairs, LEAST_DRAWS, |(draw, windows)| Some(of(draw, windows)))
    }

    /// Appends the samples of a later run; the caller computes the weights anew.
    pub fn extend(&mut self, later: EnsembleRun) {
        self.weights.extend(later.weights);
        self.windows.extend(later.windows);
        self.given_as.extend(later.given_as);
        self.ends.extend(later.ends);
    }
}

/// Drives every sample's battery with the log's voltage, on all cores; equal weights, in the
/// order of `draws` whatever the number of cores.
pub fn run_ensemble(log: &Log, draws: &[ParameterSample], windows: &[Span]) -> EnsembleRun {
    let blocks = VoltageBlocks::of(log);
    let members = blocks.members(windows);
    let least = LEAST_STEPS.div_ceil(blocks.all.len().max(1));
    let parts = shared(draws, least, |part| follow(&blocks, &members, part, windows.len()));
    let mut run = EnsembleRun::default();
    parts.into_iter().for_each(|part| run.extend(part));
    run.weights = vec![1.0 / draws.len().max(1) as f64; draws.len()];
    run
}

/// Without weights.
fn follow(
    blocks: &VoltageBlocks,
    members: &[Vec<usize>],
    draws: &[ParameterSample],
    windows: usize,
) -> EnsembleRun {
    let mut run = EnsembleRun::default();
    for draws in draws.chunks(ABREAST) {
        let mut all: Vec<Member> = draws
            .iter()
            .map(|draw| Member {
                draw,
                paced: draw.battery.paced(blocks.each_s),
                state: draw.start,
                windows: vec![WindowCurrent::default(); windows],
                given_as: 0.0,
            })
            .collect();
        for (block, inside) in blocks.all.iter().zip(members) {
            for one in &mut all {
                let current_a = one.draw.current_at(block.volts, &one.state);
                one.state = one.paced.advance(&one.state, current_a);
                one.given_as += (-current_a).max(0.0) * blocks.each_s;
                for &w in inside {
                    one.windows[w].add(current_a, blocks.each_s);
                    one.windows[w].end = Some(one.state);
                }
            }
        }
        for one in all {
            run.windows.push(one.windows);
            run.given_as.push(one.given_as);
            run.ends.push(one.state);
        }
    }
    run
}

/// Samples driven side by side: each step depends on the one before it, but not on those of
/// other samples, so the processor can overlap them.
const ABREAST: usize = 8;

/// One sample, part-way through the log.
struct Member<'a> {
    draw: &'a ParameterSample,
    paced: Paced<'a>,
    state: BatteryState,
    windows: Vec<WindowCurrent>,
    given_as: f64,
}

#[derive(Debug, Clone, Copy)]
struct VoltageBlock {
    start_s: f64,
    middle_s: f64,
    volts: f64,
}

/// Mean battery voltage block by block.
struct VoltageBlocks {
    each_s: f64,
    all: Vec<VoltageBlock>,
}

impl VoltageBlocks {
    fn of(log: &Log) -> VoltageBlocks {
        let time_s = log.time_s();
        // The battery's own tap, where logged, is closest to the battery.
        let volts = log.channel(Role::Voltage(Tap::Battery)).unwrap_or(log.bus_v());
        let Some((&first_s, &last_s)) = time_s.first().zip(time_s.last()) else {
            return VoltageBlocks { each_s: BLOCK_S, all: Vec::new() };
        };
        let block_s = BLOCK_S.max((last_s - first_s) / MOST_BLOCKS as f64);
        let mut blocks: Vec<VoltageBlock> = Vec::new();
        let mut start_s = first_s;
        while start_s < last_s {
            let end_s = start_s + block_s;
            let inside = indices(time_s, Span { start_s, end_s: end_s - 1e-9 });
            let seen = mean(&volts[inside]);
            // A gap holds the last voltage.
            let volts = if seen.is_finite() { Some(seen) } else { blocks.last().map(|b| b.volts) };
            if let Some(volts) = volts {
                let middle_s = start_s + block_s / 2.0;
                blocks.push(VoltageBlock { start_s, middle_s, volts });
            }
            start_s = end_s;
        }
        VoltageBlocks { each_s: block_s, all: blocks }
    }

    /// For each block the windows that contain it.
    fn members(&self, windows: &[Span]) -> Vec<Vec<usize>> {
        let mut members = vec![Vec::new(); self.all.len()];
        for (w, span) in windows.iter().enumerate() {
            let from = self.all.partition_point(|b| b.start_s + self.each_s <= span.start_s);
            let to = self.all.partition_point(|b| b.middle_s <= span.end_s).max(from + 1);
            for inside in members.iter_mut().take(to).skip(from) {
                inside.push(w);
            }
        }
        members
    }
}
