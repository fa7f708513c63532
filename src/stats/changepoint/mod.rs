//! Where the level of a series changes: cost, search and penalty kept apart.
//!
//! A segmentation of n samples is the list of its segments' ends, in order,
//! the last of them n. Its price is the sum of its segments' costs plus one
//! penalty for each segment, and the searches here find the cheapest exactly:
//!
//! * [`functional_pruning`]: squared error only, linear in practice whether or
//!   not there are changes. The one to use on long logs.
//! * [`pelt`]: any [`Cost`]; linear where changes keep coming, quadratic where
//!   there are none.

mod absolute;
mod cost;
mod functional;
mod pelt;
mod penalty;
mod sums;
mod trend;
mod trend_with;

pub use absolute::L1;
pub use cost::{Cost, L2};
pub use functional::functional_pruning;
pub use pelt::pelt;
pub use penalty::schwarz;
pub use trend::Trend;
pub use trend_with::{Followed, TrendWith};
