//! A whole diagnosis against (a) polars reading the same columns of the same file and
//! nothing more, and (b) a short Python script that asks the same questions
//! (`tests/outside/scripts/short_diagnosis.py`), turn by turn in one run.
//!
//! `BENCH_PYTHON=/path/to/python3 cargo bench --features frame-csv --bench compare` prints the table that
//! stands in DEVELOPERS.md; BENCH_ROWS is the largest log (else ten million rows),
//! BENCH_TURNS how often each is timed (else three; the shortest counts). Without a
//! Python that has pandas, scipy and ruptures, (b) is left out.
//!
//! Each contender is a process of its own: this program starts itself again with the
//! contender's word and the log, and the child tells what it took: the most memory, and
//! the time of all cores (in brackets), which other work on the machine does not change
//! much.

mod logs;

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use logs::{COLUMNS, Grows};
use polars::prelude::{CsvReadOptions, SerReader};
use stiffbus::verbs::diagnose::{self, DiagnoseArgs};

const SCRIPT: &str =
    concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/scripts/short_diagnosis.py");
/// The script is not asked for more: it would only take longer.
const MOST_ROWS_PYTHON: usize = 1_000_000;

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).filter(|arg| arg != "--bench").collect();
    match args.as_slice() {
        [word, path] if word == "polars" => bare_polars(Path::new(path)),
        [word, path, out] if word == "stiffbus" => whole(path.into(), out.into()),
        _ => table(),
    }
}

fn bare_polars(path: &Path) -> ExitCode {
    let options = CsvReadOptions::default().with_has_header(true);
    let frame = options
        .try_into_reader_with_file_path(Some(path.to_path_buf()))
        .and_then(|reader| reader.finish())
        .expect("a frame");
    assert_eq!(frame.width(), COLUMNS);
    tell_costs();
    ExitCode::SUCCESS
}

fn whole(path: PathBuf, out: PathBuf) -> ExitCode {
    let args = DiagnoseArgs { logs: vec![path], out: Some(out), force: true, ..Default::default() };
    let code = diagnose::run(&args);
    tell_costs();
    code
}

/// The most memory that was resident and the time of all cores, to standard error.
fn tell_costs() {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    eprintln!("peak {}", peak.unwrap_or("").trim().trim_end_matches(" kB"));
    // Behind the name in brackets: user and system time are the 12th and 13th, in ticks
    // of a hundredth of a second (proc(5)).
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let behind = stat.rsplit_once(')').map_or("", |(_, rest)| rest);
    let ticks = behind.split_whitespace().skip(11).take(2).filter_map(|t| t.parse::<f64>().ok());
    eprintln!("cpu {}", ticks.sum::<f64>() / 100.0);
}

#[derive(Debug, Clone, Copy)]
struct Took {
    seconds: f64,
    /// Of all cores together: what does not hang on who else uses the machine.
    cpu_s: f64,
    peak_mb: f64,
}

/// `None` where it fails.
fn time(command: &mut Command) -> Option<Took> {
    let began = Instant::now();
    let output = command.stdin(Stdio::null()).output().ok()?;
    let seconds = began.elapsed().as_secs_f64();
    if !output.status.success() {
        eprintln!("{}", String::from_utf8_lossy(&output.stderr));
        return None;
    }
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    let json: Option<serde_json::Value> = serde_json::from_slice(&output.stdout).ok();
    let cost = |word: &str, key: &str| {
        let line =
            told.lines().find_map(|line| line.strip_prefix(word)?.trim().parse::<f64>().ok());
        line.or_else(|| json.as_ref()?[key].as_f64()).unwrap_or(f64::NAN)
    };
    let (peak_kb, cpu_s) = (cost("peak", "peak_kb"), cost("cpu", "cpu_s"));
    Some(Took { seconds, cpu_s, peak_mb: peak_kb / 1024.0 })
}

