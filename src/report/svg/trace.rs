//! The whole log on one time axis: the bus voltage, the other taps, the engine
//! speed and, under them, a lane a load.

use super::axis::{Label, Panel, margin_labels, time_unit};
use super::canvas::{Canvas, Caption, Drawn, Point, Type, document, fit_bold, text_width};
use super::lanes::Lanes;
use super::palette::{
    CRANKING, DRAINING, DRAINING_TEXT, FAINT, Ink, REST, RESTING, RUNNING, SERIES, SETPOINT, SPEED,
    STEP, TEXT, TROUGH, VOLTAGE,
};
use super::scale::{extremes, readable, voltage_range};
use crate::diagnosis::{Diagnosis, Envelope, NamedEnvelope, PhaseKind};
use crate::report::words::{self, SECOND, VOLT};

const WIDTH: i32 = 1500;
const LEFT: i32 = 84;
const RIGHT: i32 = WIDTH - 256;
const SIZE: i32 = 16;
const MOST_TAPS: usize = 4;
const MOST_NUMBER_ROWS: usize = 4;

pub fn trace(diagnosis: &Diagnosis) -> String {
    let layout = Layout::of(diagnosis);
    let verdict = diagnosis.verdict.word.words();
    let caption = Caption {
        id: "trace",
        title: format!("Bus voltage over time: {}", words::shorten(&diagnosis.source.file, 120)),
        description: format!(
            "{} of log, verdict: {verdict}. {}, {}. The same numbers stand in load_steps.csv \
             and operating_points.csv.",
            words::duration(diagnosis.source.duration_s),
            words::plural(diagnosis.load_steps.len(), "load step", "load steps"),
            words::plural(diagnosis.operating_points.len(), "operating point", "operating points"),
        ),
    };
    document(&caption, (WIDTH as u32, layout.height as u32), |canvas| {
        draw(canvas, diagnosis, &layout)
    })
}

/// Where each part of the picture lies, top to bottom.
struct Layout<'a> {
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
    fn of(diagnosis: &'a Diagnosis) -> Self {
        let picture = &diagnosis.picture;
        let last = picture.voltage.time_s.iter().copied().fold(0.0, f64::max);
        let time = (0.0, diagnosis.source.duration_s.max(last));
        let number_rows = numbered_steps(diagnosis, time).1;
        let phases_top = 44;
        let mut y = phases_top + 26 + number_rows as i32 * 20 + 34;
        let mut take = |height: i32, gap: i32| {
            let top = y;
            y += height + gap;
            (top, top + height)
        };
        let voltage = take(400, 48);
        let taps = (!picture.other_voltages.is_empty()).then(|| take(170, 48));
        let speed = picture.engine_rpm.as_ref().map(|rpm| (rpm, take(130, 22)));
        let across = (LEFT, RIGHT);
        let lanes = Lanes { all: &picture.loads, time, across, margin: WIDTH, size: SIZE };
        let (lanes_height, foot_height) = lanes.heights();
        let (lanes_top, bottom) = take(lanes_height, 0);
        let height = bottom + 60 + foot_height;
        Layout {
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
        Panel::new((LEFT, RIGHT), down, self.time, y)
    }
}

fn draw(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout) -> Drawn {
    let title = format!("Bus voltage over time, {}", words::plain(&diagnosis.source.file));
    canvas.text((8, 20), &fit_bold(&title, 19, WIDTH - 16), Type::new(19).bold())?;
    let volts = layout.panel(layout.voltage, voltage_range(diagnosis));
    phases(canvas, diagnosis, layout, &volts)?;

    let (unit_s, unit) = time_unit(layout.time.1 - layout.time.0);
    let whole = layout.panel((layout.voltage.0, layout.bottom), (0.0, 1.0));
    whole.x_grid(canvas, unit_s, 12)?;
    whole.x_axis(canvas, unit_s, &format!("time from the first sample, {unit}"), 12, SIZE)?;

    // Under the traces, over the shaded ground.
    voltage_ground(canvas, diagnosis, &volts)?;
    steps(canvas, diagnosis, layout)?;
    voltage(canvas, diagnosis, layout, &volts)?;
    if let Some(down) = layout.taps {
        other_taps(canvas, &diagnosis.picture.other_voltages, layout, down)?;
    }
    if let Some((rpm, down)) = layout.speed {
        let highest = rpm.high.iter().flatten().copied().fold(1000.0, f64::max);
        let panel = layout.panel(down, (0.0, highest * 1.05));
        panel.y_axis(canvas, "engine speed, rpm", 4, SIZE)?;
        panel.envelope(canvas, rpm, SPEED, 2)?;
    }
    layout.lanes.draw(canvas, layout.lanes_top, layout.height - 14)
}

