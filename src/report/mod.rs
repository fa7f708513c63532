//! Terminal, JSON, HTML, SVG and tables, all drawn from a
//! [`Diagnosis`](crate::diagnosis::Diagnosis) alone.

mod folder;
mod html;
mod json;
pub mod svg;
pub mod tables;
mod terminal;

pub use folder::{Overwrite, ReportError, Written, write_folder};
pub use html::html;
pub use json::json;
pub use terminal::terminal;

use crate::words;