fn table() -> ExitCode {
    let asked = |name: &str| std::env::var(name).ok().and_then(|v| v.parse::<usize>().ok());
    let most = asked("BENCH_ROWS").unwrap_or(10_000_000);
    let turns = asked("BENCH_TURNS").unwrap_or(3).max(1);
    let folder = tempfile::tempdir().expect("a folder");
    let own = std::env::current_exe().expect("this program");
    let python = std::env::var_os("BENCH_PYTHON").unwrap_or("python3".into());
    println!("{}", machine(&python));
    println!("start-up: {:.1} ms", 1000.0 * startup());
    for grows in [Grows::Faster, Grows::Longer] {
        println!("\n{}", caption(grows));
        println!(
            "| rows | file MB | stiffbus s (cores) | polars s (cores) | times | Python s (cores) | of it | MB | of the columns | SVG kB | HTML kB |"
        );
        println!("|---|---|---|---|---|---|---|---|---|---|---|");
        let mut curve: Vec<(usize, Took)> = Vec::new();
        for rows in [10_000, 100_000, 1_000_000, 10_000_000] {
            if rows > most {
                continue;
            }
            let log = logs::log(folder.path(), grows, rows);
            let out = folder.path().join("report");
            let mut best: BTreeMap<&str, Took> = BTreeMap::new();
            for _ in 0..turns {
                let mut ours = Command::new(&own);
                ours.args([OsStr::new("stiffbus"), log.as_os_str(), out.as_os_str()]);
                let mut bare = Command::new(&own);
                bare.args([OsStr::new("polars"), log.as_os_str()]);
                let mut script = Command::new(&python);
                script.arg(SCRIPT).arg(&log);
                let with_script = rows <= MOST_ROWS_PYTHON;
                let contenders = [
                    ("stiffbus", Some(&mut ours)),
                    ("polars", Some(&mut bare)),
                    ("python", with_script.then_some(&mut script)),
                ];
                for (name, command) in contenders {
                    let Some(took) = command.and_then(time) else { continue };
                    let known = best.entry(name).or_insert(took);
                    if took.seconds < known.seconds {
                        *known = took;
                    }
                }
            }
            let Some(&ours) = best.get("stiffbus") else { return ExitCode::FAILURE };
            // By the clock, and by the cores' time in brackets.
            let other = |name: &str, ratio: &dyn Fn(f64, f64) -> f64| match best.get(name) {
                Some(took) => format!(
                    "{:.2} ({:.2}) | {:.2} ({:.2})",
                    took.seconds,
                    took.cpu_s,
                    ratio(ours.seconds, took.seconds),
                    ratio(ours.cpu_s, took.cpu_s)
                ),
                None => "– | –".to_owned(),
            };
            let columns_mb = (8 * rows * COLUMNS) as f64 / 1_048_576.0;
            let (svg, html) = (largest(&out, "svg"), largest(&out, "html"));
            println!(
                "| {rows} | {:.1} | {:.2} ({:.2}) | {} | {} | {:.0} | {:.2} | {svg:.0} | {html:.0} |",
                std::fs::metadata(&log).map_or(0.0, |m| m.len() as f64 / 1e6),
                ours.seconds,
                ours.cpu_s,
                other("polars", &|ours, theirs| ours / theirs),
                other("python", &|ours, theirs| theirs / ours),
                ours.peak_mb,
                ours.peak_mb / columns_mb,
            );
            curve.push((rows, ours));
            let _ = std::fs::remove_file(&log);
        }
        if let [.., (less, short), (more, long)] = curve.as_slice() {
            let decades = (*more as f64 / *less as f64).log10();
            println!(
                "slope over the last decade: time {:.2}, memory {:.2}",
                (long.cpu_s / short.cpu_s).log10() / decades,
                (long.peak_mb / short.peak_mb).log10() / decades
            );
        }
    }
    ExitCode::SUCCESS
}

fn caption(grows: Grows) -> &'static str {
    match grows {
        Grows::Faster => "The same 22 minutes by an ever faster logger:",
        Grows::Longer => "Ten samples a second for ever longer:",
    }
}

/// Of the files with this ending in a report, the largest, in kB.
fn largest(folder: &Path, ending: &str) -> f64 {
    walkdir::WalkDir::new(folder)
        .into_iter()
        .filter_map(Result::ok)
        .filter(|entry| entry.path().extension().is_some_and(|e| e == ending))
        .filter_map(|entry| entry.metadata().ok())
        .map(|meta| meta.len() as f64 / 1000.0)
        .fold(0.0, f64::max)
}

/// Seconds until the program has told its version, the shortest of many.
fn startup() -> f64 {
    let once = || {
        let began = Instant::now();
        let told = Command::new(env!("CARGO_BIN_EXE_stiffbus")).arg("--version").output();
        assert!(told.is_ok_and(|output| output.status.success()));
        began.elapsed()
    };
    (0..20).map(|_| once()).min().unwrap_or(Duration::ZERO).as_secs_f64()
}

fn machine(python: &OsStr) -> String {
    let cpu = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let model = cpu.lines().find_map(|line| line.strip_prefix("model name")?.split(':').nth(1));
    let cores = std::thread::available_parallelism().map_or(0, |n| n.get());
    let version = |command: &mut Command| {
        let output = command.output().ok().filter(|o| o.status.success());
        output.map_or("none".to_owned(), |o| String::from_utf8_lossy(&o.stdout).trim().to_owned())
    };
    let modules = "import sys, importlib.metadata as m; print('Python', sys.version.split()[0], *(f'{n} {m.version(n)}' for n in ('numpy', 'pandas', 'scipy', 'ruptures')))";
    format!(
        "{}, {cores} cores; {}; stiffbus {}; polars {}; {}",
        model.unwrap_or("unknown processor").trim(),
        version(Command::new("rustc").arg("--version")),
        env!("CARGO_PKG_VERSION"),
        polars::VERSION,
        version(Command::new(python).arg("-c").arg(modules)),
    )
}