fn phases(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout, volts: &Panel) -> Drawn {
    let top = layout.phases_top;
    for phase in &diagnosis.phases {
        let ink = match phase.kind {
            PhaseKind::Rest => RESTING,
            PhaseKind::Cranking => CRANKING,
            PhaseKind::Running => RUNNING,
        };
        let (from, to) =
            (volts.x(phase.start_s), volts.x(phase.end_s).max(volts.x(phase.start_s) + 2));
        canvas.fill((from, top), (to, top + 22), ink, 1.0)?;
        if phase.kind != PhaseKind::Running {
            canvas.fill((from, layout.voltage.0), (to, layout.voltage.1), ink, 0.6)?;
        }
    }
    // A phase too short to hold its word is named at the start of the next long one.
    let mut short: Vec<&str> = Vec::new();
    for phase in &diagnosis.phases {
        let (from, to) = (volts.x(phase.start_s), volts.x(phase.end_s));
        let word = phase.kind.word();
        let before = format!("◂ {}", short.join(", "));
        let lead = if short.is_empty() { 0 } else { 2 * text_width(&before, SIZE) + 16 };
        if text_width(word, SIZE) + 8 > to - from {
            if short.last() != Some(&word) {
                short.push(word);
            }
            continue;
        }
        canvas.text(((from + to) / 2, top + 11), word, Type::new(SIZE).middle())?;
        if lead > 0 && text_width(word, SIZE) + lead <= to - from {
            canvas.text((from + 4, top + 11), &before, Type::new(SIZE).ink(FAINT))?;
        }
        short.clear();
    }
    if diagnosis.phases.is_empty() {
        return Ok(());
    }
    canvas.text((LEFT - 8, top + 11), "phase", Type::new(SIZE).ink(FAINT).right())
}

fn voltage(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout, panel: &Panel) -> Drawn {
    let mut labels = Vec::new();
    let mut line = |value: f64, name: &str, ink: Ink| {
        if panel.shows_y(value) {
            let text = format!("{name} {}", VOLT.of(value));
            labels.push(Label { y: panel.y(value), text, ink, mark: None });
        }
    };
    if let Some(e) = diagnosis.battery.zero_current_v.as_ref() {
        line(e.value, "draining below", DRAINING_TEXT);
    }
    panel.y_axis(canvas, "bus voltage, V", 9, SIZE)?;
    if let Some(e) = diagnosis.rest_voltage_v.as_ref() {
        let y = panel.y(e.value);
        if panel.shows_y(e.value) {
            canvas.dashed((LEFT, y), (RIGHT, y), (4, 10), REST, 2)?;
        }
        line(e.value, "rest", REST);
    }
    if let Some(e) = diagnosis.setpoint_v.as_ref() {
        let y = panel.y(e.value);
        canvas.fill((LEFT, panel.y(e.high)), (RIGHT, panel.y(e.low)), SETPOINT, 0.15)?;
        if panel.shows_y(e.value) {
            canvas.dashed((LEFT, y), (RIGHT, y), (12, 7), SETPOINT, 2)?;
        }
        line(e.value, "setpoint", SETPOINT);
    }
    let envelope = &diagnosis.picture.voltage;
    panel.envelope(canvas, envelope, VOLTAGE, 1)?;
    beyond(canvas, panel, envelope)?;
    if envelope.time_s.is_empty() {
        let middle = ((LEFT + RIGHT) / 2, (panel.top + panel.bottom) / 2);
        let word = format!("voltage trace {}", words::NOT_TOLD);
        canvas.text(middle, &word, Type::new(SIZE).ink(FAINT).middle())?;
    }
    margin_labels(canvas, labels, (RIGHT, WIDTH), layout.voltage, SIZE)
}

