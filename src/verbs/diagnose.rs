//! `stiffbus diagnose LOG…`: verdict on the terminal, report folder on disk.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::thread;

use clap::{Args, ValueEnum};

use crate::diagnosis::{BusState, Diagnosis};
use crate::files::same_file;
use crate::format::{plain, shown};
use crate::report::Kind;
use crate::verbs::options::{CarFlags, ReadFlags, ShownFlags};
use crate::verbs::output::{self, OutputFlags, beside, refuse_folder_of_log};
use crate::verbs::{FAILED, MET, complain};
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
    #[command(flatten)]
    pub output: OutputFlags,
    /// Exit with 3 where the bus is in this state, or worse, at any operating point
    #[arg(long, value_name = "STATE")]
    pub fail_on: Option<FailOn>,
    #[command(flatten)]
    pub shown: ShownFlags,
    #[command(flatten)]
    pub read: ReadFlags,
    #[command(flatten)]
    pub car: CarFlags,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FailOn {
    Limited,
    Draining,
}

impl FailOn {
    pub fn is_met_at(self, state: BusState) -> bool {
        let limit = match self {
            FailOn::Limited => BusState::Limited,
            FailOn::Draining => BusState::Draining,
        };
        state >= limit
    }

    fn met_by(self, diagnosis: &Diagnosis) -> bool {
        diagnosis.operating_points.iter().any(|point| self.is_met_at(point.state))
    }
}

/// Diagnoses each log; one that fails does not stop the next.
pub fn run(args: &DiagnoseArgs) -> ExitCode {
    output::run(wrong_flags(args), || {
        let mut failed = false;
        let mut met = false;
        let mut written: Vec<(PathBuf, &Path)> = Vec::new();
        for log in &args.logs {
            match one(args, log, &written) {
                Ok((diagnosis, dir)) => {
                    met |= args.fail_on.is_some_and(|f| f.met_by(&diagnosis));
                    written.push((dir, log));
                }
                Err(error) => {
                    complain(&error);
                    failed = true;
                }
            }
        }
        Ok(match (failed, met) {
            (true, _) => ExitCode::from(FAILED),
            (false, true) => ExitCode::from(MET),
            (false, false) => ExitCode::SUCCESS,
        })
    })
}

/// What is wrong with the flags together, before anything is read or written.
fn wrong_flags(args: &DiagnoseArgs) -> Option<String> {
    let several = args.output.json_file().filter(|_| args.logs.len() > 1).map(|file| {
        format!(
            "--json {} holds one diagnosis, and there are {} logs; use --json -, or read \
             diagnosis.json in each report folder",
            shown(file),
            args.logs.len()
        )
    });
    let facts = args.car.car.iter().chain(&args.car.alternator_curve);
    let inputs = args.logs.iter().chain(&args.read.marks_file).chain(facts);
    output::is_current_folder(args.out.as_deref(), Kind::Report)
        .or(several)
        .or_else(|| args.output.replaced_input(inputs))
}

fn one(
    args: &DiagnoseArgs,
    path: &Path,
    written: &[(PathBuf, &Path)],
) -> Result<(Diagnosis, PathBuf), Box<dyn std::error::Error>> {
    let dir = folder(args, path);
    refuse_folder(path, &dir, written)?;
    args.output.check_json_place()?;
    let mut car = args.car.car(path)?;
    // The sheet that a car.toml names is an input too.
    if let Some(wrong) = args.output.replaced_input(&car.alternator.curve) {
        return Err(wrong.into());
    }
    if let Some(useless) = args.car.useless_conditions(&car) {
        complain(format!("{}: {useless}", shown(path)));
    }
    let log = ingest::read(path, &args.read.options(&car)?)?;
    for unknown in args.car.unknown_loads(&mut car, &log) {
        complain(format!("{}: {}", shown(path), plain(&unknown)));
    }
    let mut diagnosis = diagnose(&log, &car).map_err(|e| format!("{}: {e}", shown(path)))?;
    // A long log takes a moment to let go of; the report is written meanwhile.
    let _ = thread::Builder::new().spawn(move || drop(log));
    diagnosis.units = args.shown.units;
    args.output.deliver(&diagnosis, &dir)?;
    Ok((diagnosis, dir))
}

/// A folder that must not become the report of `log`.
fn refuse_folder(log: &Path, dir: &Path, written: &[(PathBuf, &Path)]) -> Result<(), String> {
    refuse_folder_of_log([&log.to_path_buf()], dir, Kind::Report)?;
    let before = written.iter().find(|(taken, other)| taken == dir && !same_file(other, log));
    if let Some((_, other)) = before {
        return Err(format!(
            "{}: its report would replace that of {}, just written to {}; diagnose it apart, \
             with an --out of its own",
            shown(log),
            shown(other),
            shown(dir)
        ));
    }
    Ok(())
}

/// Where the report of `log` goes: a folder of its own, whatever the log is called
/// ("...csv" has the stem "..").
fn folder(args: &DiagnoseArgs, log: &Path) -> PathBuf {
    let stem = log.file_stem().filter(|stem| *stem != "." && *stem != "..");
    let name = stem.or(log.file_name()).unwrap_or(OsStr::new("log"));
    match &args.out {
        Some(out) if args.logs.len() == 1 => out.clone(),
        Some(out) => out.join(name),
        None => beside(log, name),
    }
}
