//! How well undeclared steps are found in logs recorded the way people do it.

use std::fmt;
use std::ops::Range;

use stiffbus::car::Car;
use stiffbus::diagnosis::{Diagnosis, LoadStep, Origin};

use crate::everyday::{Everyday, Wants, everyday_case};
use crate::figures;
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
}

impl Steps {
    pub fn false_per_ten_minutes(&self) -> f64 {
        10.0 * self.score.wrong as f64 / self.minutes
    }

    fn merge(&mut self, other: &Steps) {
        self.score.found += other.score.found;
        self.score.missed += other.score.missed;
        self.score.wrong += other.score.wrong;
        self.minutes += other.minutes;
        self.beside_speed += other.beside_speed;
        self.cycling += other.cycling;
    }
}

impl fmt::Display for Steps {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(
            f,
            "{}, {:.2} false in ten minutes ({} beside a change of speed, {} while a load cycled)",
            self.score,
            self.false_per_ten_minutes(),
            self.beside_speed,
            self.cycling
        )
    }
}

fn steps_of(everyday: &Everyday, diagnosis: &Diagnosis) -> Steps {
    let within_s = 1.5 * everyday.interval_s() + 1.0;
    let told: Vec<&LoadStep> =
        diagnosis.load_steps.iter().filter(|s| s.origin == Origin::Detected).collect();
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

/// All cases of `seeds`, on both cores: by sampling rate, slowest first.
pub fn over(seeds: Range<u64>, wants: Wants) -> Vec<(f64, Steps)> {
    let one = |seed: u64| {
        let everyday = everyday_case(seed, &wants);
        let diagnosis = figures::diagnose(&everyday.case, &Car::default());
        (everyday.case.logger.samples_per_s, steps_of(&everyday, &diagnosis))
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

const SEEDS: Range<u64> = 60_000..60_200;

fn undeclared(rpm_logged: bool) -> Wants {
    Wants { declared: Some(false), rpm_logged: Some(rpm_logged), ..Wants::default() }
}

#[test]
fn undeclared_steps_are_found_with_engine_speed() {
    let steps = shown("with engine speed", &over(SEEDS, undeclared(true)));
    assert!(steps.score.f1() >= 0.95, "{steps}");
    assert!(steps.false_per_ten_minutes() <= 1.0, "{steps}");
}

#[test]
fn undeclared_steps_are_found_by_voltage_alone() {
    let steps = shown("voltage alone", &over(SEEDS, undeclared(false)));
    assert!(steps.score.f1() >= 0.9, "{steps}");
    assert!(steps.false_per_ten_minutes() <= 1.0, "{steps}");
}

#[test]
fn where_loads_are_declared_nothing_else_is_a_step() {
    let wants = Wants { declared: Some(true), ..Wants::default() };
    let steps = shown("declared", &over(SEEDS, wants));
    assert!(steps.false_per_ten_minutes() <= 1.0, "{steps}");
}

#[test]
#[ignore]
fn dump() {
    use std::fmt::Write;
    let folder = std::path::PathBuf::from(std::env::var("DUMP").unwrap());
    std::fs::create_dir_all(&folder).unwrap();
    let all = [
        ("rpm", undeclared(true), 60_000..60_200),
        ("volt", undeclared(false), 60_000..60_200),
        ("decl", Wants { declared: Some(true), ..Wants::default() }, 60_000..60_100),
        (
            "fast",
            Wants { declared: Some(false), samples_per_s: Some(5.0), ..Wants::default() },
            60_000..60_060,
        ),
        (
            "ten",
            Wants { declared: Some(false), samples_per_s: Some(10.0), ..Wants::default() },
            60_060..60_120,
        ),
    ];
    for (name, wants, seeds) in all {
        for seed in seeds {
            let e = everyday_case(seed, &wants);
            let log = figures::read(&e.case);
            let s = stiffbus::segment::segment(&log);
            let mut t = String::new();
            writeln!(
                t,
                "G {} {} {} {}",
                s.grain.sigma_v,
                s.grain.memory_samples,
                s.grain.step_v.unwrap_or(0.0),
                s.grain.interval_s
            )
            .unwrap();
            for p in &s.phases {
                writeln!(t, "P {:?} {} {}", p.kind, p.start_s, p.end_s).unwrap();
            }
            for p in &e.truth().phases {
                writeln!(t, "TP {:?} {} {}", p.kind, p.start_s, p.end_s).unwrap();
            }
            for c in &s.speed_changes {
                writeln!(t, "C {} {}", c.start_s, c.end_s).unwrap();
            }
            for c in &e.speed_changes {
                writeln!(t, "TC {} {}", c.start_s, c.end_s).unwrap();
            }
            for c in &s.steps {
                writeln!(
                    t,
                    "S {} {:?} {:?} {}",
                    c.at_s,
                    c.origin,
                    c.direction,
                    c.load.clone().unwrap_or_default().replace(' ', "_")
                )
                .unwrap();
            }
            for c in &e.changes {
                writeln!(
                    t,
                    "TS {} {} {:?} {} {:?} {}",
                    c.at_s,
                    c.done_s,
                    c.direction,
                    c.shift_v.unwrap_or(f64::NAN),
                    c.manner,
                    c.load.replace(' ', "_")
                )
                .unwrap();
            }
            let n = &e.case.logger.noise;
            writeln!(
                t,
                "N {} {} {} {} hunt {} {} resp {}",
                n.white_v,
                n.autoregressive_v,
                n.rho,
                n.ripple_v,
                e.case.car.idle.hunting_rpm,
                e.case.car.idle.hunting_s,
                e.case.car.regulator.response_s
            )
            .unwrap();
            let rpm = log.engine_rpm();
            for (k, (tt, v)) in log.time_s().iter().zip(log.bus_v()).enumerate() {
                writeln!(
                    t,
                    "D {} {} {} {}",
                    tt,
                    v,
                    rpm.map_or(f64::NAN, |r| r[k]),
                    e.truth().samples.bus_v[k.min(e.truth().samples.bus_v.len() - 1)]
                )
                .unwrap();
            }
            std::fs::write(folder.join(format!("{name}-{seed}.txt")), t).unwrap();
        }
    }
}
