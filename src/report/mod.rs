//! Terminal, JSON, HTML, SVG and tables, all drawn from a
//! [`Diagnosis`](crate::diagnosis::Diagnosis) alone, or those of a proof from a
//! [`Comparison`](crate::comparison::Comparison).

mod folder;
mod html;
pub mod plan;
pub mod proof;
pub mod review;
pub mod serve;
mod summary;
pub mod svg;
pub mod tables;
mod terminal;

pub use folder::{Kind, Overwrite, ReportError, Written, write_folder, write_plan, write_proof};
pub use html::html;
pub use review::write_review;
pub use terminal::terminal;

use crate::diagnosis::Diagnosis;
use crate::format;

/// `diagnosis.json`.
pub fn json(diagnosis: &Diagnosis) -> String {
    crate::json::text(diagnosis)
}
