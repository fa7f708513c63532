//! Intervals of levels and load steps where the noise has a memory: random cars, whose
//! noise-free bus gets noise of a known correlation time, rounded as loggers do.
//!
//! What an interval must hold is read off the noise-free bus at the logged moments, over the
//! very windows that the diagnosis names.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use stiffbus::car::Car;
use stiffbus::diagnosis::{Diagnosis, Direction, LoadStep};
use stiffbus::estimate::Estimate;
use stiffbus::log::Span;

use crate::figures::{Tally, mean_true};
use crate::matching::pair;
use crate::random_car::{Case, Options, random_case_with};

/// How a logger hears the bus.
#[derive(Debug, Clone, Copy)]
struct Hearing {
    samples_per_s: f64,
    noise_v: f64,
    /// To 1/e, of the part that has a memory, and that part of the variance.
    correlation_s: f64,
    slow_share: f64,
    /// A sine of the noise's variance and this period, as aliased mains or PWM make.
    beat_s: Option<f64>,
    resolution_v: f64,
    truncates: bool,
}

const PLAIN: Hearing = Hearing {
    samples_per_s: 10.0,
    noise_v: 0.02,
    correlation_s: 0.0,
    slow_share: 1.0,
    beat_s: None,
    resolution_v: 0.01,
    truncates: false,
};

impl Hearing {
    fn noise(&self, n: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let interval_s = 1.0 / self.samples_per_s;
        let rho =
            if self.correlation_s > 0.0 { (-interval_s / self.correlation_s).exp() } else { 0.0 };
        let normal = |rng: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(rng) };
        let mut slow = normal(rng);
        let phase = rng.random_range(0.0..std::f64::consts::TAU);
        let period_s = self.beat_s.map(|p| p * rng.random_range(0.7..1.4));
        (0..n)
            .map(|k| {
                slow = rho * slow + (1.0 - rho * rho).sqrt() * normal(rng);
                let random =
                    self.slow_share.sqrt() * slow + (1.0 - self.slow_share).sqrt() * normal(rng);
                let turn = |p: f64| std::f64::consts::TAU * k as f64 * interval_s / p + phase;
                let beat = period_s.map_or(0.0, |p| 2f64.sqrt() * turn(p).sin());
                self.noise_v * (random + beat)
            })
            .collect()
    }

    fn write(&self, v: f64) -> f64 {
        let steps = v / self.resolution_v;
        self.resolution_v * if self.truncates { steps.floor() } else { steps.round() }
    }

    /// A case, and its log as this logger writes it.
    fn log(&self, seed: u64) -> (Case, String) {
        let options = Options {
            declared: Some(true),
            rpm_logged: Some(true),
            plain_dialect: true,
            samples_per_s: Some(self.samples_per_s),
            noise_v: Some(0.002),
            ..Options::default()
        };
        let case = random_case_with(seed, &options);
        let time_s = &case.simulated.time_s;
        let noise = self.noise(time_s.len(), &mut ChaCha8Rng::seed_from_u64(seed ^ 0x6e6f_6973));
        let mut text = String::from("time (s),battery voltage (V),engine rpm");
        for load in &case.car.loads {
            text.push_str(&format!(",{} (on/off)", load.name));
        }
        text.push('\n');
        let samples = &case.simulated.truth.samples;
        for (k, t_s) in time_s.iter().enumerate() {
            let volts = self.write(samples.bus_v[k] + noise[k]);
            text.push_str(&format!("{t_s:.3},{volts:.4},{:.0}", samples.engine_rpm[k]));
            for load in 0..case.car.loads.len() {
                let switches = case.script.switches.iter();
                let last = switches.filter(|s| s.load == load && s.at_s <= t_s - time_s[0]);
                let on =
                    last.max_by(|a, b| a.at_s.total_cmp(&b.at_s)).is_some_and(|s| s.duty > 0.0);
                text.push_str(if on { ",1" } else { ",0" });
            }
            text.push('\n');
        }
        (case, text)
    }

    fn diagnose(&self, seed: u64) -> (Case, Diagnosis) {
        let (case, text) = self.log(seed);
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("log.csv");
        std::fs::write(&path, text).expect("a written log");
        let log = stiffbus::ingest::read(&path, &Default::default())
            .unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        let diagnosis = stiffbus::diagnose(&log, &Car::default())
            .unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        (case, diagnosis)
    }
}

/// How often each kind of interval holds its truth.
#[derive(Debug, Clone, Default)]
struct Coverage {
    level: Tally,
    shift: Tally,
    sag: Tally,
    trough: Tally,
    recovery: Tally,
    lag: Tally,
    /// Steps whose windows hold another change of load.
    across: usize,
}

