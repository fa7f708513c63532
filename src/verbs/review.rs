//! `stiffbus review DIR|LOG…`: a day's logs at once: one table, one page, every report.

mod job;
mod progress;
mod state;
mod worker_pool;

use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use clap::Args;
use serde::Deserialize;

use crate::car::Car;
use crate::diagnosis::{Finding, LoadStep, OperatingPoint};
use crate::files::{folder_of, same_file, write_whole};
use crate::format::{self, shown};
use crate::parallel::cores;
use crate::report::review::{OfLog, TableWriter};
use crate::report::{Kind, Product};
use crate::review::find::{Found, LogFile, MOST_NAMED, REPORTS_FOLDER, find};
use crate::review::group::{CarPattern, Grouped, cars_of};
use crate::review::order::natural;
use crate::review::{LeftOut, LogResult, Review, Reviewed, Row, review};
use crate::verbs::diagnose::FailOn;
use crate::verbs::options::{CarFlags, ReadFlags, ShownFlags};
use crate::verbs::output::{self, OutputFlags};
use crate::verbs::{MET, complain};

use job::{Done, Work};
use progress::Progress;
use state::State;

/// The exit code of one log that could not be read; each more counts one up.
const UNREAD: usize = 10;
/// … to this: ninety and more.
const MOST_UNREAD: usize = 100;
/// Stopped by Ctrl-C, as shells have it.
const STOPPED: u8 = 130;

#[derive(Debug, Clone, Default, Args)]
#[command(after_help = "Exit codes: 0 every log was read; 10 + n: n logs could not be read (100: \
    90 or more), the others were; 1 nothing was reviewed; 2 wrong use; 3 every log was read and \
    --fail-on met; 130 stopped by Ctrl-C, --resume continues.")]
pub struct ReviewArgs {
    /// Folders with logs, searched with all their subfolders, or logs
    #[arg(value_name = "DIR|LOG", required = true)]
    pub paths: Vec<PathBuf>,
    /// Folder for the review [default: stiffbus-report/review in the reviewed folder]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Keep the reports of logs that have not changed, if the settings have not either
    #[arg(long)]
    pub resume: bool,
    #[command(flatten)]
    pub output: OutputFlags,
    /// Exit with 3 where the bus is in this state, or worse, in any log
    #[arg(long, value_name = "STATE")]
    pub fail_on: Option<FailOn>,
    /// Where the names of logs hold the car's: {car} is its name, * is anything, e.g.
    /// "{car}-run-*" or "{car}/*"; may be repeated, the first that fits counts [default: by
    /// [job] vehicle of car.toml, else by folder and the common part of the names in it]
    #[arg(long = "car-pattern", value_name = "PATTERN")]
    pub car_patterns: Vec<CarPattern>,
    /// Logs processed at the same time [default: one for each core]
    #[arg(long, value_name = "N", value_parser = at_least_one)]
    pub jobs: Option<usize>,
    #[command(flatten)]
    pub shown: ShownFlags,
    #[command(flatten)]
    pub read: ReadFlags,
    #[command(flatten)]
    pub car: CarFlags,
}

fn at_least_one(text: &str) -> Result<usize, String> {
    match text.parse::<usize>() {
        Ok(jobs) if (1..=1024).contains(&jobs) => Ok(jobs),
        _ => Err(format!("{text:?} is not a number of logs from 1 to 1024")),
    }
}

pub fn run(args: &ReviewArgs) -> ExitCode {
    let inputs = args.paths.iter().chain(&args.read.marks_file).chain(&args.car.car);
    let wrong_flags = args.output.replaced_input(inputs.chain(&args.car.alternator_curve));
    output::run(wrong_flags, || {
        let reviewed = reviewed(args)?;
        Ok(reviewed.map_or(ExitCode::from(STOPPED), |review| code(args, &review)))
    })
}

fn code(args: &ReviewArgs, review: &Review) -> ExitCode {
    if review.failed > 0 {
        let code = (UNREAD + review.failed).min(MOST_UNREAD);
        return ExitCode::from(u8::try_from(code).unwrap_or(u8::MAX));
    }
    let worst = |row: &Row| row.summary().and_then(|s| s.worst.as_ref()).map(|w| w.state);
    let state = review.rows.iter().filter_map(worst).max();
    match (args.fail_on, state) {
        (Some(fail_on), Some(state)) if fail_on.is_met_at(state) => ExitCode::from(MET),
        _ => ExitCode::SUCCESS,
    }
}

