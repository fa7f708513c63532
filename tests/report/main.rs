//! What the reports show, and that they are safe to show.

mod fixture;
mod folder;
mod graded;
mod json;
mod page;
mod plan;
mod plots;
mod proof;
mod tables;
mod terminal;
