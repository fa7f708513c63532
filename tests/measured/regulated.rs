//! Sound cars with every kind of regulator, and cars that truly fall short: what the verdict
//! says of them, which faults it finds, and how well the probability that the regulator was
//! in control is calibrated. Figures are printed with `--nocapture`; `REGULATED_SEEDS=A..B`
//! takes other seeds, for figures over more cars.

use std::collections::BTreeMap;
use std::ops::Range;

use stiffbus::car::Car;
use stiffbus::diagnosis::{BusState, Diagnosis, RegulatorKind, Severity, VerdictWord};

use crate::figures::Tally;
use crate::random_car::Case;
use crate::regulators::{Kind, Size, kind_of, regulated_case};
use crate::sample::{at_least, at_most, cars};

/// They chose how a level's settling counts: figures of unseen seeds are in DEVELOPERS.md.
const SEEDS: Range<u64> = 71_300..71_600;
/// … and for what moves the setpoint.
const NAMED_SEEDS: Range<u64> = 78_000..78_160;
/// Bins of the probability.
const BINS: usize = 10;

#[derive(Default)]
struct Outcome {
    /// By what the physics call for and what is said.
    words: BTreeMap<(Size2, &'static str), usize>,
    failed: Vec<String>,
    faults: BTreeMap<String, usize>,
    with_fault: usize,
    /// Cautions on sound cars: these are no faults, and few should be.
    cautions: BTreeMap<String, usize>,
    cannot_tell: Vec<String>,
    healthy: usize,
    short: usize,
    missed: Vec<String>,
    where_right: Tally,
    states: Tally,
    confusion: BTreeMap<(&'static str, &'static str), usize>,
    by_kind: BTreeMap<Kind, [usize; 4]>,
    /// Probability said and share that was in control, by bin: sum, count, right.
    bins: [(f64, usize, usize); BINS],
    setpoint_errors: Vec<f64>,
    setpoint_covered: Tally,
}

/// What is true of a car.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Size2 {
    KeepsUp,
    Limited,
    Short,
}

fn seeds() -> Range<u64> {
    let asked = std::env::var("REGULATED_SEEDS").ok();
    let parsed = asked.as_deref().and_then(|text| {
        let (start, end) = text.split_once("..")?;
        Some(start.parse().ok()?..end.parse().ok()?)
    });
    parsed.unwrap_or(cars(SEEDS))
}

fn over(seeds: Range<u64>) -> Outcome {
    let sum = |first: u64| {
        let mut outcome = Outcome::default();
        for seed in (seeds.start + first..seeds.end).step_by(2) {
            for size in [Size::Ample, Size::Small] {
                one(&regulated_case(seed, size), size, &mut outcome);
            }
        }
        outcome
    };
    std::thread::scope(|scope| {
        let other = scope.spawn(|| sum(1));
        let mut outcome = sum(0);
        outcome.merge(other.join().expect("no case panics"));
        outcome
    })
}

fn one(case: &Case, size: Size, o: &mut Outcome) {
    let car = Car::default();
    let log = crate::figures::read(case);
    let examined = stiffbus::examine(&log, &car).unwrap_or_else(|e| panic!("{}: {e}", case.seed));
    let said = examined.diagnosis(&car);
    dump(case, size, &examined, &said);
    let truth = case.simulated.truth.verdict;
    let word = said.verdict.word;
    use VerdictWord::*;
    let class = match truth {
        KeepsUp => Size2::KeepsUp,
        LittleInReserve => Size2::Limited,
        FallsShort | FallsShortAtIdle | NotCharging => Size2::Short,
        Overcharges | CannotTell => return,
    };
    let kind = kind_of(case.seed);
    *o.words.entry((class, word.words())).or_default() += 1;
    let line =
        format!("{} {size:?} {kind:?} ({}): {}", case.seed, truth.words(), said.verdict.headline);
    let failed = matches!(word, FallsShort | FallsShortAtIdle | NotCharging | Overcharges);
    let row = o.by_kind.entry(kind).or_default();
    if class == Size2::Short {
        o.short += 1;
        row[2] += 1;
        if !failed {
            row[3] += 1;
            o.missed.push(line);
        } else if case
            .logger
            .channels
            .iter()
            .any(|c| c.shows == stiffbus::demo::logger::Shows::EngineRpm)
        {
            let right = word == truth;
            o.where_right.add(right);
            if !right && std::env::var("REGULATED_SEEDS").is_ok() {
                println!("where: {line}");
            }
        }
    } else {
        o.healthy += 1;
        row[0] += 1;
        if failed {
            row[1] += 1;
            o.failed.push(line);
        } else if word == CannotTell {
            o.cannot_tell.push(line);
        }
        for caution in said.findings.iter().filter(|f| f.severity == Severity::Caution) {
            *o.cautions.entry(caution.id.clone()).or_default() += 1;
        }
        let faults: Vec<&str> = said
            .findings
            .iter()
            .filter(|f| f.severity == Severity::Fault)
            .map(|f| f.id.as_str())
            .collect();
        o.with_fault += usize::from(!faults.is_empty());
        for id in faults {
            *o.faults.entry(id.to_owned()).or_default() += 1;
            if std::env::var("REGULATED_SEEDS").is_ok() {
                println!("fault: {id} {} {size:?} {kind:?}", case.seed);
            }
        }
    }
    points(case, &said, o);
}

