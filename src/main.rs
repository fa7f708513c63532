//! Parse, call one verb, exit code.

use std::ffi::OsString;
use std::io::Write;
use std::process::ExitCode;

use anstream::ColorChoice;
use clap::{CommandFactory, Parser, Subcommand, ValueEnum};
use stiffbus::format::{is_unprintable, plain_lines};
use stiffbus::verbs::{compare, demo, diagnose, plan, review, serve, usage_error, verify};

/// Does the alternator keep up? Reads the voltage log of a car's charging
/// system and says by how much it falls short, when, and why.
#[derive(Debug, Parser)]
#[command(version, arg_required_else_help = true)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
#[command(after_help = "Exit codes: 0 analysed, 1 could not, 2 wrong use, 3 --fail-on met.")]
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
    /// Did the repair work? Holds a log against those taken after it: the customer's proof
    Compare(Box<compare::CompareArgs>),
    /// Makes a proof again from its logs: does every number on the page stand?
    Verify(verify::VerifyArgs),
    /// What would fix it: this log replayed with other machines, pulleys and cables
    Plan(Box<plan::PlanArgs>),
    /// A day's logs, or a fleet's: one table, one page, every report
    Review(Box<review::ReviewArgs>),
    /// A page on this machine alone: a log dropped on it becomes a report
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
                "'{verb}' is a verb and stands first: stiffbus {verb} [OPTIONS] …\n\
                 (for a log of that name, write ./{verb})"
            )),
            None => diagnose::run(&cli.bare),
        },
    }
}

/// Told as usual; without colours, and safe to show, where an argument holds what a
/// terminal obeys: a shell's pattern may stand for files of any name.
fn wrong_use(error: &clap::Error) -> ExitCode {
    let unfit = |arg: OsString| arg.to_string_lossy().chars().any(is_unprintable);
    let told = if std::env::args_os().any(unfit) {
        let text = error.render().to_string();
        writeln!(std::io::stderr(), "{}", plain_lines(&text))
    } else {
        error.print()
    };
    // Nobody is there to hear: the exit code tells.
    let _ = told;
    ExitCode::from(if error.use_stderr() { 2 } else { 0 })
}

/// A verb that flags before it have turned into the name of a log.
fn verb_among(bare: &diagnose::DiagnoseArgs) -> Option<String> {
    let command = Cli::command();
    let mut verbs = command.get_subcommands().map(|verb| verb.get_name().to_owned());
    verbs.find(|verb| bare.logs.iter().any(|log| log.as_os_str() == verb.as_str()))
}
