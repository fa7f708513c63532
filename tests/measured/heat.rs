//! Pairs of the same running, early and late, against the truth.
//!
//! The truth of a change is the difference of the noise-free bus over the pair's
//! two spans. Output has truly fallen where what the machine could give, over
//! what its curve gives cold at that speed, is less late than early.

use std::fmt;

use stiffbus::car::Car;
use stiffbus::demo::script::{Demand, EngineChange, Warming};
use stiffbus::demo::simulate::simulate;
use stiffbus::diagnosis::OutputChange;
use stiffbus::log::Span;

use crate::figures::{Tally, diagnose, mean_true};
use crate::random_car::{Case, Options, random_case_with};

/// Output that changed by less has not.
const NO_LOSS_SHARE: f64 = 0.005;

#[derive(Default)]
struct Pairs {
    change: Tally,
    /// Of the pairs that claim less output: where there truly was less.
    claims: Tally,
    /// Of those: whether the amps told lie within what output truly lost.
    amps: Tally,
    /// Pairs that ask where the volts went.
    asked: usize,
}

impl Pairs {
    fn merge(&mut self, other: Pairs) {
        self.change.merge(other.change);
        self.claims.merge(other.claims);
        self.amps.merge(other.amps);
        self.asked += other.asked;
    }
}

impl fmt::Display for Pairs {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(
            f,
            "change covered in {}; {} ask where the volts went; less output is true in {}, amps no more than lost in {}",
            self.change, self.asked, self.claims, self.amps
        )
    }
}

fn over(seeds: std::ops::Range<u64>, change: fn(&mut Case)) -> Pairs {
    let options = Options { declared: Some(true), rpm_logged: Some(true), ..Options::default() };
    let (start, end) = (seeds.start, seeds.end);
    let share = |first: u64| {
        let mut pairs = Pairs::default();
        for seed in (start + first..end).step_by(2) {
            let mut case = random_case_with(seed, &options);
            change(&mut case);
            case.simulated = simulate(&case.car, &case.script, &case.logger, seed);
            pairs.merge(one(&case));
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
    let mut pairs = Pairs::default();
    for pair in &diagnosis.heat {
        let true_v = mean_true(case, pair.late) - mean_true(case, pair.early);
        let change = &pair.change_v;
        pairs.change.add_interval(change.contains(true_v), change.high - change.low);
        pairs.asked += usize::from(pair.output_change_a.is_some());
        if pair.output == OutputChange::Less {
            let fell = output_share(case, pair.early) - output_share(case, pair.late);
            pairs.claims.add(fell > NO_LOSS_SHARE);
            let available_a = &case.simulated.truth.samples.available_a;
            let lost_a =
                mean_of(case, available_a, pair.early) - mean_of(case, available_a, pair.late);
            let least_a = pair.output_change_a.as_ref().map_or(f64::NAN, |e| -e.high);
            pairs.amps.add(least_a <= lost_a);
        }
    }
    pairs
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

/// Cars as they come.
#[test]
#[ignore = "open: fails since the noise and the states are estimated anew"]
fn changes_are_covered_and_no_loss_is_made_up() {
    let pairs = over(7000..7200, |_| {});
    println!("heat, random cars: {pairs}");
    assert!((0.85..=0.95).contains(&pairs.change.share()), "{}", pairs.change);
    assert!(pairs.claims.all_right(), "{}", pairs.claims);
}

/// No heat takes anything from these.
#[test]
fn output_that_stays_is_never_said_to_fall() {
    let pairs = over(crate::sample::cars(7200..7300), |case| case.car.derating.lost_share = 0.0);
    println!("heat, output stays: {pairs}");
    assert!(pairs.asked > 0, "nothing was asked, so nothing is shown");
    assert_eq!(pairs.claims.count(), 0, "{}", pairs.claims);
}

/// And from these half, under a hood that goes from cool to hot while one set of
/// loads stays on at a warm engine's idle.
#[test]
fn output_that_falls_is_told_and_never_too_large() {
    let pairs = over(crate::sample::cars(7300..7400), |case| {
        case.car.derating.lost_share = 0.5;
        case.script.coolant.start_c = 88.0;
        case.script.underhood = Warming { start_c: 30.0, end_c: 105.0, time_constant_s: 200.0 };
        let first_s = case.script.switches.first().map_or(60.0, |s| s.at_s) + 20.0;
        case.script.switches.retain(|s| s.at_s < first_s);
        case.script.engine.retain(|e| e.at_s < first_s);
        let end_s = first_s + 400.0;
        for (after_s, demand) in [(0.0, Demand::Idle), (400.0, Demand::Speed(2600.0))] {
            case.script.engine.push(EngineChange { at_s: first_s + after_s, demand, ramp_s: 1.5 });
        }
        case.script.duration_s = end_s + 30.0;
    });
    println!("heat, output falls: {pairs}");
    assert!(pairs.claims.count() >= 2, "{}", pairs.claims);
    assert!(pairs.claims.all_right() && pairs.amps.share() >= 0.95, "{pairs}");
}
