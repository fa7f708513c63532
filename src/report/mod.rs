//! Terminal, JSON, HTML, SVG and tables. Each is drawn from one value alone, a
//! [`Product`]: a diagnosis, a comparison, a plan or a review.

mod diagnosis;
mod folder;
mod html;
mod lists;
pub mod plan;
mod product;
pub mod proof;
pub mod review;
pub mod serve;
mod summary;
pub mod svg;
pub mod tables;
mod terminal;

pub use folder::{Overwrite, ReportError, Written, write_folder};
pub use html::html;
pub use product::{Kind, Product};
pub use terminal::terminal;

use crate::format;
