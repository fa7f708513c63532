//! Reads simulated logs, diagnoses them, and tallies the answers against the truth.

use std::collections::BTreeMap;
use std::fmt;

use stiffbus::car::Car;
use stiffbus::demo::truth::{StepTruth, Truth};
use stiffbus::diagnosis::{BusState, Diagnosis, LoadStep, Origin, PhaseKind};
use stiffbus::log::{Log, Span};

use crate::matching::{Score, pair};
use crate::random_car::{Case, Options, random_case_with};

/// How often something was right.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    right: usize,
    all: usize,
    widths: Vec<f64>,
}

impl Tally {
    pub fn add(&mut self, right: bool) {
        self.right += usize::from(right);
        self.all += 1;
    }

    pub fn add_interval(&mut self, right: bool, width: f64) {
        self.add(right);
        self.widths.push(width);
    }

    pub fn share(&self) -> f64 {
        self.right as f64 / self.all as f64
    }

    pub fn count(&self) -> usize {
        self.all
    }

    /// True too of none.
    pub fn all_right(&self) -> bool {
        self.right == self.all
    }

    pub fn merge(&mut self, other: Tally) {
        self.right += other.right;
        self.all += other.all;
        self.widths.extend(other.widths);
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{:.1} % of {}", 100.0 * self.share(), self.all)?;
        if !self.widths.is_empty() {
            let mut widths = self.widths.clone();
            widths.sort_by(f64::total_cmp);
            write!(f, ", median width {:.4}", widths[widths.len() / 2])?;
        }
        Ok(())
    }
}

#[derive(Debug, Clone, Default)]
pub struct Figures {
    pub declared: Score,
    pub undeclared: Score,
    false_steps: usize,
    minutes: f64,
    onset: Tally,
    pub shift: Tally,
    pub settled: Tally,
    pub baseline: Tally,
    pub state: Tally,
    /// (true, told) states that differ.
    pub confusion: BTreeMap<(&'static str, &'static str), usize>,
    pub deficit: Tally,
    pub setpoint: Tally,
    pub setpoint_unseen: usize,
}

impl Figures {
    pub fn false_per_ten_minutes(&self) -> f64 {
        10.0 * self.false_steps as f64 / self.minutes
    }

    pub fn onset_share(&self) -> f64 {
        self.onset.share()
    }

    fn merge(&mut self, other: Figures) {
        for (mine, theirs) in
            [(&mut self.declared, other.declared), (&mut self.undeclared, other.undeclared)]
        {
            mine.found += theirs.found;
            mine.missed += theirs.missed;
            mine.wrong += theirs.wrong;
        }
        self.false_steps += other.false_steps;
        self.minutes += other.minutes;
        self.onset.merge(other.onset);
        self.shift.merge(other.shift);
        self.settled.merge(other.settled);
        self.baseline.merge(other.baseline);
        self.state.merge(other.state);
        self.deficit.merge(other.deficit);
        self.setpoint.merge(other.setpoint);
        self.setpoint_unseen += other.setpoint_unseen;
        for (key, count) in other.confusion {
            *self.confusion.entry(key).or_default() += count;
        }
    }
}

/// All cases of `seeds`, on both cores.
pub fn over(seeds: std::ops::Range<u64>, options: &Options) -> Figures {
    let (start, end) = (seeds.start, seeds.end);
    let share = |first: u64| {
        let mut figures = Figures::default();
        for seed in (first..end).step_by(2) {
            figures.merge(one(&random_case_with(seed, options)));
        }
        figures
    };
    std::thread::scope(|scope| {
        let other = scope.spawn(move || share(start + 1));
        let mut figures = share(start);
        figures.merge(other.join().expect("no case panics"));
        figures
    })
}

fn one(case: &Case) -> Figures {
    let diagnosis = diagnose(case, &Car::default());
    let truth = &case.simulated.truth;
    let mut f = Figures::default();
    let running_s: f64 = truth
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Running)
        .map(|p| p.end_s - p.start_s)
        .sum();
    f.minutes = running_s / 60.0;
    steps(case, &diagnosis, &mut f);
    states(case, &diagnosis, &mut f);
    match &diagnosis.setpoint_v {
        Some(setpoint) => {
            let off_v = (setpoint.value - truth.setpoint_v).abs();
            f.setpoint.add(off_v < 0.1);
        }
        None => f.setpoint_unseen += 1,
    }
    f
}

pub fn diagnose(case: &Case, car: &Car) -> Diagnosis {
    stiffbus::diagnose(&read(case), car).unwrap_or_else(|e| panic!("seed {}: {e}", case.seed))
}

/// The log as the tool reads its file.
pub fn read(case: &Case) -> Log {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("log.csv");
    std::fs::write(&path, case.simulated.bytes()).expect("a written log");
    stiffbus::ingest::read(&path, &Default::default())
        .unwrap_or_else(|e| panic!("seed {}: {e}", case.seed))
}

