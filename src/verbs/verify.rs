//! `stiffbus verify DIR`: makes a proof again from its logs and says whether every
//! number on its page stands.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use serde_json::Value;

use crate::car::Car;
use crate::compare::differences::{Difference, differences};
use crate::compare::{self, Agreed, Given, Recorded, hash_of, is_sealed};
use crate::comparison::{Comparison, Foretold, InputFile, SCHEMA, Side};
use crate::format::{self, plain, plural, shown};
use crate::json;
use crate::report::{Kind, Product};
use crate::verbs::recorded::{Places, again, bare, sha256_of};
use crate::verbs::{FAILED, output, planned, screen};

/// More than these are counted, not listed.
const MOST_LISTED: usize = 12;

#[derive(Debug, Clone, Default, Args)]
pub struct VerifyArgs {
    /// The folder of a proof, as `compare` wrote it
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Where the logs lie now, if they were moved: files, or folders that hold them
    #[arg(long, value_name = "PLACE")]
    pub logs: Vec<PathBuf>,
}

pub fn run(args: &VerifyArgs) -> ExitCode {
    output::run(None, || {
        let (stands, text) = told(args)?;
        screen::show(&text)?;
        Ok(if stands { ExitCode::SUCCESS } else { ExitCode::from(FAILED) })
    })
}

/// What was found, line by line.
#[derive(Default)]
struct Account {
    about: String,
    right: Vec<String>,
    wrong: Vec<String>,
    /// Worth knowing, and no fault of the page.
    notes: Vec<String>,
}

impl Account {
    fn text(&self) -> String {
        let verdict = match self.wrong.len() {
            0 => "Every number on the page stands.".to_owned(),
            _ => "THE PAGE DOES NOT STAND.".to_owned(),
        };
        // Names, paths and values come out of a file that anybody may have changed.
        let line = |mark: &str, text: &String| format!("  {mark}  {}\n", plain(text));
        let lines: String = self
            .wrong
            .iter()
            .map(|text| line("NO", text))
            .chain(self.right.iter().map(|text| line("ok", text)))
            .chain(self.notes.iter().map(|text| line("··", text)))
            .collect();
        format!("{verdict}\n{}\n\n{lines}", plain(&self.about))
    }
}

/// Whether the page stands, and what is told of it.
pub fn told(args: &VerifyArgs) -> Result<(bool, String), Box<dyn std::error::Error>> {
    let account = verified(args)?;
    Ok((account.wrong.is_empty(), account.text()))
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
            "this is stiffbus {here}: numbers may differ because the tool does; version {} decides",
            plain(&written.version)
        ));
    }
    if is_sealed(&written) {
        account.right.push("the seal fits all that the page says".to_owned());
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
        account.notes.push("nothing was computed again: not every log is here".to_owned());
        return Ok(account);
    }
    let mut recorded = recorded.into_iter();
    let Some(before) = recorded.next() else { return Ok(account) };
    let afters: Vec<Recorded> = recorded.collect();
    let plan = match &written.foretold {
        None => None,
        Some(foretold) => match account.plan(foretold, &before, &args.dir, &args.logs) {
            Some(given) => Some(given),
            None => {
                account.notes.push("nothing was computed again: the plan is not here".to_owned());
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
        format!("{shown}: is not JSON any more ({cause}): it was changed or cut")
    })?;
    let schema = value.get("schema").and_then(Value::as_str).unwrap_or("none");
    if schema != SCHEMA {
        return Err(format!(
            "{shown}: is no comparison (schema {}, wanted {SCHEMA}). Name the folder that stiffbus \
             compare wrote.",
            plain(schema)
        ));
    }
    let written: Comparison = serde_json::from_str(text).map_err(|cause| {
        format!("{shown}: a part of the comparison is missing or is something else ({cause})")
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
        match again(settings.clone(), &Places { log, marks, curve }) {
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

    /// Finds the plan that was held against the logs.
    fn plan(
        &mut self,
        foretold: &Foretold,
        before: &Recorded,
        dir: &Path,
        places: &[PathBuf],
    ) -> Option<Given> {
        let file = self.input("the plan", "plan", &foretold.plan, dir, places)?;
        let source = &before.diagnosis.source;
        let fitted = foretold.stated.as_deref();
        let given = planned::read(&file).and_then(|plan| {
            let of = (source.file.as_str(), source.sha256.as_str());
            Given::new(plan, foretold.plan.clone(), fitted, of).map_err(|e| e.to_string())
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
        let told = plain(&file.path);
        let there = dir.join(&file.path);
        let found = match sha256_of(&there) {
            Ok(sha256) if sha256 == file.sha256 => Ok(there),
            Ok(sha256) => Err(format!(
                "{name}: the {what} has changed: {told} now has SHA-256 {sha256}, the page was \
                 made from {}",
                plain(&file.sha256)
            )),
            Err(_) => {
                Err(format!("{name}: the {what} is not at {told}; give its folder with --logs"))
            }
        };
        let found = found.or_else(|why| by_hash(&file.sha256, places).ok_or(why));
        match found {
            Ok(path) => {
                let now = shown(&path);
                self.right.push(format!("{name}: {now} is the {what} it was made from"));
                Some(path)
            }
            Err(why) => {
                self.wrong.push(why);
                None
            }
        }
    }

    /// Says so where the car's file now tells something else than the page used.
    fn car_beside(&mut self, name: &str, log: &Path, settings: &crate::comparison::Settings) {
        let Ok(Some((path, car))) = Car::beside(log) else { return };
        let told = |car: &Car| serde_json::to_value(bare(car.clone())).unwrap_or(Value::Null);
        let (found, _) = differences(&told(&settings.car), &told(&car));
        for Difference { place, written, again } in found.into_iter().take(MOST_LISTED) {
            self.notes.push(format!(
                "{name}: {} now says {place} {again}, the page used {written} (a flag may have)",
                shown(&path)
            ));
        }
    }

    fn numbers(&mut self, written: &Value, made: &Comparison) -> Result<(), serde_json::Error> {
        let again: Value = serde_json::from_str(&json::text(made))?;
        let (mut found, compared) = differences(written, &again);
        // A broken seal is told already.
        found.retain(|difference| difference.place != "seal_sha256");
        if found.is_empty() {
            self.right.push(format!(
                "all {} values computed again are the same",
                format::count(compared)
            ));
        }
        let more = found.len().saturating_sub(MOST_LISTED);
        for Difference { place, written, again } in found.into_iter().take(MOST_LISTED) {
            self.wrong.push(format!("{place}: the page says {written}, the logs give {again}"));
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
                    self.right.push(format!("{name} is what the logs give, byte for byte"));
                }
                Ok(_) => self.wrong.push(format!("{name} is not what the logs give")),
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