impl Coverage {
    fn over(hearing: Hearing, seeds: std::ops::Range<u64>) -> Coverage {
        let share = |first: u64| {
            let mut coverage = Coverage::default();
            for seed in (first..seeds.end).step_by(2) {
                coverage.add_log(&hearing, seed);
            }
            coverage
        };
        std::thread::scope(|scope| {
            let other = scope.spawn(|| share(seeds.start + 1));
            let mut coverage = share(seeds.start);
            coverage.merge(other.join().expect("no case panics"));
            coverage
        })
    }

    fn kinds(&self) -> [(&'static str, &Tally); 6] {
        [
            ("level", &self.level),
            ("shift", &self.shift),
            ("sag", &self.sag),
            ("trough", &self.trough),
            ("recovery", &self.recovery),
            ("lag", &self.lag),
        ]
    }

    fn merge(&mut self, other: Coverage) {
        self.across += other.across;
        let Coverage { level, shift, sag, trough, recovery, lag, .. } = other;
        for (mine, theirs) in [
            (&mut self.level, level),
            (&mut self.shift, shift),
            (&mut self.sag, sag),
            (&mut self.trough, trough),
            (&mut self.recovery, recovery),
            (&mut self.lag, lag),
        ] {
            mine.merge(theirs);
        }
    }

    fn add_log(&mut self, hearing: &Hearing, seed: u64) {
        let (case, diagnosis) = hearing.diagnose(seed);
        let found: Vec<&LoadStep> = diagnosis.load_steps.iter().collect();
        let truths = &case.simulated.truth.steps;
        // Every reading of a channel that cuts off is half a step low, and no log shows it.
        let offset_v = if hearing.truncates { -0.5 * hearing.resolution_v } else { 0.0 };
        for (i, j) in pair(truths, &found, 2.0) {
            let step = found[j];
            if !step.answered {
                continue;
            }
            let holds = |span: Span| {
                truths.iter().any(|t| {
                    let inside = span.start_s + 1e-6 < t.at_s && t.at_s < span.end_s - 1e-6;
                    inside && t.at_s != truths[i].at_s
                })
            };
            if holds(step.baseline_span) || holds(step.settled_span) {
                self.across += 1;
                continue;
            }
            let baseline_v = mean_true(&case, step.baseline_span) + offset_v;
            let settled_v = mean_true(&case, step.settled_span) + offset_v;
            if !(baseline_v.is_finite() && settled_v.is_finite()) {
                continue;
            }
            let tally = |tally: &mut Tally, estimate: &Estimate, truth: f64| {
                tally.add_interval(estimate.contains(truth), estimate.high - estimate.low);
            };
            tally(&mut self.level, &step.baseline_v, baseline_v);
            tally(&mut self.level, &step.settled_v, settled_v);
            tally(&mut self.shift, &step.shift_v, baseline_v - settled_v);
            if let Some(lag) = &step.lag {
                tally(&mut self.lag, lag, truths[i].at_s - truths[i].declared_at_s);
            }
            let Some(quiet) = Quiet::of(&case, step, hearing.samples_per_s) else { continue };
            let sign = if step.direction == Direction::On { 1.0 } else { -1.0 };
            let trough_v = (sign * (quiet.extreme_v + offset_v)).min(sign * settled_v) * sign;
            tally(&mut self.trough, &step.trough, trough_v);
            tally(&mut self.sag, &step.sag_v, baseline_v - trough_v);
            if let Some(recovery) = &step.recovery
                && let Some(truth_s) = quiet.recovery_s(sign, settled_v - offset_v, recovery)
            {
                tally(&mut self.recovery, recovery, truth_s);
            }
        }
    }
}

/// The noise-free bus after a step, in the short means that a trough is looked for in.
struct Quiet {
    at_s: Vec<f64>,
    means_v: Vec<f64>,
    /// Index of the extreme one among the first ten seconds', and its value.
    extreme: usize,
    extreme_v: f64,
    width: usize,
}

impl Quiet {
    fn of(case: &Case, step: &LoadStep, samples_per_s: f64) -> Option<Quiet> {
        let time_s = &case.simulated.time_s;
        let at = |t_s: f64| time_s.partition_point(|t| t - time_s[0] < t_s - 1e-9);
        let (from, to) = (at(step.at_s), at(step.until_s));
        let width = ((0.15 * samples_per_s).round() as usize).max(1);
        let bus_v = case.simulated.truth.samples.bus_v.get(from..to)?;
        let means_v: Vec<f64> =
            bus_v.windows(width).map(|w| w.iter().sum::<f64>() / width as f64).collect();
        let sign = if step.direction == Direction::On { 1.0 } else { -1.0 };
        let at_s: Vec<f64> = time_s[from..to].iter().map(|t| t - time_s[0]).collect();
        let soon = at_s.iter().take_while(|t| **t < step.at_s + 10.0).count();
        let last = (soon + 1).checked_sub(width)?.min(means_v.len());
        let extreme =
            (0..last).min_by(|a, b| (sign * means_v[*a]).total_cmp(&(sign * means_v[*b])))?;
        Some(Quiet { extreme_v: means_v[extreme], at_s, means_v, extreme, width })
    }

