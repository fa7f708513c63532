//! Pairs of the same running, early and late, against the truth.
//!
//! The truth of a change is the difference of the noise-free bus over the pair's
//! two spans. Output has truly fallen where what the machine could give, over
//! what its curve gives cold at that speed, is less late than early.

use stiffbus::car::Car;
use stiffbus::diagnosis::{HeatPair, OutputChange};
use stiffbus::log::Span;

use crate::figures::{Tally, diagnose, mean_true};
use crate::random_car::{Case, Options, random_case_with};

const SEEDS: std::ops::Range<u64> = 7000..7200;
/// Claimed or not, output that changed by less has not.
const NO_LOSS_SHARE: f64 = 0.005;

#[derive(Default)]
struct Pairs {
    change: Tally,
    /// Of the pairs that claim less output: where there truly was less.
    claims: Tally,
    /// Of the claims: those whose interval holds the amps lost at most.
    asked: usize,
    cases: usize,
}

impl Pairs {
    fn merge(&mut self, other: Pairs) {
        self.change.merge(other.change);
        self.claims.merge(other.claims);
        self.asked += other.asked;
        self.cases += other.cases;
    }
}

fn seeds() -> std::ops::Range<u64> {
    match std::env::var("FROM").ok().and_then(|f| f.parse::<u64>().ok()) {
        Some(from) => from..from + 200,
        None => SEEDS,
    }
}

fn over(options: &Options) -> Pairs {
    let share = |first: u64| {
        let mut pairs = Pairs::default();
        for seed in (seeds().start + first..seeds().end).step_by(2) {
            pairs.merge(one(&random_case_with(seed, options)));
        }
        pairs
    };
    std::thread::scope(|scope| {
        let other = scope.spawn(|| share(1));
        let mut pairs = share(0);
        pairs.merge(other.join().expect("no case panics"));
        pairs
    })
}

fn one(case: &Case) -> Pairs {
    let diagnosis = diagnose(case, &Car::default());
    let mut pairs = Pairs { cases: 1, ..Pairs::default() };
    for pair in &diagnosis.heat {
        let true_v = mean_true(case, pair.late) - mean_true(case, pair.early);
        let change = &pair.change_v;
        pairs.change.add_interval(change.contains(true_v), change.high - change.low);
        pairs.asked += usize::from(pair.output_change_a.is_some());
        if pair.output == OutputChange::Less {
            let fell = output_share(case, pair.early) - output_share(case, pair.late);
            pairs.claims.add(fell > NO_LOSS_SHARE);
            if std::env::var("DUMP").is_ok() {
                println!("CLAIM {} fell {fell:.3} {}", case.seed, told(case, pair));
            }
        }
    }
    pairs
}

fn told(case: &Case, pair: &HeatPair) -> String {
    let change = pair.output_change_a.as_ref().map_or(f64::NAN, |e| e.value);
    let truly = mean_of(case, &case.simulated.truth.samples.alternator_a, pair.late)
        - mean_of(case, &case.simulated.truth.samples.alternator_a, pair.early);
    format!("{change:.1} A told, {truly:.1} A made less; {}", pair.told)
}

/// What the machine could give over what its curve gives cold at that speed.
fn output_share(case: &Case, span: Span) -> f64 {
    let samples = &case.simulated.truth.samples;
    let cold_a: Vec<f64> = samples
        .engine_rpm
        .iter()
        .map(|rpm| case.car.curve.output(rpm * case.car.pulley_ratio).amps_a)
        .collect();
    mean_of(case, &samples.available_a, span) / mean_of(case, &cold_a, span)
}

fn mean_of(case: &Case, values: &[f64], span: Span) -> f64 {
    let inside = case.simulated.time_s.iter().zip(values).filter(|(t, _)| span.contains(**t));
    let (sum, count) = inside.fold((0.0, 0.0), |(sum, count), (_, v)| (sum + v, count + 1.0));
    sum / count
}

#[test]
fn pairs_early_and_late_tell_the_truth() {
    let options = Options { declared: Some(true), rpm_logged: Some(true), ..Options::default() };
    let pairs = over(&options);
    println!(
        "heat: change covers {} pairs of {} cars; {} pairs ask where the volts went; less output truly in {} claims",
        pairs.change, pairs.cases, pairs.asked, pairs.claims
    );
    assert!(pairs.cases >= 60);
    assert!((0.85..=0.95).contains(&pairs.change.share()), "{}", pairs.change);
    assert!(pairs.claims.share() >= 1.0 || pairs.claims.share().is_nan(), "{}", pairs.claims);
}