fn points(case: &Case, said: &Diagnosis, o: &mut Outcome) {
    let samples = &case.simulated.truth.samples;
    for point in &said.operating_points {
        let inside: Vec<usize> = (0..case.simulated.time_s.len())
            .filter(|&k| point.spans.iter().any(|s| s.contains(case.simulated.time_s[k])))
            .collect();
        if inside.is_empty() {
            continue;
        }
        let count = |state: BusState| inside.iter().filter(|&&k| samples.state[k] == state).count();
        let states = [BusState::Holding, BusState::Limited, BusState::Draining];
        let most = states.into_iter().max_by_key(|s| count(*s)).expect("three states");
        o.states.add(most == point.state);
        if most != point.state {
            *o.confusion.entry((most.word(), point.state.word())).or_default() += 1;
            if std::env::var("REGULATED_POINTS").is_ok() {
                println!(
                    "state: {} {:?} {}: true {} said {} ({:.2}, {}) {:?} {:?} rpm {:.2} V {:.0} s",
                    case.seed,
                    kind_of(case.seed),
                    case.car.rated_a.round(),
                    most.word(),
                    point.state.word(),
                    point.regulated_probability.unwrap_or(f64::NAN),
                    point.state_how,
                    point.loads,
                    point.rpm.map(f64::round),
                    point.voltage_v.value,
                    point.seconds
                );
            }
        }
        let in_control =
            inside.iter().filter(|&&k| samples.saturated[k]).count() * 2 < inside.len();
        if let Some(p) = point.regulated_probability {
            let bin = &mut o.bins[((p * BINS as f64) as usize).min(BINS - 1)];
            bin.0 += p;
            bin.1 += 1;
            bin.2 += usize::from(in_control);
        }
    }
    // The setpoint where the log stands longest.
    for at in &said.setpoint_track {
        let nearest = case.simulated.time_s.partition_point(|t| *t < at.at_s);
        let Some(&true_v) = samples.setpoint_v.get(nearest) else { continue };
        let plain =
            !matches!(kind_of(case.seed), Kind::Drooping | Kind::RemoteSensed | Kind::LoggerGround);
        if plain && samples.state[nearest] == BusState::Holding {
            o.setpoint_errors.push((at.level_v.value - true_v).abs());
            o.setpoint_covered.add(at.level_v.contains(true_v));
        }
    }
}

impl Outcome {
    fn merge(&mut self, other: Outcome) {
        for (key, count) in other.words {
            *self.words.entry(key).or_default() += count;
        }
        self.failed.extend(other.failed);
        for (id, count) in other.faults {
            *self.faults.entry(id).or_default() += count;
        }
        self.with_fault += other.with_fault;
        for (id, count) in other.cautions {
            *self.cautions.entry(id).or_default() += count;
        }
        self.cannot_tell.extend(other.cannot_tell);
        self.healthy += other.healthy;
        self.short += other.short;
        self.missed.extend(other.missed);
        self.where_right.merge(other.where_right);
        self.states.merge(other.states);
        for (key, count) in other.confusion {
            *self.confusion.entry(key).or_default() += count;
        }
        for (kind, row) in other.by_kind {
            let mine = self.by_kind.entry(kind).or_default();
            for (a, b) in mine.iter_mut().zip(row) {
                *a += b;
            }
        }
        for (mine, theirs) in self.bins.iter_mut().zip(other.bins) {
            mine.0 += theirs.0;
            mine.1 += theirs.1;
            mine.2 += theirs.2;
        }
        self.setpoint_errors.extend(other.setpoint_errors);
        self.setpoint_covered.merge(other.setpoint_covered);
    }

    /// Mean distance between what is said and what is so, by bin.
    fn calibration_error(&self) -> f64 {
        let all: usize = self.bins.iter().map(|b| b.1).sum();
        let off = |&(sum, _, right): &(f64, usize, usize)| (sum - right as f64).abs();
        self.bins.iter().map(off).sum::<f64>() / all as f64
    }

