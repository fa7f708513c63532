//! The soak curve: the same running seen again, log after log of one car's day, each
//! with its interval, over the ground of the setpoint.

use chrono::{Duration, NaiveDateTime, NaiveTime};
use plotters::style::text_anchor::HPos;

use super::axis::{Label, Panel, margin_labels};
use super::canvas::{Canvas, Caption, Drawn, Type, document, fit, fit_bold, text_width};
use super::page_layout::Paper;
use super::palette::{FAINT, FRAME, GRID, Ink, SERIES, SETPOINT};
use crate::estimate::Estimate;
use crate::report::format::{self, VOLT, plain, plural};
use crate::review::{CarDay, Review, Soak, SoakReading};

/// More lines make a tangle, not a picture.
const MOST_CURVES: usize = 4;
const CAP: i32 = 4;
/// Readings drawn of one curve: of more, the lowest of each stretch of the day.
const MOST_READINGS: usize = 80;
/// Pixels that a log's number needs to itself.
const NUMBER_GAP: i32 = 26;

const WIDE: Paper = Paper { right: 1100 - 310, top: 96, ..Paper::WIDE };
const NARROW: Paper = Paper { top: 126, ..Paper::NARROW };

/// `None` where no running was seen in two logs. `number` tells the page's pictures
/// of this kind apart.
pub fn soak(review: &Review, car: &CarDay, number: usize) -> Option<String> {
    on_paper(review, car, WIDE, &format!("soak-{number}"))
}

/// The same picture for a narrow screen.
pub fn soak_narrow(review: &Review, car: &CarDay, number: usize) -> Option<String> {
    on_paper(review, car, NARROW, &format!("soak-{number}-narrow"))
}

fn on_paper(review: &Review, car: &CarDay, paper: Paper, id: &str) -> Option<String> {
    let shown = car.soak.iter().take(MOST_CURVES);
    let curves: Vec<(&Soak, Vec<&SoakReading>)> =
        shown.map(|soak| (soak, drawn(&soak.readings))).collect();
    if curves.is_empty() {
        return None;
    }
    let scene = Scene { clock: Clock::of(&curves), setpoints: setpoints(review, &curves), curves };
    let caption = Caption {
        id,
        title: format!("Cold versus hot over the day: {}", format::shorten(&car.name, 120)),
        description: scene
            .curves
            .iter()
            .map(|(soak, _)| format::shorten(&soak.told, 300))
            .collect::<Vec<_>>()
            .join(" "),
    };
    let legend = legend(car, &scene, paper.narrow);
    let bottom = paper.top + if paper.narrow { 420 } else { 280 };
    let under = bottom + 3 * paper.size + 26;
    let height = under + paper.line() * legend.len() as i32 + 4;
    let size = (paper.width as u32, height as u32);
    Some(document(&caption, size, |canvas| {
        let head = paper.size + 2;
        let title = format!("Cold versus hot over the day, {}", plain(&car.name));
        let title = fit_bold(&title, head, paper.width - 16);
        canvas.text((8, head / 2 + 8), &title, Type::new(head).bold())?;
        let panel = Panel::new(
            (paper.left, paper.right),
            (paper.top, bottom),
            scene.across(),
            scene.volts(),
        );
        draw(canvas, &panel, &scene, paper)?;
        for (k, (ink, shape, text)) in (0..).zip(&legend) {
            let y = under + k * paper.line();
            if let Some(shape) = shape {
                canvas.mark(*shape, (paper.left + 6, y), *ink)?;
            }
            let text = fit(text, paper.size, paper.width - paper.left - 30);
            canvas.text((paper.left + 20, y), &text, Type::new(paper.size).ink(*ink))?;
        }
        Ok(())
    }))
}

/// All, or of many the lowest of each stretch.
fn drawn(readings: &[SoakReading]) -> Vec<&SoakReading> {
    let each = readings.len().div_ceil(MOST_READINGS).max(1);
    let lowest = |stretch: &'_ [SoakReading]| {
        let volts = |k: &usize| stretch.get(*k).map_or(f64::MAX, |r| r.voltage_v.value);
        (0..stretch.len()).min_by(|a, b| volts(a).total_cmp(&volts(b)))
    };
    readings.chunks(each).filter_map(|stretch| stretch.get(lowest(stretch)?)).collect()
}

