//! One load step close up: where the voltage was, how far it fell, where it stayed.

use super::axis::{Label, Panel, margin_labels};
use super::canvas::{Canvas, Caption, Drawn, Type, bold, document, fit, fit_bold, text_width};
use super::palette::{FAINT, Ink, SETPOINT, SETTLED, TROUGH, VOLTAGE};
use super::scale::readable;
use crate::diagnosis::{Diagnosis, Envelope, LoadStep};
use crate::estimate::Estimate;
use crate::log::Span;
use crate::report::format::{self, SECOND, VOLT};

/// Narrow, so that the letters stay legible where three stand side by side.
const WIDTH: i32 = 440;
const HEIGHT: i32 = 350;
const LEFT: i32 = 54;
const RIGHT: i32 = WIDTH - 148;
const TOP: i32 = 108;
const BOTTOM: i32 = HEIGHT - 50;
const SIZE: i32 = 14;

/// How many of the load steps, from the first, have a plot.
pub fn pictured(diagnosis: &Diagnosis) -> usize {
    diagnosis.picture.steps.len().min(diagnosis.load_steps.len())
}

/// The plot of the step at `index` of `load_steps`.
pub fn step(diagnosis: &Diagnosis, index: usize) -> String {
    let step = diagnosis.load_steps.get(index);
    let number = step.map_or(index + 1, |step| step.number);
    let id = format!("step-{number:02}");
    let caption = Caption {
        id: &id,
        title: step.map_or_else(
            || format!("Step {number}: {}", format::NOT_TOLD),
            |step| format!("Step {number}: {}", format::shorten(&headline(step), 120)),
        ),
        description: step.map_or_else(String::new, |step| {
            format!(
                "Baseline {}, trough {}, settled {}.",
                VOLT.with_range(&step.baseline_v),
                VOLT.with_range(&step.trough),
                VOLT.with_range(&step.settled_v),
            )
        }),
    };
    document(&caption, (WIDTH as u32, HEIGHT as u32), |canvas| match step {
        Some(step) => draw(canvas, step, diagnosis.picture.steps.get(index)),
        None => Ok(()),
    })
}

/// "fans on, 22.4 s"
fn headline(step: &LoadStep) -> String {
    format!("{}, {}", what(step), SECOND.of(step.at_s))
}

/// "fans on"; for a step only the voltage shows, what it did.
pub(in crate::report) fn what(step: &LoadStep) -> String {
    let direction = crate::report::tables::direction(step.direction);
    match &step.load {
        Some(load) => match step.duty_change.filter(|d| d.abs() < 0.995 && d.is_finite()) {
            Some(duty) => {
                let sign = if duty < 0.0 { "−" } else { "+" };
                format!("{} {sign}{}", format::plain(load), format::PERCENT.of(duty.abs() * 100.0))
            }
            // A column called "fan on" must not read "fan on on".
            None if ends_in_a_state(load) => format!("{}: {direction}", format::plain(load)),
            None => format!("{} {direction}", format::plain(load)),
        },
        None => format!("load {direction}"),
    }
}

fn ends_in_a_state(load: &str) -> bool {
    let last = load.rsplit([' ', '_', '-']).next().unwrap_or("");
    last.eq_ignore_ascii_case("on") || last.eq_ignore_ascii_case("off")
}

/// A load that goes off lets the voltage rise: its extreme is a peak.
fn extreme(step: &LoadStep) -> &'static str {
    if step.trough.value > step.baseline_v.value { "peak" } else { "trough" }
}

