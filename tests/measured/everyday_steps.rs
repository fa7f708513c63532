//! How well undeclared steps are found in logs recorded the way people do it.

use std::fmt;
use std::ops::Range;

use stiffbus::car::Car;
use stiffbus::diagnosis::{Diagnosis, LoadStep, Origin};
use stiffbus::log::Span;

use crate::coverage::Coverage;
use crate::everyday::{Everyday, Wants, everyday_case};
use crate::figures::{self, Tally};
use crate::matching::Score;

/// The least change of level that has to be found.
const LEAST_V: f64 = 0.15;

#[derive(Debug, Clone, Default)]
pub struct Steps {
    pub score: Score,
    minutes: f64,
    /// Of the false ones: beside a change of speed, and while a load cycled.
    beside_speed: usize,
    cycling: usize,
    /// Spans of levels that no change divides.
    pub spans: Tally,
}

impl Steps {
    pub fn false_per_ten_minutes(&self) -> f64 {
        10.0 * self.score.wrong as f64 / self.minutes
    }

    /// At most one in ten minutes.
    fn false_steps_are_few(&self) -> bool {
        self.false_per_ten_minutes() <= crate::sample::rate_at_most(1.0, self.minutes / 10.0)
    }

    fn merge(&mut self, other: &Steps) {
        self.score.found += other.score.found;
        self.score.missed += other.score.missed;
        self.score.wrong += other.score.wrong;
        self.minutes += other.minutes;
        self.beside_speed += other.beside_speed;
        self.cycling += other.cycling;
        self.spans.merge(other.spans.clone());
    }
}

impl fmt::Display for Steps {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(
            f,
            "{}, {:.2} false in ten minutes ({} beside a change of speed, {} while a load cycled), spans whole {}",
            self.score,
            self.false_per_ten_minutes(),
            self.beside_speed,
            self.cycling,
            self.spans
        )
    }
}

fn steps_of(everyday: &Everyday, told: &[LoadStep]) -> Steps {
    let within_s = 1.5 * everyday.interval_s() + 1.0;
    let told: Vec<&LoadStep> = told.iter().filter(|s| s.origin == Origin::Detected).collect();
    let mut free = vec![true; told.len()];
    let mut steps = Steps { minutes: everyday.running_minutes(), ..Steps::default() };
    for change in &everyday.changes {
        let apart_s =
            |step: &LoadStep| (change.at_s - step.at_s).max(step.at_s - change.done_s).max(0.0);
        let nearest = (0..told.len())
            .filter(|&j| free[j] && told[j].direction == change.direction)
            .filter(|&j| apart_s(told[j]) <= within_s)
            .min_by(|&a, &b| apart_s(told[a]).total_cmp(&apart_s(told[b])));
        if let Some(j) = nearest {
            free[j] = false;
        }
        let counts = !everyday.declared && change.shift_v.is_some_and(|v| v.abs() >= LEAST_V);
        steps.score.found += usize::from(counts && nearest.is_some());
        steps.score.missed += usize::from(counts && nearest.is_none());
    }
    for step in (0..told.len()).filter(|&j| free[j]).map(|j| told[j]) {
        let beside = |start_s: f64, end_s: f64| {
            start_s - within_s <= step.at_s && step.at_s <= end_s + within_s
        };
        steps.score.wrong += 1;
        let mut speeds = everyday.speed_changes.iter();
        steps.beside_speed += usize::from(speeds.any(|s| beside(s.start_s, s.end_s)));
        let mut changes = everyday.changes.iter();
        steps.cycling += usize::from(changes.any(|c| beside(c.at_s, c.done_s)));
    }
    steps
}

/// The spans that the tool measured levels over, and those of them that no change of
/// load or speed divides.
fn whole_spans(everyday: &Everyday, diagnosis: &Diagnosis) -> Tally {
    let steps = diagnosis.load_steps.iter().flat_map(|s| [s.baseline_span, s.settled_span]);
    let points = diagnosis.operating_points.iter().flat_map(|p| p.spans.iter().copied());
    let mut tally = Tally::default();
    steps.chain(points).for_each(|span| tally.add(!is_divided(everyday, span)));
    tally
}

/// A change within it that moves the noise-free bus, from one side to the other, by as much
/// as the tool has to see.
fn is_divided(everyday: &Everyday, span: Span) -> bool {
    let loads = everyday.changes.iter();
    let loads = loads.map(|c| (Span { start_s: c.at_s, end_s: c.done_s }, c.shift_v));
    let speeds = everyday.speed_changes.iter().map(|span| (*span, None));
    let truth = everyday.truth();
    let level = |start_s: f64, end_s: f64| {
        let time_s = &everyday.case.simulated.time_s;
        let from = time_s.partition_point(|&t| t < start_s);
        let to = time_s.partition_point(|&t| t < end_s).max(from);
        let seen = &truth.samples.bus_v[from..to];
        seen.iter().sum::<f64>() / seen.len() as f64
    };
    // What drifts over minutes is no change.
    let beside_s = (3.0 * everyday.interval_s()).max(6.0);
    loads.chain(speeds).any(|(change, shift_v)| {
        let (from_s, to_s) = (change.start_s.max(span.start_s), change.end_s.min(span.end_s));
        let before_v = level((change.start_s - beside_s).max(span.start_s), change.start_s);
        let after_v = level(change.end_s, (change.end_s + beside_s).min(span.end_s + 1e-3));
        // An idle that hunts moves the bus too: what the load does is known.
        let moved_v = (before_v - after_v).abs().min(shift_v.map_or(f64::MAX, f64::abs));
        from_s < to_s + 1e-9 && (before_v - after_v).is_finite() && moved_v >= LEAST_V
    })
}

