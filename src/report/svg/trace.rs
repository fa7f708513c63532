//! The whole log on one time axis: the bus voltage, the other taps, the engine
//! speed and, under them, a lane a load.

mod ground;

use super::axis::{Label, Panel, margin_labels, time_unit};
use super::canvas::{Canvas, Caption, Drawn, Point, Type, document, fit, fit_bold, text_width};
use super::lanes::Lanes;
use super::palette::{
    DRAINING_TEXT, FAINT, Ink, REST, SERIES, SETPOINT, SPEED, STEP, TEXT, TROUGH, VOLTAGE,
};
use super::scale::{extremes, readable, voltage_range};
use crate::diagnosis::{Diagnosis, Envelope, NamedEnvelope};
use crate::report::format::{self, SECOND, VOLT};

pub use ground::held_spans;

const MOST_TAPS: usize = 4;
const MOST_NUMBER_ROWS: usize = 4;

/// The paper the picture is drawn on, and the size of its letters.
#[derive(Clone, Copy)]
struct Sheet {
    width: i32,
    left: i32,
    right: i32,
    size: i32,
    /// Ticks along the time axis at most.
    ticks: usize,
    narrow: bool,
}

/// For a page or a screen.
const WIDE: Sheet =
    Sheet { width: 1500, left: 84, right: 1500 - 256, size: 16, ticks: 12, narrow: false };
/// For a telephone, which shows it at about half size.
const NARROW: Sheet =
    Sheet { width: 640, left: 76, right: 640 - 160, size: 22, ticks: 5, narrow: true };

impl Sheet {
    fn type_of(&self) -> Type {
        Type::new(self.size)
    }

    /// From one line of letters to the next.
    fn line(&self) -> i32 {
        self.size + 4
    }
}

pub fn trace(diagnosis: &Diagnosis) -> String {
    on_sheet(diagnosis, WIDE, "trace")
}

/// The same picture for a narrow screen: larger letters, fewer numbers.
pub fn trace_narrow(diagnosis: &Diagnosis) -> String {
    on_sheet(diagnosis, NARROW, "trace-narrow")
}

fn on_sheet(diagnosis: &Diagnosis, sheet: Sheet, id: &str) -> String {
    let layout = Layout::of(diagnosis, sheet);
    let verdict = diagnosis.verdict.word.words();
    let caption = Caption {
        id,
        title: format!("Bus voltage over time: {}", format::shorten(&diagnosis.source.file, 120)),
        description: format!(
            "{} of log, verdict: {verdict}. {}, {}. The same numbers stand in load_steps.csv \
             and operating_points.csv.",
            format::duration(diagnosis.source.duration_s),
            format::plural(diagnosis.load_steps.len(), "load step", "load steps"),
            format::plural(diagnosis.operating_points.len(), "operating point", "operating points"),
        ),
    };
    document(&caption, (sheet.width as u32, layout.height as u32), |canvas| {
        draw(canvas, diagnosis, &layout)
    })
}

/// Where each part of the picture lies, top to bottom.
struct Layout<'a> {
    sheet: Sheet,
    time: (f64, f64),
    number_rows: usize,
    phases_top: i32,
    voltage: (i32, i32),
    taps: Option<(i32, i32)>,
    speed: Option<(&'a Envelope, (i32, i32))>,
    lanes_top: i32,
    lanes: Lanes<'a>,
    bottom: i32,
    height: i32,
}

impl<'a> Layout<'a> {
    fn of(diagnosis: &'a Diagnosis, sheet: Sheet) -> Self {
        let picture = &diagnosis.picture;
        let last = picture.voltage.time_s.iter().copied().fold(0.0, f64::max);
        let time = (0.0, diagnosis.source.duration_s.max(last));
        let number_rows = numbered_steps(diagnosis, time, sheet).1;
        let Sheet { left, right, size, .. } = sheet;
        let phases_top = size + 28;
        let mut y = phases_top + size + 10 + number_rows as i32 * sheet.line() + 2 * size + 2;
        let mut take = |height: i32, gap: i32| {
            let top = y;
            y += height + gap;
            (top, top + height)
        };
        let voltage = take(400, 3 * size);
        let taps = (!picture.other_voltages.is_empty()).then(|| take(170, 3 * size));
        let speed = picture.engine_rpm.as_ref().map(|rpm| (rpm, take(130, 22)));
        let lanes = Lanes {
            all: &picture.loads,
            time,
            across: (left, right),
            margin: sheet.width,
            size,
            names_above: sheet.narrow,
        };
        let (lanes_height, foot_height) = lanes.heights();
        let (lanes_top, bottom) = take(lanes_height, 0);
        let height = bottom + 28 + 2 * size + foot_height;
        Layout {
            sheet,
            time,
            number_rows,
            phases_top,
            voltage,
            taps,
            speed,
            lanes_top,
            lanes,
            bottom,
            height,
        }
    }

