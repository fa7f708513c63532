//! What the reports show, and that they are safe to show.

mod busy;
mod fixture;
mod folder;
mod graded;
#[path = "../support/invented_day.rs"]
mod invented_day;
mod json;
mod page;
mod paths;
mod plan;
mod plots;
mod proof;
mod review;
mod tables;
mod terminal;
mod wording;
