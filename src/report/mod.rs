//! Terminal, JSON, HTML, SVG and tables, all drawn from a
//! [`Diagnosis`](crate::diagnosis::Diagnosis) alone.

mod folder;
mod html;
pub mod proof;
pub mod svg;
pub mod tables;
mod terminal;

pub use folder::{Overwrite, ReportError, Written, write_folder};
pub use html::html;
pub use terminal::terminal;

use crate::diagnosis::Diagnosis;
use crate::words;

/// `diagnosis.json`.
pub fn json(diagnosis: &Diagnosis) -> String {
    crate::json::text(diagnosis)
}
