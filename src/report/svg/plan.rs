//! The pictures of a plan: what each machine has against engine speed with what the
//! loads need, and the log played again.

use super::axis::{Label, Panel, margin_labels, time_unit};
use super::canvas::{Canvas, Caption, DrawError, Drawn, Type, bold, document, fit_bold};
use super::page_layout::Paper;
use super::palette::{FAINT, Ink, SERIES, TEXT};
use super::scale::{extremes, readable};
use crate::plan::{Band, Margin, Plan, Proposal};
use crate::report::format::{self, AMP, RPM, VOLT};

/// Machines drawn: the one that is there and the best of the others.
const MOST_MACHINES: usize = 5;
/// Sets of loads drawn as lines, from the heaviest.
const MOST_SETS: usize = 12;
const PANEL_HEIGHT: i32 = 400;

const WIDE: Paper = Paper { top: 64, right: 1100 - 250, ..Paper::WIDE };
const NARROW: Paper = Paper { right: 640 - 170, top: 96, ..Paper::NARROW };

/// `None` where no machine has a curve.
pub fn capacity(plan: &Plan) -> Option<String> {
    capacity_on(plan, WIDE, "capacity")
}

/// The same picture for a narrow screen.
pub fn capacity_narrow(plan: &Plan) -> Option<String> {
    capacity_on(plan, NARROW, "capacity-narrow")
}

fn machines(plan: &Plan) -> Vec<&Proposal> {
    let shown = [&plan.present].into_iter().chain(&plan.candidates);
    shown.filter(|p| !p.capacity.is_empty()).take(MOST_MACHINES).collect()
}

/// What the loads need hardly depends on the machine: as the best one, or the
/// present one, has it.
fn needs(plan: &Plan) -> &[Margin] {
    let of = plan.candidates.first().unwrap_or(&plan.present);
    of.margins.get(..of.margins.len().min(MOST_SETS)).unwrap_or_default()
}

fn capacity_on(plan: &Plan, paper: Paper, id: &str) -> Option<String> {
    let machines = machines(plan);
    let needs = needs(plan);
    let most = |p: &&&Proposal| p.capacity.iter().map(|c| c.high_a).fold(0.0, f64::max);
    let most_a = machines.iter().map(|p| most(&p)).fold(0.0, f64::max);
    let need_a = needs.iter().map(|m| m.needed_a.high).fold(0.0, f64::max);
    let most_a = most_a.max(need_a);
    let first = machines.first()?;
    let (low_rpm, high_rpm) =
        (first.capacity.first()?.engine_rpm, first.capacity.last()?.engine_rpm);
    if !(most_a.is_finite() && most_a > 0.0 && high_rpm > low_rpm) {
        return None;
    }
    let told: Vec<String> = machines
        .iter()
        .map(|p| format!("{}: {}", format::plain(&p.name), p.standing.words()))
        .collect();
    let caption = Caption {
        id,
        title: "Hot output against engine speed, and what the loads need".to_owned(),
        description: format!(
            "Machines: {}. Where a curve crosses a line of loads is the keep-up speed. The same \
             numbers are in candidates.csv.",
            told.join("; ")
        ),
    };
    let height = paper.top + PANEL_HEIGHT + 3 * paper.size + 16;
    Some(document(&caption, (paper.width as u32, height as u32), |canvas| {
        let panel = Panel::new(
            (paper.left, paper.right),
            (paper.top, paper.top + PANEL_HEIGHT),
            (low_rpm, high_rpm),
            (0.0, 1.06 * most_a),
        );
        let narrow = "Hot output, and what loads need";
        title(canvas, "Hot output against engine speed, and what the loads need", narrow, paper)?;
        panel.x_grid(canvas, 1.0, paper.ticks)?;
        panel.y_axis(canvas, "amps, A", 8, paper.size)?;
        panel.x_axis(canvas, 1.0, "engine speed, rpm", paper.ticks, paper.size)?;
        let mut labels = Vec::new();
        for (machine, &ink) in machines.iter().zip(&SERIES) {
            let mut label = curve(canvas, &panel, machine, ink)?;
            if paper.narrow && std::ptr::eq(*machine, &plan.present) {
                label.name = "current".to_owned();
            }
            labels.push(label);
        }
        let mut last_y = i32::MIN;
        for (k, margin) in needs.iter().enumerate() {
            // Lines so near that their names would overlap are left to the table.
            let y = panel.y(margin.needed_a.value);
            if y.saturating_sub(last_y) >= 2 * paper.size {
                last_y = needed(canvas, &panel, (margin, k), &machines, paper)?;
            }
        }
        idle(canvas, &panel, plan, paper)?;
        let at = (paper.right, paper.width);
        let between = (paper.top, panel.bottom);
        margin_labels(canvas, labels, at, between, paper.size, paper.narrow)
    }))
}