struct Scene<'r> {
    /// With the readings that are drawn.
    curves: Vec<(&'r Soak, Vec<&'r SoakReading>)>,
    clock: Clock,
    /// Of each log that is drawn, in the order of time.
    setpoints: Vec<(&'r SoakReading, &'r Estimate)>,
}

impl<'r> Scene<'r> {
    fn readings(&self) -> impl Iterator<Item = &'r SoakReading> + '_ {
        self.curves.iter().flat_map(|(_, readings)| readings.iter().copied())
    }

    fn across(&self) -> (f64, f64) {
        let places = || self.readings().map(|reading| self.clock.place(reading));
        let (low, high) = (places().fold(f64::MAX, f64::min), places().fold(f64::MIN, f64::max));
        let pad = (0.05 * (high - low)).max(self.clock.least_pad());
        (low - pad, high + pad)
    }

    /// Holds every interval, and is never so narrow that noise looks like news.
    fn volts(&self) -> (f64, f64) {
        let read = self.readings().map(|reading| &reading.voltage_v);
        let held = setpoint_ends(&self.setpoints);
        let ends = read.flat_map(|e| [e.low, e.high]).chain(held).filter(|v| v.is_finite());
        let (low, high) = ends.fold((f64::MAX, f64::MIN), |(l, h), v| (v.min(l), v.max(h)));
        if low > high {
            return (11.5, 15.0);
        }
        let pad = (0.08 * (high - low)).max(0.05);
        let short = (1.0 - (high - low + 2.0 * pad)).max(0.0) / 2.0;
        (low - pad - short, high + pad + short)
    }
}

fn setpoint_ends<'s>(setpoints: &'s [(&SoakReading, &Estimate)]) -> impl Iterator<Item = f64> + 's {
    setpoints.iter().flat_map(|(_, e)| [e.low, e.high])
}

/// Of every log that a curve visits, where it tells one.
fn setpoints<'r>(
    review: &'r Review,
    curves: &[(&'r Soak, Vec<&'r SoakReading>)],
) -> Vec<(&'r SoakReading, &'r Estimate)> {
    let mut found: Vec<(&SoakReading, &Estimate)> = Vec::new();
    for reading in curves.iter().flat_map(|(_, readings)| readings.iter().copied()) {
        if found.iter().any(|(known, _)| known.order == reading.order) {
            continue;
        }
        let row = review.rows.iter().find(|row| row.log == reading.log);
        let setpoint = row.and_then(|row| row.summary()?.setpoint_v.as_ref());
        found.extend(setpoint.map(|e| (reading, e)));
    }
    found.sort_by_key(|(reading, _)| reading.order);
    found
}

/// What lies along the foot: the time of day, or where no log tells it the logs in
/// their order.
enum Clock {
    From(NaiveDateTime),
    Order,
}

impl Clock {
    fn of(curves: &[(&Soak, Vec<&SoakReading>)]) -> Clock {
        let readings = || curves.iter().flat_map(|(_, readings)| readings.iter());
        let first = readings().filter_map(|reading| reading.started).min();
        match first.filter(|_| readings().all(|reading| reading.started.is_some())) {
            Some(first) => Clock::From(first.date().and_time(NaiveTime::MIN)),
            None => Clock::Order,
        }
    }

    /// Seconds from the midnight before the first log, or its number.
    fn place(&self, reading: &SoakReading) -> f64 {
        match (self, reading.started) {
            (Clock::From(midnight), Some(started)) => {
                let lies_s = (started - *midnight).num_milliseconds() as f64 / 1000.0;
                lies_s + reading.at_s
            }
            _ => reading.order as f64,
        }
    }

    fn least_pad(&self) -> f64 {
        match self {
            Clock::From(_) => 120.0,
            Clock::Order => 0.5,
        }
    }

