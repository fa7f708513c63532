//! Panels with axes, envelopes drawn into them, and labels that keep off each other.

use plotters::coord::ranged1d::Ranged;
use plotters::coord::types::RangedCoordf64;
use plotters::style::text_anchor::VPos;

use super::canvas::{Canvas, Drawn, Point, Type, fit};
use super::palette::{FAINT, FRAME, GRID, Ink};
use crate::diagnosis::Envelope;
use crate::report::format::number;

/// A rectangle of the sheet with a scale along each side.
pub struct Panel {
    pub left: i32,
    pub right: i32,
    pub top: i32,
    pub bottom: i32,
    x: (f64, f64),
    y: (f64, f64),
}

impl Panel {
    pub fn new(across: (i32, i32), down: (i32, i32), x: (f64, f64), y: (f64, f64)) -> Self {
        let (left, right) = across;
        let (top, bottom) = down;
        Panel { left, right, top, bottom, x: widened(x), y: widened(y) }
    }

    /// Pixel of `value` along the bottom, held within the panel.
    pub fn x(&self, value: f64) -> i32 {
        place(self.x, value, (self.left, self.right))
    }

    /// Pixel of `value` up the side, held within the panel.
    pub fn y(&self, value: f64) -> i32 {
        place(self.y, value, (self.bottom, self.top))
    }

    pub fn x_range(&self) -> (f64, f64) {
        self.x
    }

    pub fn y_range(&self) -> (f64, f64) {
        self.y
    }

    pub fn shows_y(&self, value: f64) -> bool {
        self.y.0 <= value && value <= self.y.1
    }

    /// Lines across at round values, their numbers at the left, and the unit above.
    pub fn y_axis(&self, canvas: &Canvas, title: &str, most: usize, size: i32) -> Drawn {
        let ticks = ticks(self.y, most);
        for (value, text) in labelled(&ticks) {
            let y = self.y(value);
            canvas.line(vec![(self.left, y), (self.right, y)], GRID, 1)?;
            canvas.text((self.left - 8, y), &text, Type::new(size).ink(FAINT).right())?;
        }
        canvas.line(vec![(self.left, self.top), (self.left, self.bottom)], FRAME, 1)?;
        let room = self.right - 4;
        canvas.plated((4, self.top - size - 6), &fit(title, size, room), Type::new(size).ink(FAINT))
    }

    /// Lines down at round values.
    pub fn x_grid(&self, canvas: &Canvas, per_unit: f64, most: usize) -> Drawn {
        for tick in ticks((self.x.0 / per_unit, self.x.1 / per_unit), most) {
            let x = self.x(tick * per_unit);
            canvas.line(vec![(x, self.top), (x, self.bottom)], GRID, 1)?;
        }
        Ok(())
    }

    /// The numbers below, in units of `per_unit`, and what they count.
    pub fn x_axis(
        &self,
        canvas: &Canvas,
        per_unit: f64,
        title: &str,
        most: usize,
        size: i32,
    ) -> Drawn {
        let ticks = ticks((self.x.0 / per_unit, self.x.1 / per_unit), most);
        canvas.line(vec![(self.left, self.bottom), (self.right, self.bottom)], FRAME, 1)?;
        for (value, text) in labelled(&ticks) {
            let x = self.x(value * per_unit);
            canvas.line(vec![(x, self.bottom), (x, self.bottom + 5)], FRAME, 1)?;
            let set = Type::new(size).ink(FAINT).middle();
            canvas.text((x, self.bottom + 8 + size / 2), &text, set)?;
        }
        let middle = (self.left + self.right) / 2;
        let set = Type { along: VPos::Center, ..Type::new(size).ink(FAINT).middle() };
        canvas.text((middle, self.bottom + 12 + size * 2), title, set)
    }

    /// The envelope as a filled ribbon: one column of pixels holds all buckets
    /// that fall into it, and a gap in the log stays a gap. Columns are as wide
    /// as the stroke: a thick line shows no more for being drawn twice as often.
    pub fn envelope(&self, canvas: &Canvas, envelope: &Envelope, ink: Ink, width: u32) -> Drawn {
        for run in self.columns(envelope, width as i32) {
            let high: Vec<Point> = run.iter().map(|c| (c.x, self.y(c.high))).collect();
            let low: Vec<Point> = run.iter().map(|c| (c.x, self.y(c.low))).collect();
            if high == low {
                match high.as_slice() {
                    [only] => canvas.dot(*only, 2, ink)?,
                    _ => canvas.line(high, ink, width)?,
                }
                continue;
            }
            // There along the top and back along the bottom; stroked too, so
            // that the ribbon is never thinner than a line.
            let mut ribbon = high;
            ribbon.extend(low.into_iter().rev());
            if run.len() > 1 {
                canvas.polygon(ribbon.clone(), ink, 0.55)?;
            }
            canvas.line(ribbon, ink, width)?;
        }
        Ok(())
    }

