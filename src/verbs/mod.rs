//! One file a verb: thin, files and screen only.

pub mod demo;
pub mod diagnose;
pub mod options;
