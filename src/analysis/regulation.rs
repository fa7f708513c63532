//! What moves the level that the regulator holds: temperature, loads, engine speed, or a
//! command that no channel shows.
//!
//! Only levels held with the regulator in control count. The effects of loads and speed are
//! read between neighbors in time, so that a slow drift is not mistaken for one; the rest is
//! regressed on the logged temperatures. Causes with the same effect are all reported.

use crate::analysis::control::Control;
use crate::analysis::setpoint::held_levels;
use crate::analysis::setpoint::regulation_test::{HeldStretch, SAME_SPEED};
use crate::diagnosis::{Direction, LoadStep, Regulation, RegulatorKind, SetpointDrift};
use crate::estimate::{Estimate, Grade, LEVEL};
use crate::levels;
use crate::log::{Log, Place, Role, Tap};
use crate::segment::{Segments, indices, mean};
use crate::stats::fit::linear::ordinary;
use crate::stats::interval::student_quantile;
use crate::stats::robust::median;

/// Fewer held levels show no trend.
const LEAST_LEVELS: usize = 4;
/// An effect is accepted from this many changes of load or speed,
const LEAST_CHANGES: usize = 3;
/// of which this share has its sign.
const AGREE_SHARE: f64 = 0.75;
/// Neighbors in time are no further apart.
const NEIGHBORS_S: f64 = 45.0;
/// Ratio of two clearly different engine speeds.
const OTHER_SPEED: f64 = 1.3;
/// Share of the levels' variance that a temperature has to explain, and the confidence in
/// its slope.
const EXPLAINED: f64 = 0.5;
const CONFIDENCE: f64 = 0.99;
/// A temperature that moves by less explains nothing: anything else that warms meanwhile
/// would pass for it (our choice).
const LEAST_DEGREES_C: f64 = 10.0;
/// Regulators lose 1 to 20 mV/°C (six cells; common practice, no source).
const PER_DEGREE_V: std::ops::Range<f64> = 0.001..0.02;
/// With load response, a load that is switched on sags for this long or longer, and by this
/// many times what one that is switched off rises (chosen on seeds 76000..76160).
const SLOW_RECOVERY_S: f64 = 0.75;
const SAG_TO_RISE: f64 = 2.5;
/// A sag has recovered if no more than this share of it is left.
const LEFT_SHARE: f64 = 0.2;
/// The alternator's post is steady if loads lower it by less than this share of what they
/// lower the bus.
const POST_SHARE: f64 = 0.4;

/// The kinds of regulator that fit, and the setpoint's slope on a logged temperature.
pub struct SetpointMovement {
    pub regulation: Regulation,
    pub drift: Option<SetpointDrift>,
}

/// Kinds with the same effect, and the effect in words.
type Effect = (Vec<RegulatorKind>, String);

/// `None` where too few levels were held.
pub fn regulation(
    log: &Log,
    segments: &Segments,
    control: &Control,
    steps: &[LoadStep],
) -> Option<SetpointMovement> {
    let mut held = HeldLevels::of(log, log.bus_v(), segments, control)?;
    let mut effects: Vec<Effect> = Vec::new();
    effects.extend(load_response(steps, &held));
    if held.subtract_loads() {
        let kinds = kinds_lowered_by_loads(log, segments, control);
        effects.push((kinds, "each load that is switched on lowers it".to_owned()));
    }
    effects.extend(held.subtract_speed());
    let jumps = held.jumps();
    let drift = if jumps < LEAST_CHANGES { held.drift() } else { None };
    if let Some(place) = drift.as_ref().and_then(|drift| drift.against.as_ref()) {
        let kinds = vec![RegulatorKind::TemperatureCompensated, RegulatorKind::Commanded];
        effects.push((kinds, format!("it follows the {place} temperature")));
    } else if jumps > 0 {
        let times = if jumps == 1 { "once".to_owned() } else { format!("{jumps} times") };
        let why = format!("it changed {times} with loads and speed unchanged");
        effects.push((vec![RegulatorKind::Commanded], why));
    } else if effects.is_empty() && held.spread_v() > 2.0 * held.steady_v() {
        let kinds = vec![RegulatorKind::TemperatureCompensated, RegulatorKind::Commanded];
        effects.push((kinds, "it changed slowly, and no logged channel follows it".to_owned()));
    }
    if effects.is_empty() {
        effects.push((vec![RegulatorKind::Steady], "its levels hardly differ".to_owned()));
    }
    let mut possible: Vec<RegulatorKind> = Vec::new();
    for kind in effects.iter().flat_map(|(kinds, _)| kinds) {
        if !possible.contains(kind) {
            possible.push(*kind);
        }
    }
    let why = effects.into_iter().map(|(_, why)| why).collect::<Vec<_>>().join("; ");
    Some(SetpointMovement { regulation: Regulation { possible, why }, drift })
}