fn title(canvas: &Canvas, wide: &str, narrow: &str, paper: Paper) -> Drawn {
    let text = if paper.narrow { narrow } else { wide };
    let size = bold(paper.size);
    let text = fit_bold(text, size, paper.width - 16);
    canvas.text((8, paper.size / 2 + 12), &text, Type::new(size).bold())
}

fn curve(canvas: &Canvas, panel: &Panel, machine: &Proposal, ink: Ink) -> Result<Label, DrawError> {
    let along = |of: fn(&crate::plan::CapacityPoint) -> f64| {
        machine.capacity.iter().map(move |c| (panel.x(c.engine_rpm), panel.y(of(c))))
    };
    let mut band: Vec<_> = along(|c| c.high_a).collect();
    band.extend(along(|c| c.low_a).rev());
    canvas.polygon(band, ink, 0.12)?;
    canvas.line(along(|c| c.value_a).collect(), ink, 3)?;
    let last = machine.capacity.last().map_or(0.0, |c| c.value_a);
    Ok(Label {
        y: panel.y(last),
        name: format::plain(&machine.name),
        value: AMP.of(last),
        ink,
        mark: None,
    })
}

/// A line at what a set of loads needs, its name above it, or below where fewer curves are
/// covered so. Gives the line's height, or the name's if that is lower.
fn needed(
    canvas: &Canvas,
    panel: &Panel,
    (margin, k): (&Margin, usize),
    machines: &[&Proposal],
    paper: Paper,
) -> Result<i32, DrawError> {
    let e = &margin.needed_a;
    let (low, high) = (panel.y(e.high), panel.y(e.low));
    if k == 0 {
        canvas.fill((paper.left, low), (paper.right, high), FAINT, 0.12)?;
    }
    let y = panel.y(e.value);
    canvas.dashed((paper.left, y), (paper.right, y), (9, 5), TEXT, 2)?;
    let (loads, amps) = (format::loads(&margin.loads), AMP.of(e.value));
    // Where there is little room the amps stand first: what is cut is the end.
    let (name, room) = if paper.narrow {
        (format!("{amps}: {loads}"), paper.right - paper.left - 8)
    } else {
        (format!("{loads} needs {amps}"), (paper.right - paper.left) * 3 / 5)
    };
    let name = super::canvas::fit(&name, paper.size, room);
    let right = paper.right - 8;
    let left = right - super::canvas::text_width(&name, paper.size);
    let covered = |centre: i32| {
        let curves = machines.iter().flat_map(|machine| &machine.capacity);
        let near = |v_a: f64| (panel.y(v_a) - centre).abs() <= paper.size;
        curves.filter(|c| panel.x(c.engine_rpm) >= left && near(c.value_a)).count()
    };
    let (above, below) = (y - paper.size / 2 - 4, y + paper.size / 2 + 6);
    let centre = if covered(below) < covered(above) { below } else { above };
    canvas.plated((right, centre), &name, Type::new(paper.size).ink(TEXT).right())?;
    Ok(y.max(centre))
}

fn idle(canvas: &Canvas, panel: &Panel, plan: &Plan, paper: Paper) -> Drawn {
    let rpm = plan.present.speeds.idle_rpm;
    if !rpm.is_finite() {
        return Ok(());
    }
    let x = panel.x(rpm);
    canvas.dashed((x, panel.top), (x, panel.bottom), (2, 5), FAINT, 2)?;
    let text = format!("idle, {}", RPM.of(rpm));
    canvas.plated((x + 6, panel.top + paper.size), &text, Type::new(paper.size).ink(FAINT))
}

