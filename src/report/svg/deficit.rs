//! Alternator shortfall against engine speed, by set of loads: what the alternator lacks
//! to hold its setpoint, what of it the battery gives, and where each set
//! reaches zero.

use super::axis::{Label, Panel, margin_labels};
use super::canvas::{
    Canvas, Caption, DrawError, Drawn, Type, bold, document, fit, fit_bold, text_width,
};
use super::page_layout::Paper;
use super::palette::{FAINT, Ink, SERIES, TEXT};
use crate::diagnosis::{Bound, Diagnosis, KeepUp, OperatingPoint};
use crate::estimate::Estimate;
use crate::report::format::{self, AMP, RPM};
use crate::report::summary;

/// Sets drawn, the worst first: more overlay each other.
const MOST_SETS: usize = 6;
const MOST_POINTS: usize = 400;
/// Half the cap of an error bar, pixels.
const CAP: i32 = 3;
/// Sets of one speed stand side by side, so many pixels apart; what the battery
/// gives stands beside what the alternator lacks.
const APART: i32 = 9;
const BESIDE: i32 = 4;

const PANEL_HEIGHT: i32 = 380;

/// One set of loads that is short somewhere.
struct LoadSet<'a> {
    loads: &'a [String],
    /// Slow to fast.
    points: Vec<&'a OperatingPoint>,
    keep_up: Option<&'a KeepUp>,
    worst_a: f64,
}

/// `None` where no steady running of known speed is short of amps.
pub fn deficit(diagnosis: &Diagnosis) -> Option<String> {
    on_sheet(diagnosis, Paper::WIDE, "deficit")
}

/// The same picture for a narrow screen.
pub fn deficit_narrow(diagnosis: &Diagnosis) -> Option<String> {
    on_sheet(diagnosis, Paper::NARROW, "deficit-narrow")
}

fn on_sheet(diagnosis: &Diagnosis, sheet: Paper, id: &str) -> Option<String> {
    let (sets, more) = sets(diagnosis);
    if sets.is_empty() {
        return None;
    }
    let key = key(&sets, more, sheet);
    let line = sheet.line();
    let under = sheet.top + PANEL_HEIGHT + 2 * sheet.size + 12;
    let height = under + sheet.size + 14 + key.len() as i32 * line;
    let names = sets
        .iter()
        .map(|set| format::shorten(&format::loads(set.loads), 120))
        .collect::<Vec<_>>()
        .join("; ");
    let caption = Caption {
        id,
        title: format!(
            "Alternator shortfall against engine speed: {}",
            format::shorten(&diagnosis.source.file, 120)
        ),
        description: format!("Steady running, by set of loads: {names}."),
    };
    Some(document(&caption, (sheet.width as u32, height as u32), |canvas| {
        let panel = axes(canvas, diagnosis, &sets, sheet)?;
        for (shape, (set, &ink)) in sets.iter().zip(&SERIES).enumerate() {
            let aside = (2 * shape as i32 - (sets.len() as i32 - 1)) * APART / 2;
            curve(canvas, &panel, set, (shape, aside), ink)?;
        }
        keep_up(canvas, &panel, &sets, sheet)?;
        if !sheet.narrow {
            let labels = sets.iter().zip(&SERIES).enumerate().map(|(shape, (set, &ink))| Label {
                y: panel.y(set.worst_a),
                name: format::loads(set.loads),
                value: String::new(),
                ink,
                mark: Some(shape),
            });
            let between = (sheet.top, panel.bottom);
            let at = (sheet.right, sheet.width);
            margin_labels(canvas, labels.collect(), at, between, sheet.size, false)?;
        }
        for (row, (set, text)) in (0..).zip(&key) {
            let y = under + line + row * line;
            if let Some(shape) = *set {
                let ink = SERIES.get(shape).copied().unwrap_or(TEXT);
                canvas.mark(shape, (sheet.left, y), ink)?;
            }
            let ink = if set.is_some() { TEXT } else { FAINT };
            canvas.text((sheet.left + 14, y), text, Type::new(sheet.size).ink(ink))?;
        }
        Ok(())
    }))
}

