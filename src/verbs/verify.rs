//! `stiffbus verify DIR`: recomputes a comparison from its logs and reports whether every
//! number on its page is reproduced.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use serde_json::Value;

use crate::car::Car;
use crate::compare::differences::{Difference, differences};
use crate::compare::{self, Agreed, ChosenPlan, Recorded, hash_of, is_sealed};
use crate::comparison::{Comparison, InputFile, PredictionCheck, SCHEMA, Side};
use crate::format::{self, plain, plural, shown};
use crate::json;
use crate::report::{Kind, Product};
use crate::verbs::recorded::{Places, bare, rerun, sha256_of};
use crate::verbs::{FAILED, output, planned, screen};

/// More than these are counted, not listed.
const MOST_LISTED: usize = 12;

#[derive(Debug, Clone, Default, Args)]
pub struct VerifyArgs {
    /// The folder that `compare` wrote
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Where the logs are now, if they were moved: files, or folders that contain them
    #[arg(long, value_name = "PLACE")]
    pub logs: Vec<PathBuf>,
}

pub fn run(args: &VerifyArgs) -> ExitCode {
    output::run(None, || {
        let (is_reproduced, text) = report(args)?;
        screen::show(&text)?;
        Ok(if is_reproduced { ExitCode::SUCCESS } else { ExitCode::from(FAILED) })
    })
}

/// What was found, line by line.
#[derive(Default)]
struct Account {
    about: String,
    right: Vec<String>,
    wrong: Vec<String>,
    /// Files that are needed and were not found.
    missing: Vec<String>,
    /// Worth knowing, and not an error of the page.
    notes: Vec<String>,
}

impl Account {
    fn is_reproduced(&self) -> bool {
        self.wrong.is_empty() && self.missing.is_empty()
    }

    fn text(&self) -> String {
        let verdict = if self.is_reproduced() {
            "Every number on the page was reproduced."
        } else if self.wrong.is_empty() {
            "The page cannot be checked here."
        } else {
            "THE PAGE DOES NOT MATCH ITS LOGS."
        };
        // Names, paths and values come out of a file that anybody may have changed.
        let lists =
            [("NO", &self.wrong), ("??", &self.missing), ("ok", &self.right), ("··", &self.notes)];
        let mut text = format!("{verdict}\n{}\n\n", plain(&self.about));
        for (mark, lines) in lists {
            text.extend(lines.iter().map(|line| format!("  {mark}  {}\n", plain(line))));
        }
        text
    }
}

/// Whether the page was reproduced, and the text that reports it.
pub fn report(args: &VerifyArgs) -> Result<(bool, String), Box<dyn std::error::Error>> {
    let account = verified(args)?;
    Ok((account.is_reproduced(), account.text()))
}

fn verified(args: &VerifyArgs) -> Result<Account, Box<dyn std::error::Error>> {
    let file = args.dir.join(Kind::Proof.marker());
    let text = fs::read_to_string(&file).map_err(|cause| {
        format!(
            "{}: cannot be read ({cause}). Name the folder that stiffbus compare wrote.",
            shown(&file)
        )
    })?;
    let (written, value) = parsed(&file, &text)?;
    let mut account = Account {
        about: format!(
            "{}: {}, written by stiffbus {}",
            shown(&args.dir),
            written.outcome.words(),
            plain(&written.version)
        ),
        ..Account::default()
    };
    let here = env!("CARGO_PKG_VERSION");
    if written.version != here {
        account.notes.push(format!(
            "this is stiffbus {here}: numbers may differ because of that; use version {} to decide",
            plain(&written.version)
        ));
    }
    if is_sealed(&written) {
        account.right.push("the seal matches everything on the page".to_owned());
    } else {
        let broken = "the seal is broken: something was changed after the page was made";
        account.wrong.push(broken.to_owned());
    }
    let sides: Vec<&Side> =
        [&written.before].into_iter().chain(written.afters.iter().map(|a| &a.side)).collect();
    let mut recorded: Vec<Recorded> = Vec::new();
    for side in &sides {
        recorded.extend(account.side(side, &args.dir, &args.logs));
    }
    if recorded.len() < sides.len() {
        account.notes.push("nothing was recomputed: not every log is here".to_owned());
        return Ok(account);
    }
    let mut recorded = recorded.into_iter();
    let Some(before) = recorded.next() else { return Ok(account) };
    let afters: Vec<Recorded> = recorded.collect();
    let plan = match &written.prediction {
        None => None,
        Some(prediction) => match account.plan(prediction, &before, &args.dir, &args.logs) {
            Some(given) => Some(given),
            None => {
                account.notes.push("nothing was recomputed: the plan is not here".to_owned());
                return Ok(account);
            }
        },
    };
    let agreed = Agreed {
        acceptance: written.acceptance.clone(),
        same: written.same.clone(),
        job: written.job.clone(),
        plan,
        units: written.units,
    };
    let made = compare::compare(&before, &afters, &agreed)?;
    account.numbers(&value, &made)?;
    account.files(&args.dir, &made);
    Ok(account)
}

fn parsed(file: &Path, text: &str) -> Result<(Comparison, Value), String> {
    let shown = shown(file);
    let value: Value = serde_json::from_str(text).map_err(|cause| {
        format!("{shown}: is no longer JSON ({cause}): it was changed or cut off")
    })?;
    let schema = value.get("schema").and_then(Value::as_str).unwrap_or("none");
    if schema != SCHEMA {
        return Err(format!(
            "{shown}: is not a comparison (schema {}, expected {SCHEMA}). Name the folder that stiffbus \
             compare wrote.",
            plain(schema)
        ));
    }
    let written: Comparison = serde_json::from_str(text).map_err(|cause| {
        format!("{shown}: part of the comparison is missing or of another type ({cause})")
    })?;
    Ok((written, value))
}