/// The logged voltage, the same made again, and with the best candidate.
pub fn replay(plan: &Plan) -> Option<String> {
    replay_on(plan, WIDE, "replay")
}

/// The same picture for a narrow screen.
pub fn replay_narrow(plan: &Plan) -> Option<String> {
    replay_on(plan, NARROW, "replay-narrow")
}

fn replay_on(plan: &Plan, paper: Paper, id: &str) -> Option<String> {
    let picture = &plan.replay;
    let (first_s, last_s) = (*picture.logged.time_s.first()?, *picture.logged.time_s.last()?);
    if last_s <= first_s || picture.present.time_s.is_empty() {
        return None;
    }
    let best = picture.best.as_ref();
    let mut volts = extremes(&picture.logged);
    volts.extend(&picture.present.middle_v);
    volts.extend(best.iter().flat_map(|named| &named.band.middle_v));
    let range = readable(volts);
    let (unit, unit_name) = time_unit(last_s - first_s);
    let rms = &plan.reproduction;
    let caption = Caption {
        id,
        title: format!("The log, reproduced: {}", format::shorten(&plan.source.file, 120)),
        description: format!(
            "Bus voltage as logged, made again with the current alternator (within {} in nine of ten \
             moments){}.",
            VOLT.of(rms.within_v),
            best.map_or(String::new(), |b| format!(
                ", and predicted with {}",
                format::plain(&b.name)
            ))
        ),
    };
    let height = paper.top + PANEL_HEIGHT + 3 * paper.size + 16;
    Some(document(&caption, (paper.width as u32, height as u32), |canvas| {
        let panel = Panel::new(
            (paper.left, paper.right),
            (paper.top, paper.top + PANEL_HEIGHT),
            (first_s, last_s),
            range,
        );
        let narrow = "The log, and reproduced";
        title(canvas, "The log, reproduced, and with another alternator", narrow, paper)?;
        panel.x_grid(canvas, unit, paper.ticks)?;
        panel.y_axis(canvas, "bus voltage, V", 8, paper.size)?;
        panel.x_axis(canvas, unit, &format!("time, {unit_name}"), paper.ticks, paper.size)?;
        let mut labels = Vec::new();
        if let Some(named) = best {
            let name = format!("with {}", format::plain(&named.name));
            labels.extend(band(canvas, &panel, &named.band, SERIES[1], 3, name)?);
        }
        panel.envelope(canvas, &picture.logged, SERIES[0], 1)?;
        let name = "reproduced".to_owned();
        labels.extend(band(canvas, &panel, &picture.present, SERIES[2], 2, name)?);
        let last = extremes(&picture.logged).last().copied();
        labels.extend(last.map(|volts| Label {
            y: panel.y(volts),
            name: "as logged".to_owned(),
            value: VOLT.of(volts),
            ink: SERIES[0],
            mark: None,
        }));
        let at = (paper.right, paper.width);
        margin_labels(canvas, labels, at, (paper.top, panel.bottom), paper.size, paper.narrow)
    }))
}

fn band(
    canvas: &Canvas,
    panel: &Panel,
    band: &Band,
    ink: Ink,
    width: u32,
    name: String,
) -> Result<Option<Label>, DrawError> {
    let (low_v, high_v) = panel.y_range();
    let along = |volts: &[f64]| -> Vec<(i32, i32)> {
        let times = band.time_s.iter().zip(volts).filter(|(_, v)| v.is_finite());
        times.map(|(t, v)| (panel.x(*t), panel.y(v.clamp(low_v, high_v)))).collect()
    };
    let mut around = along(&band.high_v);
    around.extend(along(&band.low_v).into_iter().rev());
    canvas.polygon(around, ink, 0.15)?;
    canvas.line(along(&band.middle_v), ink, width)?;
    Ok(band.middle_v.iter().rfind(|v| v.is_finite()).map(|&volts| Label {
        y: panel.y(volts),
        name,
        value: VOLT.of(volts),
        ink,
        mark: None,
    }))
}