/// The sets that are short somewhere, the worst first, and how many more there are.
fn sets(diagnosis: &Diagnosis) -> (Vec<LoadSet<'_>>, usize) {
    let mut sets: Vec<LoadSet> = Vec::new();
    let known = |p: &&OperatingPoint| {
        p.rpm.is_some_and(f64::is_finite) && short_a(p).is_some_and(|e| e.value.is_finite())
    };
    for point in diagnosis.operating_points.iter().filter(known).take(MOST_POINTS) {
        let worst_a = short_a(point).map_or(0.0, |e| e.value).max(given_a(point));
        match sets.iter_mut().find(|set| set.loads == point.loads) {
            Some(set) => {
                set.points.push(point);
                set.worst_a = set.worst_a.max(worst_a);
            }
            None => sets.push(LoadSet {
                loads: &point.loads,
                points: vec![point],
                keep_up: diagnosis.keep_up.iter().find(|item| item.loads == point.loads),
                worst_a,
            }),
        }
    }
    // Half an amp is drawn as nothing.
    sets.retain(|set| set.worst_a >= 0.5);
    sets.sort_by(|a, b| b.worst_a.total_cmp(&a.worst_a));
    let more = sets.len().saturating_sub(MOST_SETS);
    sets.truncate(MOST_SETS);
    for set in &mut sets {
        let rpm = |p: &OperatingPoint| p.rpm.unwrap_or(0.0);
        set.points.sort_by(|a, b| rpm(a).total_cmp(&rpm(b)));
    }
    (sets, more)
}

/// What the alternator lacks; what the battery gives where that is all that is known.
fn short_a(point: &OperatingPoint) -> Option<&Estimate> {
    point.regulation_shortfall_a.as_ref().or(point.implied_deficit_a.as_ref())
}

fn given_a(point: &OperatingPoint) -> f64 {
    point.implied_deficit_a.as_ref().map_or(0.0, |e| e.value)
}

/// What stands below: how to tell the two marks, and on a narrow sheet the sets.
fn key(sets: &[LoadSet], more: usize, sheet: Paper) -> Vec<(Option<usize>, String)> {
    let room = sheet.width - sheet.left - 30;
    let fitted = |text: &str| fit(text, sheet.size, room);
    let mut lines = Vec::new();
    for (shape, set) in sets.iter().enumerate() {
        let answer = set.keep_up.map(super::answer);
        if sheet.narrow {
            lines.push((Some(shape), fitted(&format::loads(set.loads))));
            let within = set.keep_up.is_some_and(|item| item.bound == Bound::Within);
            lines.extend(answer.filter(|_| within).map(|text| (None, fitted(&text))));
        } else if let Some(answer) = answer {
            let tail = format!(": {answer}");
            let left = (room - text_width(&tail, sheet.size)).max(120);
            let name = fit(&format::loads(set.loads), sheet.size, left);
            lines.push((Some(shape), fitted(&(name + &tail))));
        }
    }
    let words = [
        "Ring and band: alternator shortfall.",
        "Filled mark: battery discharge.",
        "Bars: 90 % intervals.",
        "Sets of one speed stand side by side.",
    ];
    lines.extend(words.map(|text| (None, fitted(text))));
    if more > 0 {
        lines.push((
            None,
            fitted(&format!(
                "{} not drawn.",
                format::plural(more, "more short set is", "more short sets are")
            )),
        ));
    }
    lines
}

fn axes(
    canvas: &Canvas,
    diagnosis: &Diagnosis,
    sets: &[LoadSet],
    sheet: Paper,
) -> Result<Panel, DrawError> {
    let Paper { left, right, top, size, ticks, width, .. } = sheet;
    let points = || sets.iter().flat_map(|set| &set.points);
    let knees = sets.iter().filter_map(|set| set.keep_up?.rpm.as_ref());
    let speeds: Vec<f64> = points().filter_map(|p| p.rpm).chain(knees.map(|e| e.value)).collect();
    let lowest = speeds.iter().copied().fold(f64::MAX, f64::min);
    let highest = speeds.iter().copied().fold(f64::MIN, f64::max);
    let pad = (0.06 * (highest - lowest)).max(60.0);
    let worst_a = sets.iter().map(|set| set.worst_a).fold(0.0, f64::max);
    let high_a = points()
        .flat_map(|p| [short_a(p), p.implied_deficit_a.as_ref()])
        .flatten()
        .map(|e| e.high)
        .filter(|high| high.is_finite())
        .fold(worst_a, f64::max);
    // A long upper bar leaves the picture rather than flatten it.
    let most_a = high_a.min(2.5 * worst_a).max(2.0);
    let panel = Panel::new(
        (left, right),
        (top, top + PANEL_HEIGHT),
        ((lowest - pad).max(0.0), highest + pad),
        (-0.08 * most_a, 1.05 * most_a),
    );
    let title = summary::shortfall_claim(diagnosis, |amps| AMP.value(amps))
        .unwrap_or_else(|| "Alternator shortfall against engine speed".to_owned());
    let bold = size + 3;
    let title = fit_bold(&title, bold, width - 16);
    canvas.text((8, size / 2 + 12), &title, Type::new(bold).bold())?;
    panel.x_grid(canvas, 1.0, ticks)?;
    panel.y_axis(canvas, "alternator shortfall, A", 8, size)?;
    panel.x_axis(canvas, 1.0, "engine speed, rpm", ticks, size)?;
    let zero = panel.y(0.0);
    canvas.line(vec![(left, zero), (right, zero)], FAINT, 2)?;
    Ok(panel)
}

