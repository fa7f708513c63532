//! The same running early and late: a row a pair, its two voltages joined, and
//! the setpoint then and now.

use super::axis::Panel;
use super::canvas::{Canvas, Caption, Drawn, Type, document, fit, fit_bold, text_width};
use super::page_layout::Paper;
use super::palette::{FAINT, Ink, SETPOINT, SETTLED, TEXT, VOLTAGE};
use crate::diagnosis::{Diagnosis, HeatPair};
use crate::estimate::Estimate;
use crate::report::format::{self, RPM, VOLT, number};
use crate::units::Units;

/// The largest changes; more make a list, not a picture.
const MOST_PAIRS: usize = 10;
const CAP: i32 = 5;

const WIDE: Paper = Paper { left: 30, right: 1100 - 30, top: 56, ticks: 11, ..Paper::WIDE };
const NARROW: Paper = Paper { left: 20, right: 640 - 24, top: 66, ..Paper::NARROW };

/// `None` where the log holds no pair that moved.
pub fn heat(diagnosis: &Diagnosis) -> Option<String> {
    on_sheet(diagnosis, WIDE, "heat")
}

/// The same picture for a narrow screen.
pub fn heat_narrow(diagnosis: &Diagnosis) -> Option<String> {
    on_sheet(diagnosis, NARROW, "heat-narrow")
}

fn on_sheet(diagnosis: &Diagnosis, sheet: Paper, id: &str) -> Option<String> {
    let mut pairs: Vec<&HeatPair> = diagnosis
        .heat
        .iter()
        .filter(|p| p.early_v.value.is_finite() && p.late_v.value.is_finite())
        .collect();
    if pairs.is_empty() {
        return None;
    }
    let change_v = |pair: &HeatPair| pair.change_v.value.abs();
    pairs.sort_by(|a, b| change_v(b).total_cmp(&change_v(a)));
    let more = pairs.len().saturating_sub(MOST_PAIRS);
    pairs.truncate(MOST_PAIRS);

    let Paper { width, left, right, top, size, ticks, narrow } = sheet;
    let text_lines = if narrow { 2 } else { 1 };
    let row = (text_lines + 1) * (size + 8) + 18;
    let bottom = top + row * pairs.len() as i32;
    let legend = legend(more, narrow);
    let line = size + 8;
    let under = bottom + 3 * size + 26;
    let height = under + line * legend.len() as i32 + 6;
    let caption = Caption {
        id,
        title: format!("Cold versus hot: {}", format::shorten(&diagnosis.source.file, 120)),
        description: pairs
            .iter()
            .take(4)
            .map(|pair| format::shorten(&pair.told, 300))
            .collect::<Vec<_>>()
            .join(" "),
    };
    let range = range(&pairs);
    Some(document(&caption, (width as u32, height as u32), |canvas| {
        let title = if narrow {
            "Cold versus hot".to_owned()
        } else {
            format!("Cold versus hot, {}", format::plain(&diagnosis.source.file))
        };
        let bold = size + 3;
        let title = fit_bold(&title, bold, width - 16);
        canvas.text((8, size / 2 + 12), &title, Type::new(bold).bold())?;
        let panel = Panel::new((left, right), (top, bottom), range, (0.0, 1.0));
        panel.x_grid(canvas, 1.0, ticks)?;
        panel.x_axis(canvas, 1.0, "bus voltage, V", ticks, size)?;
        for (k, pair) in (0..).zip(&pairs) {
            let says = apart(pair, diagnosis.units, narrow);
            draw(canvas, &panel, (pair, &says), top + k * row, sheet)?;
        }
        for (k, (mark, text)) in (0..).zip(&legend) {
            let y = under + k * line;
            match mark {
                Mark::Early => canvas.ring((left + 8, y), 6, VOLTAGE, 2)?,
                Mark::Late => canvas.dot((left + 8, y), 6, SETTLED)?,
                Mark::Setpoint => {
                    canvas.dashed((left + 4, y - 9), (left + 4, y + 9), (4, 3), SETPOINT, 2)?;
                    canvas.line(vec![(left + 12, y - 9), (left + 12, y + 9)], SETPOINT, 2)?;
                }
                Mark::Nothing => {}
            }
            let text = fit(text, size, width - left - 40);
            canvas.text((left + 26, y), &text, Type::new(size).ink(FAINT))?;
        }
        Ok(())
    }))
}

enum Mark {
    Early,
    Late,
    Setpoint,
    Nothing,
}

