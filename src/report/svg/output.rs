//! The alternator's output against its speed: what it gave at full output, each
//! with its interval; what it gave at least; and its sheet, between its points.

use super::axis::{Label, Panel, margin_labels};
use super::canvas::{Canvas, Caption, Drawn, Point, Type, document, fit, fit_bold};
use super::page_layout::Paper;
use super::palette::{FAINT, Ink, SETTLED, TEXT, VOLTAGE};
use crate::diagnosis::{Diagnosis, OutputPoint, OutputSeen, OutputSheet};
use crate::physics::alternator::OutputCurve;
use crate::report::format;
use crate::units::Units;

const WIDE: Paper = Paper { right: 1100 - 330, ..Paper::WIDE };
const PANEL_HEIGHT: i32 = 400;
/// Marks in all: a log has a handful.
const MOST_MARKS: usize = 400;
/// The sheet is shown so far past the fastest point seen, and no further.
const PAST_SEEN: f64 = 1.4;
/// Straight pieces that the sheet's curve is drawn with.
const PIECES: usize = 120;
/// Half the width of the bar that a point's sheet value is drawn as.
const BAR: i32 = 9;

/// Radius of a mark.
fn dot(paper: Paper) -> i32 {
    if paper.narrow { 6 } else { 4 }
}

/// `None` where the log has no alternator current, or no speed with it.
pub fn output(diagnosis: &Diagnosis) -> Option<String> {
    on_paper(diagnosis, WIDE, "output")
}

/// The same picture for a narrow screen.
pub fn output_narrow(diagnosis: &Diagnosis) -> Option<String> {
    on_paper(diagnosis, Paper::NARROW, "output-narrow")
}