    /// Runs without a gap, each a list of columns `width` pixels wide with their extremes.
    pub fn columns(&self, envelope: &Envelope, width: i32) -> Vec<Vec<Column>> {
        let mut runs = vec![Vec::<Column>::new()];
        let mut broken = false;
        let buckets = envelope.time_s.iter().zip(&envelope.low).zip(&envelope.high);
        for ((&t, &low), &high) in buckets {
            let inside = t.is_finite() && self.x.0 <= t && t <= self.x.1;
            match (low, high) {
                (Some(low), Some(high)) if low.is_finite() && high.is_finite() => {
                    if !inside {
                        continue;
                    }
                    let x = self.x(t);
                    let x = x - (x - self.left) % width.max(1);
                    let fresh = Column { x, t_s: t, low, high };
                    // A gap within one column of pixels shows nowhere.
                    let goes_on = runs.last().and_then(|run| run.last()).is_some_and(|c| c.x == x);
                    if std::mem::take(&mut broken) && !goes_on {
                        runs.push(Vec::new());
                    }
                    match runs.last_mut() {
                        Some(run) => match run.last_mut().filter(|c| c.x == x) {
                            Some(column) => column.take_in(fresh),
                            None => run.push(fresh),
                        },
                        None => runs.push(vec![fresh]),
                    }
                }
                _ => broken = true,
            }
        }
        runs.retain(|run| !run.is_empty());
        runs
    }
}

/// What one column of pixels shows.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    pub x: i32,
    /// Time of the lowest value.
    pub t_s: f64,
    pub low: f64,
    pub high: f64,
}

impl Column {
    fn take_in(&mut self, other: Column) {
        if other.low < self.low {
            self.low = other.low;
            self.t_s = other.t_s;
        }
        self.high = self.high.max(other.high);
    }
}

fn place(range: (f64, f64), value: f64, pixels: (i32, i32)) -> i32 {
    let value = if value.is_nan() { range.0 } else { value.clamp(range.0, range.1) };
    RangedCoordf64::from(range.0..range.1).map(&value, pixels)
}

/// A range that has a width and finite ends.
fn widened((low, high): (f64, f64)) -> (f64, f64) {
    let low = if low.is_finite() { low } else { 0.0 };
    let high = if high.is_finite() { high } else { low + 1.0 };
    if high - low > 1e-9 * high.abs().max(1.0) { (low, high) } else { (low - 0.5, low + 0.5) }
}

fn ticks(range: (f64, f64), most: usize) -> Vec<f64> {
    let scale = RangedCoordf64::from(range.0..range.1);
    scale.key_points(most)
}

/// The ticks with just as many decimals as tell them apart.
fn labelled(ticks: &[f64]) -> Vec<(f64, String)> {
    let gap =
        ticks.windows(2).filter_map(|w| Some(w.get(1)? - w.first()?)).fold(f64::MAX, f64::min);
    let is_round = |decimals: i32| {
        let scaled = gap * 10f64.powi(decimals);
        (scaled - scaled.round()).abs() < 1e-6 * scaled.abs().max(1.0)
    };
    let decimals = (0..4).find(|&d| is_round(d)).unwrap_or(4);
    ticks.iter().map(|&tick| (tick, number(tick, decimals as usize))).collect()
}

/// A label that would like to stand at `y`.
pub struct Label {
    pub y: i32,
    pub name: String,
    /// What the line stands at; may be empty.
    pub value: String,
    pub ink: Ink,
    /// The shape of its series' marks.
    pub mark: Option<usize>,
}

/// Labels in the margin right of a panel, moved apart where they would
/// overlap, each tied to its line by a short leader. In a margin too narrow for
/// both, the value is `stacked` under its name.
pub fn margin_labels(
    canvas: &Canvas,
    mut labels: Vec<Label>,
    at: (i32, i32),
    between: (i32, i32),
    size: i32,
    stacked: bool,
) -> Drawn {
    let (left, right) = at;
    labels.sort_by_key(|label| label.y);
    let wanted: Vec<i32> = labels.iter().map(|label| label.y).collect();
    let line = size + 4;
    let gap = if stacked { 2 * line } else { line };
    for (label, y) in labels.iter().zip(spread(&wanted, gap, between)) {
        canvas.line(vec![(left, label.y), (left + 12, y)], label.ink, 1)?;
        let mut start = left + 16;
        if let Some(shape) = label.mark {
            canvas.mark(shape, (start + 4, y), label.ink)?;
            start += 14;
        }
        let lines = match (stacked, label.value.is_empty()) {
            (_, true) => vec![label.name.clone()],
            (true, false) => vec![label.name.clone(), label.value.clone()],
            (false, false) => vec![format!("{} {}", label.name, label.value)],
        };
        let top = y - (lines.len() as i32 - 1) * line / 2;
        for (row, text) in (0..).zip(&lines) {
            let text = fit(text, size, right - start);
            canvas.text((start, top + row * line), &text, Type::new(size).ink(label.ink))?;
        }
    }
    Ok(())
}

/// Sorted positions moved apart to at least `gap`, within `between` where they fit.
pub fn spread(wanted: &[i32], gap: i32, between: (i32, i32)) -> Vec<i32> {
    let mut placed: Vec<i32> = Vec::with_capacity(wanted.len());
    let mut floor = between.0;
    for &y in wanted {
        let y = y.max(floor);
        placed.push(y);
        floor = y + gap;
    }
    let mut ceiling = between.1;
    for y in placed.iter_mut().rev() {
        *y = (*y).min(ceiling);
        ceiling = *y - gap;
    }
    placed
}

/// A unit of time that keeps the numbers short: seconds in it, its name.
pub fn time_unit(duration_s: f64) -> (f64, &'static str) {
    if duration_s <= 900.0 {
        (1.0, "s")
    } else if duration_s <= 3.0 * 3600.0 {
        (60.0, "min")
    } else {
        (3600.0, "h")
    }
}