    fn title(&self) -> &'static str {
        match self {
            Clock::From(_) => "clock of the logs",
            Clock::Order => "log, in the order of time",
        }
    }

    /// Places and their words, at most about `most`.
    fn ticks(&self, (low, high): (f64, f64), most: usize) -> Vec<(f64, String)> {
        const MINUTE: f64 = 60.0;
        const HOUR: f64 = 3600.0;
        const DAY: f64 = 24.0 * HOUR;
        let steps = match self {
            Clock::From(_) => [
                5.0 * MINUTE,
                10.0 * MINUTE,
                15.0 * MINUTE,
                30.0 * MINUTE,
                HOUR,
                2.0 * HOUR,
                3.0 * HOUR,
                6.0 * HOUR,
                DAY,
                2.0 * DAY,
                7.0 * DAY,
                28.0 * DAY,
                91.0 * DAY,
                365.0 * DAY,
            ],
            Clock::Order => {
                [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 1e4, 1e5]
            }
        };
        let fits = |step: &f64| (high - low) / step <= most as f64;
        let step = steps.into_iter().find(fits).unwrap_or(high - low).max(f64::MIN_POSITIVE);
        let first = (low / step).ceil() as i64;
        let last = (high / step).floor() as i64;
        let words = |at: f64| match self {
            Clock::From(midnight) => {
                let then = *midnight + Duration::seconds(at as i64);
                let format = match (step >= DAY, high - low > DAY) {
                    (true, _) => "%-d %b",
                    (false, true) => "%-d %b %-H:%M",
                    (false, false) => "%-H:%M",
                };
                then.format(format).to_string()
            }
            Clock::Order => format::number(at, 0),
        };
        (first..=last).take(64).map(|k| k as f64 * step).map(|at| (at, words(at))).collect()
    }
}

fn draw(canvas: &Canvas, panel: &Panel, scene: &Scene, paper: Paper) -> Drawn {
    let size = paper.size;
    panel.y_axis(canvas, "", 6, size)?;
    let faint = Type::new(size).ink(FAINT);
    // Between it and the panel stand the numbers of the logs.
    canvas.text((4, panel.top - 2 * size - 4), "bus voltage, V", faint)?;
    canvas.line(vec![(panel.left, panel.bottom), (panel.right, panel.bottom)], FRAME, 1)?;
    for (at, text) in scene.clock.ticks(panel.x_range(), paper.ticks) {
        let x = panel.x(at);
        canvas.line(vec![(x, panel.top), (x, panel.bottom)], GRID, 1)?;
        canvas.line(vec![(x, panel.bottom), (x, panel.bottom + 5)], FRAME, 1)?;
        canvas.text((x, panel.bottom + 8 + size / 2), &text, faint.middle())?;
    }
    let middle = (panel.left + panel.right) / 2;
    canvas.text((middle, panel.bottom + 12 + 2 * size), scene.clock.title(), faint.middle())?;
    ground(canvas, panel, scene)?;
    numbers(canvas, panel, scene, size)?;
    let mut labels: Vec<Label> = Vec::new();
    if let Some((_, last)) = scene.setpoints.last() {
        labels.push(Label {
            y: panel.y(last.value),
            name: "setpoint".to_owned(),
            value: VOLT.of(last.value),
            ink: SETPOINT,
            mark: None,
        });
    }
    for (shape, ((soak, readings), ink)) in scene.curves.iter().zip(SERIES).enumerate() {
        let place = |r: &SoakReading| (panel.x(scene.clock.place(r)), panel.y(r.voltage_v.value));
        canvas.line(readings.iter().map(|r| place(r)).collect(), ink, 2)?;
        for reading in readings {
            let (x, y) = place(reading);
            let (low, high) = (panel.y(reading.voltage_v.low), panel.y(reading.voltage_v.high));
            let cap = |y: i32| [(x - CAP, y), (x + CAP, y), (x, y)];
            canvas.line(cap(low).into_iter().chain(cap(high)).collect(), ink, 1)?;
            canvas.mark(shape, (x, y), ink)?;
        }
        let last = readings.last().map(|reading| panel.y(reading.voltage_v.value));
        labels.push(Label {
            y: last.unwrap_or(panel.bottom),
            name: loads(soak),
            value: band(soak) + &VOLT.of(soak.overall_v.value),
            ink,
            mark: Some(shape),
        });
    }
    if paper.narrow {
        return Ok(());
    }
    let at = (panel.right + 4, paper.width - 6);
    margin_labels(canvas, labels, at, (panel.top, panel.bottom), size, true)
}

