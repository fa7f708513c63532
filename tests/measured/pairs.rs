//! Pairs of logs of one car: what is claimed of a repair, against what was done.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::OnceLock;

use rand::RngExt;

use stiffbus::compare::{Agreed, compare};
use stiffbus::comparison::{Comparison, Outcome, PointSide};
use stiffbus::diagnosis::{BusState, Heat, OperatingPoint};

use crate::figures::Tally;
use crate::random_car::stream;
use crate::sample::{at_least, at_most, cars, covers_as_stated};
use crate::two_days::{Day, Drive, Kind, car_of, half_cured, log, swapped, thinned, weakened};

const UNCHANGED: Range<u64> = 27000..27200;
/// Seeds are tried until so many repairs are cures by truth.
const CURES: u64 = 200;
const CURES_FROM: u64 = 28000;
/// Of the cures, every so many-th is driven in other ways too.
const EVERY: usize = 5;
const WORSE: Range<u64> = 29000..29040;

/// An even number: each core takes half.
fn wanted_cures() -> usize {
    2 * (cars(0..CURES).count() / 2)
}

/// A car truly short of amps: its battery gives at least this.
const SHORT_A: f64 = 5.0;
/// A cure leaves this share of the hot idle output to spare (little in reserve
/// is less than a tenth).
const RESERVE: f64 = 0.10;

const FULL: Drive = Drive { hold_s: 100.0, heat: Heat::Hot, light: false, heat_logged: true };

/// How often each outcome was called, and for which seeds.
#[derive(Default)]
struct Outcomes(BTreeMap<&'static str, Vec<u64>>);

impl Outcomes {
    fn add(&mut self, seed: u64, comparison: &Comparison) {
        self.0.entry(comparison.outcome.words()).or_default().push(seed);
    }

    fn merge(&mut self, other: Outcomes) {
        for (word, seeds) in other.0 {
            self.0.entry(word).or_default().extend(seeds);
        }
    }

    fn all(&self) -> usize {
        self.0.values().map(Vec::len).sum()
    }

    fn share(&self, outcome: Outcome) -> f64 {
        let seeds = self.0.get(outcome.words()).map_or(0, Vec::len);
        seeds as f64 / self.all() as f64
    }

    fn tell(&self, name: &str) {
        println!("{name}: {} pairs", self.all());
        for (word, seeds) in &self.0 {
            let share = 100.0 * seeds.len() as f64 / self.all() as f64;
            let few: Vec<u64> = seeds.iter().copied().take(30).collect();
            println!("  {word}: {share:.1} %  {few:?}");
        }
    }
}

#[derive(Default)]
struct Pairs {
    unchanged: Outcomes,
    unchanged_by_kind: BTreeMap<Kind, Outcomes>,
    cured: Outcomes,
    cured_short: Outcomes,
    cooler: Outcomes,
    still_draining: Outcomes,
    light: Outcomes,
    no_heat: Outcomes,
    /// Whether `missing` names the heat.
    no_heat_says_so: Tally,
    weakened: Outcomes,
    thinned: Outcomes,
    change_v: Tally,
    gain_a: Tally,
    pooled_gain_a: Tally,
}

impl Pairs {
    fn merge(&mut self, other: Pairs) {
        self.unchanged.merge(other.unchanged);
        for (kind, outcomes) in other.unchanged_by_kind {
            self.unchanged_by_kind.entry(kind).or_default().merge(outcomes);
        }
        self.cured.merge(other.cured);
        self.cured_short.merge(other.cured_short);
        self.cooler.merge(other.cooler);
        self.still_draining.merge(other.still_draining);
        self.light.merge(other.light);
        self.no_heat.merge(other.no_heat);
        self.no_heat_says_so.merge(other.no_heat_says_so);
        self.weakened.merge(other.weakened);
        self.thinned.merge(other.thinned);
        self.change_v.merge(other.change_v);
        self.gain_a.merge(other.gain_a);
        self.pooled_gain_a.merge(other.pooled_gain_a);
    }

    fn cover(&mut self, before: &Day, after: &Day, comparison: &Comparison) {
        let judged = &comparison.afters[0];
        let (mut gained, mut lost) = (Pooled::default(), Pooled::default());
        for point in &judged.points {
            let (old, new) = (the(before, &point.before), the(after, &point.after));
            let change_v = after.true_bus_v(new) - before.true_bus_v(old);
            let width = point.change_v.high - point.change_v.low;
            self.change_v.add_interval(point.change_v.contains(change_v), width);
            let Some(gain) = &point.gain_a else { continue };
            let true_a = after.true_battery_a(new) - before.true_battery_a(old);
            self.gain_a.add_interval(gain.contains(true_a), gain.high - gain.low);
            let seconds = old.seconds.min(new.seconds);
            if point.conditions.is_fair() && old.state != BusState::Holding {
                gained.add(seconds, true_a);
            }
            if point.conditions.is_no_harder() && new.state != BusState::Holding {
                lost.add(seconds, true_a);
            }
        }
        let told = match judged.outcome {
            Outcome::Worse => lost.mean_a().or(gained.mean_a()),
            _ => gained.mean_a().or(lost.mean_a()),
        };
        if let (Some(gain), Some(true_a)) = (&judged.gain_a, told) {
            self.pooled_gain_a.add_interval(gain.contains(true_a), gain.high - gain.low);
        }
    }
}

/// A mean over points, the longest seen counting most.
#[derive(Default)]
struct Pooled {
    seconds: f64,
    amp_seconds: f64,
}

impl Pooled {
    fn add(&mut self, seconds: f64, amps_a: f64) {
        self.seconds += seconds;
        self.amp_seconds += seconds * amps_a;
    }

    fn mean_a(&self) -> Option<f64> {
        (self.seconds > 0.0).then(|| self.amp_seconds / self.seconds)
    }
}

/// The operating point that a side of a matched point was made from.
fn the<'d>(day: &'d Day, side: &PointSide) -> &'d OperatingPoint {
    let mut points = day.recorded().diagnosis.operating_points.iter();
    let same = |p: &&OperatingPoint| p.voltage_v == side.voltage_v && p.seconds == side.seconds;
    points.find(same).expect("a point of this log")
}

