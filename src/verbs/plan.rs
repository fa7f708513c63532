//! `stiffbus plan LOG`: which machine, pulleys, cable and fuse would fix it, before
//! buying.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::str::FromStr;

use clap::Args;

use crate::car::Car;
use crate::files::{same_file, write_whole};
use crate::format::{plain, shown};
use crate::ingest::{self, Sheet, Stated};
use crate::physics::pulley::{self, SANE_RATIOS};
use crate::plan::{self, Asked, Candidate};
use crate::report::{self, Overwrite, write_plan};
use crate::verbs::diagnose::width;
use crate::verbs::options::{CarFlags, ReadFlags, ShownFlags, degrees, positive};
use crate::verbs::{FAILED, complain, screen, usage_error};
use crate::{examine, json};

#[derive(Debug, Clone, Default, Args)]
pub struct PlanArgs {
    /// The log of the car as it is
    #[arg(value_name = "LOG")]
    pub log: PathBuf,
    /// A machine that might be fitted: its output sheet, and its pulleys if they are
    /// others than now, e.g. big=160a.csv@2.9
    #[arg(long = "candidate", value_name = "NAME=CURVE.csv[@RATIO]")]
    pub candidates: Vec<CandidateFlag>,
    /// Pulleys to try, crank and alternator diameter in mm, or ratios: 150:55,2.9
    #[arg(long, value_name = "CRANK:ALT,…", value_delimiter = ',')]
    pub pulleys: Vec<Pulleys>,
    /// Highest engine speed
    #[arg(long, value_name = "RPM", default_value = "6000", value_parser = positive, allow_negative_numbers = true)]
    pub redline: f64,
    /// Highest speed that the alternators bear, by their sheet
    #[arg(long, value_name = "RPM", default_value = "18000", value_parser = positive, allow_negative_numbers = true)]
    pub alternator_limit: f64,
    /// Volts that may be lost in the charging cable [default: 0.2 in a 12 V system]
    #[arg(long, value_name = "V", value_parser = positive, allow_negative_numbers = true)]
    pub cable_drop: Option<f64>,
    /// Volts that may be lost on the ground side [default: 0.1 in a 12 V system]
    #[arg(long, value_name = "V", value_parser = positive, allow_negative_numbers = true)]
    pub ground_drop: Option<f64>,
    /// Air about the cable, °C
    #[arg(long, value_name = "C", default_value = "60", value_parser = degrees, allow_negative_numbers = true)]
    pub cable_air: f64,
    /// What the cable's insulation bears, °C
    #[arg(long, value_name = "C", default_value = "105", value_parser = degrees, allow_negative_numbers = true)]
    pub cable_limit: f64,
    /// Folder for the report [default: stiffbus-report/LOG-plan beside the log]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace a report that stands there, whatever it is of
    #[arg(long)]
    pub force: bool,
    /// Open the report in the browser
    #[arg(long)]
    pub open: bool,
    /// Write the plan as JSON to FILE too, or with "-" to standard output
    #[arg(long, value_name = "FILE|-")]
    pub json: Option<PathBuf>,
    #[command(flatten)]
    pub shown: ShownFlags,
    #[command(flatten)]
    pub read: ReadFlags,
    #[command(flatten)]
    pub car: CarFlags,
}

/// "big=160a.csv@2.9"
#[derive(Debug, Clone, PartialEq)]
pub struct CandidateFlag {
    pub name: String,
    pub sheet: PathBuf,
    pub ratio: Option<f64>,
}

impl FromStr for CandidateFlag {
    type Err = String;

    fn from_str(text: &str) -> Result<CandidateFlag, String> {
        let form = "write it as NAME=CURVE.csv or NAME=CURVE.csv@RATIO, e.g. big=160a.csv@2.9";
        let (name, rest) = text.split_once('=').ok_or(form)?;
        let (name, rest) = (name.trim(), rest.trim());
        if name.is_empty() || rest.is_empty() {
            return Err(form.to_owned());
        }
        let (sheet, ratio) = match rest.rsplit_once('@') {
            Some((sheet, ratio)) if !sheet.is_empty() => (sheet, Some(sane_ratio(ratio)?)),
            _ => (rest, None),
        };
        Ok(CandidateFlag { name: name.to_owned(), sheet: PathBuf::from(sheet), ratio })
    }
}

fn sane_ratio(text: &str) -> Result<f64, String> {
    let ratio = positive(text.trim())?;
    if !SANE_RATIOS.contains(&ratio) {
        return Err(format!(
            "{text} to 1 is not a ratio of alternator to engine speed; cars have {} to {}",
            SANE_RATIOS.start(),
            SANE_RATIOS.end()
        ));
    }
    Ok(ratio)
}

/// "150:55" in mm, or "2.9".
#[derive(Debug, Clone, PartialEq)]
pub struct Pulleys {
    pub words: String,
    pub ratio: f64,
}

impl FromStr for Pulleys {
    type Err = String;

