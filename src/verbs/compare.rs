//! `stiffbus compare BEFORE AFTER…`: did the repair work? The page is the customer's.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

use crate::car::{ALWAYS_ON, Car, Job};
use crate::compare::{self, Agreed, ChosenPlan, Recorded, SamePair};
use crate::comparison::Comparison;
use crate::ingest::{ReadOptions, RoleRequest};
use crate::nominal::Nominal;
use crate::report::Kind;
use crate::verbs::options::{CarFlags, ShownFlags};
use crate::verbs::output::{self, OutputFlags, beside, refuse_folder_of_log, stem};
use crate::verbs::recorded::{Stated, input, record};
use crate::verbs::{complain, planned};

#[derive(Debug, Clone, Default, Args)]
pub struct CompareArgs {
    /// The log before the repair
    #[arg(value_name = "BEFORE")]
    pub before: PathBuf,
    /// The log after it, or several: cold, soaked, another day
    #[arg(value_name = "AFTER", required = true)]
    pub afters: Vec<PathBuf>,
    /// Folder for the result [default: stiffbus-report/AFTER-against-BEFORE beside the last log]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    #[command(flatten)]
    pub output: OutputFlags,
    /// A load of the earlier log and what the later ones call it, e.g. fans=cooling_fan
    #[arg(long, value_name = "BEFORE=AFTER")]
    pub same: Vec<SamePair>,
    /// The plan that the repair followed, its folder or its plan.json: checks its
    /// prediction
    #[arg(long, value_name = "PLAN")]
    pub plan: Option<PathBuf>,
    /// Which of the plan's candidates was fitted [default: its only or its best one]
    #[arg(long, value_name = "NAME", requires = "plan")]
    pub fitted: Option<String>,
    /// What a column of the earlier log means, e.g. voltage=Vbat; #3 names the third
    #[arg(long = "column-before", value_name = "ROLE=NAME", help_heading = "Reading")]
    pub columns_before: Vec<RoleRequest>,
    /// What a column of the later logs means
    #[arg(long = "column-after", value_name = "ROLE=NAME", help_heading = "Reading")]
    pub columns_after: Vec<RoleRequest>,
    /// A CSV of marks for the earlier log: time, load, state
    #[arg(long, value_name = "FILE", help_heading = "Reading")]
    pub marks_before: Option<PathBuf>,
    /// A CSV of marks for the later log; once for each of them, in their order
    #[arg(long, value_name = "FILE", help_heading = "Reading")]
    pub marks_after: Vec<PathBuf>,
    /// Samples a second, for logs without a time column
    #[arg(long, value_name = "HZ", value_parser = super::options::positive, allow_negative_numbers = true, help_heading = "Reading")]
    pub sample_rate: Option<f64>,
    /// Nominal voltage of the system, if it cannot be read off the levels: 6, 12 or 24
    #[arg(long, value_name = "V", help_heading = "Reading")]
    pub nominal: Option<Nominal>,
    /// Facts about the car after the repair, where they differ
    /// [default: as before, or car.toml beside the later log]
    #[arg(long, value_name = "FILE", help_heading = "The car")]
    pub car_after: Option<PathBuf>,
    #[command(flatten)]
    pub shown: ShownFlags,
    #[command(flatten)]
    pub car: CarFlags,
}

pub fn run(args: &CompareArgs) -> ExitCode {
    output::run(wrong_flags(args), || {
        let dir = folder(args);
        let logs = [&args.before].into_iter().chain(&args.afters);
        refuse_folder_of_log(logs, &dir, Kind::Proof)?;
        args.output.check_json_place()?;
        args.output.deliver(&comparison(args, &dir)?, &dir)?;
        Ok(ExitCode::SUCCESS)
    })
}

