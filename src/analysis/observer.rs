//! Voltage in, current out: what a battery must have given or taken for the bus
//! to have stood where it did.
//!
//! The logged voltage drives a battery model through the whole log, its surface
//! charge building and fading and its polarisation with it. Nobody knows the
//! battery, so many that it could be are driven at once. Those count most that
//! make sense of the log: while the alternator gives all it has and nothing is
//! switched, the battery's current must stand still; and where a load of known
//! amps is switched then, it must change by that much.

use crate::analysis::prior::Draw;
use crate::log::{Log, Role, Span, Tap};
use crate::physics::battery::BatteryState;
use crate::segment::{indices, mean};
use crate::stats::weighted::effective_draws;

/// The model is driven in blocks this long, or longer in a long log; the fast
/// polarisation takes seconds.
const BLOCK_S: f64 = 0.5;
const MOST_BLOCKS: usize = 20_000;
/// Over a stretch that nothing is switched in, output and loads still move a
/// little: so many volts across the battery's resistance, or this share of its
/// current (common practice, no source). In volts, so that a battery of much
/// resistance, whose currents are all small, gains nothing by it.
const STILL_V: f64 = 0.006;
const STILL_SHARE: f64 = 0.10;
/// Amps on a label are off by so much: the motor, its voltage, its load
/// (common practice, no source).
const LABEL_SHARE: f64 = 0.06;
const LABEL_A: f64 = 0.5;
/// Weights are flattened until at least so many draws still count.
const LEAST_DRAWS: f64 = 300.0;

/// Currents of every draw over every window, positive charging.
pub struct Observed {
    /// One weight a draw, summing to 1.
    pub weights: Vec<f64>,
    /// Resistance of each draw some seconds into a discharge.
    resistances_ohm: Vec<f64>,
    windows: Vec<Vec<Window>>,
    /// A·s taken from the battery over the log, one a draw.
    pub given_as: Vec<f64>,
}

/// What one draw's battery did over one window.
#[derive(Debug, Clone, Copy, Default)]
pub struct Window {
    seconds: f64,
    sum_a: f64,
    sum_given_a: f64,
    sum_t: f64,
    sum_tt: f64,
    sum_ta: f64,
    /// Where the battery stood at the window's end.
    end: Option<BatteryState>,
}

impl Window {
    fn add(&mut self, t_s: f64, current_a: f64, seconds: f64) {
        self.seconds += seconds;
        self.sum_a += seconds * current_a;
        self.sum_given_a += seconds * (-current_a).max(0.0);
        self.sum_t += seconds * t_s;
        self.sum_tt += seconds * t_s * t_s;
        self.sum_ta += seconds * t_s * current_a;
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

    /// Change of current from the window's beginning to its end, by a line.
    fn drift_a(&self) -> f64 {
        let mean_t = self.sum_t / self.seconds;
        let variance = self.sum_tt / self.seconds - mean_t * mean_t;
        let slope = (self.sum_ta / self.seconds - mean_t * self.mean_a()) / variance;
        slope * (12.0 * variance).sqrt()
    }
}

/// A window in which the alternator gives all it has and nothing is switched,
/// some seconds after anything was.
#[derive(Debug, Clone, Copy)]
pub struct Still {
    pub window: usize,
    /// How far noise and resolution may bend its voltage.
    pub unsure_v: f64,
}

/// A load of known amps, switched between two windows of full output: `before`
/// less `after` is `amps_a` (negative where it went off).
#[derive(Debug, Clone, Copy)]
pub struct KnownStep {
    pub before: usize,
    pub after: usize,
    pub amps_a: f64,
}

impl Observed {
    /// Current over window `w` by draw.
    pub fn means_a(&self, w: usize) -> impl Iterator<Item = &Window> {
        self.windows.iter().map(move |of_draw| &of_draw[w])
    }

    pub fn window(&self, draw: usize, w: usize) -> &Window {
        &self.windows[draw][w]
    }