/// Where the regulator held, with its interval; named at the right or below.
fn ground(canvas: &Canvas, panel: &Panel, scene: &Scene) -> Drawn {
    let along = |of: fn(&Estimate) -> f64| {
        let points = scene.setpoints.iter();
        points.map(move |(reading, e)| (panel.x(scene.clock.place(reading)), panel.y(of(e))))
    };
    let mut band: Vec<_> = along(|e| e.high).collect();
    band.extend(along(|e| e.low).collect::<Vec<_>>().into_iter().rev());
    if scene.setpoints.len() > 1 {
        canvas.polygon(band, SETPOINT, 0.18)?;
    }
    let middle: Vec<_> = along(|e| e.value).collect();
    for pair in middle.windows(2) {
        if let [from, to] = pair {
            canvas.dashed(*from, *to, (6, 4), SETPOINT, 2)?;
        }
    }
    Ok(())
}

/// Above the panel the number of each log, as the table tells it.
fn numbers(canvas: &Canvas, panel: &Panel, scene: &Scene, size: i32) -> Drawn {
    let mut logs: Vec<(i32, usize)> =
        scene.readings().map(|r| (panel.x(scene.clock.place(r)), r.order)).collect();
    logs.sort_unstable();
    logs.dedup_by_key(|(_, order)| *order);
    let y = panel.top - size / 2 - 2;
    let lead = "log ";
    let mut free = i32::MIN;
    let mut first = true;
    for (x, order) in logs {
        if x < free {
            continue;
        }
        let set = Type::new(size).ink(FAINT);
        let text =
            if std::mem::take(&mut first) { format!("{lead}{order}") } else { order.to_string() };
        let half = text_width(&order.to_string(), size) / 2;
        let x_text = (x + half).max(text_width(&text, size) + 4);
        canvas.text((x_text, y), &text, Type { across: HPos::Right, ..set })?;
        canvas.line(vec![(x, panel.top), (x, panel.top + 5)], FRAME, 1)?;
        free = x + NUMBER_GAP.max(2 * half + size / 2);
    }
    Ok(())
}

fn loads(soak: &Soak) -> String {
    if soak.loads_logged { format::loads(&soak.loads) } else { "loads not logged".to_owned() }
}

/// "up to 1100 rpm: "
fn band(soak: &Soak) -> String {
    let band = format::rpm_band(soak.rpm_low, soak.rpm_high);
    band.map_or_else(String::new, |band| format!("{band} rpm: "))
}

/// What stands below: the lines where no margin names them, and what is not drawn.
fn legend(car: &CarDay, scene: &Scene, narrow: bool) -> Vec<(Ink, Option<usize>, String)> {
    let mut lines: Vec<(Ink, Option<usize>, String)> = Vec::new();
    if narrow {
        for (shape, ((soak, _), ink)) in scene.curves.iter().zip(SERIES).enumerate() {
            let change = VOLT.of(soak.overall_v.value);
            lines.push((ink, Some(shape), format!("{}, {}{change}", loads(soak), band(soak))));
        }
    }
    if !scene.setpoints.is_empty() {
        let setpoint = "green: the setpoint, 90 % interval";
        lines.push((SETPOINT, None, setpoint.to_owned()));
    }
    let end = if narrow { "" } else { "; beside a name, last less first" };
    lines.push((FAINT, None, format!("bars: 90 % intervals{end}")));
    let thinned =
        |(soak, readings): &&(&Soak, Vec<&SoakReading>)| soak.readings.len() > readings.len();
    if let Some((soak, readings)) = scene.curves.iter().find(thinned) {
        let (all, drawn) = (format::count(soak.readings.len()), format::count(readings.len()));
        lines.push((
            FAINT,
            None,
            format!("of {all} readings {drawn} are drawn: the lowest of each stretch"),
        ));
    }
    if let Some(more) = car.soak.len().checked_sub(MOST_CURVES).filter(|&n| n > 0) {
        let more = plural(more, "more running is", "more runnings are");
        lines.push((FAINT, None, format!("{more} not drawn")));
    }
    lines
}