fn held(before: &Day, after: &Day) -> Comparison {
    let (old, new) = (before.recorded(), std::slice::from_ref(after.recorded()));
    compare(old, new, &Agreed::default()).expect("nothing stated that could be wrong")
}

fn full(seed: u64, day: u64) -> Drive {
    Drive { hold_s: stream(seed, 80 + day).random_range(75.0..150.0), ..FULL }
}

/// One pair in four is logged with two loggers.
fn second_device(seed: u64) -> u64 {
    u64::from(seed % 4 == 3)
}

fn unchanged(pairs: &mut Pairs, seed: u64) {
    let kinds = [Kind::Sound, Kind::ShortALittle, Kind::ShortALot, Kind::ShortEverywhere];
    let kind = kinds[(seed / 4 % 4) as usize];
    let car = car_of(seed, kind);
    let before = log(seed, &car, 0, 0, full(seed, 0));
    let after = log(seed, &car, 1, second_device(seed), full(seed, 1));
    let comparison = held(&before, &after);
    pairs.unchanged.add(seed, &comparison);
    pairs.unchanged_by_kind.entry(kind).or_default().add(seed, &comparison);
    pairs.cover(&before, &after, &comparison);
}

/// Within what the default acceptance asks of a setpoint, and not on its edge.
fn is_sound(setpoint_v: f64) -> bool {
    (13.6..14.9).contains(&setpoint_v)
}

