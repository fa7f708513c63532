//! The files of a diagnosis.

use std::path::Path;

use super::product::{Kind, LogRead, Product, made};
use super::{html, svg, tables, terminal};
use crate::diagnosis::Diagnosis;
use crate::json;
use crate::parallel::both;
use crate::units::Spoken;

/// Every file of a report but the page, the JSON and the plots of its steps.
pub const OTHER_FILES: [&str; 9] = [
    "trace.svg",
    "speed.svg",
    "deficit.svg",
    "heat.svg",
    "output.svg",
    "load_steps.csv",
    "operating_points.csv",
    "line_drop.csv",
    "output_curve.csv",
];

impl Product for Diagnosis {
    const KIND: Kind = Kind::Report;

    fn logs(&self) -> Vec<LogRead> {
        vec![LogRead::of(&self.source)]
    }

    fn files(&self) -> Vec<(String, String)> {
        let (page, others) = both(|| html::html(self), || beside_the_page(self));
        let mut files = vec![(Kind::Report.page().to_owned(), page)];
        files.extend(others);
        files
    }

    fn terminal(&self, dir: Option<&Path>, width: usize) -> String {
        terminal::terminal(self, dir, width)
    }
}

/// Each is left out where the log has nothing for it.
fn beside_the_page(diagnosis: &Diagnosis) -> Vec<(String, String)> {
    let shown = &*diagnosis.spoken();
    let [trace, speed, deficit, heat, output, load_steps, points, line_drop, curve] = OTHER_FILES;
    let pictures = [
        (trace, Some(svg::trace(shown))),
        (speed, svg::speed(shown)),
        (deficit, svg::deficit(shown)),
        (heat, svg::heat(shown)),
        (output, svg::output(shown)),
    ];
    let steps = diagnosis.load_steps.iter().enumerate().take(svg::pictured(diagnosis));
    let steps = steps
        .map(|(index, step)| (format!("step-{:02}.svg", step.number), svg::step(diagnosis, index)));
    let has_drops = !diagnosis.line_drop.is_empty();
    let tables = [
        (load_steps, Some(tables::steps_csv(diagnosis))),
        (points, Some(tables::operating_points_csv(diagnosis))),
        (line_drop, has_drops.then(|| tables::line_drop_csv(diagnosis))),
        (curve, tables::output_curve_csv(diagnosis)),
    ];
    let mut files = vec![(Kind::Report.marker().to_owned(), json::text(diagnosis))];
    files.extend(made(pictures));
    files.extend(steps);
    files.extend(made(tables));
    files
}
