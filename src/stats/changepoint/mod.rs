//! Where a series changes: cost and search kept apart.
//!
//! A segmentation of n samples is the list of its segments' ends, in order,
//! the last of them n. Its price is the sum of its segments' costs plus one
//! penalty for each segment. [`pelt`] finds the cheapest exactly, for any [`Cost`].

mod cost;
mod pelt;
mod trend;
mod trend_with;

pub use cost::Cost;
pub use pelt::pelt;
pub use trend::Trend;
pub use trend_with::{Followed, TrendWith};