/// False where, by truth, the car was not short or the swap is no cure.
fn cured(pairs: &mut Pairs, seed: u64, in_other_ways: bool) -> bool {
    let kinds = [Kind::ShortALittle, Kind::ShortALot, Kind::ShortEverywhere];
    let car = car_of(seed, kinds[(seed / 4 % 3) as usize]);
    let before = log(seed, &car, 0, 0, full(seed, 0));
    if before.all_on_truth().gives_a < SHORT_A {
        return false;
    }
    let better = swapped(seed, &car);
    let device = second_device(seed);
    let after = log(seed, &better, 1, device, full(seed, 1));
    let truth = after.all_on_truth();
    if !(truth.holds && truth.reserve >= RESERVE && is_sound(truth.setpoint_v)) {
        return false;
    }
    let comparison = held(&before, &after);
    pairs.cured.add(seed, &comparison);
    pairs.cover(&before, &after, &comparison);

    let hold_s = stream(seed, 90).random_range(15.0..55.0);
    let short = log(seed, &better, 2, device, Drive { hold_s, ..FULL });
    pairs.cured_short.add(seed, &held(&before, &short));
    if in_other_ways {
        let heat = if stream(seed, 91).random_bool(0.5) { Heat::Warm } else { Heat::Cold };
        let cooler = log(seed, &better, 3, device, Drive { heat, ..full(seed, 3) });
        pairs.cooler.add(seed, &held(&before, &cooler));
        let light = log(seed, &better, 4, device, Drive { light: true, ..full(seed, 4) });
        // Where the first load alone was too much already, or the regulator held too
        // little, the light log rightly shows an improvement.
        if before.holds_first_load() && is_sound(before.all_on_truth().setpoint_v) {
            pairs.light.add(seed, &held(&before, &light));
        }
        let blind = |day| Drive { heat_logged: false, ..full(seed, day) };
        let unlogged = log(seed, &car, 5, 0, blind(5));
        let comparison = held(&unlogged, &log(seed, &better, 6, device, blind(6)));
        pairs.no_heat.add(seed, &comparison);
        let says = comparison.missing.iter().any(|m| m.contains("temperature"));
        pairs.no_heat_says_so.add(says);
        let half = log(seed, &half_cured(seed, &car), 7, device, full(seed, 7));
        if half.all_on_truth().gives_a >= SHORT_A {
            let comparison = held(&before, &half);
            pairs.still_draining.add(seed, &comparison);
            pairs.cover(&before, &half, &comparison);
        }
    }
    true
}

fn worse(pairs: &mut Pairs, seed: u64) {
    let car = car_of(seed, if seed.is_multiple_of(2) { Kind::Sound } else { Kind::ShortALittle });
    let before = log(seed, &car, 0, 0, full(seed, 0));
    let weak = log(seed, &weakened(&car), 1, second_device(seed), full(seed, 1));
    let comparison = held(&before, &weak);
    // Where the lost amps were never asked for, nothing shows.
    if weak.all_on_truth().gives_a >= before.all_on_truth().gives_a.max(0.0) + SHORT_A {
        pairs.weakened.add(seed, &comparison);
        pairs.cover(&before, &weak, &comparison);
    }
    let thin = log(seed, &thinned(seed, &car), 2, second_device(seed), full(seed, 2));
    pairs.thinned.add(seed, &held(&before, &thin));
}

/// One pass over all seeds, on both cores.
fn pairs() -> &'static Pairs {
    static PAIRS: OnceLock<Pairs> = OnceLock::new();
    PAIRS.get_or_init(|| {
        let share = |first: u64| {
            let mut pairs = Pairs::default();
            (UNCHANGED.start + first..cars(UNCHANGED).end)
                .step_by(2)
                .for_each(|seed| unchanged(&mut pairs, seed));
            let mut cures = 0;
            for seed in (CURES_FROM + first..).step_by(2) {
                if cures == wanted_cures() / 2 {
                    break;
                }
                cures += usize::from(cured(&mut pairs, seed, cures.is_multiple_of(EVERY)));
            }
            (WORSE.start + first..cars(WORSE).end)
                .step_by(2)
                .for_each(|seed| worse(&mut pairs, seed));
            pairs
        };
        std::thread::scope(|scope| {
            let other = scope.spawn(|| share(1));
            let mut pairs = share(0);
            pairs.merge(other.join().expect("no pair panics"));
            pairs
        })
    })
}

