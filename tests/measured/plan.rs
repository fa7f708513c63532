//! Plans against what really happens after the swap.
//!
//! A random car is logged with its old machine; the plan is made from that log
//! alone; then the same minutes are simulated again with the new machine fitted.
//! Neither log follows our battery: resistances, time constants, surface charge and
//! acceptance are split otherwise than the planner believes, the loads follow the
//! voltage otherwise than by their names, and after the swap the battery is warmer
//! or colder. All ranges are invented to span the trade (common practice, no source).

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use stiffbus::car::{ALWAYS_ON, Car, LoadAmps};
use stiffbus::demo::car::CarModel;
use stiffbus::demo::logger::Shows;
use stiffbus::demo::script::{Demand, EngineChange, Switch};
use stiffbus::demo::simulate::{Simulated, simulate};
use stiffbus::diagnosis::{BusState, Diagnosis};
use stiffbus::estimate::Estimate;
use stiffbus::ingest::{Sheet, Stated};
use stiffbus::log::{Log, Span};
use stiffbus::physics::alternator::OutputCurve;
use stiffbus::physics::battery::CrankingStandard;
use stiffbus::physics::load::LoadKind;
use stiffbus::plan::{self, Asked, Candidate, Plan, Suitability};

use crate::figures::{Tally, read};
use crate::random_car::{Case, Options, random_case_with};

const SEEDS: std::ops::Range<u64> = 20_000..20_100;
/// Of them those that are logged as advised too.
const ADVISED: std::ops::Range<u64> = 20_000..20_060;

/// Cars to look at besides, as in `PLAN_SEEDS=27000..27040`.
fn seeds(usual: std::ops::Range<u64>) -> std::ops::Range<u64> {
    let asked = std::env::var("PLAN_SEEDS").ok();
    let ends = asked.as_deref().and_then(|text| text.split_once(".."));
    ends.and_then(|(from, to)| Some(from.parse().ok()?..to.parse().ok()?)).unwrap_or(usual)
}

/// A state or a volt that the log showed for less than this judges nothing.
const SHORTEST_S: f64 = 4.0;
/// Speeds at which a keep-up speed is of use.
const USEFUL_RPM: std::ops::Range<f64> = 600.0..4000.0;
/// A machine that lacks less than this of what is needed holds all the same by its droop.
const NEARLY_A: f64 = 1.0;

struct World {
    case: Case,
    facts: Car,
    candidate: Candidate,
    /// The same script after the swap.
    after: Simulated,
    /// Nothing later is judged: the advised minute would be easy to foretell.
    judged_s: f64,
}

type Rng = ChaCha8Rng;

fn factor(rng: &mut Rng, most: f64) -> f64 {
    most.powf(rng.random_range(-1.0..1.0))
}