/// What is wrong with the flags together, before anything is read or written.
fn wrong_flags(args: &CompareArgs) -> Option<String> {
    let marks = args.marks_after.len();
    if marks > 0 && marks != args.afters.len() {
        return Some(format!(
            "--marks-after is given {marks} times for {} later logs; give it once for each, in \
             their order",
            args.afters.len()
        ));
    }
    let plan = args.plan.as_deref().map(planned::file);
    let inputs = [&args.before]
        .into_iter()
        .chain(&args.afters)
        .chain(&args.marks_before)
        .chain(&args.marks_after)
        .chain(&args.car_after)
        .chain(&args.car.car)
        .chain(&args.car.alternator_curve)
        .chain(&plan);
    output::is_current_folder(args.out.as_deref(), Kind::Proof)
        .or_else(|| args.output.replaced_input(inputs))
}

/// Beside the last log taken: that is where the work is being done.
fn folder(args: &CompareArgs) -> PathBuf {
    if let Some(out) = &args.out {
        return out.clone();
    }
    let last = args.afters.last().unwrap_or(&args.before);
    let afters: Vec<String> = args.afters.iter().map(|log| stem(log)).collect();
    beside(last, format!("{}-against-{}", afters.join("-and-"), stem(&args.before)))
}

fn comparison(args: &CompareArgs, dir: &Path) -> Result<Comparison, Box<dyn std::error::Error>> {
    let old_car = args.car.car(&args.before)?;
    let old_read = options(args, &old_car, &args.columns_before, args.marks_before.as_ref())?;
    let units = args.shown.units;
    let mut agreed = Agreed { same: args.same.clone(), units, ..Agreed::default() };
    let mut acceptance = old_car.acceptance.clone();
    let mut job = Job::default();
    let before = record(&args.before, Stated { car: old_car.clone(), read: old_read }, dir)?;
    let mut afters: Vec<Recorded> = Vec::new();
    for (k, log) in args.afters.iter().enumerate() {
        let car = car_after(args, log)?;
        // What was stated before the repair takes precedence over the later log's folder.
        acceptance = acceptance.or_else(|| car.acceptance.clone());
        job = job.or(car.job.clone());
        let read = options(args, &car, &args.columns_after, args.marks_after.get(k))?;
        afters.push(record(log, Stated { car, read }, dir)?);
    }
    for (load, _) in &args.car.load_amps {
        let known = |recorded: &Recorded| {
            let lanes = &recorded.diagnosis.picture.loads;
            lanes.iter().any(|lane| lane.load.to_lowercase() == load.to_lowercase())
        };
        if load.to_lowercase() != ALWAYS_ON && ![&before].into_iter().chain(&afters).any(known) {
            complain(format!("--load-amps {load} has no effect: no log names such a load"));
        }
    }
    agreed.acceptance = acceptance.unwrap_or_default().of(before.diagnosis.source.nominal_v);
    if let Some((_, wrong)) = agreed.acceptance.senseless() {
        return Err(format!("[acceptance]: {wrong}").into());
    }
    agreed.job = job.or(old_car.job);
    if let Some(named) = &args.plan {
        let file = planned::file(named);
        let source = &before.diagnosis.source;
        let given = ChosenPlan::new(
            planned::read(&file)?,
            input(&file, dir)?,
            args.fitted.as_deref(),
            (&source.file, &source.sha256),
        );
        agreed.plan = Some(given.map_err(|error| format!("{}: {error}", file.display()))?);
    }
    Ok(compare::compare(&before, &afters, &agreed)?)
}

fn car_after(args: &CompareArgs, log: &Path) -> Result<Car, crate::car::CarError> {
    let car = args.car_after.clone().or_else(|| args.car.car.clone());
    CarFlags { car, ..args.car.clone() }.car(log)
}

fn options(
    args: &CompareArgs,
    car: &Car,
    columns: &[RoleRequest],
    marks: Option<&PathBuf>,
) -> Result<ReadOptions, crate::ingest::RequestError> {
    let mut wishes = RoleRequest::from_car(car)?;
    wishes.extend(columns.iter().cloned());
    Ok(ReadOptions {
        columns: wishes,
        sample_rate_hz: args.sample_rate,
        marks: Vec::new(),
        marks_file: marks.cloned(),
        nominal: args.nominal.or(car.nominal_v),
    })
}