/// All cases of `seeds`, on both cores: by sampling rate, slowest first.
pub fn over(seeds: Range<u64>, wants: Wants) -> Vec<(f64, Steps)> {
    let one = |seed: u64| {
        let everyday = everyday_case(seed, &wants);
        let samples_per_s = everyday.case.logger.samples_per_s;
        let log = figures::read(&everyday.case);
        match stiffbus::diagnose(&log, &Car::default()) {
            Ok(said) => {
                let spans = whole_spans(&everyday, &said);
                (samples_per_s, Steps { spans, ..steps_of(&everyday, &said.load_steps) })
            }
            Err(e) => {
                println!("no diagnosis of {seed}: {e}");
                (samples_per_s, steps_of(&everyday, &[]))
            }
        }
    };
    let share = |first: u64| (first..seeds.end).step_by(2).map(one).collect::<Vec<_>>();
    let all = std::thread::scope(|scope| {
        let other = scope.spawn(|| share(seeds.start + 1));
        let mut all = share(seeds.start);
        all.extend(other.join().expect("no case panics"));
        all
    });
    let mut rates: Vec<(f64, Steps)> = Vec::new();
    for (rate, steps) in &all {
        match rates.iter_mut().find(|(r, _)| r == rate) {
            Some((_, sum)) => sum.merge(steps),
            None => rates.push((*rate, steps.clone())),
        }
    }
    rates.sort_by(|a, b| a.0.total_cmp(&b.0));
    rates
}

fn shown(name: &str, rates: &[(f64, Steps)]) -> Steps {
    let mut total = Steps::default();
    for (rate, steps) in rates {
        println!("{name}, {rate} a second: {steps}");
        total.merge(steps);
    }
    println!("{name}: {total}");
    total
}

/// `EVERYDAY_SEEDS=64000` looks at others; 60000..62000 chose what the tool does.
fn seeds(count: u64) -> Range<u64> {
    let first = std::env::var("EVERYDAY_SEEDS").ok().and_then(|s| s.parse().ok());
    let first: u64 = first.unwrap_or(62_000);
    crate::sample::cars(first..first + count)
}

fn undeclared(rpm_logged: bool) -> Wants {
    Wants { declared: Some(false), rpm_logged: Some(rpm_logged), ..Wants::default() }
}

/// No level is measured across a change.
fn assert_spans_are_whole(steps: &Steps) {
    assert!(steps.spans.share() >= 0.97, "{steps}");
    assert!(steps.spans.count() > 0);
}

#[test]
fn undeclared_steps_are_found_with_engine_speed() {
    let steps = shown("with engine speed", &over(seeds(200), undeclared(true)));
    let least = crate::sample::at_least(0.95, steps.spans.count());
    assert!(steps.score.f1() >= least, "{steps}");
    assert!(steps.false_steps_are_few(), "{steps}");
    assert_spans_are_whole(&steps);
}

/// A return to idle drops the bus as a load does, and voltage alone cannot tell which: the
/// engine idles throughout, but for the start.
#[test]
#[ignore = "open: F1 0.862 and 0.850 (63000..), where 0.9 is asked: stretches in which nothing charges pass for rest, and idles raised for a load and last stops for loads; 0.3 false in ten minutes"]
fn undeclared_steps_are_found_by_voltage_alone() {
    let wants = Wants { idle_only: true, ..undeclared(false) };
    let steps = shown("voltage alone, idling", &over(seeds(200), wants));
    assert!(steps.score.f1() >= 0.9, "{steps}");
    assert!(steps.false_steps_are_few(), "{steps}");
    assert_spans_are_whole(&steps);
}

#[test]
fn speed_that_is_not_logged_makes_few_steps() {
    let steps = shown("voltage alone", &over(seeds(200), undeclared(false)));
    assert!(steps.false_steps_are_few(), "{steps}");
}

#[test]
fn where_loads_are_declared_nothing_else_is_a_step() {
    let wants = Wants { declared: Some(true), ..Wants::default() };
    let steps = shown("declared", &over(seeds(200), wants));
    assert!(steps.false_steps_are_few(), "{steps}");
    assert_spans_are_whole(&steps);
}

/// Levels, sag, trough, recovery, lag and shift of logs as they come.
#[test]
#[ignore = "open: levels 96.9 %, where 95 is the most: an idle that hunts counts as noise; 16 of 695 windows across a step (61000..)"]
fn intervals_hold_in_everyday_logs() {
    let seeds = seeds(200);
    let share = |first: u64| {
        let mut coverage = Coverage::default();
        for seed in (first..seeds.end).step_by(2) {
            let everyday = everyday_case(seed, &Wants::default());
            let log = figures::read(&everyday.case);
            let Ok(diagnosis) = stiffbus::diagnose(&log, &Car::default()) else { continue };
            coverage.add_log(&everyday.case, &diagnosis, everyday.offset_v());
        }
        coverage
    };
    let coverage = std::thread::scope(|scope| {
        let other = scope.spawn(|| share(seeds.start + 1));
        let mut coverage = share(seeds.start);
        coverage.merge(other.join().expect("no case panics"));
        coverage
    });
    println!("everyday logs: {coverage}");
    coverage.assert_calibrated();
}

#[test]
#[ignore = "open: F1 0.963 at five a second, 0.940 at ten, half of the false ones while a load cycled"]
fn a_fast_logger_shows_the_same_steps() {
    for samples_per_s in [5.0, 10.0] {
        let wants = Wants { samples_per_s: Some(samples_per_s), ..undeclared(true) };
        let steps = shown("fast, with engine speed", &over(seeds(40), wants));
        assert!(steps.score.f1() >= 0.95, "{steps}");
        assert!(steps.false_steps_are_few(), "{steps}");
    }
}
