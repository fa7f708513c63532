//! `stiffbus diagnose LOG…`: verdict on the terminal, report folder on disk.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};

use crate::diagnosis::{BusState, Diagnosis};
use crate::files::{same_file, write_whole};
use crate::report::{self, Overwrite};
use crate::verbs::options::{CarFlags, ReadFlags};
use crate::{diagnose, ingest};

#[derive(Debug, Clone, Default, Args)]
pub struct DiagnoseArgs {
    /// The log, or several: CSV as any logger writes it
    #[arg(value_name = "LOG", required = true)]
    pub logs: Vec<PathBuf>,
    /// Folder for the report; with several logs, the folder that holds one folder each
    /// [default: stiffbus-report/NAME beside the log]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace a report that stands there, whichever log it is of
    #[arg(long)]
    pub force: bool,
    /// Open the report in the browser
    #[arg(long)]
    pub open: bool,
    /// Write the diagnosis as JSON to FILE too, or to standard output with "-"
    #[arg(long, value_name = "FILE|-")]
    pub json: Option<PathBuf>,
    /// Exit with 3 where the bus is in this state, or worse, at any operating point
    #[arg(long, value_name = "STATE")]
    pub fail_on: Option<FailOn>,
    #[command(flatten)]
    pub read: ReadFlags,
    #[command(flatten)]
    pub car: CarFlags,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FailOn {
    Slipping,
    Draining,
}

impl FailOn {
    fn met_by(self, diagnosis: &Diagnosis) -> bool {
        let limit = match self {
            FailOn::Slipping => BusState::Slipping,
            FailOn::Draining => BusState::Draining,
        };
        diagnosis.operating_points.iter().any(|point| point.state >= limit)
    }
}

/// Diagnoses each log; one that fails does not stop the next.
pub fn run(args: &DiagnoseArgs) -> ExitCode {
    let mut failed = false;
    let mut met = false;
    for log in &args.logs {
        match one(args, log) {
            Ok(diagnosis) => met |= args.fail_on.is_some_and(|f| f.met_by(&diagnosis)),
            Err(error) => {
                anstream::eprintln!("stiffbus: {error}");
                failed = true;
            }
        }
    }
    match (failed, met) {
        (true, _) => ExitCode::from(1),
        (false, true) => ExitCode::from(3),
        (false, false) => ExitCode::SUCCESS,
    }
}

fn one(args: &DiagnoseArgs, path: &Path) -> Result<Diagnosis, Box<dyn std::error::Error>> {
    let car = args.car.car(path)?;
    let log = ingest::read(path, &args.read.options(&car)?)?;
    let diagnosis = diagnose(&log, &car)?;
    let dir = folder(args, path);
    if path.parent().is_some_and(|home| same_file(home, &dir)) {
        return Err(format!(
            "{}: is the folder of the log itself; give the report a folder of its own with --out",
            dir.display()
        )
        .into());
    }
    let policy = if args.force { Overwrite::Force } else { Overwrite::SameLog };
    report::write_folder(&diagnosis, &dir, policy)?;
    let to_stdout = args.json.as_deref() == Some(Path::new("-"));
    if let Some(file) = args.json.as_deref().filter(|_| !to_stdout) {
        if args.logs.iter().any(|log| same_file(log, file)) {
            return Err(format!(
                "{}: is the log itself; --json needs a name of its own",
                file.display()
            )
            .into());
        }
        write_whole(file, report::json(&diagnosis).as_bytes())
            .map_err(|e| format!("{}: could not write the JSON: {e}", file.display()))?;
    }
    if to_stdout {
        std::io::stdout().write_all(report::json(&diagnosis).as_bytes())?;
    } else {
        anstream::print!("{}", report::terminal(&diagnosis, Some(&dir), width()));
    }
    if args.open {
        opener::open(dir.join("report.html"))?;
    }
    Ok(diagnosis)
}

/// Where the report of `log` goes.
fn folder(args: &DiagnoseArgs, log: &Path) -> PathBuf {
    let name = log.file_stem().unwrap_or(log.as_os_str());
    match &args.out {
        Some(out) if args.logs.len() == 1 => out.clone(),
        Some(out) => out.join(name),
        None => log.parent().unwrap_or(Path::new("")).join("stiffbus-report").join(name),
    }
}

/// Columns to print: the terminal's, or a page's where there is none.
fn width() -> usize {
    const PAGE: usize = 100;
    if !std::io::stdout().is_terminal() {
        return PAGE;
    }
    std::env::var("COLUMNS").ok().and_then(|c| c.parse().ok()).unwrap_or(PAGE).clamp(60, 160)
}