/// What is drawn: points by one kind of speed.
struct Picture<'a> {
    /// Alternator's, else the engine's.
    of_alternator: bool,
    full: Vec<(f64, &'a OutputPoint)>,
    least: Vec<(f64, &'a OutputPoint)>,
    sheet: Option<&'a OutputSheet>,
    curve: Option<OutputCurve>,
    units: Units,
}

impl<'a> Picture<'a> {
    fn of(output: &'a OutputSeen, units: Units) -> Option<Picture<'a>> {
        let of_alternator = output.points.iter().any(|p| p.alternator_rpm.is_some());
        let speed = |p: &OutputPoint| if of_alternator { p.alternator_rpm } else { p.engine_rpm };
        let drawn = |full: bool| -> Vec<(f64, &OutputPoint)> {
            let points = output.points.iter().filter(|p| p.full_output == full);
            let placed = points.filter_map(|p| Some((speed(p)?, p)));
            placed
                .filter(|(rpm, p)| rpm.is_finite() && p.amps_a.value.is_finite())
                .take(MOST_MARKS)
                .collect()
        };
        let (full, least) = (drawn(true), drawn(false));
        let sheet = output.sheet.as_ref().filter(|_| of_alternator);
        let curve = sheet.and_then(|sheet| {
            let points = sheet.points.iter().map(|p| (p.alternator_rpm, p.amps_a));
            OutputCurve::of_bench(&points.collect::<Vec<_>>()).ok()
        });
        let any = !full.is_empty() || !least.is_empty();
        any.then_some(Picture { of_alternator, full, least, sheet, curve, units })
    }

    fn all(&self) -> impl Iterator<Item = &(f64, &'a OutputPoint)> {
        self.full.iter().chain(&self.least)
    }

    fn axis(&self) -> &'static str {
        if self.of_alternator { "alternator speed, rpm" } else { "engine speed, rpm" }
    }

    fn speeds_rpm(&self) -> (f64, f64) {
        let low = self.all().map(|(rpm, _)| *rpm).fold(f64::INFINITY, f64::min);
        let high = self.all().map(|(rpm, _)| *rpm).fold(0.0, f64::max);
        let (low, high) = match self.curve.as_ref().map(OutputCurve::speeds_rpm) {
            Some((first, last)) => (low.min(first), high.max(last.min(PAST_SEEN * high))),
            None => (low, high),
        };
        let pad = (0.04 * (high - low)).max(50.0);
        ((low - pad).max(0.0), high + pad)
    }

    fn most_a(&self, speeds_rpm: (f64, f64)) -> f64 {
        let seen = self.all().flat_map(|(_, p)| {
            [p.amps_a.high, p.sheet_a.as_ref().map_or(0.0, |e| e.high)].into_iter()
        });
        let sheet = self.curve.as_ref().map_or(0.0, |c| c.output(speeds_rpm.1).amps_a);
        1.06 * seen.filter(|a| a.is_finite()).fold(sheet, f64::max).max(5.0)
    }

    /// Each kind of mark with what it means.
    fn kinds(&self) -> Vec<(PointKind, String)> {
        let mut kinds = Vec::new();
        if !self.full.is_empty() {
            kinds.push((PointKind::Full, "seen at full output, 90 %".to_owned()));
        }
        if !self.least.is_empty() {
            kinds.push((PointKind::Least, "at least: the setpoint was held".to_owned()));
        }
        if let Some(sheet) = self.sheet.filter(|_| self.curve.is_some()) {
            let at =
                format!("{} V, {}", sheet.test_v.value, self.units.degree().of(sheet.test_c.value));
            kinds.push((PointKind::Sheet, format!("sheet at {at}")));
        }
        if self.curve.is_some() && self.full.iter().any(|(_, p)| p.sheet_a.is_some()) {
            kinds.push((PointKind::Carried, "sheet at this heat and voltage".to_owned()));
        }
        kinds
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum PointKind {
    Full,
    Least,
    Sheet,
    Carried,
}

impl PointKind {
    fn ink(self) -> Ink {
        match self {
            PointKind::Full => VOLTAGE,
            PointKind::Least => FAINT,
            PointKind::Sheet | PointKind::Carried => SETTLED,
        }
    }

    /// A sample of the mark, for the words that explain it.
    fn sample(self, canvas: &Canvas, (x, y): Point, dot: i32) -> Drawn {
        match self {
            PointKind::Full => canvas.dot((x, y), dot, VOLTAGE),
            PointKind::Least => canvas.ring((x, y), dot, FAINT, 2),
            PointKind::Sheet => canvas.line(vec![(x - 8, y), (x + 8, y)], SETTLED, 2),
            PointKind::Carried => canvas.fill((x - 8, y - 7), (x + 8, y + 7), SETTLED, 0.25),
        }
    }
}

fn on_paper(diagnosis: &Diagnosis, paper: Paper, id: &str) -> Option<String> {
    let output = diagnosis.output.as_ref()?;
    let picture = Picture::of(output, diagnosis.units)?;
    let kinds = picture.kinds();
    let under = paper.top + PANEL_HEIGHT + 4 * paper.size + 8;
    let keys = if paper.narrow { kinds.len() as i32 } else { 0 };
    let height = under + keys * (paper.size + 10) + 8;
    let caption = Caption {
        id,
        title: format!("Alternator output: {}", format::shorten(&diagnosis.source.file, 120)),
        description: format::shorten(&output.statement, 500),
    };
    Some(document(&caption, (paper.width as u32, height as u32), |canvas| {
        let bold = paper.size + 3;
        let title = match paper.narrow {
            true => "Alternator output against its speed".to_owned(),
            false => {
                format!(
                    "Alternator output against speed, {}",
                    format::plain(&diagnosis.source.file)
                )
            }
        };
        let title = fit_bold(&title, bold, paper.width - 16);
        canvas.text((8, paper.size / 2 + 12), &title, Type::new(bold).bold())?;
        let panel = draw(canvas, &picture, paper)?;
        if paper.narrow {
            for (row, (kind, text)) in (0..).zip(&kinds) {
                let y = under + row * (paper.size + 10);
                kind.sample(canvas, (paper.left - 20, y), dot(paper))?;
                let text = fit(text, paper.size, paper.width - paper.left - 20);
                canvas.text((paper.left, y), &text, Type::new(paper.size).ink(TEXT))?;
            }
            return Ok(());
        }
        let labels = kinds.iter().filter_map(|(kind, text)| label(&picture, &panel, *kind, text));
        let across = (paper.right, paper.width);
        let down = (paper.top, panel.bottom);
        margin_labels(canvas, labels.collect(), across, down, paper.size, false)
    }))
}

/// Beside the right end of what it names.
fn label(picture: &Picture, panel: &Panel, kind: PointKind, text: &str) -> Option<Label> {
    let last = |points: &[(f64, &OutputPoint)]| points.last().map(|(_, p)| p.amps_a.value);
    let (amps_a, mark) = match kind {
        PointKind::Full => (last(&picture.full)?, Some(0)),
        PointKind::Least => (last(&picture.least)?, Some(3)),
        PointKind::Sheet => {
            let curve = picture.curve.as_ref()?;
            (curve.output(panel.x_range().1.min(curve.speeds_rpm().1)).amps_a, None)
        }
        PointKind::Carried => {
            let mut with_sheet = picture.full.iter().filter_map(|(_, p)| p.sheet_a.as_ref());
            (with_sheet.next_back()?.value, None)
        }
    };
    let y = panel.y(amps_a);
    Some(Label { y, name: text.to_owned(), value: String::new(), ink: kind.ink(), mark })
}

fn draw(
    canvas: &Canvas,
    picture: &Picture,
    paper: Paper,
) -> Result<Panel, super::canvas::DrawError> {
    let dot = dot(paper);
    let speeds_rpm = picture.speeds_rpm();
    let panel = Panel::new(
        (paper.left, paper.right),
        (paper.top, paper.top + PANEL_HEIGHT),
        speeds_rpm,
        (0.0, picture.most_a(speeds_rpm)),
    );
    panel.x_grid(canvas, 1.0, paper.ticks)?;
    panel.y_axis(canvas, "alternator current, A", 9, paper.size)?;
    panel.x_axis(canvas, 1.0, picture.axis(), paper.ticks, paper.size)?;
    for (rpm, point) in &picture.full {
        if let Some(sheet_a) = point.sheet_a.as_ref().filter(|_| picture.curve.is_some()) {
            let x = panel.x(*rpm);
            let (low, high) = (panel.y(sheet_a.low), panel.y(sheet_a.high));
            canvas.fill((x - BAR, high), (x + BAR, low), SETTLED, 0.25)?;
        }
    }
    if let (Some(curve), Some(sheet)) = (&picture.curve, picture.sheet) {
        let (first, last) = curve.speeds_rpm();
        let (from, to) = (first.max(speeds_rpm.0), last.min(speeds_rpm.1));
        let rpm = |piece: usize| from + (to - from) * piece as f64 / PIECES as f64;
        let line = (0..=PIECES).map(|k| (panel.x(rpm(k)), panel.y(curve.output(rpm(k)).amps_a)));
        canvas.line(line.collect(), SETTLED, 2)?;
        for point in sheet.points.iter().filter(|p| p.alternator_rpm <= to).take(MOST_MARKS) {
            let at = (panel.x(point.alternator_rpm), panel.y(point.amps_a));
            canvas.dot(at, 2, SETTLED)?;
        }
    }
    for (rpm, point) in &picture.least {
        let (x, y) = (panel.x(*rpm), panel.y(point.amps_a.value));
        canvas.ring((x, y), dot, FAINT, 2)?;
        // At least: it may lie anywhere above.
        canvas.line(vec![(x, y - dot - 1), (x, y - dot - 10)], FAINT, 1)?;
        let tip = y - dot - 10;
        canvas.line(vec![(x - 3, tip + 4), (x, tip), (x + 3, tip + 4)], FAINT, 1)?;
    }
    for (rpm, point) in &picture.full {
        let x = panel.x(*rpm);
        let (low, high) = (panel.y(point.amps_a.low), panel.y(point.amps_a.high));
        canvas.line(vec![(x, low), (x, high)], VOLTAGE, 2)?;
        for end in [low, high] {
            canvas.line(vec![(x - 5, end), (x + 5, end)], VOLTAGE, 2)?;
        }
        canvas.dot((x, panel.y(point.amps_a.value)), dot, VOLTAGE)?;
    }
    Ok(panel)
}
