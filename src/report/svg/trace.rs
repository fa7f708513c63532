//! The whole log on one time axis: the bus voltage, the other taps, the engine
//! speed and, under them, a lane a load.

use super::axis::{Label, Panel, margin_labels, time_unit};
use super::canvas::{Canvas, Caption, Drawn, Point, Type, document, fit, text_width};
use super::palette::{
    CRANKING, DRAINING, DRAINING_TEXT, FAINT, Ink, LANE, REST, RESTING, RUNNING, SERIES, SETPOINT,
    SPEED, STEP, TEXT, TROUGH, VOLTAGE,
};
use crate::diagnosis::{Diagnosis, Envelope, Lane, NamedEnvelope, PhaseKind};
use crate::report::words::{self, SECOND, VOLT};

const WIDTH: i32 = 1500;
const LEFT: i32 = 84;
const RIGHT: i32 = WIDTH - 256;
const SIZE: i32 = 16;
const LANE_HEIGHT: i32 = 26;
/// More lanes than this make a picture nobody reads; the rest are named in words.
const MOST_LANES: usize = 24;
const MOST_TAPS: usize = 4;
const MOST_NUMBER_ROWS: usize = 4;

pub fn trace(diagnosis: &Diagnosis) -> String {
    let layout = Layout::of(diagnosis);
    let verdict = diagnosis.verdict.word.words();
    let caption = Caption {
        id: "trace",
        title: format!("Bus voltage over time: {}", diagnosis.source.file),
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
    lanes: &'a [Lane],
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
        let mut y = phases_top + 26 + number_rows as i32 * 20 + 26;
        let mut take = |height: i32, gap: i32| {
            let top = y;
            y += height + gap;
            (top, top + height)
        };
        let voltage = take(400, 44);
        let taps = (!picture.other_voltages.is_empty()).then(|| take(170, 44));
        let speed = picture.engine_rpm.as_ref().map(|rpm| (rpm, take(130, 22)));
        let lanes = picture.loads.get(..MOST_LANES).unwrap_or(&picture.loads);
        let (lanes_top, bottom) = take(lanes.len() as i32 * LANE_HEIGHT + 2, 0);
        let left_out = i32::from(lanes.len() < picture.loads.len());
        let height = bottom + 60 + left_out * 24;
        Layout { time, number_rows, phases_top, voltage, taps, speed, lanes_top, lanes, bottom, height }
    }

    fn panel(&self, down: (i32, i32), y: (f64, f64)) -> Panel {
        Panel::new((LEFT, RIGHT), down, self.time, y)
    }
}

fn draw(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout) -> Drawn {
    let title = format!("Bus voltage over time, {}", words::plain(&diagnosis.source.file));
    canvas.text((8, 20), &fit(&title, 19, WIDTH - 16), Type::new(19).bold())?;
    let volts = layout.panel(layout.voltage, voltage_range(diagnosis));
    phases(canvas, diagnosis, layout, &volts)?;

    let (unit_s, unit) = time_unit(layout.time.1 - layout.time.0);
    let whole = layout.panel((layout.voltage.0, layout.bottom), (0.0, 1.0));
    whole.x_grid(canvas, unit_s, 12)?;
    whole.x_axis(canvas, unit_s, &format!("time from the first sample, {unit}"), 12, SIZE)?;

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
    steps(canvas, diagnosis, layout)?;
    lanes(canvas, diagnosis, layout)
}

fn phases(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout, volts: &Panel) -> Drawn {
    let top = layout.phases_top;
    for phase in &diagnosis.phases {
        let ink = match phase.kind {
            PhaseKind::Rest => RESTING,
            PhaseKind::Cranking => CRANKING,
            PhaseKind::Running => RUNNING,
        };
        let (from, to) = (volts.x(phase.start_s), volts.x(phase.end_s).max(volts.x(phase.start_s) + 2));
        canvas.fill((from, top), (to, top + 22), ink, 1.0)?;
        if phase.kind != PhaseKind::Running {
            canvas.fill((from, layout.voltage.0), (to, layout.voltage.1), ink, 0.6)?;
        }
        let word = phase.kind.word();
        if text_width(word, SIZE) + 8 <= to - from {
            canvas.text(((from + to) / 2, top + 11), word, Type::new(SIZE).middle())?;
        } else if phase.kind == PhaseKind::Cranking && text_width(word, SIZE) < RIGHT - to {
            // Too short to hold its word, too telling to go without.
            canvas.text((to + 4, top + 11), word, Type::new(SIZE))?;
        }
    }
    canvas.text((LEFT - 8, top + 11), "phase", Type::new(SIZE).ink(FAINT).right())
}

