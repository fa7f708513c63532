//! What moves the level that the regulator holds: heat, loads, engine speed, or a command
//! that no channel shows.
//!
//! Only levels held with the regulator in control count. What loads and speed do is read
//! between neighbors in time, so that no slow drift passes for it; what is left is laid
//! against the logged temperatures. Causes that move the level alike are all named.

use crate::analysis::control::Control;
use crate::analysis::setpoint::held_levels;
use crate::analysis::setpoint::tried::Seen;
use crate::diagnosis::{Direction, LoadStep, Regulation, RegulatorKind, SetpointDrift};
use crate::estimate::{Estimate, Grade};
use crate::levels;
use crate::log::{Log, Place, Role, Span, Tap};
use crate::segment::{Segments, indices, mean};
use crate::stats::fit::linear::ordinary;
use crate::stats::interval::student_quantile;
use crate::stats::robust::median;

/// Fewer levels show no course.
const LEAST_LEVELS: usize = 4;
/// Fewer changes of load or speed show no habit,
const LEAST_CHANGES: usize = 3;
/// … and this share of them has to agree.
const AGREE_SHARE: f64 = 0.75;
/// Neighbors in time lie no further apart.
const NEIGHBORS_S: f64 = 45.0;
/// Speeds within this ratio are one speed; beyond the other, clearly two.
const SAME_SPEED: f64 = 1.08;
const OTHER_SPEED: f64 = 1.3;
/// Share of the levels' variance that a temperature has to explain, and how surely.
const EXPLAINED: f64 = 0.5;
const SURELY: f64 = 0.99;
/// One that moves by less tells nothing: what warms meanwhile passes for it (our choice).
const LEAST_DEGREES_C: f64 = 10.0;
/// Regulators lose 1 to 20 mV/°C in heat (six cells; common practice, no source).
const PER_DEGREE_V: std::ops::Range<f64> = 0.001..0.02;
/// A regulator with load response takes up a load over so long or longer, and leaves off
/// at once: a load that goes on sags so many times further than one that goes off
/// (seeds 76000..76160, which chose it).
const TAKES_UP_S: f64 = 0.75;
const ONE_WAY: f64 = 2.5;
/// A sag that is mended leaves no more than this.
const LEFT_SHARE: f64 = 0.2;

/// What was found, and how far it goes with a temperature.
pub struct Moved {
    pub regulation: Regulation,
    pub drift: Option<SetpointDrift>,
}

/// Levels that were held, and where.
struct Course<'a> {
    seen: Vec<Seen<'a>>,
    log: &'a Log,
}

/// Two neighbors of which the second follows.
struct Pair<'a, 'b> {
    from: &'b Seen<'a>,
    to: &'b Seen<'a>,
}

impl Pair<'_, '_> {
    fn change_v(&self) -> f64 {
        self.to.level_v - self.from.level_v
    }

    fn speed_ratio(&self) -> f64 {
        self.to.stretch.rpm.zip(self.from.stretch.rpm).map_or(1.0, |(to, from)| to / from)
    }

    fn is_one_speed(&self) -> bool {
        let ratio = self.speed_ratio();
        (1.0 / SAME_SPEED..=SAME_SPEED).contains(&ratio)
    }

    /// Loads that are on after it and were not before, less those that went off.
    fn more_loads(&self) -> i32 {
        let (from, to) = (&self.from.stretch.loads, &self.to.stretch.loads);
        let new = to.iter().filter(|load| !from.contains(load)).count();
        let gone = from.iter().filter(|load| !to.contains(load)).count();
        if new > 0 && gone > 0 { 0 } else { new as i32 - gone as i32 }
    }

    fn has_same_loads(&self) -> bool {
        self.from.stretch.loads == self.to.stretch.loads
    }
}

/// Some kinds that fit alike, and what of the log they explain.
type Explained = (Vec<RegulatorKind>, String);

/// What counts as a move of this log's setpoint.
#[derive(Clone, Copy)]
struct Least {
    /// How far levels scatter that nothing moves.
    steady_v: f64,
    /// One load's part.
    per_load_v: f64,
    /// A command.
    at_once_v: f64,
}

/// What moves the setpoint; `None` where too little was held to say.
pub fn regulation(
    log: &Log,
    segments: &Segments,
    control: &Control,
    steps: &[LoadStep],
) -> Option<Moved> {
    let mut course = Course::of(log, log.bus_v(), segments, control)?;
    let least = course.least();
    let mut explained = Vec::new();
    explained.extend(takes_up_slowly(steps, &course));
    explained.extend(by_load(&mut course, least, || lowered_by_loads(log, segments, control)));
    explained.extend(by_speed(&mut course, least));
    let jumps = course.jumps(least.at_once_v);
    let drift = course.drift(least.steady_v).filter(|_| jumps < LEAST_CHANGES);
    explained.extend(by_itself(&course, least, jumps, drift.as_ref(), explained.is_empty()));
    if explained.is_empty() {
        let why = "its levels hardly differ".to_owned();
        explained.push((vec![RegulatorKind::Fixed], why));
    }
    let (kinds, why): (Vec<_>, Vec<_>) = explained.into_iter().unzip();
    let mut possible: Vec<RegulatorKind> = Vec::new();
    for kind in kinds.into_iter().flatten() {
        if !possible.contains(&kind) {
            possible.push(kind);
        }
    }
    Some(Moved { regulation: Regulation { possible, why: why.join("; ") }, drift })
}