fn normal(rng: &mut Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A machine of a shape of its own: I = rated·(1 − (n₀/n)^p), none below n₀.
fn machine(rng: &mut Rng, rated_a: f64) -> Vec<(f64, f64)> {
    let turn_on_rpm: f64 = rng.random_range(950.0..1250.0);
    let steepness: f64 = rng.random_range(1.0..2.2);
    let share = |rpm: f64| 1.0 - (turn_on_rpm / rpm).powf(steepness);
    let points = [1500.0, 1800.0, 2200.0, 2700.0, 3500.0, 4500.0, 6000.0, 9000.0, 14_000.0];
    let at_rated = share(6000.0);
    let mut curve = vec![(turn_on_rpm.round(), 0.0)];
    curve.extend(points.map(|rpm| (rpm, (rated_a * share(rpm) / at_rated * 10.0).round() / 10.0)));
    curve
}

fn scaled(points: &[(f64, f64)], share: f64) -> OutputCurve {
    let points: Vec<(f64, f64)> = points.iter().map(|&(rpm, a)| (rpm, a * share)).collect();
    OutputCurve::new(&points).expect("a rising curve")
}

fn sheet(points: &[(f64, f64)]) -> Sheet {
    let mut text = "alternator rpm,amps (13.5 V 25 °C)\n".to_owned();
    for (rpm, amps_a) in points {
        text.push_str(&format!("{rpm},{amps_a}\n"));
    }
    let stated = Stated { test_v: Some(13.5), test_c: Some(25.0) };
    Sheet::parse(std::path::Path::new("sheet.csv"), text.into_bytes(), stated).expect("a sheet")
}

/// What the planner believes of batteries and loads is not what this car has.
fn otherwise(rng: &mut Rng, car: &mut CarModel) {
    let battery = &mut car.battery;
    let seconds_ohm = battery.seconds_ohm();
    let ohmic = rng.random_range(0.38..0.65);
    let fast = rng.random_range(0.5..0.8) * (1.0 - ohmic);
    battery.ohmic_ohm = ohmic * seconds_ohm;
    battery.fast.resistance_ohm = fast * seconds_ohm;
    battery.transfer_ohm = (1.0 - ohmic - fast) * seconds_ohm;
    battery.fast.time_constant_s *= factor(rng, 2.5);
    battery.slow.resistance_ohm *= factor(rng, 1.6);
    battery.slow.time_constant_s *= factor(rng, 2.5);
    battery.acceptance_ohm_share *= factor(rng, 2.0);
    battery.surface.build_as *= factor(rng, 2.0);
    battery.surface.strip_as *= factor(rng, 1.7);
    battery.surface.fade_s *= factor(rng, 2.0);
    for load in car.loads.iter_mut().chain(&mut car.base_loads) {
        if rng.random_bool(0.35) {
            let kinds = [LoadKind::Lamp, LoadKind::Resistive, LoadKind::Electronic];
            load.kind = kinds[rng.random_range(0..kinds.len())];
        }
    }
}

/// Another day: the battery's resistances by 10 to 20 % up or down.
fn another_day(rng: &mut Rng, car: &mut CarModel) {
    let by: f64 = rng.random_range(1.1..1.2);
    let by = if rng.random_bool(0.5) { by } else { 1.0 / by };
    let battery = &mut car.battery;
    for ohm in [
        &mut battery.ohmic_ohm,
        &mut battery.transfer_ohm,
        &mut battery.fast.resistance_ohm,
        &mut battery.slow.resistance_ohm,
        &mut battery.acceptance_ohm_share,
    ] {
        *ohm *= by;
    }
}

/// How the log came to be.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Protocol {
    /// Whatever somebody happened to log and state.
    AsItComes,
    /// As the README advises: the log ends with a minute at 2750 rpm and everything off,
    /// in which the smallest load is tried once; loads, and what always runs, were
    /// found with a clamp meter.
    AsAdvised,
}

/// Appends the advised minute; returns when it begins.
fn with_fast_minute(case: &mut Case) -> f64 {
    let begins_s = case.script.duration_s;
    let switch = |at_s: f64, load: usize, duty: f64| Switch { at_s, lag_s: 0.0, load, duty };
    let loads = &case.car.loads;
    let last = |load: usize| {
        let of = case.script.switches.iter().filter(|s| s.load == load);
        of.max_by(|a, b| a.at_s.total_cmp(&b.at_s)).map_or(0.0, |s| s.duty)
    };
    let mut switches: Vec<Switch> = (0..loads.len())
        .filter(|&load| last(load) > 0.0)
        .map(|load| switch(begins_s, load, 0.0))
        .collect();
    let smallest = (0..loads.len())
        .min_by(|&a, &b| loads[a].reference_a.total_cmp(&loads[b].reference_a))
        .expect("a car has loads");
    switches.push(switch(begins_s + 42.0, smallest, 1.0));
    switches.push(switch(begins_s + 56.0, smallest, 0.0));
    case.script.switches.extend(switches);
    let demand = Demand::Speed(2750.0);
    case.script.engine.push(EngineChange { at_s: begins_s, demand, ramp_s: 2.0 });
    case.script.duration_s += 70.0;
    begins_s
}

/// Amps as a clamp meter shows them, at 13.5 V.
fn clamped(rng: &mut Rng, amps_a: f64) -> LoadAmps {
    LoadAmps::new(amps_a * (1.0 + 0.02 / 1.645 * normal(rng)) + 0.5 / 1.645 * normal(rng))
}