/// Loads that are switched on sag for a while and recover; switched off, they hardly show.
fn load_response(steps: &[LoadStep], held: &HeldLevels) -> Option<Effect> {
    let switched = |way: Direction| {
        let counts = move |step: &&LoadStep| {
            step.direction == way && held.contains(step.settled_span.end_s - 0.1)
        };
        steps.iter().filter(counts)
    };
    let recovered = |step: &&LoadStep| {
        step.answered && step.shift_v.value.abs() < LEFT_SHARE * step.sag_v.value
    };
    let on: Vec<&LoadStep> = switched(Direction::On).filter(recovered).collect();
    let seconds: Vec<f64> = on.iter().filter_map(|step| step.recovery_s).collect();
    let sags_v: Vec<f64> = on.iter().map(|step| step.sag_v.value).collect();
    let rises_v: Vec<f64> = switched(Direction::Off).map(|step| step.sag_v.value.abs()).collect();
    let is_slow = seconds.len() >= LEAST_CHANGES
        && median(&seconds) >= SLOW_RECOVERY_S
        && median(&sags_v) > SAG_TO_RISE * median(&rises_v);
    let why = "a load that is switched on sags further than one that is switched off rises";
    is_slow.then(|| (vec![RegulatorKind::LoadResponse], why.to_owned()))
}

/// A steady post behind a bus that loads lower leaves only the line between them.
fn kinds_lowered_by_loads(log: &Log, segments: &Segments, control: &Control) -> Vec<RegulatorKind> {
    use RegulatorKind::{Drooping, LoggerGround, RemoteSensed};
    let per_load_v = |tap_v| per_load_v(&HeldLevels::of(log, tap_v, segments, control)?.seen);
    let post_v = log.channel(Role::Voltage(Tap::Alternator));
    let post_v = post_v.filter(|_| log.bus != Tap::Alternator).and_then(per_load_v);
    match post_v.zip(per_load_v(log.bus_v())) {
        Some((post_v, bus_v)) if post_v > POST_SHARE * bus_v => vec![RemoteSensed],
        Some(_) => vec![Drooping, LoggerGround],
        None => vec![Drooping, RemoteSensed, LoggerGround],
    }
}

/// Levels held with the regulator in control, in time order.
struct HeldLevels<'a> {
    seen: Vec<HeldStretch<'a>>,
    log: &'a Log,
}

/// From one held level to the next.
struct LevelChange<'a> {
    from: &'a HeldStretch<'a>,
    to: &'a HeldStretch<'a>,
}

impl LevelChange<'_> {
    fn volts(&self) -> f64 {
        self.to.level_v - self.from.level_v
    }

    fn unsure_v(&self) -> f64 {
        self.to.half_width_v.hypot(self.from.half_width_v)
    }

    fn speed_ratio(&self) -> f64 {
        self.to.stretch.rpm.zip(self.from.stretch.rpm).map_or(1.0, |(to, from)| to / from)
    }

    fn is_at_one_speed(&self) -> bool {
        (1.0 / SAME_SPEED..=SAME_SPEED).contains(&self.speed_ratio())
    }

    fn has_same_loads(&self) -> bool {
        self.from.stretch.loads == self.to.stretch.loads
    }

    /// Loads switched on, or, negative, off; 0 where both were.
    fn more_loads(&self) -> f64 {
        let (from, to) = (&self.from.stretch.loads, &self.to.stretch.loads);
        let on = to.iter().filter(|load| !from.contains(load)).count();
        let off = from.iter().filter(|load| !to.contains(load)).count();
        if on > 0 && off > 0 { 0.0 } else { on as f64 - off as f64 }
    }

    /// 1 for clearly faster, −1 for clearly slower.
    fn faster(&self) -> f64 {
        let ratio = self.speed_ratio();
        f64::from(i8::from(ratio >= OTHER_SPEED) - i8::from(ratio <= 1.0 / OTHER_SPEED))
    }
}

