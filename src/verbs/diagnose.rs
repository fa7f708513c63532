//! `stiffbus diagnose LOG…`: verdict on the terminal, report folder on disk.

use std::ffi::OsStr;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::thread;

use clap::{Args, ValueEnum};

use crate::car::{CAR_FILE, Car};
use crate::diagnosis::{BusState, Diagnosis};
use crate::files::{same_file, write_whole};
use crate::format::{plain, shown};
use crate::report::{self, Overwrite};
use crate::verbs::options::{CarFlags, ReadFlags, ShownFlags};
use crate::verbs::{FAILED, MET, complain, screen, usage_error};
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
    /// Write the diagnosis as JSON to FILE too, or with "-" to standard output, one after
    /// the other for several logs
    #[arg(long, value_name = "FILE|-")]
    pub json: Option<PathBuf>,
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
    if let Some(wrong) = senseless(args) {
        return usage_error(&wrong);
    }
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
    match (failed, met) {
        (true, _) => ExitCode::from(FAILED),
        (false, true) => ExitCode::from(MET),
        (false, false) => ExitCode::SUCCESS,
    }
}

/// What is wrong with the flags together, before anything is read or written.
fn senseless(args: &DiagnoseArgs) -> Option<String> {
    if args.out.as_deref().is_some_and(|out| same_file(out, Path::new("."))) {
        return Some(
            "--out names the current folder, and a report gets a folder of its own; \
             name one that need not exist, as in --out report"
                .to_owned(),
        );
    }
    let file = json_file(args)?;
    let shown = shown(file);
    if args.logs.len() > 1 {
        return Some(format!(
            "--json {shown} holds one diagnosis, and there are {} logs; use --json -, or read \
             diagnosis.json in each report folder",
            args.logs.len()
        ));
    }
    let facts = args.car.car.iter().chain(&args.car.alternator_curve);
    let inputs = args.logs.iter().chain(&args.read.marks_file).chain(facts);
    let car_file = file.file_name().is_some_and(|name| name == CAR_FILE);
    if car_file || inputs.into_iter().any(|input| same_file(input, file)) {
        return Some(format!("--json {shown} is a file that is read; give the JSON its own name"));
    }
    None
}

/// Where the JSON goes, if not to standard output.
fn json_file(args: &DiagnoseArgs) -> Option<&Path> {
    args.json.as_deref().filter(|file| *file != Path::new("-"))
}

fn one(
    args: &DiagnoseArgs,
    path: &Path,
    written: &[(PathBuf, &Path)],
) -> Result<(Diagnosis, PathBuf), Box<dyn std::error::Error>> {
    let dir = folder(args, path);
    refuse_folder(path, &dir, written)?;
    if let Some(file) = json_file(args) {
        refuse_json(file)?;
    }
    let mut car = args.car.car(path)?;
    refuse_sheet(args, &car)?;
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
    let policy = if args.force { Overwrite::Force } else { Overwrite::SameLog };
    report::write_folder(&diagnosis, &dir, policy)?;
    if let Some(file) = json_file(args) {
        write_whole(file, report::json(&diagnosis).as_bytes())
            .map_err(|e| format!("{}: the JSON cannot be written here: {e}", shown(file)))?;
    }
    if args.json.is_some() && json_file(args).is_none() {
        screen::hand_over(&report::json(&diagnosis))?;
    } else {
        screen::show(&report::terminal(&diagnosis, Some(&dir), width()))?;
    }
    if args.open
        && let Err(error) = opener::open(dir.join("report.html"))
    {
        // The report is there all the same.
        complain(format!("{}: no browser opens it: {error}", shown(&dir)));
    }
    Ok((diagnosis, dir))
}

/// A folder that must not become the report of `log`.
fn refuse_folder(log: &Path, dir: &Path, written: &[(PathBuf, &Path)]) -> Result<(), String> {
    if log.parent().is_some_and(|home| same_file(home, dir)) {
        return Err(format!(
            "{}: is the folder of the log itself; give the report a folder of its own with --out",
            shown(dir)
        ));
    }
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

/// The sheet that a `car.toml` names is an input too.
fn refuse_sheet(args: &DiagnoseArgs, car: &Car) -> Result<(), String> {
    match (json_file(args), &car.alternator.curve) {
        (Some(file), Some(sheet)) if same_file(file, sheet) => Err(format!(
            "--json {} is a file that is read; give the JSON its own name",
            shown(file)
        )),
        _ => Ok(()),
    }
}

/// A place that cannot take the JSON: better told before the report is written.
fn refuse_json(file: &Path) -> Result<(), String> {
    if file.is_dir() {
        return Err(format!("{}: is a folder; give --json the name of a file in it", shown(file)));
    }
    match file.parent() {
        Some(home) if !home.as_os_str().is_empty() && !home.is_dir() => Err(format!(
            "{}: folder {} does not exist; create it, or give another path with --json",
            shown(file),
            shown(home)
        )),
        _ => Ok(()),
    }
}

/// Where the report of `log` goes: a folder of its own, whatever the log is called
/// ("...csv" has the stem "..").
fn folder(args: &DiagnoseArgs, log: &Path) -> PathBuf {
    let stem = log.file_stem().filter(|stem| *stem != "." && *stem != "..");
    let name = stem.or(log.file_name()).unwrap_or(OsStr::new("log"));
    match &args.out {
        Some(out) if args.logs.len() == 1 => out.clone(),
        Some(out) => out.join(name),
        None => log.parent().unwrap_or(Path::new("")).join("stiffbus-report").join(name),
    }
}

/// Columns to print: the terminal's, or a page's where there is none.
pub fn width() -> usize {
    const PAGE: usize = 100;
    let is_terminal = std::io::stdout().is_terminal();
    let terminal = terminal_size::terminal_size().filter(|_| is_terminal);
    terminal.map_or(PAGE, |(width, _)| usize::from(width.0)).clamp(60, 160)
}
