//! Parse, call one verb, exit code.

use std::ffi::OsString;
use std::io::Write;
use std::process::ExitCode;

use anstream::ColorChoice;
use clap::{CommandFactory, Parser, Subcommand, ValueEnum};
use stiffbus::format::{is_unprintable, plain_lines};
use stiffbus::verbs::{compare, demo, diagnose, plan, review, serve, usage_error, verify};

/// Does the alternator keep up? Reads the voltage log of a car's charging
/// system and reports by how much it falls short, when, and why.
#[derive(Debug, Parser)]
#[command(version, arg_required_else_help = true)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
#[command(after_help = "Exit codes: 0 analyzed, 1 failed, 2 usage error, 3 --fail-on met.")]
struct Cli {
    #[command(subcommand)]
    verb: Option<Verb>,
    #[command(flatten)]
    bare: diagnose::DiagnoseArgs,
    /// Colors in the terminal
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto")]
    color: Color,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Color {
    /// Where standard output is a terminal
    Auto,
    Always,
    Never,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// One log or several: the verdict here, a report folder on disk
    Diagnose(Box<diagnose::DiagnoseArgs>),
    /// Did the repair work? Compares a log with those taken after it, for the customer
    Compare(Box<compare::CompareArgs>),
    /// Recomputes a comparison from its logs: is every number on the page reproduced?
    Verify(verify::VerifyArgs),
    /// What would fix it: this log replayed with other alternators, pulleys and cables
    Plan(Box<plan::PlanArgs>),
    /// A day's logs, or a fleet's: one table, one page, every report
    Review(Box<review::ReviewArgs>),
    /// A page for this computer only: a log dropped on it becomes a report
    Serve(Box<serve::ServeArgs>),
    /// Write the invented sample logs and their truth
    Demo(demo::DemoArgs),
}

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return wrong_use(&error),
    };
    // Left to itself, the stream looks at the terminal and at NO_COLOR.
    match cli.color {
        Color::Auto => {}
        Color::Always => ColorChoice::Always.write_global(),
        Color::Never => ColorChoice::Never.write_global(),
    }
    match cli.verb {
        Some(Verb::Diagnose(args)) => diagnose::run(&args),
        Some(Verb::Compare(args)) => compare::run(&args),
        Some(Verb::Verify(args)) => verify::run(&args),
        Some(Verb::Plan(args)) => plan::run(&args),
        Some(Verb::Review(args)) => review::run(&args),
        Some(Verb::Serve(args)) => serve::run(&args),
        Some(Verb::Demo(args)) => demo::run(&args),
        None => match verb_among(&cli.bare) {
            Some(verb) => usage_error(&format!(
                "'{verb}' is a command and must come first: stiffbus {verb} [OPTIONS] …\n\
                 (for a log of that name, write ./{verb})"
            )),
            None => diagnose::run(&cli.bare),
        },
    }
}

/// Prints clap's message. Without colors and control characters if an argument holds
/// any: a shell pattern may match files of any name.
fn wrong_use(error: &clap::Error) -> ExitCode {
    let unfit = |arg: OsString| arg.to_string_lossy().chars().any(is_unprintable);
    let printed = if std::env::args_os().any(unfit) {
        let text = error.render().to_string();
        writeln!(std::io::stderr(), "{}", plain_lines(&text))
    } else {
        error.print()
    };
    // If standard error is closed, the exit code still reports the error.
    let _ = printed;
    ExitCode::from(if error.use_stderr() { 2 } else { 0 })
}

/// A verb that comes after flags and was therefore parsed as the name of a log.
fn verb_among(bare: &diagnose::DiagnoseArgs) -> Option<String> {
    let command = Cli::command();
    let mut verbs = command.get_subcommands().map(|verb| verb.get_name().to_owned());
    verbs.find(|verb| bare.logs.iter().any(|log| log.as_os_str() == verb.as_str()))
}