fn draw(canvas: &Canvas, step: &LoadStep, window: Option<&Envelope>) -> Drawn {
    let tail = format!(", {}", SECOND.of(step.at_s));
    let head = format!("{} · {}", step.number, what(step));
    let room = WIDTH - 16 - text_width(&tail, bold(18));
    canvas.text((8, 18), &(fit_bold(&head, 18, room) + &tail), Type::new(18).bold())?;
    let said = |name: &str, e: &Estimate| format!("{name} {}", VOLT.with_range(e));
    let lines = [said("sag", &step.sag_v), said("shift", &step.shift_v)];
    for (row, line) in (0..).zip(&lines) {
        let line = fit(line, SIZE, WIDTH - 12);
        canvas.text((8, 42 + row * 20), &line, Type::new(SIZE).ink(FAINT))?;
    }

    let empty = Envelope::default();
    let window = window.unwrap_or(&empty);
    let panel =
        Panel::new((LEFT, RIGHT), (TOP, BOTTOM), time_range(step, window), range(step, window));
    panel.x_grid(canvas, 1.0, 5)?;
    panel.y_axis(canvas, "bus voltage, V", 6, SIZE)?;
    panel.x_axis(canvas, 1.0, "time from the first sample, s", 5, SIZE)?;

    let edge = panel.x(step.at_s);
    let before = stretch(&panel, &step.baseline_span);
    let after = stretch(&panel, &step.settled_span);
    let trough_x = panel.x(step.trough_at_s);
    // The window of a slow sag ends before it is over: then the labels point on.
    let end = panel.x_range().1;
    let trough_seen = step.trough_at_s <= end;
    let settled_seen = step.settled_span.start_s < end;
    band(canvas, &panel, before, &step.baseline_v, SETPOINT)?;
    if settled_seen {
        band(canvas, &panel, after, &step.settled_v, SETTLED)?;
    }
    if trough_seen {
        let (high, low) = (panel.y(step.trough.high), panel.y(step.trough.low));
        canvas.fill((trough_x - 5, high), (trough_x + 5, low), TROUGH, 0.25)?;
    }
    canvas.dashed((edge, TOP), (edge, BOTTOM), (3, 4), FAINT, 1)?;
    panel.envelope(canvas, window, VOLTAGE, 1)?;
    level(canvas, &panel, before, &step.baseline_v, SETPOINT)?;
    if settled_seen {
        level(canvas, &panel, after, &step.settled_v, SETTLED)?;
    }
    if trough_seen {
        canvas.ring((trough_x, panel.y(step.trough.value)), 5, TROUGH, 2)?;
    }
    if window.time_s.is_empty() {
        let word = format!("trace {}", format::NOT_TOLD);
        let middle = ((LEFT + RIGHT) / 2, (TOP + BOTTOM) / 2);
        canvas.text(middle, &word, Type::new(SIZE).ink(FAINT).middle())?;
    }
    let label = |name: &str, e: &Estimate, ink: Ink| Label {
        y: panel.y(e.value),
        name: name.to_owned(),
        value: VOLT.of(e.value),
        ink,
        mark: None,
    };
    let pointing = |mut label: Label, seen: bool| {
        if !seen {
            label.name.push_str(" →");
        }
        label
    };
    let labels = vec![
        label("baseline", &step.baseline_v, SETPOINT),
        pointing(label(extreme(step), &step.trough, TROUGH), trough_seen),
        pointing(label("settled", &step.settled_v, SETTLED), settled_seen),
    ];
    margin_labels(canvas, labels, (RIGHT, WIDTH), (TOP, BOTTOM), SIZE, false)
}

/// Pixels of the span a level was read over, at least so wide that it is seen.
fn stretch(panel: &Panel, span: &Span) -> (i32, i32) {
    let (from, to) = (panel.x(span.start_s), panel.x(span.end_s));
    let from = from.min(panel.right - 20);
    (from, to.max(from + 20))
}

fn band(canvas: &Canvas, panel: &Panel, across: (i32, i32), e: &Estimate, ink: Ink) -> Drawn {
    let (mut high, mut low) = (panel.y(e.high), panel.y(e.low));
    if high == low {
        (high, low) = (high - 1, low + 1);
    }
    canvas.fill((across.0, high), (across.1, low), ink, 0.25)
}

fn level(canvas: &Canvas, panel: &Panel, across: (i32, i32), e: &Estimate, ink: Ink) -> Drawn {
    let y = panel.y(e.value);
    canvas.line(vec![(across.0, y), (across.1, y)], ink, 2)
}

/// What the window holds; without one, from before the step to the trough.
fn time_range(step: &LoadStep, window: &Envelope) -> (f64, f64) {
    let times = || window.time_s.iter().copied().filter(|t| t.is_finite());
    let first = times().fold(step.at_s, f64::min);
    let last = times().fold(step.at_s + 1.0, f64::max);
    let last = if times().next().is_none() { last.max(step.trough_at_s) } else { last };
    (first.min(step.at_s - 0.05 * (last - first)), last)
}

fn range(step: &LoadStep, window: &Envelope) -> (f64, f64) {
    let seen = window.low.iter().chain(&window.high).flatten().copied();
    let (low, high) = readable(seen.chain([step.baseline_v.value, step.settled_v.value]).collect());
    let marks = [&step.baseline_v, &step.trough, &step.settled_v].map(|e| e.value);
    let marks = marks.into_iter().filter(|v| v.is_finite());
    marks.fold((low, high), |(low, high), v| (low.min(v - 0.03), high.max(v + 0.03)))
}
