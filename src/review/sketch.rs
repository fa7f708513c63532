//! The trace as small as a thumbnail.

use super::Sketch;
use crate::diagnosis::{BusState, Diagnosis, Envelope};

/// The whole log in at most [`Sketch::MOST_COLUMNS`] columns.
pub fn sketch(diagnosis: &Diagnosis) -> Sketch {
    let trace = &diagnosis.picture.voltage;
    let duration_s = diagnosis.source.duration_s;
    let columns = Sketch::MOST_COLUMNS.min(trace.time_s.len());
    if columns == 0 || duration_s <= 0.0 {
        return Sketch { duration_s, ..Sketch::default() };
    }
    let mut sketch = Sketch {
        duration_s,
        low_v: vec![None; columns],
        high_v: vec![None; columns],
        state: vec![None; columns],
    };
    let column = |t_s: f64| ((t_s / duration_s * columns as f64) as usize).min(columns - 1);
    for (t_s, low, high) in known(trace) {
        let k = column(t_s);
        extreme(&mut sketch.low_v, k, low, f64::min);
        extreme(&mut sketch.high_v, k, high, f64::max);
    }
    for point in &diagnosis.operating_points {
        for span in &point.spans {
            for cell in
                sketch.state.iter_mut().take(column(span.end_s) + 1).skip(column(span.start_s))
            {
                *cell = worse(*cell, point.state);
            }
        }
    }
    sketch
}

fn known(trace: &Envelope) -> impl Iterator<Item = (f64, f64, f64)> {
    let ends = trace.low.iter().zip(&trace.high);
    trace.time_s.iter().zip(ends).filter_map(|(t_s, (low, high))| Some((*t_s, (*low)?, (*high)?)))
}

fn extreme(cells: &mut [Option<f64>], k: usize, value: f64, pick: fn(f64, f64) -> f64) {
    if let Some(cell) = cells.get_mut(k) {
        // A thumbnail shows no millivolt; a thousand of them are a large page.
        let value = (value * 1000.0).round() / 1000.0;
        *cell = Some(cell.map_or(value, |known| pick(known, value)));
    }
}

fn worse(known: Option<BusState>, other: BusState) -> Option<BusState> {
    Some(known.map_or(other, |known| known.max(other)))
}