    fn from_str(text: &str) -> Result<Pulleys, String> {
        let text = text.trim();
        let Some((crank, alternator)) = text.split_once(':') else {
            return Ok(Pulleys { words: format!("{text} to 1"), ratio: sane_ratio(text)? });
        };
        let (crank_mm, alternator_mm) = (positive(crank.trim())?, positive(alternator.trim())?);
        let ratio = pulley::ratio(crank_mm, alternator_mm);
        sane_ratio(&format!("{ratio:.3}"))?;
        Ok(Pulleys { words: format!("{crank_mm}:{alternator_mm} mm"), ratio })
    }
}

pub fn run(args: &PlanArgs) -> ExitCode {
    if let Some(wrong) = senseless(args) {
        return usage_error(&wrong);
    }
    match planned(args) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&error);
            ExitCode::from(FAILED)
        }
    }
}

fn senseless(args: &PlanArgs) -> Option<String> {
    let mut names: Vec<String> = args.candidates.iter().map(|c| c.name.to_lowercase()).collect();
    names.sort();
    if let Some(twice) = names.windows(2).find(|pair| pair[0] == pair[1]) {
        return Some(format!("two candidates are called {}: give each its own name", twice[0]));
    }
    if args.cable_air >= args.cable_limit {
        return Some(format!(
            "air of {} °C leaves a cable that bears {} °C nothing to carry",
            args.cable_air, args.cable_limit
        ));
    }
    let file = json_file(args)?;
    let read = [&args.log].into_iter().chain(args.candidates.iter().map(|c| &c.sheet));
    let read = read.chain(&args.car.car).chain(&args.car.alternator_curve);
    read.chain(&args.read.marks_file).any(|input| same_file(input, file)).then(|| {
        format!("--json {} is a file that is read; give the JSON its own name", shown(file))
    })
}

fn json_file(args: &PlanArgs) -> Option<&Path> {
    args.json.as_deref().filter(|file| *file != Path::new("-"))
}

fn planned(args: &PlanArgs) -> Result<(), Box<dyn std::error::Error>> {
    let dir = folder(args);
    if args.log.parent().is_some_and(|home| same_file(home, &dir)) {
        return Err(format!(
            "{}: is the folder of the log itself; give the plan a folder of its own with --out",
            shown(&dir)
        )
        .into());
    }
    let mut car = args.car.car(&args.log)?;
    let asked = asked(args, &car)?;
    let log = ingest::read(&args.log, &args.read.options(&car)?)?;
    for unknown in args.car.unknown_loads(&mut car, &log) {
        complain(format!("{}: {}", shown(&args.log), plain(&unknown)));
    }
    let examined = examine(&log, &car).map_err(|e| format!("{}: {e}", shown(&args.log)))?;
    let diagnosis = examined.diagnosis(&car);
    let mut plan = plan::plan(&car, examined, &diagnosis, &asked)
        .map_err(|e| format!("{}: {e}", shown(&args.log)))?;
    plan.units = args.shown.units;
    let policy = if args.force { Overwrite::Force } else { Overwrite::SameLog };
    write_plan(&plan, &dir, policy)?;
    if let Some(file) = json_file(args) {
        write_whole(file, json::text(&plan).as_bytes())
            .map_err(|e| format!("{}: the JSON cannot be written here: {e}", shown(file)))?;
    }
    if args.json.is_some() && json_file(args).is_none() {
        screen::hand_over(&json::text(&plan))?;
    } else {
        screen::show(&report::plan::terminal(&plan, Some(&dir), width()))?;
    }
    if args.open
        && let Err(error) = opener::open(dir.join(report::plan::FILES[0]))
    {
        complain(format!("{}: no browser opens it: {error}", shown(&dir)));
    }
    Ok(())
}

fn folder(args: &PlanArgs) -> PathBuf {
    let stem = args.log.file_stem().unwrap_or(args.log.as_os_str()).to_string_lossy();
    let home = args.log.parent().unwrap_or(Path::new(""));
    let usual = || home.join("stiffbus-report").join(format!("{stem}-plan"));
    args.out.clone().unwrap_or_else(usual)
}

fn asked(args: &PlanArgs, car: &Car) -> Result<Asked, Box<dyn std::error::Error>> {
    let candidates: Result<Vec<Candidate>, _> = args
        .candidates
        .iter()
        .map(|flag| {
            Ok::<_, crate::ingest::IngestError>(Candidate {
                name: flag.name.clone(),
                sheet: Sheet::read(&flag.sheet, Stated::default())?,
                ratio: flag.ratio,
            })
        })
        .collect();
    Ok(Asked {
        candidates: candidates?,
        pulleys: args.pulleys.iter().map(|p| (p.words.clone(), p.ratio)).collect(),
        redline_rpm: args.redline,
        limit_rpm: args.alternator_limit,
        cable: car.cable.clone(),
        ground: car.ground.clone(),
        drop_v: (args.cable_drop, args.ground_drop),
        air_c: args.cable_air,
        insulation_c: args.cable_limit,
    })
}