/// What each load costs the level, which is taken out of it.
fn by_load(
    course: &mut Course,
    least: Least,
    kinds: impl Fn() -> Vec<RegulatorKind>,
) -> Option<Explained> {
    let most_v = course.log.nominal().volts(levels::MOST_PER_LOAD);
    let lost_v = -course.per_load_v()?;
    if !(least.per_load_v..most_v).contains(&lost_v) {
        return None;
    }
    course.take_out(|seen| -lost_v * seen.stretch.loads.len() as f64);
    Some((kinds(), "each load that goes on lowers it".to_owned()))
}

/// Another level above idle, which is taken out.
fn by_speed(course: &mut Course, least: Least) -> Option<Explained> {
    let faster = |p: &Pair| {
        let up = p.speed_ratio().ln() / OTHER_SPEED.ln();
        p.has_same_loads().then(|| if up.abs() < 1.0 { 0.0 } else { up.signum() })
    };
    let more_v = course.habit(faster).filter(|v| v.abs() > least.at_once_v)?;
    let rpm = course.seen.iter().filter_map(|s| s.stretch.rpm);
    let idle_rpm = rpm.fold(f64::INFINITY, f64::min);
    let is_fast = |seen: &Seen| seen.stretch.rpm.is_some_and(|rpm| rpm > OTHER_SPEED * idle_rpm);
    course.take_out(|seen| if is_fast(seen) { more_v } else { 0.0 });
    let way = if more_v > 0.0 { "higher" } else { "lower" };
    let why = format!("it is {way} above idle than at idle");
    Some((vec![RegulatorKind::Commanded], why))
}

/// What moves it with neither loads nor speed.
fn by_itself(
    course: &Course,
    least: Least,
    jumps: usize,
    drift: Option<&SetpointDrift>,
    is_all: bool,
) -> Option<Explained> {
    if let Some(place) = drift.and_then(|drift| drift.against.as_ref()) {
        let why = format!("it goes with the {place} temperature");
        return Some((vec![RegulatorKind::TemperatureCompensated], why));
    }
    if jumps > 0 {
        let times = if jumps == 1 { "once".to_owned() } else { format!("{jumps} times") };
        let why = format!("with loads and speed unchanged it moves at once, {times}");
        return Some((vec![RegulatorKind::Commanded], why));
    }
    let kinds = vec![RegulatorKind::TemperatureCompensated, RegulatorKind::Commanded];
    let slowly = "it moves slowly, and no logged channel goes with it".to_owned();
    (is_all && course.spread_v() > 2.0 * least.steady_v).then_some((kinds, slowly))
}

/// How long the bus takes to come back from a load that it carries, where that is long and
/// a load that goes off is answered at once.
fn takes_up_slowly(steps: &[LoadStep], course: &Course) -> Option<Explained> {
    let is_held = |at_s: f64| {
        course.seen.iter().any(|s| s.stretch.span.start_s <= at_s && at_s <= s.stretch.span.end_s)
    };
    let carried = |way: Direction| {
        let held =
            move |step: &&LoadStep| step.direction == way && is_held(step.settled_span.end_s - 0.1);
        steps.iter().filter(held)
    };
    let mended = |step: &&LoadStep| {
        step.answered && step.shift_v.value.abs() < LEFT_SHARE * step.sag_v.value
    };
    let sags = |of: &mut dyn Iterator<Item = &LoadStep>| {
        median(&of.map(|step| step.sag_v.value.abs()).collect::<Vec<_>>())
    };
    let seconds: Vec<f64> =
        carried(Direction::On).filter(mended).filter_map(|step| step.recovery_s).collect();
    let on_v = sags(&mut carried(Direction::On).filter(mended));
    let off_v = sags(&mut carried(Direction::Off));
    let usual_s = median(&seconds);
    let is_slow = usual_s >= TAKES_UP_S && on_v > ONE_WAY * off_v;
    let why = "a load that goes on sags for longer than one that goes off".to_owned();
    (seconds.len() >= LEAST_CHANGES && is_slow).then_some((vec![RegulatorKind::LoadResponse], why))
}

/// What lowers the bus with every load. Where the post is logged and stays, it is the line.
fn lowered_by_loads(log: &Log, segments: &Segments, control: &Control) -> Vec<RegulatorKind> {
    let all =
        vec![RegulatorKind::Drooping, RegulatorKind::RemoteSensed, RegulatorKind::LoggerGround];
    let post_v = log.channel(Role::Voltage(Tap::Alternator));
    let Some(post_v) = post_v.filter(|_| log.bus != Tap::Alternator) else { return all };
    let per_load = |volts: &[f64]| Course::of(log, volts, segments, control)?.per_load_v();
    match per_load(post_v).zip(per_load(log.bus_v())) {
        Some((post_v, bus_v)) if post_v > 0.4 * bus_v => vec![RegulatorKind::RemoteSensed],
        Some(_) => vec![RegulatorKind::Drooping, RegulatorKind::LoggerGround],
        None => all,
    }
}