/// `None` where Ctrl-C stopped it.
fn reviewed(args: &ReviewArgs) -> Result<Option<Review>, Box<dyn std::error::Error>> {
    let flags = [&args.read.marks_file, &args.car.alternator_curve, &args.car.car];
    let no_logs: Vec<PathBuf> = flags.into_iter().flatten().cloned().collect();
    let found = find(&args.paths, args.out.as_deref(), &no_logs);
    let usual = || found.root.join(REPORTS_FOLDER).join("review");
    let out = args.out.clone().unwrap_or_else(usual);
    if found.logs.is_empty() {
        return Err(no_log(args, &found.left_out).into());
    }
    refuse_folder(&out, &found)?;
    args.output.check_json_place()?;
    refuse_json(args, &out, &found)?;
    let state = State::open(&out, &found.root, args.output.force)?;
    let Some((logs, left_out)) = diagnose_all(args, &found, &state)? else { return Ok(None) };
    if logs.is_empty() {
        return Err(no_log(args, &left_out).into());
    }
    let mut review = review(logs, left_out);
    review.units = args.shown.units;
    tables(&review, &out)?;
    // The file that identifies the folder comes last.
    for (name, text) in review.files() {
        write_whole(&out.join(name), text.as_bytes())
            .map_err(|e| format!("{}: the review cannot be written here: {e}", shown(&out)))?;
    }
    let reports = review.rows.iter().filter_map(Row::summary).map(|s| s.report.as_str());
    state.forget_all_but(&reports.collect());
    show_result(args, &review, &out)?;
    Ok(Some(review))
}

fn no_log(args: &ReviewArgs, left_out: &[LeftOut]) -> String {
    let named: Vec<String> = args.paths.iter().map(|path| path.display().to_string()).collect();
    let left_out = left_out_text(left_out);
    let left_out = if left_out.is_empty() { String::new() } else { format!(" ({left_out})") };
    format!(
        "{}: no log here{left_out}. A file without an extension like .csv or .txt is read if it \
         is named itself.",
        named.join(", ")
    )
}

/// "12 × no log by its ending (notes.md, …), 1 × hidden folder (.git)"
fn left_out_text(left_out: &[LeftOut]) -> String {
    let parts: Vec<String> = left_out
        .iter()
        .map(|left| {
            let more = if left.count > left.first.len() { ", …" } else { "" };
            format!("{} × {} ({}{more})", left.count, left.reason, left.first.join(", "))
        })
        .collect();
    format::plain(&parts.join("; "))
}

/// A folder that must not become the review's.
fn refuse_folder(out: &Path, found: &Found) -> Result<(), String> {
    let shown = shown(out);
    let Ok(whole) = out.canonicalize() else { return Ok(()) };
    let holds = |log: &&LogFile| log.path.starts_with(&whole);
    match found.logs.iter().find(holds) {
        Some(log) => Err(format!(
            "{shown}: holds logs that are reviewed ({}); give the review a folder of its own with \
             --out",
            format::plain(&log.relative_path)
        )),
        None => Ok(()),
    }
}

/// A file that must not become the JSON: a log that was found, or one of the review's own.
fn refuse_json(args: &ReviewArgs, out: &Path, found: &Found) -> Result<(), String> {
    if let Some(wrong) = args.output.replaced_input(found.logs.iter().map(|log| &log.path)) {
        return Err(wrong);
    }
    let Some(json) = args.output.json_file() else { return Ok(()) };
    let name = json.file_name().unwrap_or_default().to_string_lossy();
    if same_file(folder_of(json), out) && Kind::Review.writes(&name) {
        return Err(format!(
            "--json {} is a file of the review itself, which is written anyway",
            shown(json)
        ));
    }
    Ok(())
}

type AllLogs = (Vec<Reviewed>, Vec<LeftOut>);