    /// From the extreme until within the band that the estimate names.
    fn recovery_s(&self, sign: f64, settled_v: f64, estimate: &Estimate) -> Option<f64> {
        let words: Vec<&str> = estimate.how.split(' ').collect();
        let band_v: f64 = words.get(1)?.parse::<f64>().ok()? / 1000.0;
        let middle = self.extreme + self.width / 2;
        let back = (middle..self.means_v.len())
            .find(|&k| sign * (settled_v - self.means_v[k]) <= band_v)?;
        Some(self.at_s[back] - self.at_s[middle])
    }
}

/// Unseen while the estimators were made.
const SEEDS: std::ops::Range<u64> = 30_000..30_012;

fn assert_calibrated(name: &str, hearings: &[Hearing], seeds: std::ops::Range<u64>) {
    let mut all = Coverage::default();
    for hearing in hearings {
        let coverage = Coverage::over(*hearing, seeds.clone());
        println!("{hearing:?}");
        for (kind, tally) in coverage.kinds() {
            println!("    {kind}: {tally}");
        }
        all.merge(coverage);
    }
    println!("{name}, together; {} windows held another step", all.across);
    for (kind, tally) in all.kinds() {
        println!("    {kind}: {tally}");
    }
    assert_eq!(all.across, 0, "{name}: a level was measured across a step");
    for (kind, tally) in all.kinds() {
        assert!((0.85..=0.95).contains(&tally.share()), "{name}: {kind} {tally}");
    }
}

fn each_pace(hearing: Hearing, paces: &[f64]) -> Vec<Hearing> {
    paces.iter().map(|&samples_per_s| Hearing { samples_per_s, ..hearing }).collect()
}

#[test]
#[ignore = "open: bars of 85 to 95 % not met in the whole tool yet"]
fn intervals_hold_with_white_noise() {
    assert_calibrated("white", &each_pace(PLAIN, &[1.0, 2.0, 5.0, 20.0, 50.0]), SEEDS);
}

#[test]
#[ignore = "open: bars of 85 to 95 % not met in the whole tool yet"]
fn intervals_hold_with_a_memory_of_one_second() {
    let hearing = Hearing { correlation_s: 1.0, ..PLAIN };
    assert_calibrated("1 s", &each_pace(hearing, &[1.0, 2.0, 10.0, 50.0]), SEEDS);
}

#[test]
#[ignore = "open: bars of 85 to 95 % not met in the whole tool yet"]
fn intervals_hold_with_a_memory_of_two_seconds() {
    let hearing = Hearing { correlation_s: 2.0, slow_share: 0.6, ..PLAIN };
    assert_calibrated("2 s, part", &each_pace(hearing, &[1.0, 5.0, 20.0]), SEEDS);
}

#[test]
#[ignore = "open: bars of 85 to 95 % not met in the whole tool yet"]
fn intervals_hold_with_a_memory_of_four_seconds() {
    let hearing = Hearing { correlation_s: 4.0, ..PLAIN };
    assert_calibrated("4 s", &each_pace(hearing, &[1.0, 5.0, 20.0]), SEEDS);
}

#[test]
#[ignore = "open: bars of 85 to 95 % not met in the whole tool yet"]
fn intervals_hold_whatever_the_resolution() {
    let coarse = |resolution_v: f64, truncates: bool, noise_v: f64| Hearing {
        correlation_s: 0.5,
        resolution_v,
        truncates,
        noise_v,
        ..PLAIN
    };
    let hearings = [
        coarse(0.1, false, 0.01),
        coarse(0.1, true, 0.03),
        coarse(0.05, true, 0.03),
        coarse(0.02, false, 0.04),
    ];
    assert_calibrated("coarse", &hearings, SEEDS);
}

#[test]
#[ignore = "open: bars of 85 to 95 % not met in the whole tool yet"]
fn intervals_hold_with_an_aliased_beat() {
    let beat = |beat_s: f64, samples_per_s: f64| Hearing {
        samples_per_s,
        noise_v: 0.015,
        beat_s: Some(beat_s),
        ..PLAIN
    };
    assert_calibrated("beat", &[beat(2.0, 10.0), beat(6.0, 10.0), beat(12.0, 2.0)], SEEDS);
}