    /// Weighs the draws by how still the current stands where it must, and by
    /// the steps whose amps are known.
    pub fn weigh(&mut self, still: &[Still], known: &[KnownStep]) {
        let misfits: Vec<f64> = self
            .windows
            .iter()
            .zip(&self.resistances_ohm)
            .map(|(of_draw, ohm)| {
                let drift: f64 = still
                    .iter()
                    .map(|still| {
                        let window = &of_draw[still.window];
                        let slack_a = STILL_V.hypot(still.unsure_v) / ohm;
                        window.drift_a() / slack_a.hypot(STILL_SHARE * window.mean_a())
                    })
                    .filter(|z| z.is_finite())
                    .map(|z| z * z)
                    .sum();
                let steps: f64 = known
                    .iter()
                    .map(|step| {
                        let change_a = of_draw[step.before].mean_a() - of_draw[step.after].mean_a();
                        let unsure_a = LABEL_A.hypot(LABEL_SHARE * step.amps_a);
                        (change_a - step.amps_a) / unsure_a
                    })
                    .filter(|z| z.is_finite())
                    .map(|z| z * z)
                    .sum();
                drift + steps
            })
            .collect();
        self.weights = flattened(&misfits);
    }
}

/// exp(−misfit / 2T), T as small as keeps [`LEAST_DRAWS`] in the count: no model
/// is good enough to trust a handful of draws.
fn flattened(misfits: &[f64]) -> Vec<f64> {
    let best = misfits.iter().copied().fold(f64::INFINITY, f64::min);
    let weights = |temperature: f64| -> Vec<f64> {
        misfits.iter().map(|m| (-(m - best) / (2.0 * temperature)).exp()).collect()
    };
    let mut temperature = 1.0;
    let mut raw = weights(temperature);
    while effective_draws(&raw) < LEAST_DRAWS.min(misfits.len() as f64 / 2.0) && temperature < 1e6 {
        temperature *= 1.5;
        raw = weights(temperature);
    }
    let total: f64 = raw.iter().sum();
    raw.into_iter().map(|w| w / total).collect()
}

/// Drives every draw's battery with the log's voltage; all draws weigh alike.
pub fn observe(log: &Log, draws: &[Draw], windows: &[Span]) -> Observed {
    let blocks = Blocks::of(log);
    let members = blocks.members(windows);
    let mut observed = Observed {
        weights: vec![1.0 / draws.len().max(1) as f64; draws.len()],
        resistances_ohm: draws.iter().map(|d| d.battery.seconds_ohm()).collect(),
        windows: Vec::with_capacity(draws.len()),
        given_as: Vec::with_capacity(draws.len()),
    };
    for draw in draws {
        let mut state = draw.start;
        let mut seen = vec![Window::default(); windows.len()];
        let mut given_as = 0.0;
        for (block, inside) in blocks.0.iter().zip(&members) {
            let current_a = draw.current_at(block.volts, &state);
            state = draw.battery.advance(&state, current_a, block.seconds);
            given_as += (-current_a).max(0.0) * block.seconds;
            for &w in inside {
                // Time from the window's own beginning keeps the sums small.
                seen[w].add(block.middle_s - windows[w].start_s, current_a, block.seconds);
                seen[w].end = Some(state);
            }
        }
        observed.windows.push(seen);
        observed.given_as.push(given_as);
    }
    observed
}

#[derive(Debug, Clone, Copy)]
struct Block {
    start_s: f64,
    middle_s: f64,
    seconds: f64,
    volts: f64,
}

/// Mean battery voltage block by block.
struct Blocks(Vec<Block>);

impl Blocks {
    fn of(log: &Log) -> Blocks {
        let time_s = log.time_s();
        // The battery's own tap tells most of the battery.
        let volts = log.channel(Role::Voltage(Tap::Battery)).unwrap_or(log.bus_v());
        let Some((&first_s, &last_s)) = time_s.first().zip(time_s.last()) else {
            return Blocks(Vec::new());
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
                blocks.push(Block { start_s, middle_s, seconds: block_s, volts });
            }
            start_s = end_s;
        }
        Blocks(blocks)
    }

    /// For each block the windows that it lies in.
    fn members(&self, windows: &[Span]) -> Vec<Vec<usize>> {
        let mut members = vec![Vec::new(); self.0.len()];
        for (w, span) in windows.iter().enumerate() {
            let from = self.0.partition_point(|b| b.start_s + b.seconds <= span.start_s);
            let to = self.0.partition_point(|b| b.middle_s <= span.end_s).max(from + 1);
            for inside in members.iter_mut().take(to).skip(from) {
                inside.push(w);
            }
        }
        members
    }
}