fn world(seed: u64, protocol: Protocol) -> World {
    let options = Options {
        declared: Some(true),
        rpm_logged: Some(true),
        coolant_logged: Some(true),
        ..Options::default()
    };
    let mut case = random_case_with(seed, &options);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(77);
    otherwise(&mut rng, &mut case.car);
    // The old machine makes at idle a half to a tenth more than what all loads draw.
    let all_a: f64 = case.car.loads.iter().chain(&case.car.base_loads).map(|l| l.reference_a).sum();
    let unit = machine(&mut rng, 100.0);
    let idle_rpm = case.car.idle.hot_rpm * case.car.pulley_ratio;
    let idle_a = scaled(&unit, 1.0).output(idle_rpm).amps_a.max(8.0);
    let wanted_a = all_a * rng.random_range(0.5..1.1);
    let old_a = (100.0 * wanted_a / idle_a).clamp(40.0, 160.0);
    let old: Vec<(f64, f64)> =
        unit.iter().map(|&(rpm, a)| (rpm, (a * old_a / 10.0).round() / 10.0)).collect();
    case.car.rated_a = old_a;
    case.car.curve = scaled(&old, 1.0 - 0.12 * rng.random_range(-0.5..1.5));
    let judged_s = match protocol {
        Protocol::AsItComes => f64::INFINITY,
        Protocol::AsAdvised => with_fast_minute(&mut case),
    };
    case.simulated = simulate(&case.car, &case.script, &case.logger, seed);

    let new_a = (old_a * rng.random_range(1.05..2.2)).min(260.0);
    let new = machine(&mut rng, new_a);
    let ratio = (rng.random_range(2.1..3.3_f64) * 100.0).round() / 100.0;
    let mut swapped = case.car.clone();
    swapped.rated_a = new_a;
    swapped.curve = scaled(&new, 1.0 + 0.06 / 1.645 * normal(&mut rng));
    swapped.pulley_ratio = ratio;
    another_day(&mut rng, &mut swapped);
    let after = simulate(&swapped, &case.script, &case.logger, seed);

    let mut facts = Car::default();
    if seed.is_multiple_of(2) {
        facts.alternator.sheet = Some(sheet(&old));
        facts.alternator.pulley_ratio = Some((case.car.pulley_ratio * 100.0).round() / 100.0);
    }
    if (seed / 2).is_multiple_of(2) {
        facts.battery.cca_a = Some(case.car.cca_a);
        facts.battery.cca_standard = Some(CrankingStandard::Sae);
    }
    if protocol == Protocol::AsAdvised {
        for channel in &case.logger.channels {
            if let Shows::Load(load) = channel.shows {
                let amps = clamped(&mut rng, case.car.loads[load].reference_a);
                facts.loads_a.insert(channel.header.clone(), amps);
            }
        }
        let always_a = case.car.base_loads.iter().map(|l| l.reference_a).sum();
        facts.loads_a.insert(ALWAYS_ON.to_owned(), clamped(&mut rng, always_a));
    }
    let candidate = Candidate { name: "new".to_owned(), sheet: sheet(&new), ratio: Some(ratio) };
    World { case, facts, candidate, after, judged_s }
}

#[derive(Default)]
struct Figures {
    /// Predicted settled voltage within 0.15 V of the true mean, where one is told.
    volts: Tally,
    /// Points for which the plan tells a voltage, and not a mere range.
    volts_told: Tally,
    /// Of those, where the new machine holds; and in logs that show the setpoint.
    volts_held: Tally,
    volts_setpoint_seen: Tally,
    state: Tally,
    /// (true, told) states that differ.
    confusion: std::collections::BTreeMap<(&'static str, &'static str), usize>,
    keep_up_errors: Vec<f64>,
    /// Keep-up speeds called none although there is one.
    keep_up_none: Tally,
    volts_covered: Tally,
    margin_covered: Tally,
    keep_up_covered: Tally,
    deficit_covered: Tally,
    /// Predicted less true.
    margin_errors_a: Vec<f64>,
    needed_errors_a: Vec<f64>,
    /// Suitability, and whether the truth carries every set at hot idle.
    standings: std::collections::BTreeMap<(&'static str, bool), usize>,
    /// `carries it` where the truth falls short, by how many A.
    wrong_carries_a: Vec<f64>,
    rms_v: Vec<f64>,
    refused: Vec<String>,
}

impl Figures {
    fn merge(&mut self, other: Figures) {
        self.volts.merge(other.volts);
        self.volts_told.merge(other.volts_told);
        self.volts_held.merge(other.volts_held);
        self.volts_setpoint_seen.merge(other.volts_setpoint_seen);
        self.state.merge(other.state);
        self.volts_covered.merge(other.volts_covered);
        self.margin_covered.merge(other.margin_covered);
        self.keep_up_covered.merge(other.keep_up_covered);
        self.deficit_covered.merge(other.deficit_covered);
        self.keep_up_none.merge(other.keep_up_none);
        self.keep_up_errors.extend(other.keep_up_errors);
        self.margin_errors_a.extend(other.margin_errors_a);
        self.needed_errors_a.extend(other.needed_errors_a);
        self.wrong_carries_a.extend(other.wrong_carries_a);
        self.rms_v.extend(other.rms_v);
        self.refused.extend(other.refused);
        for (key, count) in other.confusion {
            *self.confusion.entry(key).or_default() += count;
        }
        for (key, count) in other.standings {
            *self.standings.entry(key).or_default() += count;
        }
    }