/// A step counts as visible if the noise-free bus moves by 0.15 V or four noise
/// widths, whichever is less, from just before it to the last seconds of what
/// it owns, and the engine runs at a steady speed.
fn steps(case: &Case, diagnosis: &Diagnosis, f: &mut Figures) {
    let truth = &case.simulated.truth;
    let told: Vec<&LoadStep> = diagnosis.load_steps.iter().collect();
    let declared = truth.steps.iter().filter(|s| s.declared).count() > 0;
    // An edge that moves nothing cannot be aligned: it stays where the channel has it.
    let within_s = if declared { 2.0 } else { 1.0 };
    let pairs = pair(&truth.steps, &told, within_s);
    let matched = |i: usize| pairs.iter().find(|p| p.0 == i).map(|p| told[p.1]);
    let free: Vec<&&LoadStep> = told
        .iter()
        .enumerate()
        .filter(|(j, _)| !pairs.iter().any(|p| p.1 == *j))
        .map(|(_, step)| step)
        .collect();
    let mut score = Score::default();
    for (i, step) in truth.steps.iter().enumerate() {
        let visible = visible(case, i);
        match matched(i) {
            Some(found) => {
                if declared || visible {
                    score.found += 1;
                }
                if visible {
                    let slack_s = 0.3f64.max(1.0 / case.logger.samples_per_s) + 1e-6;
                    f.onset.add((found.at_s - step.at_s).abs() <= slack_s);
                }
                if visible || (declared && found.answered) {
                    intervals(case, found, f);
                }
            }
            None if declared || visible => {
                score.missed += 1;
            }
            None => {}
        }
    }
    let wrong: Vec<_> = if declared {
        free.iter().filter(|s| s.origin == Origin::Declared).collect()
    } else {
        free.iter().collect()
    };
    score.wrong += wrong.len();
    f.false_steps += free.len();
    if declared {
        f.declared = score;
    } else {
        f.undeclared = score;
    }
}

fn visible(case: &Case, i: usize) -> bool {
    let truth = &case.simulated.truth;
    let step = &truth.steps[i];
    let next_s = truth
        .steps
        .iter()
        .map(|s| s.at_s)
        .filter(|t| *t > step.at_s)
        .fold(f64::INFINITY, f64::min)
        .min(speed_change_after(case, step));
    let window = (next_s - step.at_s).min(4.0);
    let before = mean_true(case, Span { start_s: step.at_s - 2.0, end_s: step.at_s - 0.1 });
    let after = mean_true(
        case,
        Span { start_s: step.at_s + 0.6 * window, end_s: step.at_s + window - 0.2 },
    );
    let noise = &case.logger.noise;
    let sigma = noise.white_v.hypot(noise.autoregressive_v).hypot(noise.ripple_v / 2f64.sqrt());
    let rpm = |start_s: f64, end_s: f64| {
        let range = index(case, step.at_s + start_s)..index(case, step.at_s + end_s);
        let seen = &truth.samples.engine_rpm[range];
        seen.iter().sum::<f64>() / seen.len() as f64
    };
    // A higher idle for the air conditioner moves the bus more than the load does.
    let same_speed = (rpm(1.5, 4.0) / rpm(-2.0, -0.1) - 1.0).abs() < 0.05;
    let calm = same_speed
        && !case.script.engine.iter().any(|e| (e.at_s - step.at_s).abs() < 4.0 + e.ramp_s);
    calm && (before - after).abs() >= 0.15f64.max(4.0 * sigma)
}

fn index(case: &Case, t_s: f64) -> usize {
    let time_s = &case.simulated.time_s;
    time_s.partition_point(|t| t - time_s[0] < t_s)
}

fn speed_change_after(case: &Case, step: &StepTruth) -> f64 {
    case.script
        .engine
        .iter()
        .map(|e| e.at_s)
        .filter(|t| *t > step.at_s)
        .fold(f64::INFINITY, f64::min)
}

/// Mean of the noise-free, unrounded bus over a span.
pub fn mean_true(case: &Case, span: Span) -> f64 {
    let time_s = &case.simulated.time_s;
    let t0 = time_s[0];
    let values: Vec<f64> = time_s
        .iter()
        .zip(&case.simulated.truth.samples.bus_v)
        .filter(|(t, _)| span.contains(**t - t0))
        .map(|(_, v)| *v)
        .collect();
    values.iter().sum::<f64>() / values.len() as f64
}

fn intervals(case: &Case, found: &LoadStep, f: &mut Figures) {
    let baseline_v = mean_true(case, found.baseline_span);
    let settled_v = mean_true(case, found.settled_span);
    if !baseline_v.is_finite() || !settled_v.is_finite() {
        return;
    }
    let shift_v = baseline_v - settled_v;
    for (tally, estimate, truth_v) in [
        (&mut f.baseline, &found.baseline_v, baseline_v),
        (&mut f.settled, &found.settled_v, settled_v),
        (&mut f.shift, &found.shift_v, shift_v),
    ] {
        tally.add_interval(estimate.contains(truth_v), estimate.high - estimate.low);
    }
}

/// The state that held for most of a point's time, and the mean deficit over it.
fn states(case: &Case, diagnosis: &Diagnosis, f: &mut Figures) {
    let truth: &Truth = &case.simulated.truth;
    for point in &diagnosis.operating_points {
        let inside: Vec<usize> = case
            .simulated
            .time_s
            .iter()
            .enumerate()
            .filter(|(_, t)| point.spans.iter().any(|s| s.contains(**t)))
            .map(|(k, _)| k)
            .collect();
        let count =
            |state: BusState| inside.iter().filter(|&&k| truth.samples.state[k] == state).count();
        let states = [BusState::Holding, BusState::Limited, BusState::Draining];
        let Some(most) =
            states.into_iter().max_by_key(|s| count(*s)).filter(|_| !inside.is_empty())
        else {
            continue;
        };
        f.state.add(most == point.state);
        if most != point.state {
            *f.confusion.entry((most.word(), point.state.word())).or_default() += 1;
        }
        if most == BusState::Draining
            && let Some(deficit) = &point.implied_deficit_a
        {
            let true_a = inside.iter().map(|&k| truth.samples.implied_deficit_a[k]).sum::<f64>()
                / inside.len() as f64;
            f.deficit.add_interval(deficit.contains(true_a), deficit.high - deficit.low);
        }
    }
}
