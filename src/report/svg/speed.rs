//! Voltage against engine speed, a mark a sample, by set of loads: where each
//! set leaves the setpoint, and the speed at which it comes back.

use plotters::style::text_anchor::HPos;

use super::axis::{Label, Panel, margin_labels};
use super::canvas::{Canvas, Caption, Drawn, Type, document, fit, fit_bold, text_width};
use super::palette::{DRAINING, DRAINING_TEXT, FAINT, SERIES, SETPOINT, TEXT};
use super::scale::readable;
use crate::diagnosis::{Bound, Diagnosis, KeepUp, SpeedCloud};
use crate::report::words::{self, RPM, VOLT};

const WIDTH: i32 = 1100;
const LEFT: i32 = 74;
const RIGHT: i32 = WIDTH - 370;
const TOP: i32 = 66;
const PANEL_HEIGHT: i32 = 430;
const SIZE: i32 = 16;
/// Marks in all: each costs about a hundred bytes.
const MOST_MARKS: usize = 1500;

/// `None` where the log has no engine speed in steady running.
pub fn speed(diagnosis: &Diagnosis) -> Option<String> {
    let clouds = clouds(diagnosis);
    if clouds.is_empty() {
        return None;
    }
    let keep_up: Vec<&KeepUp> = diagnosis.keep_up.iter().collect();
    let listed = keep_up.len().min(8) as i32;
    let height = TOP + PANEL_HEIGHT + 70 + listed * 24;
    let sets = clouds
        .iter()
        .map(|c| words::shorten(&words::loads(&c.loads), 120))
        .collect::<Vec<_>>()
        .join("; ");
    let caption = Caption {
        id: "speed",
        title: format!(
            "Bus voltage against engine speed: {}",
            words::shorten(&diagnosis.source.file, 120)
        ),
        description: format!("Steady running, by set of loads: {sets}."),
    };
    Some(document(&caption, (WIDTH as u32, height as u32), |canvas| {
        draw(canvas, diagnosis, &clouds)
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

fn draw(canvas: &Canvas, diagnosis: &Diagnosis, clouds: &[&SpeedCloud]) -> Drawn {
    let all = || clouds.iter().flat_map(|c| points(c));
    let lowest = all().map(|p| p.0).fold(f64::MAX, f64::min);
    let highest = all().map(|p| p.0).fold(f64::MIN, f64::max);
    let pad = (0.04 * (highest - lowest)).max(25.0);
    let (mut low, mut high) = readable(all().map(|p| p.1).collect());
    if let Some(e) = &diagnosis.setpoint_v {
        (low, high) = (low.min(e.value - 0.1), high.max(e.value + 0.1));
    }
    let panel = Panel::new(
        (LEFT, RIGHT),
        (TOP, TOP + PANEL_HEIGHT),
        ((lowest - pad).max(0.0), highest + pad),
        (low, high),
    );
    let file = words::plain(&diagnosis.source.file);
    let title = format!("Bus voltage against engine speed, {file}");
    canvas.text((8, 20), &fit_bold(&title, 19, WIDTH - 16), Type::new(19).bold())?;

    let mut labels = Vec::new();
    if let Some(e) = diagnosis.battery.zero_current_v.as_ref().filter(|e| panel.shows_y(e.value)) {
        let y = panel.y(e.value);
        canvas.fill((LEFT, y), (RIGHT, panel.bottom), DRAINING, 0.45)?;
        let text = format!("draining below {}", VOLT.of(e.value));
        labels.push(Label { y, text, ink: DRAINING_TEXT, mark: None });
    }
    panel.x_grid(canvas, 1.0, 9)?;
    panel.y_axis(canvas, "bus voltage, V", 9, SIZE)?;
    panel.x_axis(canvas, 1.0, "engine speed, rpm", 9, SIZE)?;
    if let Some(e) = &diagnosis.setpoint_v {
        let y = panel.y(e.value);
        canvas.dashed((LEFT, y), (RIGHT, y), (12, 7), SETPOINT, 2)?;
        let text = format!("setpoint {}", VOLT.of(e.value));
        labels.push(Label { y, text, ink: SETPOINT, mark: None });
    }

    let total: usize = clouds.iter().map(|c| c.rpm.len()).sum();
    let every = total.div_ceil(MOST_MARKS).max(1);
    for (shape, (cloud, &ink)) in clouds.iter().zip(&SERIES).enumerate() {
        for (rpm, v) in points(cloud).step_by(every) {
            canvas.mark(shape, (panel.x(rpm), panel.y(v)), ink)?;
        }
        let y = panel.y(right_end(cloud));
        labels.push(Label { y, text: words::loads(&cloud.loads), ink, mark: Some(shape) });
    }
    margin_labels(canvas, labels, (RIGHT, WIDTH), (TOP, panel.bottom), SIZE)?;
    keep_up(canvas, diagnosis, clouds, &panel)
}

/// Median voltage of the fastest tenth: where the set's marks end at the right.
fn right_end(cloud: &SpeedCloud) -> f64 {
    let mut by_speed: Vec<(f64, f64)> = points(cloud).collect();
    by_speed.sort_by(|a, b| b.0.total_cmp(&a.0));
    by_speed.truncate((by_speed.len() / 10).max(1));
    by_speed.sort_by(|a, b| a.1.total_cmp(&b.1));
    by_speed.get(by_speed.len() / 2).map_or(0.0, |p| p.1)
}

/// Marks on the scale where a keep-up speed is known, and a line of words each.
fn keep_up(canvas: &Canvas, diagnosis: &Diagnosis, clouds: &[&SpeedCloud], panel: &Panel) -> Drawn {
    let mut taken = i32::MIN;
    for (row, item) in diagnosis.keep_up.iter().take(8).enumerate() {
        let set = clouds.iter().position(|cloud| cloud.loads == item.loads);
        let ink = set.and_then(|i| SERIES.get(i)).copied().unwrap_or(TEXT);
        let (low, high) = panel.x_range();
        if let Some(rpm) = item.rpm.as_ref().filter(|e| low <= e.value && e.value <= high) {
            let x = panel.x(rpm.value);
            canvas.fill(
                (panel.x(rpm.low), panel.top),
                (panel.x(rpm.high), panel.bottom),
                ink,
                0.10,
            )?;
            canvas.dashed((x, panel.top), (x, panel.bottom), (6, 5), ink, 2)?;
            let text = RPM.of(rpm.value);
            let half = text_width(&text, SIZE) / 2 + 4;
            if x - half > taken {
                let set = Type { across: HPos::Center, ..Type::new(SIZE).ink(ink).bold() };
                canvas.text((x.max(LEFT + half + 120), panel.top - 14), &text, set)?;
                taken = x + half;
            }
        }
        let y = panel.bottom + 68 + row as i32 * 24;
        if let Some(shape) = set {
            canvas.mark(shape, (LEFT, y), ink)?;
        }
        let tail = format!(": {}", answer(item));
        let room = WIDTH - LEFT - 30 - text_width(&tail, SIZE);
        let text = fit(&words::loads(&item.loads), SIZE, room.max(80)) + &tail;
        canvas.text((LEFT + 14, y), &text, Type::new(SIZE))?;
    }
    if diagnosis.picture.speed.len() > clouds.len() {
        let text = format!("and {} more sets", diagnosis.picture.speed.len() - clouds.len());
        canvas.text((RIGHT + 16, panel.bottom + 16), &text, Type::new(SIZE).ink(FAINT))?;
    }
    Ok(())
}

/// The keep-up answer in words.
pub(in crate::report) fn answer(item: &KeepUp) -> String {
    match (item.bound, &item.rpm) {
        (Bound::Within, Some(rpm)) => format!("keeps up from {}", RPM.with_range(rpm)),
        (Bound::Within, None) => words::NOT_TOLD.to_owned(),
        (Bound::BelowSeen, _) => {
            format!("keeps up at every speed seen, from {}", RPM.of(item.seen_low_rpm))
        }
        (Bound::AboveSeen, _) => {
            format!("does not keep up at any speed seen, up to {}", RPM.of(item.seen_high_rpm))
        }
    }
}
