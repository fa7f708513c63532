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

/// Could not.
const FAILED: u8 = 1;
/// Asked for in a way that makes no sense.
const USAGE: u8 = 2;
/// What `--fail-on` names was met.
const MET: u8 = 3;

/// Says what is wrong with the flags.
pub fn usage_error(wrong: &str) -> ExitCode {
    say(&format!("error: {wrong}\n\nFor more information, try '--help'."));
    ExitCode::from(USAGE)
}

/// Tells the person what went wrong.
fn complain(what: impl Display) {
    say(&format!("stiffbus: {what}"));
}

/// To standard error. Where that is closed, nobody listens. Names of files and cells
/// of logs are made safe where they are told; here whatever slipped through.
fn say(text: &str) {
    let _ = writeln!(anstream::stderr(), "{}", plain_lines(text));
}
