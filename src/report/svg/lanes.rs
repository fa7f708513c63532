//! Which loads were on, a lane each, the height of the bar their duty.

use super::axis::Panel;
use super::canvas::{Canvas, Drawn, Point, Type, fit};
use super::palette::{FAINT, LANE};
use crate::diagnosis::Lane;

/// Of a bar with the gap above it.
const HEIGHT: i32 = 26;
/// More lanes than this make a picture nobody reads; the rest are counted in words.
const MOST: usize = 24;

/// The lanes of one picture and where they lie.
pub struct Lanes<'a> {
    pub all: &'a [Lane],
    pub time: (f64, f64),
    /// First and last pixel of the time axis.
    pub across: (i32, i32),
    /// Where the names must end.
    pub margin: i32,
    pub size: i32,
    /// Names stand over their bars, where the margin is too narrow for them.
    pub names_above: bool,
}

impl Lanes<'_> {
    fn shown(&self) -> &[Lane] {
        self.all.get(..MOST).unwrap_or(self.all)
    }

    fn row(&self) -> i32 {
        HEIGHT + if self.names_above { self.size } else { 0 }
    }

    /// Pixels the lanes take, and pixels the word on those left out takes
    /// below the time axis.
    pub fn heights(&self) -> (i32, i32) {
        let left_out = self.shown().len() < self.all.len();
        (self.shown().len() as i32 * self.row() + 2, if left_out { self.size + 8 } else { 0 })
    }

    pub fn draw(&self, canvas: &Canvas, top: i32, foot: i32) -> Drawn {
        let (left, right) = self.across;
        for (row, lane) in self.shown().iter().enumerate() {
            let floor = top + (row as i32 + 1) * self.row() - 2;
            let panel = Panel::new(self.across, (floor - HEIGHT + 6, floor), self.time, (0.0, 1.0));
            canvas.line(vec![(left, floor), (right, floor)], LANE, 1)?;
            for outline in outlines_of(lane, &panel) {
                canvas.polygon(outline, LANE, 0.85)?;
            }
            let (room, at) = if self.names_above {
                (right - left, (left + 4, floor - HEIGHT - self.size / 2 + 4))
            } else {
                (self.margin - right - 18, (right + 12, floor - HEIGHT / 2 + 3))
            };
            let name = fit(&lane.load, self.size, room);
            canvas.plated(at, &name, Type::new(self.size))?;
        }
        let faint = Type::new(self.size).ink(FAINT);
        if !self.all.is_empty() {
            let middle = top + self.heights().0 / 2;
            canvas.text((left - 8, middle), "loads", faint.right())?;
        }
        let left_out = self.all.len() - self.shown().len();
        if left_out > 0 {
            let text = format!("{left_out} more loads are in diagnosis.json");
            canvas.text((left, foot), &fit(&text, self.size, self.margin - left - 24), faint)?;
        }
        Ok(())
    }
}

/// The lane as filled outlines, height by duty. A load pulsed faster than the
/// picture can show is drawn at the highest duty of each stretch, in wider
/// columns the busier it is, so that the outline stays short.
fn outlines_of(lane: &Lane, panel: &Panel) -> Vec<Vec<Point>> {
    let width = (panel.right - panel.left + 1).max(1) as usize;
    let mut duty = vec![0.0_f64; width];
    for run in &lane.runs {
        let from = (panel.x(run.start_s) - panel.left).max(0) as usize;
        let to = (panel.x(run.end_s) - panel.left).max(0) as usize;
        for column in duty.iter_mut().take(to.max(from + 1)).skip(from) {
            *column = column.max(run.duty.clamp(0.0, 1.0));
        }
    }
    let changes = duty.windows(2).filter(|pair| pair.first() != pair.last()).count();
    if changes > 120 {
        let coarse = width.div_ceil(120);
        for stretch in duty.chunks_mut(coarse) {
            let highest = stretch.iter().copied().fold(0.0, f64::max);
            stretch.fill(highest);
        }
    }
    let mut outlines = Vec::new();
    let mut outline: Vec<Point> = Vec::new();
    let mut before = 0.0;
    for (i, &now) in duty.iter().chain([&0.0]).enumerate() {
        let x = panel.left + i as i32;
        if now == before {
            continue;
        }
        outline.push((x, panel.y(before)));
        outline.push((x, panel.y(now)));
        if now == 0.0 {
            outlines.push(std::mem::take(&mut outline));
        }
        before = now;
    }
    outlines
}