/// Between neighbors in time.
fn changes<'a>(seen: &'a [HeldStretch<'a>]) -> impl Iterator<Item = LevelChange<'a>> {
    let pairs = seen.windows(2).map(|pair| LevelChange { from: &pair[0], to: &pair[1] });
    pairs.filter(|change| {
        let (from, to) = (change.from.stretch.settled, change.to.stretch.settled);
        to.start_s - from.end_s <= NEIGHBORS_S
    })
}

/// Median change of level per unit of `counted`, if most of them have its sign.
fn median_rate(seen: &[HeldStretch], counted: impl Fn(&LevelChange) -> f64) -> Option<f64> {
    let counts = changes(seen).map(|change| (change.volts(), counted(&change)));
    let rates: Vec<f64> = counts.filter(|(_, n)| *n != 0.0).map(|(v, n)| v / n).collect();
    let rate = median(&rates);
    let agree = rates.iter().filter(|v| **v * rate > 0.0).count() as f64;
    (rates.len() >= LEAST_CHANGES && agree >= AGREE_SHARE * rates.len() as f64).then_some(rate)
}

fn per_load_v(seen: &[HeldStretch]) -> Option<f64> {
    median_rate(seen, |change| if change.is_at_one_speed() { change.more_loads() } else { 0.0 })
}

/// How much higher the level is with the engine clearly faster.
fn faster_v(seen: &[HeldStretch]) -> Option<f64> {
    median_rate(seen, |change| if change.has_same_loads() { change.faster() } else { 0.0 })
}

impl<'a> HeldLevels<'a> {
    fn of(
        log: &'a Log,
        tap_v: &[f64],
        segments: &'a Segments,
        control: &Control,
    ) -> Option<HeldLevels<'a>> {
        let seen = held_levels(log.time_s(), tap_v, segments, control);
        (seen.len() >= LEAST_LEVELS).then_some(HeldLevels { seen, log })
    }

    fn contains(&self, t_s: f64) -> bool {
        self.seen.iter().any(|s| s.stretch.span.start_s <= t_s && t_s <= s.stretch.span.end_s)
    }

    /// Removes the drop of each load from the level; false where they have none.
    fn subtract_loads(&mut self) -> bool {
        let nominal = self.log.nominal();
        let least_v = nominal.volts(levels::PER_LOAD).max(self.unsure_v());
        let plausible_v = least_v..nominal.volts(levels::MOST_PER_LOAD);
        let Some(lost_v) = per_load_v(&self.seen).map(|v| -v).filter(|v| plausible_v.contains(v))
        else {
            return false;
        };
        for seen in &mut self.seen {
            seen.level_v += lost_v * seen.stretch.loads.len() as f64;
        }
        true
    }

    /// Removes the difference between idle and faster, if there is one.
    fn subtract_speed(&mut self) -> Option<Effect> {
        let least_v = self.log.nominal().volts(levels::COMMANDED).max(self.unsure_v());
        let rise_v = faster_v(&self.seen).filter(|v| v.abs() > least_v)?;
        let rpm = self.seen.iter().filter_map(|s| s.stretch.rpm);
        let fast_rpm = OTHER_SPEED * rpm.fold(f64::INFINITY, f64::min);
        for seen in &mut self.seen {
            if seen.stretch.rpm.is_some_and(|rpm| rpm > fast_rpm) {
                seen.level_v -= rise_v;
            }
        }
        // At idle an alternator delivers a larger share of its limit, and droops further.
        let (kinds, way) = if rise_v > 0.0 {
            (vec![RegulatorKind::Commanded, RegulatorKind::Drooping], "higher")
        } else {
            (vec![RegulatorKind::Commanded], "lower")
        };
        Some((kinds, format!("it is {way} above idle than at idle")))
    }

    /// Changes with neither loads nor speed to cause them.
    fn jumps(&self) -> usize {
        let least_v = self.log.nominal().volts(levels::COMMANDED);
        let unexplained =
            |change: &LevelChange| change.is_at_one_speed() && change.has_same_loads();
        changes(&self.seen)
            .filter(|c| unexplained(c) && c.volts().abs() >= least_v.max(c.unsure_v()))
            .count()
    }

    fn unsure_v(&self) -> f64 {
        median(&self.seen.iter().map(|s| s.half_width_v).collect::<Vec<_>>())
    }

    /// Scatter of levels that nothing moves.
    fn steady_v(&self) -> f64 {
        self.log.nominal().volts(levels::STEADY).hypot(self.unsure_v())
    }

    fn levels_v(&self) -> Vec<f64> {
        self.seen.iter().map(|s| s.level_v).collect()
    }

    fn spread_v(&self) -> f64 {
        sum_of_squares(&self.levels_v()).sqrt() / (self.seen.len() as f64 - 1.0).sqrt()
    }

    /// Slope on the logged temperature that explains the levels best, if they differ.
    fn drift(&self) -> Option<SetpointDrift> {
        if self.spread_v() <= self.steady_v() {
            return None;
        }
        let fit_on = |place: Place| {
            let values = self.log.channel(Role::Temperature(place))?;
            let degrees_c = |seen: &HeldStretch| {
                mean(&values[indices(self.log.time_s(), seen.stretch.settled)])
            };
            let points = self.seen.iter().map(|seen| (degrees_c(seen), seen.level_v));
            let (degrees_c, levels_v): (Vec<f64>, Vec<f64>) =
                points.filter(|(c, _)| c.is_finite()).unzip();
            let coldest_c = degrees_c.iter().copied().fold(f64::INFINITY, f64::min);
            let hottest_c = degrees_c.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let fit = ordinary(&degrees_c, &levels_v)?;
            let dof = fit.dof as f64;
            let unexplained = fit.sigma.powi(2) * dof / sum_of_squares(&levels_v);
            let is_sure = fit.slope.abs() > student_quantile(CONFIDENCE, dof) * fit.slope_error();
            let is_plausible = PER_DEGREE_V.contains(&-self.log.nominal().as_12_v(fit.slope))
                && hottest_c - coldest_c >= LEAST_DEGREES_C;
            (is_sure && is_plausible && unexplained <= 1.0 - EXPLAINED).then_some((
                unexplained,
                place,
                fit,
            ))
        };
        let fits = Place::ALL.into_iter().filter_map(fit_on);
        let (_, place, fit) = fits.min_by(|a, b| a.0.total_cmp(&b.0))?;
        let half_width = student_quantile(LEVEL, fit.dof as f64) * fit.slope_error();
        let how = format!(
            "line through {} held levels, as if only this temperature moved them",
            fit.dof + 2
        );
        Some(SetpointDrift {
            per_minute_v: None,
            per_degree_v: Some(Estimate::around(fit.slope, half_width, Grade::Inferred, how)),
            against: Some(place.word().to_owned()),
        })
    }
}

