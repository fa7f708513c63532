//! The trace of a log as small as a word, for a row of a table: one path of whole
//! pixels, another for the ground where the bus drains. All of a page are on one scale.

use maud::{Markup, html as markup};

use super::scale::readable;
use crate::diagnosis::BusState;
use crate::review::{Review, Row, Sketch};

const COLUMNS: usize = 60;
/// Pixels of one column, and of the whole height.
const WIDE: i32 = 2;
const TALL: i32 = 36;

/// The volts from the foot to the head of every sketch of a page.
#[derive(Debug, Clone, Copy)]
pub struct SketchScale {
    pub low_v: f64,
    pub high_v: f64,
}

impl SketchScale {
    /// Holds all the review's traces but the rarest dips and spikes.
    pub fn of(review: &Review) -> SketchScale {
        let sketches = review.rows.iter().filter_map(Row::summary).map(|summary| &summary.sketch);
        let ends = sketches.flat_map(|sketch| sketch.low_v.iter().chain(&sketch.high_v));
        let (low_v, high_v) = readable(ends.flatten().copied().collect());
        SketchScale { low_v, high_v }
    }

    fn y(self, volts: f64) -> i32 {
        let share = (volts - self.low_v) / (self.high_v - self.low_v);
        let y = (1.0 - share) * f64::from(TALL);
        if y.is_finite() { (y.round() as i32).clamp(0, TALL) } else { TALL }
    }
}

/// `setpoint_v` is drawn as a line of its own where it is known.
pub fn sketch(of: &Sketch, setpoint_v: Option<f64>, scale: SketchScale) -> Markup {
    let states = thinned(&of.state, |a, b| a.max(b));
    let drains = |state: &Option<BusState>| *state == Some(BusState::Draining);
    let said = match states.iter().filter(|state| drains(state)).count() {
        0 => "never draining",
        n if n * 2 > states.len() => "draining for the most part",
        _ => "draining for a part",
    };
    let trace = trace(of, scale);
    let ground = ground(&states, drains);
    let view = format!("0 0 {} {TALL}", COLUMNS as i32 * WIDE);
    markup! {
        @if trace.is_empty() {
            span.range { "no trace" }
        } @else {
            svg.sketch viewBox=(view) role="img" aria-label=(said) {
                @if !ground.is_empty() { path.g d=(ground) {} }
                @if let Some(volts) = setpoint_v.filter(|v| v.is_finite()) {
                    path.s d=(format!("M0 {}h{}", scale.y(volts), COLUMNS as i32 * WIDE)) {}
                }
                path d=(trace) {}
            }
        }
    }
}

/// One upright stroke a column, from the lowest to the highest; strokes that would
/// not meet are joined, a gap is not.
fn trace(of: &Sketch, scale: SketchScale) -> String {
    let low = thinned(&of.low_v, |a, b| a.min(b));
    let high = thinned(&of.high_v, |a, b| a.max(b));
    let mut path = String::new();
    let mut before: Option<i32> = None;
    for (k, ends) in (0..).zip(low.iter().zip(&high)) {
        let (Some(low), Some(high)) = ends else {
            before = None;
            continue;
        };
        let (foot, head) = (scale.y(*low), scale.y(*high));
        match before {
            Some(y) => {
                // Along to the nearer end, then to the other.
                let (near, far) =
                    if (y - foot).abs() < (y - head).abs() { (foot, head) } else { (head, foot) };
                path.push_str(&along(y, near));
                path.push_str(&upright(near, far));
                before = Some(far);
            }
            None => {
                path.push_str(&format!("M{} {head}", k * WIDE));
                path.push_str(&upright(head, foot));
                before = Some(foot);
            }
        }
    }
    path
}

fn along(from: i32, to: i32) -> String {
    if from == to { format!("h{WIDE}") } else { format!("l{WIDE} {}", to - from) }
}

fn upright(from: i32, to: i32) -> String {
    if from == to { String::new() } else { format!("v{}", to - from) }
}

fn ground(states: &[Option<BusState>], drains: impl Fn(&Option<BusState>) -> bool) -> String {
    let mut path = String::new();
    let mut at = 0;
    for run in states.chunk_by(|a, b| drains(a) == drains(b)) {
        let wide = run.len() as i32 * WIDE;
        if run.first().is_some_and(&drains) {
            path.push_str(&format!("M{} 0h{wide}v{TALL}h-{wide}z", at * WIDE));
        }
        at += run.len() as i32;
    }
    path
}

/// [`COLUMNS`] columns, each of the most that falls into it; fewer are stretched.
fn thinned<T: Copy>(cells: &[Option<T>], most: impl Fn(T, T) -> T) -> Vec<Option<T>> {
    if cells.is_empty() {
        return Vec::new();
    }
    (0..COLUMNS)
        .map(|k| {
            let start = k * cells.len() / COLUMNS;
            let end = ((k + 1) * cells.len() / COLUMNS).max(start + 1);
            let known = cells.get(start..end).unwrap_or(&[]).iter().flatten().copied();
            known.reduce(&most)
        })
        .collect()
}
