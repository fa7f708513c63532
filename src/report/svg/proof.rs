//! The one picture that shows what a repair did: every log on the same axes, moved
//! so that the same load step lies at 0 s.

use super::axis::{Column, Label, Panel, margin_labels};
use super::canvas::{
    Canvas, Caption, Drawn, Point, Type, bold, document, fit, fit_bold, text_width,
};
use super::page_layout::Paper;
use super::palette::{DRAINING, DRAINING_TEXT, FAINT, HATCH, Ink, SERIES};
use super::scale::{extremes, readable};
use crate::comparison::{Comparison, ProofPicture, ProofTrace};
use crate::estimate::Estimate;
use crate::levels;
use crate::nominal::Nominal;
use crate::report::format::{self, SECOND, VOLT, plain};
use crate::stats::robust::median;

/// Before first, then the logs after it.
const INKS: [Ink; 6] = [SERIES[1], SERIES[0], SERIES[2], SERIES[3], SERIES[5], SERIES[4]];
/// Pixels from one mark on a line to the next.
const MARK_GAP: i32 = 90;
/// Pixels of a dash and of the gap after it.
const DASH: (i32, i32) = (14, 6);
/// Setpoints this near to each other share a label.
const ONE_SETPOINT_V: f64 = 0.06;
/// Lines that say what happens at 0 s.
const MOST_STEP_LINES: usize = 4;

const WIDE: Paper = Paper { right: 1100 - 256, top: 24, ..Paper::WIDE };
/// Several logs have longer names.
const WIDE_SEVERAL: Paper = Paper { right: 1100 - 320, ..WIDE };
const NARROW: Paper = Paper { right: 640 - 158, top: 28, ..Paper::NARROW };

/// `None` where no load step is in all logs.
pub fn proof(comparison: &Comparison) -> Option<String> {
    let several = comparison.afters.len() > 1;
    on_paper(comparison, if several { WIDE_SEVERAL } else { WIDE }, "proof")
}

/// The same picture for a narrow screen: larger letters, fewer numbers.
pub fn proof_narrow(comparison: &Comparison) -> Option<String> {
    on_paper(comparison, NARROW, "proof-narrow")
}

fn on_paper(comparison: &Comparison, paper: Paper, id: &str) -> Option<String> {
    let picture = comparison.picture.as_ref().filter(|picture| !picture.traces.is_empty())?;
    let layout = Layout::of(picture, paper);
    let settled: Vec<String> = picture.traces.iter().map(described).collect();
    let caption = Caption {
        id,
        title: format!(
            "Bus voltage before and after, at the same load step: {}",
            comparison.outcome.words()
        ),
        description: format!(
            "At 0 s {}. {}. The same numbers are in matched_steps.csv and matched_points.csv.",
            format::shorten(&picture.aligned_at, 300),
            settled.join("; ")
        ),
    };
    let size = (paper.width as u32, layout.height as u32);
    Some(document(&caption, size, |canvas| draw(canvas, picture, &layout)))
}

