//! One load step close up: where the voltage was, how far it fell, where it stayed.

use super::axis::{Label, Panel, margin_labels};
use super::canvas::{Canvas, Caption, Drawn, Type, bold, document, fit, fit_bold, text_width};
use super::palette::{FAINT, Ink, SETPOINT, SETTLED, STEP, TROUGH, VOLTAGE};
use super::scale::readable;
use crate::diagnosis::{Diagnosis, Envelope, LoadStep};
use crate::estimate::Estimate;
use crate::report::words::{self, SECOND, VOLT};

const WIDTH: i32 = 520;
const HEIGHT: i32 = 350;
const LEFT: i32 = 58;
const RIGHT: i32 = WIDTH - 156;
const TOP: i32 = 88;
const BOTTOM: i32 = HEIGHT - 50;
const SIZE: i32 = 14;

/// The plot of the step at `index` of `load_steps`.
pub fn step(diagnosis: &Diagnosis, index: usize) -> String {
    let step = diagnosis.load_steps.get(index);
    let number = step.map_or(index + 1, |step| step.number);
    let id = format!("step-{number:02}");
    let caption = Caption {
        id: &id,
        title: step.map_or_else(
            || format!("Step {number}: {}", words::NOT_TOLD),
            |step| format!("Step {number}: {}", words::shorten(&headline(step), 120)),
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
    let direction = crate::report::tables::direction(step);
    match &step.load {
        Some(load) => match step.duty_change.filter(|d| d.abs() < 0.995 && d.is_finite()) {
            Some(duty) => {
                let sign = if duty < 0.0 { "−" } else { "+" };
                format!("{} {sign}{}", words::plain(load), words::PERCENT.of(duty.abs() * 100.0))
            }
            None => format!("{} {direction}", words::plain(load)),
        },
        None => format!("load {direction}"),
    }
}

fn draw(canvas: &Canvas, step: &LoadStep, window: Option<&Envelope>) -> Drawn {
    let tail = format!(", {}", SECOND.of(step.at_s));
    let head = format!("{} · {}", step.number, what(step));
    let room = WIDTH - 16 - text_width(&tail, bold(18));
    canvas.text((8, 18), &(fit_bold(&head, 18, room) + &tail), Type::new(18).bold())?;
    let sag =
        format!("sag {}, shift {}", VOLT.with_range(&step.sag_v), VOLT.with_range(&step.shift_v));
    canvas.text((8, 42), &fit(&sag, 13, WIDTH - 12), Type::new(13).ink(FAINT))?;

    let empty = Envelope::default();
    let window = window.unwrap_or(&empty);
    let panel =
        Panel::new((LEFT, RIGHT), (TOP, BOTTOM), time_range(step, window), range(step, window));
    panel.x_grid(canvas, 1.0, 5)?;
    panel.y_axis(canvas, "bus voltage, V", 6, SIZE)?;
    panel.x_axis(canvas, 1.0, "time from the first sample, s", 5, SIZE)?;

    let edge = panel.x(step.at_s);
    let trough_x = panel.x(step.trough_at_s);
    let recovered = step.recovery_s.map_or(step.trough_at_s, |s| step.trough_at_s + s);
    let settled_from = panel.x(recovered).clamp(edge, panel.right - 20);
    band(canvas, &panel, (panel.left, edge), &step.baseline_v, SETPOINT)?;
    band(canvas, &panel, (settled_from, panel.right), &step.settled_v, SETTLED)?;
    canvas.fill(
        (trough_x - 5, panel.y(step.trough.high)),
        (trough_x + 5, panel.y(step.trough.low)),
        TROUGH,
        0.25,
    )?;
    canvas.dashed((edge, TOP), (edge, BOTTOM), (3, 4), STEP, 1)?;
    panel.envelope(canvas, window, VOLTAGE, 1)?;
    level(canvas, &panel, (panel.left, edge), &step.baseline_v, SETPOINT)?;
    level(canvas, &panel, (settled_from, panel.right), &step.settled_v, SETTLED)?;
    canvas.ring((trough_x, panel.y(step.trough.value)), 5, TROUGH, 2)?;
    if window.time_s.is_empty() {
        let word = format!("trace {}", words::NOT_TOLD);
        let middle = ((LEFT + RIGHT) / 2, (TOP + BOTTOM) / 2);
        canvas.text(middle, &word, Type::new(SIZE).ink(FAINT).middle())?;
    }
    let label = |name: &str, e: &Estimate, ink: Ink| Label {
        y: panel.y(e.value),
        text: format!("{name} {}", VOLT.of(e.value)),
        ink,
        mark: None,
    };
    let labels = vec![
        label("baseline", &step.baseline_v, SETPOINT),
        label("trough", &step.trough, TROUGH),
        label("settled", &step.settled_v, SETTLED),
    ];
    margin_labels(canvas, labels, (RIGHT, WIDTH), (TOP, BOTTOM), SIZE)
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

fn time_range(step: &LoadStep, window: &Envelope) -> (f64, f64) {
    let times = || window.time_s.iter().copied().filter(|t| t.is_finite());
    let first = times().fold(step.at_s, f64::min);
    let last = times().fold(step.trough_at_s.max(step.at_s + 1.0), f64::max);
    (first.min(step.at_s - 0.05 * (last - first)), last)
}

fn range(step: &LoadStep, window: &Envelope) -> (f64, f64) {
    let seen = window.low.iter().chain(&window.high).flatten().copied();
    let (low, high) = readable(seen.chain([step.baseline_v.value, step.settled_v.value]).collect());
    let marks = [&step.baseline_v, &step.trough, &step.settled_v].map(|e| e.value);
    let marks = marks.into_iter().filter(|v| v.is_finite());
    marks.fold((low, high), |(low, high), v| (low.min(v - 0.03), high.max(v + 0.03)))
}