impl Account {
    /// Finds the files of one log, and does it again.
    fn side(&mut self, side: &Side, dir: &Path, places: &[PathBuf]) -> Option<Recorded> {
        let (name, settings) = (&side.name, &side.settings);
        if hash_of(settings) != side.settings_sha256 {
            self.wrong.push(format!("{name}: its settings were changed after the page was made"));
        }
        let log = InputFile { path: settings.path.clone(), sha256: side.source.sha256.clone() };
        let log = self.input(name, "log", &log, dir, places);
        let mut others = |what: &str, file: &Option<InputFile>| match file {
            None => Some(None),
            Some(file) => self.input(name, what, file, dir, places).map(Some),
        };
        let marks = others("file of marks", &settings.marks)?;
        let curve = others("output sheet", &settings.curve)?;
        let log = log?;
        self.car_beside(name, &log, settings);
        match rerun(settings.clone(), &Places { log, marks, curve }) {
            Ok(mut recorded) => {
                // The same bytes under another name are the same log.
                recorded.diagnosis.source.file.clone_from(&side.source.file);
                Some(recorded)
            }
            Err(error) => {
                self.wrong.push(format!("{name}: {error}"));
                None
            }
        }
    }

    /// Finds the plan whose prediction was checked.
    fn plan(
        &mut self,
        prediction: &PredictionCheck,
        before: &Recorded,
        dir: &Path,
        places: &[PathBuf],
    ) -> Option<ChosenPlan> {
        let file = self.input("the plan", "plan", &prediction.plan, dir, places)?;
        let source = &before.diagnosis.source;
        let fitted = prediction.stated.as_deref();
        let given = planned::read(&file).and_then(|plan| {
            let of = (source.file.as_str(), source.sha256.as_str());
            ChosenPlan::new(plan, prediction.plan.clone(), fitted, of).map_err(|e| e.to_string())
        });
        given.map_err(|error| self.wrong.push(error)).ok()
    }

    /// Where a file lies now, if it is the one that was read.
    fn input(
        &mut self,
        name: &str,
        what: &str,
        file: &InputFile,
        dir: &Path,
        places: &[PathBuf],
    ) -> Option<PathBuf> {
        let seen = plain(&file.path);
        let there = dir.join(&file.path);
        let hash = sha256_of(&there);
        if matches!(&hash, Ok(sha256) if *sha256 == file.sha256) {
            return self.found(name, what, there);
        }
        if let Some(elsewhere) = by_hash(&file.sha256, places) {
            return self.found(name, what, elsewhere);
        }
        match hash {
            Ok(sha256) => self.wrong.push(format!(
                "{name}: the {what} has changed: {seen} now has SHA-256 {sha256}, the page was \
                 made from {}",
                plain(&file.sha256)
            )),
            Err(_) => self
                .missing
                .push(format!("{name}: the {what} is not at {seen}; name its folder with --logs")),
        }
        None
    }

    fn found(&mut self, name: &str, what: &str, path: PathBuf) -> Option<PathBuf> {
        self.right.push(format!("{name}: {} is the {what} that was used", shown(&path)));
        Some(path)
    }

    /// Notes where the car's file now differs from what the page used.
    fn car_beside(&mut self, name: &str, log: &Path, settings: &crate::comparison::Settings) {
        let Ok(Some((path, car))) = Car::beside(log) else { return };
        let told = |car: &Car| serde_json::to_value(bare(car.clone())).unwrap_or(Value::Null);
        let (found, _) = differences(&told(&settings.car), &told(&car));
        for Difference { place, written, again } in found.into_iter().take(MOST_LISTED) {
            self.notes.push(format!(
                "{name}: {} now has {place} {again}, the page used {written} (possibly from a flag)",
                shown(&path)
            ));
        }
    }

    fn numbers(&mut self, written: &Value, made: &Comparison) -> Result<(), serde_json::Error> {
        let again: Value = serde_json::from_str(&json::text(made))?;
        let (mut found, compared) = differences(written, &again);
        // A broken seal is reported already.
        found.retain(|difference| difference.place != "seal_sha256");
        if found.is_empty() {
            self.right
                .push(format!("all {} recomputed values are the same", format::count(compared)));
        }
        let more = found.len().saturating_sub(MOST_LISTED);
        for Difference { place, written, again } in found.into_iter().take(MOST_LISTED) {
            self.wrong.push(format!("{place}: the page has {written}, the logs give {again}"));
        }
        if more > 0 {
            self.wrong.push(format!("… and {} more", plural(more, "value", "values")));
        }
        Ok(())
    }

    fn files(&mut self, dir: &Path, made: &Comparison) {
        for (name, text) in made.files() {
            match fs::read(dir.join(&name)) {
                Ok(bytes) if bytes == text.as_bytes() => {
                    self.right.push(format!("{name} is reproduced byte for byte"));
                }
                Ok(_) => self.wrong.push(format!("{name} differs from what the logs give")),
                Err(cause) => self.wrong.push(format!("{name}: cannot be read ({cause})")),
            }
        }
    }
}

/// A file of this hash among `places` and what lies in them.
fn by_hash(sha256: &str, places: &[PathBuf]) -> Option<PathBuf> {
    let within = |place: &PathBuf| -> Vec<PathBuf> {
        match fs::read_dir(place) {
            Ok(entries) => {
                let mut files: Vec<PathBuf> =
                    entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
                files.sort();
                files
            }
            Err(_) => vec![place.clone()],
        }
    };
    places
        .iter()
        .flat_map(within)
        .filter(|path| path.is_file())
        .find(|path| sha256_of(path).is_ok_and(|found| found == sha256))
}