/// "before (old.csv): settled at 12.49 V (12.48 to 12.50), setpoint 14.14 V (…)"
fn described(trace: &ProofTrace) -> String {
    let of = |name: &str, e: &Option<Estimate>| {
        e.as_ref().map(|e| format!("{name} {}", VOLT.with_range(e)))
    };
    let parts = [
        of("settled at", &trace.settled_v),
        of("setpoint", &trace.setpoint_v),
        of("below which the battery discharges", &trace.zero_current_v),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    let file = format::shorten(&trace.file, 80);
    format!("{} ({file}): {}", plain(&trace.name), parts.join(", "))
}

struct Layout {
    paper: Paper,
    step_lines: Vec<String>,
    panel: (i32, i32),
    legend_top: i32,
    height: i32,
}

impl Layout {
    fn of(picture: &ProofPicture, paper: Paper) -> Layout {
        let said = format!("At 0 s {}.", plain(&picture.aligned_at));
        let step_lines = wrapped(&said, paper.size, paper.width - 16);
        let top = paper.top + step_lines.len() as i32 * paper.line() + 3 * paper.size;
        // Flat, so that the letters stay legible where it is printed.
        let more = picture.traces.len().saturating_sub(2) as i32;
        let tall = if paper.narrow { 420 + 60 * more } else { 210 + 16 * more };
        let bottom = top + tall;
        let legend_top = bottom + 3 * paper.size + 26;
        let rows = picture.traces.len().div_ceil(if paper.narrow { 1 } else { 2 });
        let height = legend_top + rows as i32 * paper.line();
        Layout { paper, step_lines, panel: (top, bottom), legend_top, height }
    }
}

/// Lines of words that fit `width` pixels.
fn wrapped(text: &str, size: i32, width: i32) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let full = lines.len() == MOST_STEP_LINES;
        match lines.last_mut() {
            Some(line) if text_width(line, size) + text_width(word, size) + size / 2 < width => {
                line.push(' ');
                line.push_str(word);
            }
            Some(line) if full => {
                line.push_str(" …");
                break;
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

fn draw(canvas: &Canvas, picture: &ProofPicture, layout: &Layout) -> Drawn {
    let paper = &layout.paper;
    let size = paper.size;
    let title = "Bus voltage before and after, at the same load step";
    let head = size + 2;
    let room = paper.width - 16;
    let title =
        if text_width(title, bold(head)) > room { "Bus voltage before and after" } else { title };
    canvas.text((8, paper.top - 6), &fit_bold(title, head, room), Type::new(head).bold())?;
    for (row, line) in (1..).zip(&layout.step_lines) {
        let at = (8, paper.top + row * paper.line() - 4);
        canvas.text(at, &fit(line, size, room), Type::new(size).ink(FAINT))?;
    }

    let panel = Panel::new(
        (paper.left, paper.right),
        layout.panel,
        (picture.from_s, picture.to_s),
        range(picture),
    );
    ground(canvas, picture, &panel)?;
    panel.x_grid(canvas, 1.0, paper.ticks)?;
    panel.y_axis(canvas, "bus voltage, V", 7, size)?;
    panel.x_axis(canvas, 1.0, "time from the load step, s", paper.ticks, size)?;
    step(canvas, &panel, size)?;

    let mut labels = setpoints(canvas, picture, &panel, paper.narrow)?;
    let several = picture.traces.len() > 2;
    let styles = || picture.traces.iter().enumerate().map(|(k, t)| (t, Style::of(k, several)));
    for (trace, style) in styles() {
        band(canvas, &panel, trace, style.ink)?;
    }
    // The dashes of the first log last, so that they show on a line that lies under them.
    for (trace, style) in styles().rev() {
        labels.extend(line(canvas, &panel, trace, style)?);
    }
    ground_words(canvas, picture, &panel, size)?;
    let narrow = paper.narrow;
    margin_labels(canvas, labels, (paper.right, paper.width), layout.panel, size, narrow)?;
    let across = if narrow { 1 } else { 2 };
    let column = (paper.width - 8) / across;
    for (k, (trace, style)) in (0..).zip(styles()) {
        let (x, y) = (8 + k % across * column, layout.legend_top + k / across * paper.line());
        style.sample(canvas, (x, y))?;
        let name = format!("{}: {}", plain(&trace.name), plain(&trace.file));
        let tail = format!(", step at {}", SECOND.of(trace.at_s));
        let room = column - 70 - text_width(&tail, size);
        canvas.text((x + 54, y), &(fit(&name, size, room) + &tail), Type::new(size))?;
    }
    Ok(())
}

/// How one log's line is drawn: dash, weight and marks differ, not hue alone.
#[derive(Clone, Copy)]
struct Style {
    ink: Ink,
    width: u32,
    dashed: bool,
    mark: Option<usize>,
}

impl Style {
    fn of(k: usize, several: bool) -> Style {
        let ink = INKS.get(k % INKS.len()).copied().unwrap_or(FAINT);
        let mark = (several && k > 0).then(|| k - 1);
        Style { ink, width: if k == 0 { 2 } else { 3 }, dashed: k == 0, mark }
    }

    /// A short piece of the line, for the words below the picture.
    fn sample(self, canvas: &Canvas, (x, y): Point) -> Drawn {
        self.stroke(canvas, &[(x, y), (x + 20, y), (x + 34, y), (x + 46, y)], x)?;
        match self.mark {
            Some(shape) => canvas.mark(shape, (x + 23, y), self.ink),
            None => Ok(()),
        }
    }

    /// Dashes are cut by where they lie across, so that their number does not grow
    /// with how much the voltage jumps.
    fn stroke(self, canvas: &Canvas, points: &[Point], left: i32) -> Drawn {
        if !self.dashed {
            return canvas.line(points.to_vec(), self.ink, self.width);
        }
        let period = DASH.0 + DASH.1;
        let mut dash: Vec<Point> = Vec::new();
        let mut number = 0;
        for pair in points.windows(2) {
            let (Some(&from), Some(&to)) = (pair.first(), pair.last()) else { continue };
            for x in from.0..to.0 {
                let place = x - left;
                if place.rem_euclid(period) >= DASH.0 {
                    continue;
                }
                if place.div_euclid(period) != number && !dash.is_empty() {
                    canvas.line(std::mem::take(&mut dash), self.ink, self.width)?;
                }
                number = place.div_euclid(period);
                // Only ends and corners: a straight dash is two points.
                let (here, next) = (between(from, to, x), between(from, to, x + 1));
                if dash.is_empty() {
                    dash.push(here);
                }
                if x + 1 == to.0 || (place + 1).rem_euclid(period) >= DASH.0 {
                    dash.push(next);
                }
            }
        }
        if dash.is_empty() { Ok(()) } else { canvas.line(dash, self.ink, self.width) }
    }
}

fn between(from: Point, to: Point, x: i32) -> Point {
    let share = f64::from(x - from.0) / f64::from((to.0 - from.0).max(1));
    (x, from.1 + (share * f64::from(to.1 - from.1)).round() as i32)
}

/// All that is drawn, and room for words below it.
fn range(picture: &ProofPicture) -> (f64, f64) {
    let seen: Vec<f64> = picture.traces.iter().flat_map(|trace| extremes(&trace.voltage)).collect();
    let nominal = Nominal::of_median(median(&seen)).unwrap_or_default();
    let [least_v, most_v] = levels::DRAWN_RANGE.map(|level| nominal.volts(level));
    let levels = |trace: &ProofTrace| {
        let all = [&trace.setpoint_v, &trace.zero_current_v, &trace.settled_v];
        all.into_iter().flatten().map(|e| e.value).collect::<Vec<f64>>()
    };
    let levels = picture.traces.iter().flat_map(levels).filter(|v| (least_v..=most_v).contains(v));
    let (low, high) =
        levels.fold(readable(seen), |(low, high), v| (low.min(v - 0.1), high.max(v + 0.1)));
    (low - 0.1 * (high - low), high)
}

fn zero_currents(picture: &ProofPicture) -> Vec<&Estimate> {
    let known = picture.traces.iter().filter_map(|trace| trace.zero_current_v.as_ref());
    known.filter(|e| [e.low, e.value, e.high].iter().all(|v| v.is_finite())).collect()
}

fn extent(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |seen, v| match seen {
        Some((low, high)) => Some((v.min(low), v.max(high))),
        None => Some((v, v)),
    })
}

/// Where the battery gives amps, in every log surely and in some perhaps.
fn ground(canvas: &Canvas, picture: &ProofPicture, panel: &Panel) -> Drawn {
    let known = zero_currents(picture);
    let sure = extent(known.iter().map(|e| e.low));
    let perhaps = extent(known.iter().map(|e| e.high));
    let (Some((sure, _)), Some((_, perhaps))) = (sure, perhaps) else { return Ok(()) };
    canvas.hatched((panel.left, panel.y(sure)), (panel.right, panel.bottom), (DRAINING, HATCH))?;
    canvas.fill((panel.left, panel.y(perhaps)), (panel.right, panel.y(sure)), DRAINING, 0.22)
}

fn ground_words(canvas: &Canvas, picture: &ProofPicture, panel: &Panel, size: i32) -> Drawn {
    let known = zero_currents(picture);
    let Some((low, high)) = extent(known.iter().map(|e| e.value)) else { return Ok(()) };
    let from = if VOLT.bare(low) == VOLT.bare(high) {
        VOLT.of(low)
    } else {
        format!("{} to {}", VOLT.bare(low), VOLT.of(high))
    };
    let said = format!("shaded, below {from}: the battery discharges");
    let said = if text_width(&said, size) > panel.right - panel.left - 16 {
        "shaded: the battery discharges".to_owned()
    } else {
        said
    };
    let at = (panel.left + 8, panel.bottom - size / 2 - 6);
    canvas.text(at, &said, Type::new(size).ink(DRAINING_TEXT))
}

fn step(canvas: &Canvas, panel: &Panel, size: i32) -> Drawn {
    let x = panel.x(0.0);
    canvas.dashed((x, panel.top - size), (x, panel.bottom), (3, 4), FAINT, 2)?;
    let at = (x + 6, panel.top - size / 2);
    canvas.text(at, "the load comes on", Type::new(size).ink(FAINT))
}

/// A thin dotted line a log; those as good as one share a label.
fn setpoints(
    canvas: &Canvas,
    picture: &ProofPicture,
    panel: &Panel,
    narrow: bool,
) -> Result<Vec<Label>, super::canvas::DrawError> {
    let several = picture.traces.len() > 2;
    let mut known: Vec<(f64, &ProofTrace, Ink)> = Vec::new();
    for (k, trace) in picture.traces.iter().enumerate() {
        let Some(value) = trace.setpoint_v.as_ref().map(|e| e.value) else { continue };
        if !panel.shows_y(value) {
            continue;
        }
        let ink = Style::of(k, several).ink;
        let y = panel.y(value);
        canvas.dashed((panel.left, y), (panel.right, y), (2, 5), ink, 1)?;
        known.push((value, trace, ink));
    }
    known.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut groups: Vec<Vec<(f64, &ProofTrace, Ink)>> = Vec::new();
    for item in known {
        match groups.last_mut() {
            Some(group) if group.first().is_some_and(|f| item.0 - f.0 <= ONE_SETPOINT_V) => {
                group.push(item);
            }
            _ => groups.push(vec![item]),
        }
    }
    let all = groups.len() == 1;
    let labels = groups.into_iter().filter_map(|group| {
        let (low, high) = extent(group.iter().map(|(v, ..)| *v))?;
        let names: Vec<String> = group.iter().map(|(_, trace, _)| plain(&trace.name)).collect();
        let name = match names.as_slice() {
            _ if all || narrow => "setpoint".to_owned(),
            [_] | [_, _] => format!("setpoint {}", names.join(", ")),
            _ => format!("setpoint of {} logs", names.len()),
        };
        let value = match group.as_slice() {
            [_] => VOLT.of(low),
            // All that one label can stand for.
            _ => format!("{} V", format::number((low + high) / 2.0, 1)),
        };
        let ink = match group.as_slice() {
            [(_, _, ink)] => *ink,
            _ => FAINT,
        };
        Some(Label { y: panel.y((low + high) / 2.0), name, value, ink, mark: None })
    });
    Ok(labels.collect())
}

/// From the lowest to the highest value seen in each column of pixels.
fn band(canvas: &Canvas, panel: &Panel, trace: &ProofTrace, ink: Ink) -> Drawn {
    for run in panel.columns(&trace.voltage, 2) {
        let mut ribbon: Vec<Point> = run.iter().map(|c| (c.x, panel.y(c.high))).collect();
        ribbon.extend(run.iter().rev().map(|c| (c.x, panel.y(c.low))));
        if run.len() > 1 {
            canvas.polygon(ribbon, ink, 0.25)?;
        }
    }
    Ok(())
}

/// The middle of the band, labelled where it ends.
fn line(
    canvas: &Canvas,
    panel: &Panel,
    trace: &ProofTrace,
    style: Style,
) -> Result<Option<Label>, super::canvas::DrawError> {
    let middle = |c: &Column| (c.x, panel.y((c.low + c.high) / 2.0));
    let mut last = None;
    for run in panel.columns(&trace.voltage, 2) {
        let points: Vec<Point> = run.iter().map(middle).collect();
        match points.as_slice() {
            [only] => canvas.dot(*only, 2, style.ink)?,
            _ => style.stroke(canvas, &points, panel.left)?,
        }
        if let Some(shape) = style.mark {
            // Each log's marks stand elsewhere, so that lines that lie on each
            // other are still told apart.
            let mut next = panel.left + MARK_GAP / 3 * (shape as i32 + 1);
            for &point in &points {
                if point.0 >= next {
                    canvas.mark(shape, point, style.ink)?;
                    next = point.0 + MARK_GAP;
                }
            }
        }
        last = points.last().copied().or(last);
    }
    let settled = trace.settled_v.as_ref().map(|e| e.value).filter(|v| v.is_finite());
    let Some(y) = settled.map(|v| panel.y(v)).or(last.map(|(_, y)| y)) else { return Ok(None) };
    let name = plain(&trace.name);
    let value = settled.map_or_else(String::new, |v| VOLT.of(v));
    Ok(Some(Label { y, name, value, ink: style.ink, mark: style.mark }))
}