/// About the mean.
fn sum_of_squares(values: &[f64]) -> f64 {
    let mean = mean(values);
    values.iter().map(|v| (v - mean).powi(2)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::Stretch;

    /// The rates that levels with loads and speeds show per load and for clearly faster.
    fn rates(levels: &[(f64, f64, &[&str])]) -> (Option<f64>, Option<f64>) {
        let stretch = |(k, level): (usize, &(f64, f64, &[&str]))| {
            Stretch::of_test(30.0 * k as f64, 25.0, level.1, level.2)
        };
        let stretches: Vec<Stretch> = levels.iter().enumerate().map(stretch).collect();
        let seen = stretches.iter().zip(levels).map(|(s, level)| HeldStretch::of_test(s, level.0));
        let seen: Vec<HeldStretch> = seen.collect();
        (per_load_v(&seen), faster_v(&seen))
    }

    #[test]
    fn loads_and_speed_count_between_neighbors_only() {
        let (on, off): (&[&str], &[&str]) = (&["fan"], &[]);
        // A slow fall of 10 mV a level, and 60 mV for each load.
        let loads =
            [(14.30, 850.0, off), (14.23, 850.0, on), (14.28, 850.0, off), (14.21, 850.0, on)];
        let (per_load_v, faster_v) = rates(&loads);
        assert!(per_load_v.is_some_and(|v| (v + 0.07).abs() < 0.011), "{per_load_v:?}");
        assert_eq!(faster_v, None);
        let speeds =
            [(13.4, 800.0, off), (14.1, 2000.0, off), (13.4, 800.0, off), (14.1, 2100.0, off)];
        let (per_load_v, faster_v) = rates(&speeds);
        assert_eq!(per_load_v, None);
        assert!(faster_v.is_some_and(|v| (v - 0.7).abs() < 1e-9), "{faster_v:?}");
        // Signs that disagree show no effect.
        let mixed = [
            (14.0, 850.0, off),
            (14.1, 850.0, on),
            (14.0, 850.0, on),
            (13.9, 850.0, off),
            (13.7, 850.0, on),
        ];
        assert_eq!(rates(&mixed).0, None);
    }
}