    fn panel(&self, down: (i32, i32), y: (f64, f64)) -> Panel {
        Panel::new((self.sheet.left, self.sheet.right), down, self.time, y)
    }
}

fn draw(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout) -> Drawn {
    let sheet = &layout.sheet;
    let size = sheet.size;
    let title = if sheet.narrow {
        "Bus voltage over time".to_owned()
    } else {
        format!("Bus voltage over time, {}", format::plain(&diagnosis.source.file))
    };
    let bold = size + 3;
    let title = fit_bold(&title, bold, sheet.width - 16);
    canvas.text((8, size / 2 + 12), &title, Type::new(bold).bold())?;
    let volts = layout.panel(layout.voltage, voltage_range(diagnosis));
    ground::phases(canvas, diagnosis, layout, &volts)?;

    let (unit_s, unit) = time_unit(layout.time.1 - layout.time.0);
    let whole = layout.panel((layout.voltage.0, layout.bottom), (0.0, 1.0));
    whole.x_grid(canvas, unit_s, sheet.ticks)?;
    whole.x_axis(
        canvas,
        unit_s,
        &format!("time from the first sample, {unit}"),
        sheet.ticks,
        size,
    )?;

    // Under the traces, over the shaded ground.
    ground::draining(canvas, diagnosis, &volts)?;
    steps(canvas, diagnosis, layout)?;
    voltage(canvas, diagnosis, layout, &volts)?;
    if let Some(down) = layout.taps {
        other_taps(canvas, &diagnosis.picture.other_voltages, layout, down)?;
    }
    if let Some((rpm, down)) = layout.speed {
        let highest = rpm.high.iter().flatten().copied().fold(1000.0, f64::max);
        let panel = layout.panel(down, (0.0, highest * 1.05));
        panel.y_axis(canvas, "engine speed, rpm", 4, size)?;
        panel.envelope(canvas, rpm, SPEED, if sheet.narrow { 3 } else { 2 })?;
    }
    layout.lanes.draw(canvas, layout.lanes_top, layout.height - 14)
}

fn voltage(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout, panel: &Panel) -> Drawn {
    let Sheet { left, right, size, narrow, .. } = layout.sheet;
    let mut labels = Vec::new();
    let mut line = |value: f64, name: &str, ink: Ink| {
        if panel.shows_y(value) {
            let (y, name, value) = (panel.y(value), name.to_owned(), VOLT.of(value));
            labels.push(Label { y, name, value, ink, mark: None });
        }
    };
    panel.y_axis(canvas, "bus voltage, V", 9, size)?;
    if let Some(e) = diagnosis.battery.zero_current_v.as_ref() {
        if panel.shows_y(e.value) {
            let y = panel.y(e.value);
            canvas.dashed((left, y), (right, y), (2, 6), DRAINING_TEXT, 2)?;
        }
        // The whole words would not fit a narrow margin.
        line(e.value, if narrow { "drain below" } else { "draining below" }, DRAINING_TEXT);
    }
    if let Some(e) = diagnosis.rest_voltage_v.as_ref() {
        let y = panel.y(e.value);
        if panel.shows_y(e.value) {
            canvas.dashed((left, y), (right, y), (4, 10), REST, 2)?;
        }
        line(e.value, "rest", REST);
    }
    if let Some(e) = diagnosis.setpoint_v.as_ref() {
        let y = panel.y(e.value);
        canvas.fill((left, panel.y(e.high)), (right, panel.y(e.low)), SETPOINT, 0.15)?;
        if panel.shows_y(e.value) {
            canvas.dashed((left, y), (right, y), (12, 7), SETPOINT, 2)?;
        }
        line(e.value, "setpoint", SETPOINT);
    }
    ground::held(canvas, diagnosis, panel)?;
    let envelope = &diagnosis.picture.voltage;
    panel.envelope(canvas, envelope, VOLTAGE, if narrow { 2 } else { 1 })?;
    beyond(canvas, &layout.sheet, panel, envelope)?;
    ground::name_of_draining(canvas, diagnosis, &layout.sheet, panel)?;
    if envelope.time_s.is_empty() {
        let middle = ((left + right) / 2, (panel.top + panel.bottom) / 2);
        let word = format!("voltage trace {}", format::NOT_TOLD);
        canvas.text(middle, &word, Type::new(size).ink(FAINT).middle())?;
    }
    margin_labels(canvas, labels, (right, layout.sheet.width), layout.voltage, size, narrow)
}