/// Where the battery gives amps while the engine runs: surest below the
/// interval of the zero-current voltage, fading within it.
fn voltage_ground(canvas: &Canvas, diagnosis: &Diagnosis, panel: &Panel) -> Drawn {
    let Some(e) = diagnosis.battery.zero_current_v.as_ref() else { return Ok(()) };
    for phase in diagnosis.phases.iter().filter(|p| p.kind == PhaseKind::Running) {
        let (from, to) = (panel.x(phase.start_s), panel.x(phase.end_s));
        canvas.fill((from, panel.y(e.low)), (to, panel.bottom), DRAINING, 0.55)?;
        canvas.fill((from, panel.y(e.high)), (to, panel.y(e.low)), DRAINING, 0.25)?;
    }
    Ok(())
}

/// Marks where the voltage leaves the scale, and says how far it went.
fn beyond(canvas: &Canvas, panel: &Panel, envelope: &Envelope) -> Drawn {
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
        note_beside(canvas, c.x, panel.bottom - 14, &word)?;
    }
    if let Some(c) = over.max_by(|a, b| a.high.total_cmp(&b.high)) {
        canvas.polygon(arrow(c.x, panel.top, 1), TROUGH, 1.0)?;
        note_beside(canvas, c.x, panel.top + 14, &format!("up to {}", VOLT.of(c.high)))?;
    }
    Ok(())
}

fn note_beside(canvas: &Canvas, x: i32, y: i32, text: &str) -> Drawn {
    let set = Type::new(SIZE).ink(TROUGH);
    if x + 14 + text_width(text, SIZE) < RIGHT {
        canvas.plated((x + 14, y), text, set)
    } else {
        canvas.plated((x - 14, y), text, set.right())
    }
}

fn other_taps(canvas: &Canvas, taps: &[NamedEnvelope], layout: &Layout, down: (i32, i32)) -> Drawn {
    let shown = taps.get(..MOST_TAPS).unwrap_or(taps);
    let values = shown.iter().flat_map(|tap| extremes(&tap.envelope));
    let panel = layout.panel(down, readable(values.collect()));
    panel.y_axis(canvas, "other voltages, V", 5, SIZE)?;
    let mut labels = Vec::new();
    for (tap, &ink) in shown.iter().zip(SERIES.iter().skip(1)) {
        panel.envelope(canvas, &tap.envelope, ink, 2)?;
        let columns = panel.columns(&tap.envelope, 1);
        if let Some(last) = columns.last().and_then(|run| run.last()) {
            let y = panel.y((last.low + last.high) / 2.0);
            labels.push(Label { y, text: tap.name.clone(), ink, mark: None });
        }
    }
    if shown.len() < taps.len() {
        let text = format!("and {} more", taps.len() - shown.len());
        labels.push(Label { y: down.1, text, ink: FAINT, mark: None });
    }
    margin_labels(canvas, labels, (RIGHT, WIDTH), down, SIZE)
}

/// Step numbers that fit, each with its row, and how many rows they need.
fn numbered_steps(diagnosis: &Diagnosis, time: (f64, f64)) -> (Vec<(i32, usize, String)>, usize) {
    let panel = Panel::new((LEFT, RIGHT), (0, 1), time, (0.0, 1.0));
    let mut ends = [i32::MIN; MOST_NUMBER_ROWS];
    let mut placed = Vec::new();
    for step in &diagnosis.load_steps {
        let text = step.number.to_string();
        let (x, half) = (panel.x(step.at_s), text_width(&text, SIZE) / 2 + 3);
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
    let (placed, rows) = numbered_steps(diagnosis, layout.time);
    let first = layout.phases_top + 22 + 14;
    for (x, row, _) in &placed {
        let top = first + *row as i32 * 20 + 9;
        canvas.line(vec![(*x, top), (*x, layout.bottom)], STEP, 1)?;
    }
    for (x, row, text) in &placed {
        let set = Type::new(SIZE).ink(TEXT).bold().middle();
        canvas.plated((*x, first + *row as i32 * 20), text, set)?;
    }
    if rows > 0 {
        canvas.text((LEFT - 8, first), "step", Type::new(SIZE).ink(FAINT).right())?;
    }
    let unplaced = diagnosis.load_steps.len() - placed.len();
    if unplaced > 0 {
        let text = format!("{unplaced} more steps in the table");
        canvas.text((RIGHT + 8, first), &text, Type::new(SIZE).ink(FAINT))?;
    }
    debug_assert_eq!(rows, layout.number_rows);
    Ok(())
}