    fn print(&mut self) {
        println!("what is true and what is said: {:#?}", self.words);
        for (what, lines) in
            [("failed", &self.failed), ("cannot tell", &self.cannot_tell), ("missed", &self.missed)]
        {
            for line in lines {
                println!("{what}: {line}");
            }
        }
        println!("by kind: sound, failed, short, missed: {:?}", self.by_kind);
        println!(
            "sound {}: failed {}, with a fault {} {:?}, cannot tell {}; short {}: missed {}; at idle or everywhere right {}",
            self.healthy,
            self.failed.len(),
            self.with_fault,
            self.faults,
            self.cannot_tell.len(),
            self.short,
            self.missed.len(),
            self.where_right
        );
        println!("cautions on sound cars: {:?}", self.cautions);
        println!("states {}; confused {:?}", self.states, self.confusion);
        for (sum, count, right) in self.bins {
            println!(
                "  in control said {:.2}, so {:.2}, {count} points",
                sum / count as f64,
                right as f64 / count as f64
            );
        }
        println!("calibration error {:.3}", self.calibration_error());
        self.setpoint_errors.sort_by(f64::total_cmp);
        let middle = self.setpoint_errors.get(self.setpoint_errors.len() / 2);
        println!("setpoint track: median error {middle:?} V, covered {}", self.setpoint_covered);
    }
}

/// The aims are 1, 2, 10 and 3 %. The last bar leaves room for the luck of 300 cars: 4.5 % of
/// these are missed, 2.2 % of others (91000..91300, 93000..93300).
#[test]
fn sound_cars_pass_and_short_ones_do_not_whatever_the_regulator() {
    let mut o = over(seeds());
    o.print();
    let few = |count: usize, all: usize, bar: f64| count as f64 / all as f64 <= at_most(bar, all);
    assert!(few(o.failed.len(), o.healthy, 0.01), "{:?}", o.failed);
    assert!(few(o.with_fault, o.healthy, 0.02), "{:?}", o.faults);
    assert!(few(o.cannot_tell.len(), o.healthy, 0.10), "{:?}", o.cannot_tell);
    assert!(few(o.missed.len(), o.short, 0.05), "{:?}", o.missed);
    let least = at_least(0.95, o.where_right.count());
    assert!(o.where_right.share() >= least, "{}", o.where_right);
    assert!(o.calibration_error() <= 0.05, "{}", o.calibration_error());
}

/// With `REGULATED_DUMP=FOLDER`, writes what is found beside what is true, one table a log.
fn dump(case: &Case, size: Size, examined: &stiffbus::Examined, said: &Diagnosis) {
    use std::fmt::Write as _;
    let Ok(folder) = std::env::var("REGULATED_DUMP") else { return };
    let samples = &case.simulated.truth.samples;
    let share = |spans: &[stiffbus::log::Span], of: &dyn Fn(usize) -> bool| {
        let inside: Vec<usize> = (0..case.simulated.time_s.len())
            .filter(|&k| spans.iter().any(|s| s.contains(case.simulated.time_s[k])))
            .collect();
        inside.iter().filter(|&&k| of(k)).count() as f64 / inside.len().max(1) as f64
    };
    let mut text = String::new();
    for (k, s) in examined.segments.stretches.iter().enumerate() {
        let w = examined.analysis.control.of_stretch(k).expect("weighed");
        let sat = share(&[s.settled], &|k| samples.saturated[k]);
        let drain = share(&[s.settled], &|k| samples.state[k] == BusState::Draining);
        let by: Vec<String> = w.by.iter().map(f64::to_string).collect();
        let v = stiffbus::analysis::level::level(
            examined.log.time_s(),
            examined.log.bus_v(),
            s.settled,
            &examined.segments.noise_model,
        );
        let (v, hw) = v.map_or((f64::NAN, f64::NAN), |l| (l.mean_v, l.half_width_v));
        writeln!(
            text,
            "S\t{k}\t{}\t{}\t{:?}\t{}\t{v}\t{hw}\t{}\t{}\t{sat}\t{drain}",
            s.settled.start_s,
            s.settled.end_s,
            s.loads,
            s.rpm.unwrap_or(f64::NAN),
            by.join("\t"),
            w.regulated
        )
        .unwrap();
    }
    for phase in &examined.segments.phases {
        writeln!(text, "H\t{:?}\t{}\t{}", phase.kind, phase.start_s, phase.end_s).unwrap();
    }
    for phase in &case.simulated.truth.phases {
        writeln!(text, "T\t{:?}\t{}\t{}", phase.kind, phase.start_s, phase.end_s).unwrap();
    }
    for (p, q) in said.operating_points.iter().zip(&examined.segments.points) {
        let sat = share(&p.spans, &|k| samples.saturated[k]);
        let drain = share(&p.spans, &|k| samples.state[k] == BusState::Draining);
        let taken: Vec<f64> = (0..case.simulated.time_s.len())
            .filter(|&k| p.spans.iter().any(|s| s.contains(case.simulated.time_s[k])))
            .map(|k| samples.battery_a[k])
            .collect();
        let taken_a = taken.iter().sum::<f64>() / taken.len().max(1) as f64;
        let implied = stiffbus::analysis::deficit::of_point(
            q,
            p.voltage_v.value,
            None,
            &examined.analysis.battery,
            examined.log.nominal(),
        );
        let (drains, charges) = (implied.draining_share, implied.charging_share);
        writeln!(
            text,
            "P\t{:?}\t{}\t{}\t{}\t{}\t{:?}\t{}\t{}\t{}\t{:?}\t{}\t{sat}\t{drain}\t{taken_a}\t{drains}\t{charges}\t{}",
            q.stretches,
            p.rpm.unwrap_or(f64::NAN),
            p.seconds,
            p.voltage_v.value,
            p.voltage_v.half_width(),
            p.state,
            p.state_confidence,
            p.regulated_probability.unwrap_or(f64::NAN),
            p.short_probability.unwrap_or(f64::NAN),
            p.battery_gives_a.as_ref().map(|e| (e.low, e.value, e.high)),
            p.is_sure(),
            p.state_how
        )
        .unwrap();
    }
    writeln!(
        text,
        "V\t{:?}\t{}\t{}\t{:?}",
        case.simulated.truth.verdict,
        said.verdict.word.words(),
        said.verdict.headline,
        said.findings.iter().map(|f| (f.id.as_str(), f.severity)).collect::<Vec<_>>()
    )
    .unwrap();
    std::fs::write(format!("{folder}/{}-{size:?}-{:?}.tsv", case.seed, kind_of(case.seed)), text)
        .unwrap();
}