/// Marks where the voltage leaves the scale, and says how far it went.
fn beyond(canvas: &Canvas, sheet: &Sheet, panel: &Panel, envelope: &Envelope) -> Drawn {
    let (low, high) = panel.y_range();
    let columns: Vec<_> = panel.columns(envelope, 1).into_iter().flatten().collect();
    let under = columns.iter().filter(|c| c.low < low);
    let over = columns.iter().filter(|c| c.high > high);
    let arrow = |x: i32, y: i32, up: i32| -> Vec<Point> {
        vec![(x - 6, y + up * 9), (x + 6, y + up * 9), (x, y)]
    };
    if let Some(c) = under.min_by(|a, b| a.low.total_cmp(&b.low)) {
        canvas.polygon(arrow(c.x, panel.bottom, -1), TROUGH, 1.0)?;
        let word = format!("down to {} at {}", VOLT.of(c.low), SECOND.of(c.t_s));
        note_beside(canvas, sheet, c.x, panel.bottom - 14, &word)?;
    }
    if let Some(c) = over.max_by(|a, b| a.high.total_cmp(&b.high)) {
        canvas.polygon(arrow(c.x, panel.top, 1), TROUGH, 1.0)?;
        note_beside(canvas, sheet, c.x, panel.top + 14, &format!("up to {}", VOLT.of(c.high)))?;
    }
    Ok(())
}

fn note_beside(canvas: &Canvas, sheet: &Sheet, x: i32, y: i32, text: &str) -> Drawn {
    let set = sheet.type_of().ink(TROUGH);
    if x + 14 + text_width(text, sheet.size) < sheet.right {
        canvas.plated((x + 14, y), text, set)
    } else {
        canvas.plated((x - 14, y), text, set.right())
    }
}

fn other_taps(canvas: &Canvas, taps: &[NamedEnvelope], layout: &Layout, down: (i32, i32)) -> Drawn {
    let shown = taps.get(..MOST_TAPS).unwrap_or(taps);
    let values = shown.iter().flat_map(|tap| extremes(&tap.envelope));
    let panel = layout.panel(down, readable(values.collect()));
    let sheet = &layout.sheet;
    panel.y_axis(canvas, "other voltages, V", 5, sheet.size)?;
    let mut labels = Vec::new();
    for (tap, &ink) in shown.iter().zip(SERIES.iter().skip(1)) {
        panel.envelope(canvas, &tap.envelope, ink, 2)?;
        let columns = panel.columns(&tap.envelope, 1);
        if let Some(last) = columns.last().and_then(|run| run.last()) {
            let y = panel.y((last.low + last.high) / 2.0);
            labels.push(Label { y, name: tap.name.clone(), value: String::new(), ink, mark: None });
        }
    }
    if shown.len() < taps.len() {
        let name = format!("and {} more", taps.len() - shown.len());
        labels.push(Label { y: down.1, name, value: String::new(), ink: FAINT, mark: None });
    }
    margin_labels(canvas, labels, (sheet.right, sheet.width), down, sheet.size, false)
}

/// Step numbers that fit, each with its row, and how many rows they need.
fn numbered_steps(
    diagnosis: &Diagnosis,
    time: (f64, f64),
    sheet: Sheet,
) -> (Vec<(i32, usize, String)>, usize) {
    let panel = Panel::new((sheet.left, sheet.right), (0, 1), time, (0.0, 1.0));
    let mut ends = [i32::MIN; MOST_NUMBER_ROWS];
    let mut placed = Vec::new();
    for step in &diagnosis.load_steps {
        let text = step.number.to_string();
        let (x, half) = (panel.x(step.at_s), text_width(&text, sheet.size) / 2 + 3);
        let free = ends.iter_mut().enumerate().find(|(_, end)| **end < x - half);
        if let Some((row, end)) = free {
            *end = x + half;
            placed.push((x, row, text));
        }
    }
    let rows = placed.iter().map(|(_, row, _)| row + 1).max().unwrap_or(0);
    (placed, rows)
}

fn steps(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout) -> Drawn {
    let sheet = &layout.sheet;
    let (placed, rows) = numbered_steps(diagnosis, layout.time, *sheet);
    let first = layout.phases_top + sheet.size + 20;
    for (x, row, _) in &placed {
        let top = first + *row as i32 * sheet.line() + 9;
        canvas.line(vec![(*x, top), (*x, layout.bottom)], STEP, 1)?;
    }
    for (x, row, text) in &placed {
        let set = sheet.type_of().ink(TEXT).bold().middle();
        canvas.plated((*x, first + *row as i32 * sheet.line()), text, set)?;
    }
    if rows > 0 {
        canvas.text((sheet.left - 8, first), "step", sheet.type_of().ink(FAINT).right())?;
    }
    let unplaced = diagnosis.load_steps.len() - placed.len();
    if unplaced > 0 {
        let text = format!("{unplaced} more steps in the table");
        let text = fit(&text, sheet.size, sheet.width - sheet.right - 8);
        canvas.text((sheet.right + 8, first), &text, sheet.type_of().ink(FAINT))?;
    }
    debug_assert_eq!(rows, layout.number_rows);
    Ok(())
}