#[test]
fn an_unchanged_car_is_no_repair_and_no_damage() {
    let pairs = pairs();
    for (kind, outcomes) in &pairs.unchanged_by_kind {
        outcomes.tell(&format!("unchanged, {kind:?}"));
    }
    let unchanged = &pairs.unchanged;
    unchanged.tell("unchanged");
    let improved = unchanged.share(Outcome::ImprovedNotProven);
    let most = at_most(0.05, unchanged.all());
    assert!(improved <= most, "{improved}");
    assert_eq!(unchanged.all() as u64, cars(UNCHANGED).count() as u64);
    let wrong = unchanged.share(Outcome::RepairProven) + unchanged.share(Outcome::Worse);
    assert!(wrong <= most, "{wrong}");
}

#[test]
fn a_cure_is_proven() {
    let cured = &pairs().cured;
    cured.tell("cured");
    assert_eq!(cured.all(), wanted_cures());
    let proven = cured.share(Outcome::RepairProven);
    assert!(proven >= at_least(0.95, cured.all()), "{proven}");
}

#[test]
fn a_cure_that_was_not_held_for_a_minute_is_never_proven() {
    let short = &pairs().cured_short;
    short.tell("cured, held for less than 60 s");
    assert_eq!(short.share(Outcome::RepairProven), 0.0);
}

#[test]
fn easier_conditions_prove_nothing() {
    let pairs = pairs();
    pairs.cooler.tell("cured, after cooler");
    assert_eq!(pairs.cooler.share(Outcome::RepairProven), 0.0);
    pairs.light.tell("heavy before, light after");
    let least = at_least(0.95, pairs.light.all());
    assert!(pairs.light.share(Outcome::NotComparable) >= least);
    pairs.no_heat.tell("cured, no temperature logged");
    assert_eq!(pairs.no_heat.share(Outcome::RepairProven), 0.0);
    println!("says that it is the heat: {}", pairs.no_heat_says_so);
    assert!(pairs.no_heat_says_so.all_right());
}

#[test]
fn a_car_that_still_drains_is_not_repaired() {
    let draining = &pairs().still_draining;
    draining.tell("improved, still draining");
    assert_eq!(draining.share(Outcome::RepairProven), 0.0);
}

/// A line that got thin costs volts more than amps, and a battery that takes more
/// on the later day looks the same: then no outcome is right but `not comparable`.
#[test]
fn damage_is_called_worse_and_never_repaired() {
    let pairs = pairs();
    pairs.weakened.tell("30 % of the output lost");
    assert!(pairs.weakened.share(Outcome::Worse) >= at_least(0.85, pairs.weakened.all()));
    pairs.thinned.tell("a thin charging line");
    for damage in [&pairs.weakened, &pairs.thinned] {
        assert_eq!(damage.share(Outcome::RepairProven), 0.0);
        assert!(damage.share(Outcome::ImprovedNotProven) <= at_most(0.05, damage.all()));
    }
}

#[test]
#[ignore = "open: they hold 95.5 %, where 95 is the most that is asked (28000..)"]
fn changes_cover_their_truth() {
    let pairs = pairs();
    println!("change_v {}", pairs.change_v);
    println!("gain_a {}; pooled {}", pairs.gain_a, pairs.pooled_gain_a);
    let (change_v, gain_a, pooled_a) = (&pairs.change_v, &pairs.gain_a, &pairs.pooled_gain_a);
    assert!(covers_as_stated(change_v.share(), change_v.count()), "{change_v}");
    assert!(gain_a.share() >= at_least(0.85, gain_a.count()), "{gain_a}");
    assert!(pooled_a.share() >= at_least(0.85, pooled_a.count()), "{pooled_a}");
}
