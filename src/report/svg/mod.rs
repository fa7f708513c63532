//! Plots. Each is one self-standing SVG document with a title and a
//! description, sized by its viewBox, of at most 300 KB whatever the log.

mod axis;
mod canvas;
mod compact;
mod deficit;
mod heat;
mod lanes;
mod output;
mod page_layout;
mod palette;
mod plan;
mod proof;
mod scale;
mod sketch;
mod soak;
mod speed;
mod step;
mod trace;

pub use deficit::{deficit, deficit_narrow};
pub use heat::{heat, heat_narrow};
pub use output::{output, output_narrow};
pub use plan::{capacity, capacity_narrow, replay, replay_narrow};
pub use proof::{proof, proof_narrow};
pub use soak::{soak, soak_narrow};
pub use speed::{speed, speed_narrow};
pub use step::{pictured, step};
pub use trace::{trace, trace_narrow};

pub(super) use palette::{LiveInks, channel_ink, dark_rules, level_ink, live_inks};
pub(super) use scale::voltage_range;
pub(super) use sketch::{SketchScale, sketch};
pub(super) use speed::{answer, worst_keep_up};
pub(super) use step::what;
pub(super) use trace::held_spans;