/// Band and rings of what is lacking, filled marks of what the battery gives.
fn curve(
    canvas: &Canvas,
    panel: &Panel,
    set: &LoadSet,
    (shape, aside): (usize, i32),
    ink: Ink,
) -> Drawn {
    let place = |rpm: f64| panel.x(rpm) + aside;
    let short: Vec<(f64, &Estimate)> =
        set.points.iter().filter_map(|p| Some((p.rpm?, short_a(p)?))).collect();
    if short.len() > 1 {
        let along = |of: fn(&Estimate) -> f64| {
            short.iter().map(move |(rpm, e)| (place(*rpm), panel.y(of(e).max(0.0))))
        };
        let mut band: Vec<_> = along(|e| e.high).collect();
        band.extend(along(|e| e.low).rev());
        canvas.polygon(band, ink, 0.10)?;
        canvas.line(along(|e| e.value).collect(), ink, 1)?;
    }
    for (rpm, e) in &short {
        bar(canvas, panel, place(*rpm), e, ink)?;
        canvas.ring((place(*rpm), panel.y(e.value)), 4, ink, 1)?;
    }
    for point in &set.points {
        let given = point.implied_deficit_a.as_ref().filter(|e| e.value >= 0.5);
        if let (Some(rpm), Some(e)) = (point.rpm, given) {
            let x = place(rpm) + BESIDE;
            bar(canvas, panel, x, e, ink)?;
            canvas.mark(if shape % 4 == 3 { 0 } else { shape }, (x, panel.y(e.value)), ink)?;
        }
    }
    Ok(())
}

fn bar(canvas: &Canvas, panel: &Panel, x: i32, e: &Estimate, ink: Ink) -> Drawn {
    let (low, high) = (panel.y(e.low), panel.y(e.high));
    if low == high {
        return Ok(());
    }
    canvas.line(vec![(x, low), (x, high)], ink, 1)?;
    canvas.line(vec![(x - CAP, low), (x + CAP, low)], ink, 1)?;
    canvas.line(vec![(x - CAP, high), (x + CAP, high)], ink, 1)
}

/// Where each set reaches zero, with the interval of that speed.
fn keep_up(canvas: &Canvas, panel: &Panel, sets: &[LoadSet], sheet: Paper) -> Drawn {
    let size = sheet.size;
    let mut taken: Vec<(i32, i32, i32)> = Vec::new();
    let known = sets
        .iter()
        .zip(&SERIES)
        .filter_map(|(set, &ink)| Some((set.keep_up?.rpm.as_ref()?, ink)))
        .filter(|(rpm, _)| rpm.value.is_finite());
    for (rpm, ink) in known {
        let (x, y) = (panel.x(rpm.value), panel.y(0.0));
        canvas.line(vec![(panel.x(rpm.low), y), (panel.x(rpm.high), y)], ink, 5)?;
        canvas.polygon(vec![(x - 7, y - 12), (x + 7, y - 12), (x, y)], ink, 1.0)?;
        let text = RPM.value(rpm);
        let half = text_width(&text, bold(size)) / 2 + 4;
        let at = x.clamp(panel.left + half, panel.right - half);
        // Labels that would overlap stand above each other.
        let mut row = 0;
        while taken.iter().any(|(l, r, k)| *k == row && at - half < *r && at + half > *l) {
            row += 1;
        }
        taken.push((at - half, at + half, row));
        let above = y - 14 - size - row * (size + 6);
        canvas.plated((at, above), &text, Type::new(size).ink(ink).bold().middle())?;
    }
    Ok(())
}