fn voltage(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout, panel: &Panel) -> Drawn {
    let mut labels = Vec::new();
    let mut line = |value: f64, name: &str, ink: Ink| {
        if panel.shows_y(value) {
            labels.push(Label { y: panel.y(value), text: format!("{name} {}", VOLT.of(value)), ink });
        }
    };
    if let Some(e) = diagnosis.battery.zero_current_v.as_ref() {
        let running = diagnosis.phases.iter().filter(|p| p.kind == PhaseKind::Running);
        for phase in running {
            let (from, to) = (panel.x(phase.start_s), panel.x(phase.end_s));
            // The ground is surest below the interval and fades within it.
            canvas.fill((from, panel.y(e.low)), (to, panel.bottom), DRAINING, 0.55)?;
            canvas.fill((from, panel.y(e.high)), (to, panel.y(e.low)), DRAINING, 0.25)?;
        }
        line(e.value, "draining below", DRAINING_TEXT);
    }
    panel.y_axis(canvas, "bus voltage, V", 9, SIZE)?;
    if let Some(e) = diagnosis.rest_voltage_v.as_ref() {
        let y = panel.y(e.value);
        if panel.shows_y(e.value) {
            canvas.dashed((LEFT, y), (RIGHT, y), (3, 7), REST, 2)?;
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

/// Marks where the voltage leaves the scale, and says how far it went.
fn beyond(canvas: &Canvas, panel: &Panel, envelope: &Envelope) -> Drawn {
    let (low, high) = panel.y_range();
    let columns: Vec<_> = panel.columns(envelope).into_iter().flatten().collect();
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

fn other_taps(
    canvas: &Canvas,
    taps: &[NamedEnvelope],
    layout: &Layout,
    down: (i32, i32),
) -> Drawn {
    let shown = taps.get(..MOST_TAPS).unwrap_or(taps);
    let values = shown.iter().flat_map(|tap| extremes(&tap.envelope));
    let panel = layout.panel(down, readable(values.collect()));
    panel.y_axis(canvas, "other voltages, V", 5, SIZE)?;
    let mut labels = Vec::new();
    for (tap, &ink) in shown.iter().zip(SERIES.iter().skip(1)) {
        panel.envelope(canvas, &tap.envelope, ink, 2)?;
        let columns = panel.columns(&tap.envelope);
        if let Some(last) = columns.last().and_then(|run| run.last()) {
            let y = panel.y((last.low + last.high) / 2.0);
            labels.push(Label { y, text: tap.name.clone(), ink });
        }
    }
    if shown.len() < taps.len() {
        let text = format!("and {} more", taps.len() - shown.len());
        labels.push(Label { y: down.1, text, ink: FAINT });
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
        canvas.dashed((*x, top), (*x, layout.bottom), (2, 6), STEP, 1)?;
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

fn lanes(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout) -> Drawn {
    for (row, lane) in layout.lanes.iter().enumerate() {
        let floor = layout.lanes_top + (row as i32 + 1) * LANE_HEIGHT - 2;
        let panel = layout.panel((floor - LANE_HEIGHT + 6, floor), (0.0, 1.0));
        canvas.line(vec![(LEFT, floor), (RIGHT, floor)], LANE, 1)?;
        for outline in lane_outlines(lane, &panel) {
            canvas.polygon(outline, LANE, 0.85)?;
        }
        let name = fit(&lane.load, SIZE, WIDTH - RIGHT - 18);
        canvas.text((RIGHT + 12, floor - LANE_HEIGHT / 2 + 3), &name, Type::new(SIZE))?;
    }
    if !layout.lanes.is_empty() {
        let middle = (layout.lanes_top + layout.bottom) / 2;
        canvas.text((LEFT - 8, middle), "loads", Type::new(SIZE).ink(FAINT).right())?;
    }
    let left_out = diagnosis.picture.loads.len() - layout.lanes.len();
    if left_out > 0 {
        let text = format!("{left_out} more loads are not drawn; diagnosis.json has them");
        canvas.text((LEFT, layout.height - 14), &text, Type::new(SIZE).ink(FAINT))?;
    }
    Ok(())
}

/// The lane as filled outlines, height by duty. A load pulsed faster than the
/// picture can show is drawn at the highest duty of each stretch, in wider
/// columns the busier it is, so that the outline stays short.
fn lane_outlines(lane: &Lane, panel: &Panel) -> Vec<Vec<Point>> {
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
    if changes > 200 {
        let coarse = width.div_ceil(200);
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

/// The scale of the bus voltage: what the engine's run and the lines need.
/// Cranking dips and spikes do not stretch it; they are marked where they leave.
fn voltage_range(diagnosis: &Diagnosis) -> (f64, f64) {
    let cranked = |t: f64| {
        let mut cranking = diagnosis.phases.iter().filter(|p| p.kind == PhaseKind::Cranking);
        cranking.any(|p| p.start_s - 0.5 <= t && t <= p.end_s + 0.5)
    };
    let envelope = &diagnosis.picture.voltage;
    let buckets = envelope.time_s.iter().zip(envelope.low.iter().zip(&envelope.high));
    let mut values: Vec<f64> = buckets
        .filter(|&(&t, _)| !cranked(t))
        .flat_map(|(_, (low, high))| [*low, *high])
        .flatten()
        .collect();
    if values.is_empty() {
        values.extend(extremes(envelope));
    }
    let (low, high) = readable(values);
    let lines = [&diagnosis.setpoint_v, &diagnosis.rest_voltage_v, &diagnosis.battery.zero_current_v];
    let lines = lines.into_iter().flatten().map(|e| e.value).filter(|v| (9.0..=18.0).contains(v));
    let (low, high) =
        lines.fold((low, high), |(low, high), v| (low.min(v - 0.15), high.max(v + 0.15)));
    (low, high)
}

fn extremes(envelope: &Envelope) -> Vec<f64> {
    envelope.low.iter().chain(&envelope.high).flatten().copied().collect()
}

/// A range that holds the values, but not the rarest hundredth where that
/// would flatten all the rest, and never so narrow that noise looks like news.
pub(super) fn readable(mut values: Vec<f64>) -> (f64, f64) {
    values.retain(|v| v.is_finite());
    values.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let index = ((values.len().saturating_sub(1)) as f64 * share).round() as usize;
        values.get(index).copied()
    };
    let (Some(least), Some(most), Some(low), Some(high)) = (at(0.0), at(1.0), at(0.01), at(0.99))
    else {
        return (11.5, 15.0);
    };
    let core = (high - low).max(1.0);
    let low = if low - least > core { low - 0.1 * core } else { least };
    let high = if most - high > core { high + 0.1 * core } else { most };
    let pad = 0.06 * (high - low).max(0.5);
    let short = (1.0 - (high - low + 2.0 * pad)).max(0.0) / 2.0;
    (low - pad - short, high + pad + short)
}
