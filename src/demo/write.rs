//! Writes the scenario to files: logs, their truth, and a README.

use std::io;
use std::path::{Path, PathBuf};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::Serialize;
use serde_json::Value;
use thiserror::Error;

use super::coupe::{NEW_CURVE, OLD_CURVE, REBUILT_CURVE};
use super::dyno_day::BROKEN_RUN;
use super::logger::Shows;
use super::recipes::INVENTED;
use super::repair::{PAIRS, PairTruth};
use super::scenario::{Recording, recordings};
use super::script::Demand;
use super::simulate::{Simulated, simulate};
use super::truth::{OutputTruth, Truth};
use crate::diagnosis::VerdictWord;
use crate::files::{folder_of, write_whole};
use crate::physics::interpolate::CurveError;

#[derive(Debug, Error)]
pub enum DemoError {
    #[error("cannot write {}: {source}. Choose a folder that you may write to", path.display())]
    Write { path: PathBuf, source: io::Error },
    #[error("the scenario's own output curve is wrong: {0}")]
    Curve(#[from] CurveError),
    #[error("the truth cannot be serialized: {0}")]
    Json(#[from] serde_json::Error),
}

#[derive(Debug, Clone, PartialEq)]
pub struct DemoFile {
    /// Path below the demo's folder, with `/` between folders.
    pub name: String,
    pub bytes: Vec<u8>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    pub path: PathBuf,
    pub bytes: usize,
}

/// The truth of one sample log, as in `truth.json`.
#[derive(Debug, Clone, Serialize)]
struct LogTruth {
    file: String,
    story: &'static str,
    /// False if reading it must fail with a clear error.
    readable: bool,
    verdict: Option<VerdictWord>,
    expected_findings: &'static [&'static str],
    #[serde(flatten)]
    truth: Truth,
    /// Present if the log holds alternator current and speed.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    output: Vec<OutputTruth>,
}

#[derive(Serialize)]
struct TruthFile {
    about: &'static str,
    logs: Vec<LogTruth>,
    /// Expected outcomes of comparisons.
    comparisons: Vec<PairTruth>,
}

/// Every file of the demo, always with the same bytes.
pub fn files() -> Result<Vec<DemoFile>, DemoError> {
    let mut files = Vec::new();
    let mut logs = Vec::new();
    for recording in recordings()? {
        let Recording { car, script, logger, seed, .. } = &recording;
        let simulated = simulate(car, script, logger, *seed);
        let mut bytes = simulated.bytes();
        if recording.name == BROKEN_RUN {
            corrupt(&mut bytes, *seed);
        }
        let name = format!("{}.csv", recording.name);
        logs.push(log_truth(name.clone(), &recording, simulated));
        files.push(DemoFile { name, bytes });
    }
    files.extend(sheets());
    let about = "The truth behind the invented sample logs: what a diagnosis has to find.";
    let readme = readme(&logs);
    let mut truth = serde_json::to_value(TruthFile { about, logs, comparisons: PAIRS.to_vec() })?;
    round(&mut truth);
    let mut json = serde_json::to_vec_pretty(&truth)?;
    json.push(b'\n');
    files.push(DemoFile { name: "truth.json".into(), bytes: json });
    files.push(DemoFile { name: "README.md".into(), bytes: readme.into_bytes() });
    Ok(files)
}

/// Writes every file of the demo below `dir`, which is created if necessary. Files are written
/// completely or not at all, and replace files of the same names.
pub fn write(dir: &Path) -> Result<Vec<Written>, DemoError> {
    files()?
        .into_iter()
        .map(|file| {
            let path = dir.join(&file.name);
            std::fs::create_dir_all(folder_of(&path))
                .and_then(|()| write_whole(&path, &file.bytes))
                .map_err(|source| DemoError::Write { path: path.clone(), source })?;
            Ok(Written { path, bytes: file.bytes.len() })
        })
        .collect()
}

/// Keeps the first lines and fills the rest with random bytes, like a failed memory card.
fn corrupt(bytes: &mut Vec<u8>, seed: u64) {
    const LINES: usize = 7;
    const RANDOM_BYTES: usize = 4096;
    let end = bytes.iter().enumerate().filter(|(_, b)| **b == b'\n').nth(LINES - 1);
    bytes.truncate(end.map_or(0, |(index, _)| index + 1));
    let mut random = vec![0; RANDOM_BYTES];
    ChaCha8Rng::seed_from_u64(seed).fill_bytes(&mut random);
    // Memory cards fail in blocks: half of them read as zeros.
    for block in random.chunks_mut(512).step_by(2) {
        block.fill(0);
    }
    bytes.extend(random);
}

fn log_truth(file: String, recording: &Recording, simulated: Simulated) -> LogTruth {
    LogTruth {
        output: output_truth(recording, &simulated),
        truth: simulated.truth,
        file,
        story: recording.story,
        readable: recording.expected_verdict.is_some(),
        verdict: recording.expected_verdict,
        expected_findings: recording.findings,
    }
}

/// Between the changes of engine speed.
fn output_truth(recording: &Recording, simulated: &Simulated) -> Vec<OutputTruth> {
    const THROUGH_S: f64 = 2.0;
    let shown = |shows| recording.logger.channels.iter().any(|c| c.shows == shows);
    if !(shown(Shows::AlternatorCurrent) && shown(Shows::AlternatorRpm)) {
        return Vec::new();
    }
    let (time_s, samples) = (&simulated.time_s, &simulated.truth.samples);
    let changes = &recording.script.engine;
    let ends = changes.iter().skip(1).map(|c| c.at_s).chain([recording.script.duration_s]);
    let running = |demand| !matches!(demand, Demand::Rest | Demand::Crank);
    let stands = changes.iter().zip(ends).filter(|(change, _)| running(change.demand));
    stands
        .map(|(change, end_s)| {
            let start_s = change.at_s + change.ramp_s + THROUGH_S;
            let inside: Vec<usize> =
                (0..time_s.len()).filter(|&i| (start_s..end_s).contains(&time_s[i])).collect();
            let mean =
                |of: &[f64]| inside.iter().map(|&i| of[i]).sum::<f64>() / inside.len() as f64;
            OutputTruth {
                start_s,
                end_s,
                engine_rpm: mean(&samples.engine_rpm),
                alternator_a: mean(&samples.alternator_a),
                available_a: mean(&samples.available_a),
            }
        })
        .collect()
}

/// The output sheets of the alternators in the story, as a test bench would print them.
fn sheets() -> Vec<DemoFile> {
    let sheet = |file: &str, what: &str, points: &[(f64, f64)]| {
        let mut text = format!(
            "{INVENTED}\n# {what}, cold: output at a test voltage of 13.5 V, 23 °C\n\
             alternator speed (rpm),output current (A)\n"
        );
        for (rpm, amps) in points {
            text.push_str(&format!("{rpm:.0},{amps:.0}\n"));
        }
        DemoFile { name: format!("sheets/{file}.csv"), bytes: text.into_bytes() }
    };
    vec![
        sheet("old-70a", "70 A alternator, new", &OLD_CURVE),
        sheet("rebuilt-100a", "100 A alternator, rebuilt", &REBUILT_CURVE),
        sheet("new-160a", "160 A alternator, new", &NEW_CURVE),
    ]
}

/// Rounds to four decimals, finer than any instrument here.
fn round(value: &mut Value) {
    match value {
        Value::Array(items) => items.iter_mut().for_each(round),
        Value::Object(fields) => fields.values_mut().for_each(round),
        Value::Number(number) if number.is_f64() => {
            let rounded = number.as_f64().map(|n| (n * 1e4).round() / 1e4);
            if let Some(rounded) = rounded.and_then(serde_json::Number::from_f64) {
                *number = rounded;
            }
        }
        _ => {}
    }
}

fn readme(logs: &[LogTruth]) -> String {
    let mut text = String::from(
        "# Sample logs\n\n\
         Everything here is invented: no real car, owner or workshop. `stiffbus demo` simulates\n\
         these logs from a model of battery, alternator, loads and cables, with fixed seeds, and\n\
         writes the same bytes each time. They are about the blue coupe, an owner-built\n\
         car whose old 70 A alternator could not carry its fan, air conditioning and blower.\n\n\
         `truth.json` holds what really happened in each: the expected verdict, the findings\n\
         that must be raised, the setpoint, the rest voltage, every load step, the engine\n\
         speed at which each set of loads is carried, and what the alternator could deliver.\n\n\
         `sheets/old-70a.csv` is the old alternator's output sheet, also invented: compare\n\
         `output-sweep.csv` with it by `--alternator-curve sample-logs/sheets/old-70a.csv`.\n\n\
         `dyno-day/` is a day on the dyno: eight logs, one of them broken, one of another\n\
         car. `stiffbus review sample-logs/dyno-day` makes one page of it.\n\n\
         | log | story | expected verdict |\n|---|---|---|\n",
    );
    for log in logs {
        let verdict = log.verdict.map_or("none: it cannot be read", VerdictWord::words);
        text.push_str(&format!("| `{}` | {} | {verdict} |\n", log.file, log.story));
    }
    text
}