    fn keep_up_error(&self) -> f64 {
        quantile(&self.keep_up_errors, 0.5)
    }

    fn standing(&self, standing: Suitability, carried: bool) -> usize {
        self.standings.get(&(standing.words(), carried)).copied().unwrap_or(0)
    }

    fn print(&self, name: &str) {
        println!("{name}: settled voltage within 0.15 V {}", self.volts);
        println!("{name}: a voltage is told for {}", self.volts_told);
        println!("{name}: of those that the new machine holds {}", self.volts_held);
        println!("{name}: in logs that show the setpoint {}", self.volts_setpoint_seen);
        println!("{name}: state {}; confused (true, told): {:?}", self.state, self.confusion);
        println!(
            "{name}: keep-up median error {:.1} % of {}; none told where there is one: {}; covered {}",
            100.0 * self.keep_up_error(),
            self.keep_up_errors.len(),
            self.keep_up_none,
            self.keep_up_covered,
        );
        println!("{name}: covered: volts {}", self.volts_covered);
        println!("{name}: covered: margin {}", self.margin_covered);
        println!("{name}: covered: deficit {}", self.deficit_covered);
        let spread = |x: &[f64]| {
            format!(
                "{:.1} ({:.1} to {:.1})",
                quantile(x, 0.5),
                quantile(x, 0.05),
                quantile(x, 0.95)
            )
        };
        println!("{name}: margin error {} A", spread(&self.margin_errors_a));
        println!("{name}: needed error {} A", spread(&self.needed_errors_a));
        println!("{name}: reproduction rms {} V", spread(&self.rms_v));
        println!("{name}: standing, carried in truth: {:?}", self.standings);
        println!("{name}: carries it, and falls short by A: {:.1?}", self.wrong_carries_a);
        println!("{name}: refused {:?}", self.refused);
    }
}

fn quantile(values: &[f64], p: f64) -> f64 {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    let at = (p * values.len().saturating_sub(1) as f64).round() as usize;
    values.get(at).copied().unwrap_or(f64::NAN)
}

fn one(seed: u64, protocol: Protocol) -> Figures {
    let mut world = world(seed, protocol);
    let mut figures = Figures::default();
    let log: Log = read(&world.case);
    let unknown = world.facts.name_loads(log.load_names());
    assert!(unknown.is_empty(), "{seed}: {unknown:?}");
    let examined = stiffbus::examine(&log, &world.facts).expect("a running engine");
    let diagnosis = examined.diagnosis(&world.facts);
    let asked = Asked {
        candidates: vec![world.candidate.clone()],
        redline_rpm: 5000.0,
        ..Asked::default()
    };
    match plan::plan(&world.facts, examined, &diagnosis, &asked) {
        Ok(plan) => {
            judge(&world, &diagnosis, &plan, &mut figures);
            if std::env::var("PLAN_SHOW").is_ok() {
                println!("{}", show(seed, &world, &log, &diagnosis, &plan));
            }
        }
        Err(error) => figures.refused.push(format!("{seed}: {error}")),
    }
    figures
}

fn mean(world: &World, values: &[f64], spans: &[Span]) -> Option<f64> {
    let inside: Vec<f64> = world
        .after
        .time_s
        .iter()
        .zip(values)
        .filter(|(t, _)| **t - world.after.time_s[0] < world.judged_s)
        .filter(|(t, _)| spans.iter().any(|s| s.contains(**t - world.after.time_s[0])))
        .map(|(_, v)| *v)
        .collect();
    (!inside.is_empty()).then(|| inside.iter().sum::<f64>() / inside.len() as f64)
}

fn most(world: &World, spans: &[Span]) -> Option<BusState> {
    let states = [BusState::Holding, BusState::Limited, BusState::Draining];
    let all = &world.after.truth.samples.state;
    let share = |state: BusState| {
        let here: Vec<f64> = all.iter().map(|s| f64::from(u8::from(*s == state))).collect();
        mean(world, &here, spans).unwrap_or(0.0)
    };
    states.into_iter().max_by(|a, b| share(*a).total_cmp(&share(*b)))
}

/// Names of the car for the labels of the log; `None` for part duties.
fn names(case: &Case, labels: &[String]) -> Option<Vec<String>> {
    let names: Vec<String> = case
        .logger
        .channels
        .iter()
        .filter(|channel| labels.contains(&channel.header))
        .filter_map(|channel| match channel.shows {
            Shows::Load(index) => Some(case.car.loads[index].name.clone()),
            _ => None,
        })
        .collect();
    (names.len() == labels.len()).then_some(names)
}

fn judge(world: &World, diagnosis: &Diagnosis, plan: &Plan, figures: &mut Figures) {
    let truth = &world.after.truth;
    let best = &plan.candidates[0];
    figures.rms_v.push(plan.reproduction.rms_v);
    let covers = |tally: &mut Tally, told: &Estimate, truth: f64| {
        tally.add_interval(told.contains(truth), told.high - told.low);
    };
    for (point, logged) in best.points.iter().zip(&diagnosis.operating_points) {
        let spans = &logged.spans;
        let true_v = mean(world, &truth.samples.bus_v, spans);
        let Some(true_v) = true_v.filter(|_| point.seconds >= SHORTEST_S) else { continue };
        let near = (point.predicted_v.value - true_v).abs() <= 0.15;
        figures.volts_told.add(point.voltage_is_told);
        let state = most(world, spans).expect("samples");
        if point.voltage_is_told {
            figures.volts.add(near);
            if state == BusState::Holding {
                figures.volts_held.add(near);
            }
            if !plan.assumed.iter().any(|a| a.contains("the setpoint is assumed to be")) {
                figures.volts_setpoint_seen.add(near);
            }
        }
        covers(&mut figures.volts_covered, &point.predicted_v, true_v);
        figures.state.add(state == point.state);
        if state != point.state {
            *figures.confusion.entry((state.word(), point.state.word())).or_default() += 1;
        }
        if state == BusState::Draining {
            let given_a = mean(world, &truth.samples.implied_deficit_a, spans);
            covers(&mut figures.deficit_covered, &point.deficit_a, given_a.expect("samples"));
        }
    }
    let mut least_a = f64::INFINITY;
    for (margin, keep_up) in best.margins.iter().zip(&best.keep_up) {
        let Some(names) = names(&world.case, &margin.loads) else { continue };
        let Some(real) = truth.keep_up.iter().find(|t| t.loads == names) else { continue };
        let margin_a = real.idle_output_a - real.needed_a;
        least_a = least_a.min(margin_a);
        covers(&mut figures.margin_covered, &margin.margin_a, margin_a);
        figures.margin_errors_a.push(margin.margin_a.value - margin_a);
        figures.needed_errors_a.push(margin.needed_a.value - real.needed_a);
        let Some(rpm) = real.rpm.filter(|rpm| USEFUL_RPM.contains(rpm)) else { continue };
        figures.keep_up_none.add(keep_up.rpm.is_none());
        if let Some(told) = &keep_up.rpm {
            figures.keep_up_errors.push((told.value - rpm).abs() / rpm);
            covers(&mut figures.keep_up_covered, told, rpm);
        }
    }
    if least_a.is_finite() {
        let carried = least_a >= -NEARLY_A;
        *figures.standings.entry((best.standing.words(), carried)).or_default() += 1;
        if best.standing == Suitability::Carries && !carried {
            figures.wrong_carries_a.push(-least_a);
        }
    }
}

/// One car in full, for whoever looks for what went wrong.
fn show(seed: u64, world: &World, log: &Log, diagnosis: &Diagnosis, plan: &Plan) -> String {
    use std::fmt::Write;
    let mut text = String::new();
    let told =
        |e: &Estimate| format!("{:.2} ({:.2} to {:.2}, {:?})", e.value, e.low, e.high, e.grade);
    let before = &world.case.simulated;
    let mean_of = |sim: &Simulated, values: &[f64], span: Span| {
        let inside: Vec<f64> = sim
            .time_s
            .iter()
            .zip(values)
            .filter(|(t, _)| span.contains(**t - sim.time_s[0]))
            .map(|(_, v)| *v)
            .collect();
        inside.iter().sum::<f64>() / inside.len() as f64
    };
    let car = &world.case.car;
    let _ = writeln!(
        text,
        "#### {seed}: setpoint {} [{}] true mid {:.2}; sheet {} cca {} base {:.1} A; loads {:?}; soc {:.2} ah {:.0}",
        diagnosis.setpoint_v.as_ref().map_or("none".into(), told),
        diagnosis.setpoint_v.as_ref().map_or("", |e| e.how.as_str()),
        before.truth.setpoint_v,
        world.facts.alternator.sheet.is_some(),
        world.facts.battery.cca_a.is_some(),
        car.base_loads.iter().map(|l| l.reference_a).sum::<f64>(),
        car.loads.iter().map(|l| format!("{} {:.1}", l.name, l.reference_a)).collect::<Vec<_>>(),
        car.battery_at_start.state_of_charge,
        car.battery.capacity_ah,
    );
    for item in &plan.ledger {
        let _ = writeln!(text, "   ledger {} {}", item.load, told(&item.at_setpoint_a));
    }
    for line in plan.assumed.iter().filter(|a| a.contains("setpoint") || a.contains("regulator")) {
        let _ = writeln!(text, "   assumed {line}");
    }
    let segments = stiffbus::segment::segment(log);
    for s in &segments.stretches {
        let span = s.settled;
        let level = stiffbus::analysis::level::level(
            log.time_s(),
            log.bus_v(),
            span,
            &segments.noise_model,
        );
        let samples = &before.truth.samples;
        let states: Vec<BusState> = before
            .time_s
            .iter()
            .zip(&samples.state)
            .filter(|(t, _)| span.contains(**t - before.time_s[0]))
            .map(|(_, s)| *s)
            .collect();
        let holding = states.iter().filter(|s| **s == BusState::Holding).count() as f64
            / states.len().max(1) as f64;
        let _ = writeln!(
            text,
            "   {:6.1}..{:6.1} {:7.3}±{:.3} V set {:.3} hold {:.2} batt {:6.1} A rpm {:5.0} {}",
            span.start_s,
            span.end_s,
            level.map_or(f64::NAN, |l| l.mean_v),
            level.map_or(f64::NAN, |l| l.half_width_v),
            mean_of(before, &samples.setpoint_v, span),
            holding,
            mean_of(before, &samples.battery_a, span),
            s.rpm.unwrap_or(f64::NAN),
            s.loads.join("+"),
        );
    }
    let truth = &world.after.truth;
    let best = &plan.candidates[0];
    for (point, logged) in best.points.iter().zip(&diagnosis.operating_points) {
        let Some(true_v) = mean(world, &truth.samples.bus_v, &logged.spans) else { continue };
        let set_v = mean(world, &truth.samples.setpoint_v, &logged.spans).unwrap_or(f64::NAN);
        let margin_a = mean(world, &truth.samples.available_a, &logged.spans).unwrap_or(f64::NAN)
            - mean(world, &truth.samples.alternator_a, &logged.spans).unwrap_or(f64::NAN)
            - mean(world, &truth.samples.regulation_shortfall_a, &logged.spans).unwrap_or(f64::NAN);
        let off = (point.predicted_v.value - true_v).abs();
        let _ = writeln!(
            text,
            "   {} pt {:5.0} s logged {:.2} {} -> told {} {} true {:.2} {} set {:.2} margin told {:.1} true {:.1} rpm {:.0} {}",
            if point.seconds < SHORTEST_S {
                "--"
            } else if off > 0.15 {
                "XX"
            } else {
                "ok"
            },
            point.seconds,
            point.logged_v.value,
            point.logged_state.word(),
            told(&point.predicted_v),
            point.state.word(),
            true_v,
            most(world, &logged.spans).map_or("", |s| s.word()),
            set_v,
            point.margin_a.value,
            margin_a,
            logged.rpm.unwrap_or(f64::NAN),
            point.loads.join("+"),
        );
    }
    for (margin, keep_up) in best.margins.iter().zip(&best.keep_up) {
        let Some(names) = names(&world.case, &margin.loads) else { continue };
        let Some(real) = truth.keep_up.iter().find(|t| t.loads == names) else { continue };
        let _ = writeln!(
            text,
            "   kU rpm {} true {:?} needed {} true {:.1} avail {} true {:.1} {}",
            keep_up.rpm.as_ref().map_or("none".into(), told),
            real.rpm.map(f64::round),
            told(&margin.needed_a),
            real.needed_a,
            told(&margin.available_a),
            real.idle_output_a,
            margin.loads.join("+"),
        );
    }
    text
}

fn over(seeds: std::ops::Range<u64>, protocol: Protocol) -> Figures {
    let share = |first: u64| {
        let mut figures = Figures::default();
        for seed in (seeds.start + first..seeds.end).step_by(2) {
            figures.merge(one(seed, protocol));
        }
        figures
    };
    std::thread::scope(|scope| {
        let other = scope.spawn(|| share(1));
        let mut figures = share(0);
        figures.merge(other.join().expect("no case panics"));
        figures
    })
}

/// What holds of every plan, however the log came to be.
fn honest(figures: &Figures) {
    let wrong = figures.standing(Suitability::Carries, false);
    let right = figures.standing(Suitability::Carries, true);
    assert!(20 * wrong <= wrong + right, "{wrong} of {}", wrong + right);
    assert!(figures.refused.is_empty(), "{:?}", figures.refused);
    for (what, tally) in [("volts", &figures.volts_covered), ("deficit", &figures.deficit_covered)]
    {
        assert!(tally.share() >= 0.85, "{what} {tally}");
    }
}

/// The aims: 90 % of volts, 95 % of states, 5 % of keep-up speed; and where a voltage is
/// told for nearly all points, intervals that hold what they say.
fn as_aimed(figures: &Figures) {
    assert!(figures.volts_told.share() >= 0.94, "{}", figures.volts_told);
    assert!(figures.volts.share() >= 0.90, "{}", figures.volts);
    assert!(figures.state.share() >= 0.95, "{}", figures.state);
    assert!(figures.keep_up_error() <= 0.05, "{}", figures.keep_up_error());
    for (what, tally) in
        [("margin", &figures.margin_covered), ("keep-up", &figures.keep_up_covered)]
    {
        assert!(tally.share() >= 0.85, "{what} {tally}");
    }
}

// The planner was tuned on these seeds. On 27000..27100 and 41000..41100, that it was not:
// as advised 91 and 94 % of volts, 95 and 96 % of states, 4 and 5 % of keep-up speed, as
// aimed; as they come 89 and 90 % of volts (told for 95 and 96 % of points), 93 and 94 % of
// states, 7 and 8 % of keep-up speed, short of the aims. Three points in ten there are of
// logs that show no setpoint, and hungry batteries' amps are observed too low by up to a third.

#[test]
#[ignore = "open: 85.6 % of volts within 0.15 V, where 90 are asked"]
fn plans_come_true() {
    let figures = over(seeds(SEEDS), Protocol::AsItComes);
    figures.print("plans");
    honest(&figures);
    as_aimed(&figures);
}

#[test]
#[ignore = "open: 88.7 % of volts within 0.15 V, where 90 are asked"]
fn plans_of_a_log_as_advised_come_true() {
    let figures = over(seeds(ADVISED), Protocol::AsAdvised);
    figures.print("advised");
    honest(&figures);
    as_aimed(&figures);
}