/// Every log diagnosed and reported; `None` where Ctrl-C came between.
fn diagnose_all(args: &ReviewArgs, found: &Found, state: &State) -> io::Result<Option<AllLogs>> {
    let vehicle = args.car.car.as_deref().and_then(|file| Car::load(file).ok()?.job.vehicle);
    let root = found.root.file_name().map_or("logs".into(), |name| name.to_string_lossy());
    let names = job::report_names(&found.logs);
    let copied_from = job::copies(&found.logs);
    let work = Work { args, state, root: &found.root, said: Mutex::default() };
    let stop = stop_on_ctrl_c()?;
    let jobs = args.jobs.unwrap_or_else(cores).min(found.logs.len());
    let progress = Progress::of(found.logs.len());
    let mut done: Vec<Option<Done>> = Vec::new();
    done.resize_with(found.logs.len(), || None);
    worker_pool::each(
        jobs,
        found.logs.len(),
        &stop,
        |k| match (found.logs.get(k), names.get(k), copied_from.get(k)) {
            (_, _, Some(Some(first))) => Done::Copy(*first),
            (Some(log), Some(name), _) => work.one(log, name),
            _ => Done::none(),
        },
        |k, of| {
            if let Some(log) = found.logs.get(k) {
                progress.done(&log.relative_path, &of.word());
            }
            if let Some(slot) = done.get_mut(k) {
                *slot = Some(of);
            }
        },
    );
    progress.end();
    for said in work.said.into_inner().unwrap_or_else(PoisonError::into_inner) {
        complain(said);
    }
    if stop.load(Ordering::Relaxed) {
        let n = done.iter().filter(|of| of.is_some()).count();
        complain(format!(
            "stopped after {n} of {} logs; the same command with --resume continues from there",
            found.logs.len()
        ));
        return Ok(None);
    }
    let reasons: Vec<Option<&'static str>> = done
        .iter()
        .map(|of| match of {
            Some(Done::NoLog(reason)) => Some(*reason),
            _ => None,
        })
        .collect();
    let mut left_out = found.left_out.clone();
    let mut rows = Vec::new();
    for (log, of) in found.logs.iter().zip(done) {
        match of {
            Some(Done::Row { started, result }) => rows.push((log, started, result)),
            Some(Done::NoLog(reason)) => leave(&mut left_out, reason, &log.relative_path),
            Some(Done::Copy(first)) => match (reasons.get(first), found.logs.get(first)) {
                (Some(Some(reason)), _) => leave(&mut left_out, reason, &log.relative_path),
                (_, Some(first)) => {
                    rows.push((log, None, LogResult::SameAs(first.relative_path.clone())));
                }
                _ => {}
            },
            None => {}
        }
    }
    let grouped: Vec<Grouped> = rows
        .iter()
        .map(|(log, ..)| Grouped {
            log: &log.relative_path,
            vehicle: vehicle.as_deref().or(log.vehicle.as_deref()),
        })
        .collect();
    let cars = cars_of(&grouped, &args.car_patterns, &root);
    let logs = rows.into_iter().zip(cars).map(|((log, started, result), (car, grouped_by))| {
        Reviewed { log: log.relative_path.clone(), car, grouped_by, started, result }
    });
    Ok(Some((logs.collect(), left_out)))
}

fn leave(left_out: &mut Vec<LeftOut>, reason: &str, name: &str) {
    match left_out.iter_mut().find(|left| left.reason == reason) {
        Some(left) => {
            left.count += 1;
            left.first.push(name.to_owned());
            left.first.sort_by(|a, b| natural(a, b));
            left.first.truncate(MOST_NAMED);
        }
        None => left_out.push(LeftOut {
            reason: reason.to_owned(),
            count: 1,
            first: vec![name.to_owned()],
        }),
    }
}

/// The first Ctrl-C lets every log that is worked on come to its end, the second
/// ends the program at once: each report is there whole or not at all.
fn stop_on_ctrl_c() -> io::Result<Arc<AtomicBool>> {
    use signal_hook::consts::SIGINT;
    let stop = Arc::new(AtomicBool::new(false));
    signal_hook::flag::register_conditional_shutdown(SIGINT, i32::from(STOPPED), stop.clone())?;
    signal_hook::flag::register(SIGINT, stop.clone())?;
    Ok(stop)
}

/// What the tables hold of a log, from its own report.
#[derive(Deserialize)]
struct Rows {
    load_steps: Vec<LoadStep>,
    operating_points: Vec<OperatingPoint>,
    findings: Vec<Finding>,
}

/// Writes the tables, by path; one log's rows are in memory at a time.
fn tables(review: &Review, out: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let wrong = |error: io::Error| {
        format!("{}: the review's tables cannot be written here: {error}", shown(out))
    };
    let mut rows: Vec<&Row> = review.rows.iter().collect();
    rows.sort_by(|a, b| natural(&a.log, &b.log));
    let mut tables = TableWriter::open(out).map_err(wrong)?;
    for row in rows {
        let Some(summary) = row.summary() else {
            tables.add(row, None).map_err(wrong)?;
            continue;
        };
        let path = out.join(&summary.report).join(Kind::Report.marker());
        let read = std::fs::read(&path).map_err(|e| e.to_string());
        let of: Rows = read
            .and_then(|bytes| serde_json::from_slice(&bytes).map_err(|e| e.to_string()))
            .map_err(|e| format!("{}: was written and cannot be read again: {e}", shown(&path)))?;
        let of = OfLog {
            log: &row.log,
            car: &row.car,
            steps: &of.load_steps,
            points: &of.operating_points,
            findings: &of.findings,
        };
        tables.add(row, Some(&of)).map_err(wrong)?;
    }
    tables.close().map_err(wrong)?;
    Ok(())
}

fn show_result(
    args: &ReviewArgs,
    review: &Review,
    out: &Path,
) -> Result<(), Box<dyn std::error::Error>> {
    args.output.show(review, out)?;
    if !review.left_out.is_empty() {
        complain(format!("left out: {}", left_out_text(&review.left_out)));
    }
    if review.failed > 0 {
        complain(format!("{} of {} logs could not be read", review.failed, review.logs()));
    }
    Ok(())
}
