//! Voltage against engine speed, a mark a sample, by set of loads: where each
//! set leaves the setpoint, and the speed at which it comes back.

use super::axis::{Label, Panel, margin_labels};
use super::canvas::{
    Canvas, Caption, DrawError, Drawn, Type, bold, document, fit, fit_bold, text_width,
};
use super::page_layout::Paper;
use super::palette::{DRAINING, DRAINING_TEXT, FAINT, HATCH, Ink, SERIES, SETPOINT, TEXT};
use super::scale::readable;
use crate::diagnosis::{Bound, Diagnosis, KeepUp, SpeedCloud};
use crate::report::format::{self, RPM, VOLT};
use crate::report::summary;

const MOST_KEEP_UPS: usize = 8;
/// Marks in all: each costs about a hundred bytes.
const MOST_MARKS: usize = 1500;

const PANEL_HEIGHT: i32 = 430;

/// `None` where the log has no engine speed in steady running.
pub fn speed(diagnosis: &Diagnosis) -> Option<String> {
    on_sheet(diagnosis, Paper::WIDE, "speed")
}

/// The same picture for a narrow screen.
pub fn speed_narrow(diagnosis: &Diagnosis) -> Option<String> {
    on_sheet(diagnosis, Paper::NARROW, "speed-narrow")
}

fn on_sheet(diagnosis: &Diagnosis, sheet: Paper, id: &str) -> Option<String> {
    let clouds = clouds(diagnosis);
    if clouds.is_empty() {
        return None;
    }
    let key = key(diagnosis, &clouds, sheet);
    let under = sheet.top + PANEL_HEIGHT + 2 * sheet.size + 12;
    let height = under + sheet.size + 14 + key.len() as i32 * sheet.line();
    let sets = clouds
        .iter()
        .map(|c| format::shorten(&format::loads(&c.loads), 120))
        .collect::<Vec<_>>()
        .join("; ");
    let caption = Caption {
        id,
        title: format!(
            "Voltage against engine speed: {}",
            format::shorten(&diagnosis.source.file, 120)
        ),
        description: format!("Steady running, by set of loads: {sets}."),
    };
    Some(document(&caption, (sheet.width as u32, height as u32), |canvas| {
        let panel = draw(canvas, diagnosis, &clouds, sheet)?;
        keep_up(canvas, diagnosis, &clouds, &panel, sheet)?;
        for (row, line) in (0..).zip(&key) {
            let y = under + sheet.line() + row * sheet.line();
            if let Some(shape) = line.set {
                let ink = SERIES.get(shape).copied().unwrap_or(TEXT);
                canvas.mark(shape, (sheet.left, y), ink)?;
            }
            canvas.text((sheet.left + 14, y), &line.text, Type::new(sheet.size).ink(line.ink))?;
        }
        Ok(())
    }))
}

/// The fullest sets, as many as can be told apart.
fn clouds(diagnosis: &Diagnosis) -> Vec<&SpeedCloud> {
    let mut clouds: Vec<&SpeedCloud> =
        diagnosis.picture.speed.iter().filter(|c| points(c).next().is_some()).collect();
    if clouds.len() > SERIES.len() {
        clouds.sort_by_key(|c| std::cmp::Reverse(c.rpm.len()));
        clouds.truncate(SERIES.len());
    }
    clouds
}

fn points(cloud: &SpeedCloud) -> impl Iterator<Item = (f64, f64)> + Clone + '_ {
    let pairs = cloud.rpm.iter().copied().zip(cloud.voltage_v.iter().copied());
    pairs.filter(|(rpm, v)| rpm.is_finite() && v.is_finite())
}

/// A line of words below the picture.
struct KeyLine {
    /// The set of loads whose mark stands before it.
    set: Option<usize>,
    text: String,
    ink: Ink,
}

