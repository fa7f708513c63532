//! Voltage in, current out: what a battery must have given or taken for the bus
//! to have stood where it did.
//!
//! The logged voltage drives a battery model through the whole log, its surface
//! charge building and fading and its polarisation with it. Nobody knows the
//! battery, so many that it could be are driven at once; those count most whose
//! currents make sense together (see [`crate::analysis::balance`]).

use crate::analysis::balance::{Balance, Said};
use crate::analysis::prior::Draw;
use crate::log::{Log, Role, Span, Tap};
use crate::physics::battery::{BatteryState, Paced};
use crate::segment::{indices, mean};
use crate::shared::shared;

/// The model is driven in blocks this long, or longer in a long log; the fast
/// polarisation takes seconds.
const BLOCK_S: f64 = 0.5;
const MOST_BLOCKS: usize = 20_000;
/// Fewer steps of all draws together, and fewer draws to judge, are not worth a thread.
const LEAST_STEPS: usize = 50_000;
const LEAST_DRAWS: usize = 100;

/// Currents of every draw over every window, positive charging.
#[derive(Default)]
pub struct Observed {
    /// One weight a draw, summing to 1.
    pub weights: Vec<f64>,
    windows: Vec<Vec<Window>>,
    /// A·s taken from the battery while running, one a draw.
    pub given_as: Vec<f64>,
    /// Where each draw's battery stands at the last sample.
    pub ends: Vec<BatteryState>,
}

/// What one draw's battery did over one window.
#[derive(Debug, Clone, Copy, Default)]
pub struct Window {
    seconds: f64,
    sum_a: f64,
    sum_given_a: f64,
    /// Where the battery stood at the window's end.
    end: Option<BatteryState>,
}

impl Window {
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

    /// State at the window's end, to ask what the battery would take there.
    pub fn end(&self) -> Option<&BatteryState> {
        self.end.as_ref()
    }
}

impl Observed {
    #[cfg(test)]
    pub fn of_ends(ends: Vec<BatteryState>) -> Observed {
        let weights = vec![1.0 / ends.len().max(1) as f64; ends.len()];
        Observed { weights, windows: Vec::new(), given_as: vec![0.0; ends.len()], ends }
    }

    pub fn window(&self, draw: usize, w: usize) -> &Window {
        &self.windows[draw][w]
    }

    /// −2 ln of how likely the log is with each draw, by how well its currents
    /// keep the balance.
    pub fn misfits(&self, draws: &[Draw], balance: &Balance) -> Vec<f64> {
        let of = |draw: &Draw, windows: &[Window]| {
            let misfit = balance.misfit(|entry| {
                let window = &windows[entry.window];
                let ohm = |state| draw.ohm_near(entry.volts, state);
                Said::of(window, window.end().map_or(f64::NAN, ohm))
            });
            if misfit.is_finite() { misfit } else { f64::MAX }
        };
        let pairs: Vec<(&Draw, &Vec<Window>)> = draws.iter().zip(&self.windows).collect();
        shared(&pairs, LEAST_DRAWS, |part| part.iter().map(|(d, w)| of(d, w)).collect::<Vec<f64>>())
            .concat()
    }

    /// Takes up `later` draws; the weights are for the caller to renew.
    pub fn extend(&mut self, later: Observed) {
        self.weights.extend(later.weights);
        self.windows.extend(later.windows);
        self.given_as.extend(later.given_as);
        self.ends.extend(later.ends);
    }
}

/// Drives every draw's battery with the log's voltage; all draws weigh alike. Each goes
/// its own way, so they are shared among the cores, and come back in their order.
pub fn observe(log: &Log, draws: &[Draw], windows: &[Span]) -> Observed {
    let blocks = Blocks::of(log);
    let members = blocks.members(windows);
    let least = LEAST_STEPS.div_ceil(blocks.all.len().max(1));
    let parts = shared(draws, least, |part| follow(&blocks, &members, part, windows.len()));
    let mut observed = Observed::default();
    parts.into_iter().for_each(|part| observed.extend(part));
    observed.weights = vec![1.0 / draws.len().max(1) as f64; draws.len()];
    observed
}

/// The weights are for the caller to set.
fn follow(blocks: &Blocks, members: &[Vec<usize>], draws: &[Draw], windows: usize) -> Observed {
    let mut observed = Observed::default();
    for draws in draws.chunks(ABREAST) {
        let mut all: Vec<Followed> = draws
            .iter()
            .map(|draw| Followed {
                draw,
                paced: draw.battery.paced(blocks.each_s),
                state: draw.start,
                seen: vec![Window::default(); windows],
                given_as: 0.0,
            })
            .collect();
        for (block, inside) in blocks.all.iter().zip(members) {
            for one in &mut all {
                let current_a = one.draw.current_at(block.volts, &one.state);
                one.state = one.paced.advance(&one.state, current_a);
                one.given_as += (-current_a).max(0.0) * blocks.each_s;
                for &w in inside {
                    one.seen[w].add(current_a, blocks.each_s);
                    one.seen[w].end = Some(one.state);
                }
            }
        }
        for one in all {
            observed.windows.push(one.seen);
            observed.given_as.push(one.given_as);
            observed.ends.push(one.state);
        }
    }
    observed
}

/// Draws that go through the log side by side: each step waits for the one before it,
/// but not for those of other draws.
const ABREAST: usize = 8;

/// A draw on its way through the log.
struct Followed<'a> {
    draw: &'a Draw,
    paced: Paced<'a>,
    state: BatteryState,
    seen: Vec<Window>,
    given_as: f64,
}

#[derive(Debug, Clone, Copy)]
struct Block {
    start_s: f64,
    middle_s: f64,
    volts: f64,
}

/// Mean battery voltage block by block.
struct Blocks {
    each_s: f64,
    all: Vec<Block>,
}

impl Blocks {
    fn of(log: &Log) -> Blocks {
        let time_s = log.time_s();
        // The battery's own tap tells most of the battery.
        let volts = log.channel(Role::Voltage(Tap::Battery)).unwrap_or(log.bus_v());
        let Some((&first_s, &last_s)) = time_s.first().zip(time_s.last()) else {
            return Blocks { each_s: BLOCK_S, all: Vec::new() };
        };
        let block_s = BLOCK_S.max((last_s - first_s) / MOST_BLOCKS as f64);
        let mut blocks: Vec<Block> = Vec::new();
        let mut start_s = first_s;
        while start_s < last_s {
            let end_s = start_s + block_s;
            let inside = indices(time_s, Span { start_s, end_s: end_s - 1e-9 });
            let seen = mean(&volts[inside]);
            // A gap holds the last voltage.
            let volts = if seen.is_finite() { Some(seen) } else { blocks.last().map(|b| b.volts) };
            if let Some(volts) = volts {
                let middle_s = start_s + block_s / 2.0;
                blocks.push(Block { start_s, middle_s, volts });
            }
            start_s = end_s;
        }
        Blocks { each_s: block_s, all: blocks }
    }

    /// For each block the windows that it lies in.
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