/// What moves the setpoint of sound cars: how often the true kind is among those named, and
/// how many are. A kind counts that the log can show: a command within its time, heat that
/// moves the level, loads that were switched.
#[test]
fn what_moves_the_setpoint_is_named() {
    let seeds = std::env::var("REGULATED_SEEDS").map_or(cars(NAMED_SEEDS), |_| seeds());
    let one = |seed: u64| -> Option<(Kind, Vec<RegulatorKind>, String)> {
        let case = regulated_case(seed, Size::Ample);
        let log = crate::figures::read(&case);
        let said = stiffbus::diagnose(&log, &Car::default()).ok()?;
        let regulation = said.regulation?;
        Some((kind_of(seed), regulation.possible, regulation.why))
    };
    let share = |first: u64| (first..seeds.end).step_by(2).map(one).collect::<Vec<_>>();
    let all = std::thread::scope(|scope| {
        let other = scope.spawn(|| share(seeds.start + 1));
        let mut all = share(seeds.start);
        all.extend(other.join().expect("no case panics"));
        all
    });
    // All of them lose some millivolts to heat, the plain one too.
    let named = |kind: Kind, possible: &[RegulatorKind]| {
        use RegulatorKind::*;
        let any = |kinds: &[RegulatorKind]| kinds.iter().any(|kind| possible.contains(kind));
        match kind {
            Kind::Plain => any(&[Steady, TemperatureCompensated]),
            Kind::Compensated => any(&[TemperatureCompensated]),
            Kind::Commanded | Kind::CommandedAtIdle => any(&[Commanded]),
            Kind::Drooping => any(&[Drooping]),
            Kind::LoadResponse => any(&[LoadResponse]),
            Kind::RemoteSensed => any(&[RemoteSensed]),
            Kind::LoggerGround => any(&[LoggerGround]),
        }
    };
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    let (mut right, mut first, mut kinds) = (Tally::default(), Tally::default(), 0);
    for (kind, possible, why) in all.iter().flatten() {
        println!("{kind:?}: {possible:?} ({why})");
        *counts.entry(format!("{kind:?} as {possible:?}")).or_default() += 1;
        right.add(named(*kind, possible));
        first.add(named(*kind, &possible[..1]));
        kinds += possible.len();
    }
    counts.iter().for_each(|(what, count)| println!("{count:4} {what}"));
    let silent = all.iter().filter(|a| a.is_none()).count();
    let each = kinds as f64 / right.count() as f64;
    println!(
        "named: {right}, first: {first}, {each:.2} kinds each; {silent} of {} report none",
        all.len()
    );
    assert!(
        right.share() >= at_least(0.75, right.count()) && each < 2.5 && silent * 10 < all.len()
    );
}