/// What each set of loads keeps up from; on a narrow sheet also what each mark means.
fn key(diagnosis: &Diagnosis, clouds: &[&SpeedCloud], sheet: Paper) -> Vec<KeyLine> {
    let room = sheet.width - sheet.left - 30;
    let fitted = |text: &str| fit(text, sheet.size, room);
    let item_of = |cloud: &SpeedCloud| diagnosis.keep_up.iter().find(|i| i.loads == cloud.loads);
    let mut lines = Vec::new();
    let mut say = |set, text, ink| lines.push(KeyLine { set, text, ink });
    if sheet.narrow {
        for (shape, cloud) in clouds.iter().enumerate() {
            say(Some(shape), fitted(&format::loads(&cloud.loads)), TEXT);
            if let Some(item) = item_of(cloud) {
                let whole = answer(item);
                let told =
                    if text_width(&whole, sheet.size) > room { brief(&whole) } else { whole };
                say(None, fitted(&told), FAINT);
            }
        }
    }
    let set_of = |item: &KeepUp| clouds.iter().position(|cloud| cloud.loads == item.loads);
    for item in diagnosis.keep_up.iter().take(MOST_KEEP_UPS) {
        let set = set_of(item);
        if sheet.narrow && set.is_some() {
            continue;
        }
        let tail = format!(": {}", answer(item));
        let names = format::loads(&item.loads);
        let left = room - text_width(&tail, sheet.size);
        let text = if left < 120 { fitted(&names) } else { fit(&names, sheet.size, left) + &tail };
        say(set, text, TEXT);
        if left < 120 {
            say(None, fitted(&answer(item)), FAINT);
        }
    }
    let more = diagnosis.picture.speed.len().saturating_sub(clouds.len());
    if more > 0 {
        say(None, fitted(&format!("{more} more sets of loads are not drawn")), FAINT);
    }
    lines
}

fn draw(
    canvas: &Canvas,
    diagnosis: &Diagnosis,
    clouds: &[&SpeedCloud],
    sheet: Paper,
) -> Result<Panel, DrawError> {
    let Paper { left, right, top, size, ticks, narrow, .. } = sheet;
    let all = || clouds.iter().flat_map(|c| points(c));
    let lowest = all().map(|p| p.0).fold(f64::MAX, f64::min);
    let highest = all().map(|p| p.0).fold(f64::MIN, f64::max);
    let pad = (0.04 * (highest - lowest)).max(25.0);
    let (mut low, mut high) = readable(all().map(|p| p.1).collect());
    if let Some(e) = &diagnosis.setpoint_v {
        (low, high) = (low.min(e.value - 0.1), high.max(e.value + 0.1));
    }
    let panel = Panel::new(
        (left, right),
        (top, top + PANEL_HEIGHT),
        ((lowest - pad).max(0.0), highest + pad),
        (low, high),
    );
    let title = summary::speed_claim(diagnosis, |rpm| RPM.value(rpm))
        .unwrap_or_else(|| "Voltage against engine speed".to_owned());
    let bold = size + 3;
    let title = fit_bold(&title, bold, sheet.width - 16);
    canvas.text((8, size / 2 + 12), &title, Type::new(bold).bold())?;

    let mut levels = Vec::new();
    if let Some(e) = diagnosis.battery.zero_current_v.as_ref().filter(|e| panel.shows_y(e.value)) {
        let y = panel.y(e.value);
        canvas.hatched((left, panel.y(e.low)), (right, panel.bottom), (DRAINING, HATCH))?;
        canvas.fill((left, panel.y(e.high)), (right, panel.y(e.low)), DRAINING, 0.25)?;
        canvas.dashed((left, y), (right, y), (2, 6), DRAINING_TEXT, 2)?;
        levels.push((y, "draining below", e.value, DRAINING_TEXT));
    }
    panel.x_grid(canvas, 1.0, ticks)?;
    panel.y_axis(canvas, "bus voltage, V", 9, size)?;
    panel.x_axis(canvas, 1.0, "engine speed, rpm", ticks, size)?;
    if let Some(e) = &diagnosis.setpoint_v {
        let y = panel.y(e.value);
        canvas.dashed((left, y), (right, y), (12, 7), SETPOINT, 2)?;
        levels.push((y, "setpoint", e.value, SETPOINT));
    }

    if narrow {
        // Marks crowd at idle and thin out between: the middle has room. Under
        // the marks, so that no label hides one.
        for (y, name, value, ink) in &levels {
            let text = format!("{name} {}", VOLT.of(*value));
            let set = Type::new(size).ink(*ink).middle();
            canvas.text(((left + right) / 2, y - size * 3 / 4), &text, set)?;
        }
    }

    let total: usize = clouds.iter().map(|c| c.rpm.len()).sum();
    let most = if narrow { MOST_MARKS / 3 } else { MOST_MARKS };
    let every = total.div_ceil(most).max(1);
    let mut labels = Vec::new();
    for (shape, (cloud, &ink)) in clouds.iter().zip(&SERIES).enumerate() {
        for (rpm, v) in points(cloud).step_by(every) {
            canvas.mark(shape, (panel.x(rpm), panel.y(v)), ink)?;
        }
        let y = panel.y(right_end(cloud));
        let name = format::loads(&cloud.loads);
        labels.push(Label { y, name, value: String::new(), ink, mark: Some(shape) });
    }
    if narrow {
        return Ok(panel);
    }
    labels.extend(levels.into_iter().map(|(y, name, value, ink)| Label {
        y,
        name: name.to_owned(),
        value: VOLT.of(value),
        ink,
        mark: None,
    }));
    margin_labels(canvas, labels, (right, sheet.width), (top, panel.bottom), size, false)?;
    Ok(panel)
}

