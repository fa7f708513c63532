//! `stiffbus plan LOG`: which alternator, pulleys, cable and fuse would fix it, before
//! buying.

use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr;

use clap::Args;

use crate::car::Car;
use crate::examine;
use crate::format::{plain, shown};
use crate::ingest::{self, Sheet, Stated};
use crate::physics::pulley::{self, SANE_RATIOS};
use crate::plan::{self, Asked, Candidate, Plan};
use crate::report::Kind;
use crate::verbs::complain;
use crate::verbs::options::{CarFlags, ReadFlags, ShownFlags, degrees, positive};
use crate::verbs::output::{self, OutputFlags, beside, refuse_folder_of_log, stem};

#[derive(Debug, Clone, Default, Args)]
pub struct PlanArgs {
    /// The log of the car as it is
    #[arg(value_name = "LOG")]
    pub log: PathBuf,
    /// A candidate alternator: its output sheet, and its pulley ratio if that changes,
    /// e.g. big=160a.csv@2.9
    #[arg(long = "candidate", value_name = "NAME=CURVE.csv[@RATIO]")]
    pub candidates: Vec<CandidateFlag>,
    /// Pulleys to try, crank and alternator diameter in mm, or ratios: 150:55,2.9
    #[arg(long, value_name = "CRANK:ALT,…", value_delimiter = ',')]
    pub pulleys: Vec<Pulleys>,
    /// Highest engine speed
    #[arg(long, value_name = "RPM", default_value = "6000", value_parser = positive, allow_negative_numbers = true)]
    pub redline: f64,
    /// Highest allowed speed of the alternators, from their sheet
    #[arg(long, value_name = "RPM", default_value = "18000", value_parser = positive, allow_negative_numbers = true)]
    pub alternator_limit: f64,
    /// Volts that may be lost in the charging cable [default: 0.2 in a 12 V system]
    #[arg(long, value_name = "V", value_parser = positive, allow_negative_numbers = true)]
    pub cable_drop: Option<f64>,
    /// Volts that may be lost on the ground side [default: 0.1 in a 12 V system]
    #[arg(long, value_name = "V", value_parser = positive, allow_negative_numbers = true)]
    pub ground_drop: Option<f64>,
    /// Air temperature around the cable, °C
    #[arg(long, value_name = "C", default_value = "60", value_parser = degrees, allow_negative_numbers = true)]
    pub cable_air: f64,
    /// Temperature rating of the cable's insulation, °C
    #[arg(long, value_name = "C", default_value = "105", value_parser = degrees, allow_negative_numbers = true)]
    pub cable_limit: f64,
    /// Folder for the report [default: stiffbus-report/LOG-plan beside the log]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    #[command(flatten)]
    pub output: OutputFlags,
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
    output::run(wrong_flags(args), || {
        let usual = || beside(&args.log, format!("{}-plan", stem(&args.log)));
        let dir = args.out.clone().unwrap_or_else(usual);
        refuse_folder_of_log([&args.log], &dir, Kind::Plan)?;
        args.output.check_json_place()?;
        args.output.deliver(&planned(args)?, &dir)?;
        Ok(ExitCode::SUCCESS)
    })
}

/// What is wrong with the flags together, before anything is read or written.
fn wrong_flags(args: &PlanArgs) -> Option<String> {
    let mut names: Vec<String> = args.candidates.iter().map(|c| c.name.to_lowercase()).collect();
    names.sort();
    if let Some(twice) = names.windows(2).find(|pair| pair[0] == pair[1]) {
        return Some(format!("two candidates are called {}: give each its own name", twice[0]));
    }
    if args.cable_air >= args.cable_limit {
        return Some(format!(
            "--cable-air {} °C is not below --cable-limit {} °C: the cable could carry no current",
            args.cable_air, args.cable_limit
        ));
    }
    let inputs = [&args.log]
        .into_iter()
        .chain(args.candidates.iter().map(|candidate| &candidate.sheet))
        .chain(&args.car.car)
        .chain(&args.car.alternator_curve)
        .chain(&args.read.marks_file);
    args.output.replaced_input(inputs)
}

fn planned(args: &PlanArgs) -> Result<Plan, Box<dyn std::error::Error>> {
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
    Ok(plan)
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
