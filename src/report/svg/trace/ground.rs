//! What lies under the trace: phases, where the battery gives, and between which
//! voltages each operating point held.

use super::{Layout, Sheet};
use crate::diagnosis::{Diagnosis, PhaseKind};
use crate::estimate::Estimate;
use crate::log::Span;
use crate::report::svg::axis::Panel;
use crate::report::svg::canvas::{Canvas, Drawn, text_width};
use crate::report::svg::palette::{
    CRANKING, DRAINING, DRAINING_TEXT, FAINT, HATCH, RESTING, RUNNING, VOLTAGE,
};

/// More stretches than this are told apart by nobody.
const MOST_HELD: usize = 150;
/// Pale enough that the trace and the ground show through.
const HELD_OPACITY: f64 = 0.18;

/// Up to which pixel each kind of phase is drawn: in a log of days thousands fall on the
/// same ones.
struct Shown {
    until: Vec<(PhaseKind, i32)>,
    /// Pixels that may be left out behind one that is drawn.
    gap: i32,
}

impl Shown {
    /// More phases than this are told apart by nobody.
    const MOST: usize = 150;

    fn of(diagnosis: &Diagnosis) -> Shown {
        let gap = if diagnosis.phases.len() > Shown::MOST { 8 } else { 0 };
        Shown { until: Vec::new(), gap }
    }

    /// Whether there is anything to draw that was not.
    fn is_new(&mut self, kind: PhaseKind, from: i32, to: i32) -> bool {
        let gap = self.gap;
        match self.until.iter_mut().find(|(known, _)| *known == kind) {
            Some((_, until)) if to <= *until + gap && from < *until + gap => false,
            Some((_, until)) => {
                *until = to;
                true
            }
            None => {
                self.until.push((kind, to));
                true
            }
        }
    }
}

pub fn phases(canvas: &Canvas, diagnosis: &Diagnosis, layout: &Layout, volts: &Panel) -> Drawn {
    let (top, sheet) = (layout.phases_top, &layout.sheet);
    let size = sheet.size;
    let middle = top + size / 2 + 3;
    let mut shown = Shown::of(diagnosis);
    for phase in &diagnosis.phases {
        let (start, end) = (volts.x(phase.start_s), volts.x(phase.end_s));
        if !shown.is_new(phase.kind, start, end.max(start + 2)) {
            continue;
        }
        let ink = match phase.kind {
            PhaseKind::Rest => RESTING,
            PhaseKind::Cranking => CRANKING,
            PhaseKind::Running => RUNNING,
        };
        let (from, to) =
            (volts.x(phase.start_s), volts.x(phase.end_s).max(volts.x(phase.start_s) + 2));
        canvas.fill((from, top), (to, top + size + 6), ink, 1.0)?;
        if phase.kind != PhaseKind::Running {
            canvas.fill((from, layout.voltage.0), (to, layout.voltage.1), ink, 0.6)?;
        }
    }
    // A phase too short to hold its word is named at the start of the next long one.
    let mut short: Vec<&str> = Vec::new();
    for phase in &diagnosis.phases {
        let (from, to) = (volts.x(phase.start_s), volts.x(phase.end_s));
        let word = phase.kind.word();
        if text_width(word, size) + 8 > to - from {
            if short.last() != Some(&word) {
                short.push(word);
            }
            continue;
        }
        canvas.text(((from + to) / 2, middle), word, sheet.type_of().middle())?;
        let before = format!("◂ {}", short.join(", "));
        let lead = 2 * text_width(&before, size) + 16;
        if !short.is_empty() && text_width(word, size) + lead <= to - from {
            canvas.text((from + 4, middle), &before, sheet.type_of())?;
        }
        short.clear();
    }
    if diagnosis.phases.is_empty() {
        return Ok(());
    }
    canvas.text((sheet.left - 8, middle), "phase", sheet.type_of().ink(FAINT).right())
}

/// Where the battery gives amps while the engine runs: surest below the
/// interval of the zero-current voltage, fading within it.
pub fn draining(canvas: &Canvas, diagnosis: &Diagnosis, panel: &Panel) -> Drawn {
    let Some(e) = diagnosis.battery.zero_current_v.as_ref() else { return Ok(()) };
    let mut shown = Shown::of(diagnosis);
    for phase in diagnosis.phases.iter().filter(|p| p.kind == PhaseKind::Running) {
        let (from, to) = (panel.x(phase.start_s), panel.x(phase.end_s));
        if !shown.is_new(phase.kind, from, to) {
            continue;
        }
        canvas.hatched((from, panel.y(e.low)), (to, panel.bottom), (DRAINING, HATCH))?;
        canvas.fill((from, panel.y(e.high)), (to, panel.y(e.low)), DRAINING, 0.25)?;
    }
    Ok(())
}

/// Said on the ground itself, at the end of the longest run, where there is room.
pub fn name_of_draining(
    canvas: &Canvas,
    diagnosis: &Diagnosis,
    sheet: &Sheet,
    panel: &Panel,
) -> Drawn {
    let Some(e) = diagnosis.battery.zero_current_v.as_ref() else { return Ok(()) };
    let running = diagnosis.phases.iter().filter(|p| p.kind == PhaseKind::Running);
    let longest = running.max_by(|a, b| (a.end_s - a.start_s).total_cmp(&(b.end_s - b.start_s)));
    let Some(phase) = longest else { return Ok(()) };
    let word = "draining: the battery discharges";
    let wide = panel.x(phase.end_s) - panel.x(phase.start_s) - 24;
    let high = panel.bottom - panel.y(e.low) - 8;
    if text_width(word, sheet.size) > wide || 2 * sheet.size > high {
        return Ok(());
    }
    let at = (panel.x(phase.end_s) - 12, panel.bottom - sheet.size + 2);
    canvas.plated(at, word, sheet.type_of().ink(DRAINING_TEXT).right())
}

/// How far the voltage of each operating point may lie from what it is given as: a band
/// of its interval along its stretches. Of more stretches than anybody tells apart, none.
pub fn held(canvas: &Canvas, diagnosis: &Diagnosis, panel: &Panel) -> Drawn {
    for (span, seen) in held_spans(diagnosis) {
        let (from, to) = (panel.x(span.start_s), panel.x(span.end_s));
        let (top, foot) = (panel.y(seen.high), panel.y(seen.low));
        canvas.fill((from, top), (to, foot.max(top + 1)), VOLTAGE, HELD_OPACITY)?;
        for y in [top, foot] {
            canvas.line(vec![(from, y), (to, y)], VOLTAGE, 1)?;
        }
    }
    Ok(())
}

/// The stretches of the operating points, each with the voltage that holds there.
pub fn held_spans(diagnosis: &Diagnosis) -> Vec<(&Span, &Estimate)> {
    let points = diagnosis.operating_points.iter();
    let spans: Vec<_> =
        points.flat_map(|p| p.spans.iter().map(move |span| (span, &p.voltage_v))).collect();
    if spans.len() > MOST_HELD { Vec::new() } else { spans }
}