/// Median voltage of the fastest tenth: where the set's marks end at the right.
fn right_end(cloud: &SpeedCloud) -> f64 {
    let mut by_speed: Vec<(f64, f64)> = points(cloud).collect();
    by_speed.sort_by(|a, b| b.0.total_cmp(&a.0));
    by_speed.truncate((by_speed.len() / 10).max(1));
    by_speed.sort_by(|a, b| a.1.total_cmp(&b.1));
    by_speed.get(by_speed.len() / 2).map_or(0.0, |p| p.1)
}

/// Lines on the scale where a keep-up speed is known, with its interval.
fn keep_up(
    canvas: &Canvas,
    diagnosis: &Diagnosis,
    clouds: &[&SpeedCloud],
    panel: &Panel,
    sheet: Paper,
) -> Drawn {
    let size = sheet.size;
    let mut taken = i32::MIN;
    for item in diagnosis.keep_up.iter().take(MOST_KEEP_UPS) {
        let set = clouds.iter().position(|cloud| cloud.loads == item.loads);
        let ink = set.and_then(|i| SERIES.get(i)).copied().unwrap_or(TEXT);
        let (low, high) = panel.x_range();
        let Some(rpm) = item.rpm.as_ref().filter(|e| low <= e.value && e.value <= high) else {
            continue;
        };
        let (from, to) = (panel.x(rpm.low), panel.x(rpm.high));
        canvas.fill((from, panel.top), (to, panel.bottom), ink, 0.10)?;
        let x = panel.x(rpm.value);
        canvas.dashed((x, panel.top), (x, panel.bottom), (6, 5), ink, 2)?;
        let text = RPM.value(rpm);
        let half = text_width(&text, bold(size)) / 2 + 4;
        if x - half > taken {
            let at = x.clamp(panel.left + half, panel.right - half);
            let set = Type::new(size).ink(ink).bold().middle();
            canvas.plated((at, panel.top + size), &text, set)?;
            taken = at + half;
        }
    }
    Ok(())
}

/// The keep-up answer in words.
pub(in crate::report) fn answer(item: &KeepUp) -> String {
    match (item.bound, &item.rpm) {
        (Bound::Within, Some(rpm)) => format!("keeps up from {}", RPM.with_range(rpm)),
        (Bound::Within, None) => format::NOT_TOLD.to_owned(),
        (Bound::BelowSeen, _) => {
            format!("keeps up at every speed seen, from {}", RPM.of(item.seen_low_rpm))
        }
        (Bound::AboveSeen, _) => {
            format!("does not keep up at any speed seen, up to {}", RPM.of(item.seen_high_rpm))
        }
    }
}

/// An [`answer`] where there is little room, under the loads it is about.
fn brief(answer: &str) -> String {
    answer.replacen("does not keep up", "not", 1).replacen("keeps up ", "", 1)
}

/// The set of loads that asks for most: of those short somewhere the one with
/// most loads on, then the one that needs most speed.
pub(in crate::report) fn worst_keep_up(diagnosis: &Diagnosis) -> Option<&KeepUp> {
    let rpm = |item: &KeepUp| item.rpm.as_ref().map_or(item.seen_high_rpm, |e| e.value);
    diagnosis.keep_up.iter().max_by(|a, b| {
        let short = |item: &KeepUp| item.bound != Bound::BelowSeen;
        let by_loads = a.loads.len().cmp(&b.loads.len());
        short(a).cmp(&short(b)).then(by_loads).then(rpm(a).total_cmp(&rpm(b)))
    })
}
