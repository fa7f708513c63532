//! The bus: an alternator and a battery in parallel, loads behind their cables.
//!
//! ```text
//! alternator ──Ra── battery ──Rm── module
//!     │                │             │
//!   loads       E,R and loads      loads
//! ```
//! Each resistance is that of its whole loop, supply and ground side together.
//! Kirchhoff's laws and nothing else.

use super::load::Draw;

/// A place where a voltage is read or a load hangs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Node {
    Alternator,
    Battery,
    Module,
}

/// The circuit at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bus {
    /// Alternator to battery, Ω.
    pub alternator_line_ohm: f64,
    /// Battery to module, Ω.
    pub module_line_ohm: f64,
    /// The battery's voltage behind `battery_ohm`.
    pub battery_v: f64,
    pub battery_ohm: f64,
    pub at_alternator: Draw,
    pub at_battery: Draw,
    pub at_module: Draw,
}

/// The voltages and currents of a solved bus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Solved {
    pub alternator_v: f64,
    pub battery_v: f64,
    pub module_v: f64,
    pub alternator_a: f64,
    /// Positive: charging.
    pub battery_a: f64,
    /// All loads together.
    pub load_a: f64,
}

impl Solved {
    /// Volts lost on the ground side between alternator and battery, which holds
    /// `ground_share` of that loop's resistance.
    pub fn ground_v(&self, ground_share: f64) -> f64 {
        ground_share * (self.alternator_v - self.battery_v)
    }

    pub fn volts(&self, node: Node) -> f64 {
        match node {
            Node::Alternator => self.alternator_v,
            Node::Battery => self.battery_v,
            Node::Module => self.module_v,
        }
    }
}

impl Bus {
    /// The bus while the alternator delivers `alternator_a`.
    pub fn with_current(&self, alternator_a: f64) -> Solved {
        let supply_most = self.battery_v.max(0.0) + self.battery_ohm * alternator_a.max(0.0);
        let battery_v = root(0.0, supply_most, self.battery_v, |volts| {
            let (_, line_a) = self.line_from(volts, alternator_a);
            volts - self.battery_v - self.battery_ohm * (line_a - self.drawn_at(volts).1)
        });
        let (alternator_v, _) = self.line_from(battery_v, alternator_a);
        self.solved(alternator_v, battery_v)
    }

    /// The bus while the alternator holds `setpoint_v` at `sense`; `alternator_a` is the current
    /// needed, and may be negative where the battery alone is higher. A module cannot be sensed: it
    /// counts as the battery.
    pub fn holding(&self, setpoint_v: f64, sense: Node) -> Solved {
        match sense {
            Node::Alternator => {
                // What the line must carry into the battery's node at a voltage.
                let most = setpoint_v.max(self.battery_v).max(0.0);
                let battery_v = root(0.0, most, setpoint_v, |volts| {
                    volts - setpoint_v + self.alternator_line_ohm * self.line_a_at(volts)
                });
                self.solved(setpoint_v, battery_v)
            }
            Node::Battery | Node::Module => {
                let line_a = self.line_a_at(setpoint_v);
                let alternator_v = setpoint_v + self.alternator_line_ohm * line_a;
                self.solved(alternator_v, setpoint_v)
            }
        }
    }

    /// Amps that the line must bring to the battery's node to keep it at `volts`.
    fn line_a_at(&self, volts: f64) -> f64 {
        self.drawn_at(volts).1 + (volts - self.battery_v) / self.battery_ohm
    }

    /// Module volts, and amps drawn at and beyond the battery's node, by its volts.
    fn drawn_at(&self, battery_v: f64) -> (f64, f64) {
        let guess_v = battery_v - self.module_line_ohm * self.at_module.amps(battery_v);
        let module_v = root(0.0, battery_v, guess_v, |volts| {
            volts - battery_v + self.module_line_ohm * self.at_module.amps(volts)
        });
        (module_v, self.at_module.amps(module_v) + self.at_battery.amps(battery_v))
    }

    /// Alternator volts and line amps, by battery volts and alternator amps.
    fn line_from(&self, battery_v: f64, alternator_a: f64) -> (f64, f64) {
        let most = battery_v.max(0.0) + self.alternator_line_ohm * alternator_a.max(0.0);
        let unloaded_v = battery_v + self.alternator_line_ohm * alternator_a;
        let volts = root(0.0, most, unloaded_v, |volts| {
            let line_a = alternator_a - self.at_alternator.amps(volts);
            volts - battery_v - self.alternator_line_ohm * line_a
        });
        (volts, alternator_a - self.at_alternator.amps(volts))
    }

    fn solved(&self, alternator_v: f64, battery_v: f64) -> Solved {
        let (module_v, drawn_a) = self.drawn_at(battery_v);
        let post_a = self.at_alternator.amps(alternator_v);
        let battery_a = (battery_v - self.battery_v) / self.battery_ohm;
        Solved {
            alternator_v,
            battery_v,
            module_v,
            alternator_a: battery_a + drawn_a + post_a,
            battery_a,
            load_a: drawn_a + post_a,
        }
    }
}

/// A root of `f` in `low..=high`, where `f(low) <= 0 <= f(high)`: secant steps
/// from `guess`, halving whenever one leaves the bracket or gains too little,
/// so that it always ends. Where the bracket holds no sign change, the nearer end.
fn root(low: f64, high: f64, guess: f64, f: impl Fn(f64) -> f64) -> f64 {
    const CLOSE_V: f64 = 1e-10;
    let (mut low, mut high) = (low, high);
    let mut x = guess.clamp(low.min(high), high.max(low));
    let mut y = f(x);
    // Nearly every f here has a slope a little over 1, so the first step is y itself.
    let mut slope = 1.0;
    for _ in 0..80 {
        if y.abs() < CLOSE_V || high - low < CLOSE_V {
            break;
        }
        if y < 0.0 {
            low = x
        } else {
            high = x
        }
        let step = x - y / slope;
        let next = if step > low && step < high { step } else { low + (high - low) / 2.0 };
        let next_y = f(next);
        let measured = (next_y - y) / (next - x);
        let gained = next_y.abs() < 0.5 * y.abs();
        slope = if measured > 0.0 && measured.is_finite() { measured } else { 1.0 };
        (x, y) = (next, next_y);
        if !gained && y.abs() >= CLOSE_V {
            if y < 0.0 {
                low = x
            } else {
                high = x
            }
            x = low + (high - low) / 2.0;
            y = f(x);
        }
    }
    x
}
