//! One file a verb: thin, files and screen only.

use std::process::ExitCode;

pub mod compare;
pub mod demo;
pub mod diagnose;
pub mod options;
pub mod plan;
mod planned;
mod recorded;
pub mod review;
mod screen;
pub mod verify;

/// Could not.
const FAILED: u8 = 1;
/// Asked for in a way that makes no sense.
const USAGE: u8 = 2;
/// What `--fail-on` names was met.
const MET: u8 = 3;

/// Says what is wrong with the flags.
pub fn usage_error(wrong: &str) -> ExitCode {
    anstream::eprintln!("error: {wrong}\n\nFor more information, try '--help'.");
    ExitCode::from(USAGE)
}
