//! One file a verb: thin, files and screen only.

use std::fmt::Display;
use std::io::Write;
use std::process::ExitCode;

use crate::format::plain_lines;

pub mod compare;
pub mod demo;
pub mod diagnose;
mod named;
pub mod options;
mod output;
pub mod plan;
mod planned;
mod recorded;
pub mod review;
mod screen;
pub mod serve;
pub mod verify;

/// The verb failed.
const FAILED: u8 = 1;
/// Wrong flags.
const USAGE: u8 = 2;
/// What `--fail-on` names was met.
const MET: u8 = 3;

/// Reports what is wrong with the flags.
pub fn usage_error(wrong: &str) -> ExitCode {
    say(&format!("error: {wrong}\n\nFor more information, try '--help'."));
    ExitCode::from(USAGE)
}

/// Reports what went wrong.
fn complain(what: impl Display) {
    say(&format!("stiffbus: {what}"));
}

/// Writes to standard error, and ignores one that is closed. Names of files and cells
/// of logs are made safe where they are printed; this catches what slipped through.
fn say(text: &str) {
    let _ = writeln!(anstream::stderr(), "{}", plain_lines(text));
}