impl<'a> Course<'a> {
    fn of(
        log: &'a Log,
        tap_v: &[f64],
        segments: &'a Segments,
        control: &Control,
    ) -> Option<Course<'a>> {
        let seen = held_levels(log.time_s(), tap_v, segments, control);
        (seen.len() >= LEAST_LEVELS).then_some(Course { seen, log })
    }

    fn pairs(&self) -> impl Iterator<Item = Pair<'a, '_>> {
        let near = |pair: &Pair| {
            pair.to.stretch.settled.start_s - pair.from.stretch.settled.end_s <= NEIGHBORS_S
        };
        self.seen.windows(2).map(|pair| Pair { from: &pair[0], to: &pair[1] }).filter(near)
    }

    /// The usual change of level for each unit of what `by` counts, where most agree.
    fn habit(&self, by: impl Fn(&Pair) -> Option<f64>) -> Option<f64> {
        let rates: Vec<f64> = self
            .pairs()
            .filter_map(|pair| Some(pair.change_v() / by(&pair).filter(|n| *n != 0.0)?))
            .collect();
        let usual_v = median(&rates);
        let agree = rates.iter().filter(|v| **v * usual_v > 0.0).count() as f64;
        (rates.len() >= LEAST_CHANGES && agree >= AGREE_SHARE * rates.len() as f64)
            .then_some(usual_v)
    }

    fn take_out(&mut self, part_v: impl Fn(&Seen) -> f64) {
        for seen in &mut self.seen {
            seen.level_v -= part_v(seen);
        }
    }

    fn per_load_v(&self) -> Option<f64> {
        self.habit(|pair| pair.is_one_speed().then(|| f64::from(pair.more_loads())))
    }

    fn least(&self) -> Least {
        let volts = |level| self.log.nominal().volts(level);
        let half_widths: Vec<f64> = self.seen.iter().map(|s| s.half_width_v).collect();
        let unsure_v = median(&half_widths);
        Least {
            steady_v: volts(levels::STEADY).hypot(unsure_v),
            per_load_v: volts(levels::PER_LOAD).max(unsure_v),
            at_once_v: volts(levels::COMMANDED),
        }
    }

    fn spread_v(&self) -> f64 {
        let levels: Vec<f64> = self.seen.iter().map(|s| s.level_v).collect();
        let middle_v = mean(&levels);
        let squares = levels.iter().map(|v| (v - middle_v).powi(2)).sum::<f64>();
        (squares / (levels.len() as f64 - 1.0)).sqrt()
    }

    /// Changes by so much between neighbors, with neither loads nor speed to cause them.
    fn jumps(&self, least_v: f64) -> usize {
        self.pairs()
            .filter(|p| p.is_one_speed() && p.has_same_loads() && p.change_v().abs() >= least_v)
            .count()
    }

    /// Against the logged temperature that explains the levels best; `None` where they
    /// hardly move.
    fn drift(&self, steady_v: f64) -> Option<SetpointDrift> {
        if self.spread_v() <= steady_v {
            return None;
        }
        let levels: Vec<f64> = self.seen.iter().map(|s| s.level_v).collect();
        let whole = levels.len() as f64 * self.spread_v().powi(2);
        let moves = |degrees: &[f64]| {
            let ends = degrees.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), d| {
                (low.min(*d), high.max(*d))
            });
            ends.1 - ends.0 >= LEAST_DEGREES_C
        };
        let fits = Place::ALL.into_iter().filter_map(|place| {
            let degrees: Vec<f64> = self.seen.iter().map(|s| self.degrees_c(s, place)).collect();
            let fit = ordinary(&degrees, &levels).ok().filter(|_| moves(&degrees))?;
            let left = fit.sigma.powi(2) * fit.dof as f64 / whole;
            let t = (fit.slope / fit.slope_error()).abs();
            let sure = t > student_quantile(SURELY, fit.dof as f64);
            let by_heat = PER_DEGREE_V.contains(&-self.log.nominal().as_12_v(fit.slope));
            (sure && by_heat && left <= 1.0 - EXPLAINED).then_some((left, place, fit))
        });
        let (_, place, fit) = fits.min_by(|a, b| a.0.total_cmp(&b.0))?;
        let half = student_quantile(0.9, fit.dof as f64) * fit.slope_error();
        let how = format!("line through {} held levels", levels.len());
        Some(SetpointDrift {
            per_minute_v: None,
            per_degree_v: Some(Estimate::around(fit.slope, half, Grade::Measured, how)),
            against: Some(place.word().to_owned()),
        })
    }

    fn degrees_c(&self, seen: &Seen, place: Place) -> f64 {
        let Some(values) = self.log.channel(Role::Temperature(place)) else { return f64::NAN };
        let Span { start_s, end_s } = seen.stretch.settled;
        mean(&values[indices(self.log.time_s(), Span { start_s, end_s })])
    }
}