fn legend(more: usize, narrow: bool) -> Vec<(Mark, String)> {
    let setpoint = if narrow {
        "setpoint early (dashed) and late"
    } else {
        "setpoint early (dashed) and late: its own drift"
    };
    let mut lines = vec![
        (Mark::Early, "early, with 90 % interval".to_owned()),
        (Mark::Late, "late, with 90 % interval".to_owned()),
        (Mark::Setpoint, setpoint.to_owned()),
    ];
    if more > 0 {
        lines.push((Mark::Nothing, format!("{more} smaller changes are not drawn")));
    }
    lines
}

/// Volts that hold every mark, never so narrow that noise looks like news.
fn range(pairs: &[&HeatPair]) -> (f64, f64) {
    let values = || {
        pairs
            .iter()
            .flat_map(|p| {
                let ends = [p.early_v.low, p.early_v.high, p.late_v.low, p.late_v.high];
                ends.into_iter().chain([p.setpoint_early_v.value, p.setpoint_late_v.value])
            })
            .filter(|v| v.is_finite())
    };
    let (low, high) = (values().fold(f64::MAX, f64::min), values().fold(f64::MIN, f64::max));
    let pad = (0.08 * (high - low)).max(0.05);
    let short = (0.5 - (high - low + 2.0 * pad)).max(0.0) / 2.0;
    (low - pad - short, high + pad + short)
}

fn draw(
    canvas: &Canvas,
    panel: &Panel,
    (pair, says): (&HeatPair, &str),
    top: i32,
    sheet: Paper,
) -> Drawn {
    let Paper { left, right, size, narrow, .. } = sheet;
    let line = size + 8;
    let speed = pair.rpm.map_or_else(String::new, |rpm| format!(", {}", RPM.of(rpm)));
    let said = text_width(says, size);
    let names = format::loads(&pair.loads);
    let first = top + line / 2 + 4;
    let y = if narrow {
        let room = right - left - text_width(&speed, size) - 8;
        let name = fit(&names, size, room) + &speed;
        canvas.plated((left + 4, first), &name, Type::new(size))?;
        let says = fit(says, size, right - left - 8);
        canvas.plated((left + 4, first + line), &says, Type::new(size).ink(FAINT))?;
        first + 2 * line + 4
    } else {
        let room = right - left - said - text_width(&speed, size) - 30;
        let name = fit(&names, size, room.max(120)) + &speed;
        canvas.plated((left + 4, first), &name, Type::new(size))?;
        canvas.plated((right - 4, first), says, Type::new(size).ink(FAINT).right())?;
        first + line + 4
    };
    let (early, late) = (panel.x(pair.early_v.value), panel.x(pair.late_v.value));
    let (then, now) = (panel.x(pair.setpoint_early_v.value), panel.x(pair.setpoint_late_v.value));
    canvas.dashed((then, y - 13), (then, y + 13), (4, 3), SETPOINT, 2)?;
    canvas.line(vec![(now, y - 13), (now, y + 13)], SETPOINT, 2)?;
    canvas.line(vec![(early, y), (late, y)], TEXT, 2)?;
    bar(canvas, panel, y, &pair.early_v, VOLTAGE)?;
    bar(canvas, panel, y, &pair.late_v, SETTLED)?;
    canvas.ring((early, y), 6, VOLTAGE, 2)?;
    canvas.dot((late, y), 6, SETTLED)?;
    let floor = y + line / 2 + 8;
    canvas.line(vec![(left, floor), (right, floor)], super::palette::GRID, 1)
}

/// "−0.07 V in 3.4 min, 82 to 96 °C coolant, not held late"
fn apart(pair: &HeatPair, units: Units, narrow: bool) -> String {
    let middle = |s: crate::log::Span| (s.start_s + s.end_s) / 2.0;
    let minutes = (middle(pair.late) - middle(pair.early)) / 60.0;
    let warmth = match (&pair.temperature, pair.early_c.zip(pair.late_c)) {
        (Some(place), Some((early_c, late_c))) => {
            let degree = units.degree();
            format!(", {} to {} {place}", degree.bare(early_c), degree.of(late_c))
        }
        _ => String::new(),
    };
    let holds = if narrow || pair.holds_late { "" } else { ", not held late" };
    format!("{} in {} min{warmth}{holds}", VOLT.of(pair.change_v.value), number(minutes, 1))
}

fn bar(canvas: &Canvas, panel: &Panel, y: i32, e: &Estimate, ink: Ink) -> Drawn {
    let (low, high) = (panel.x(e.low), panel.x(e.high));
    canvas.line(vec![(low, y), (high, y)], ink, 3)?;
    canvas.line(vec![(low, y - CAP), (low, y + CAP)], ink, 1)?;
    canvas.line(vec![(high, y - CAP), (high, y + CAP)], ink, 1)
}
