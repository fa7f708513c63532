//! The voltage that the regulator holds when it can.
//!
//! Only levels at which the regulator was most likely in control count
//! ([`crate::analysis::control`]). A setpoint drifts with heat, so a straight line is
//! looked for first; where an engine computer moves it, it is a track through the levels
//! that were held ([`track`]), as unsure as the nearest of them is far.
//!
//! A battery far from full behind an alternator at its limit levels off too. Only what
//! does not answer tells them apart: one load more, or the engine back at idle, and the
//! same voltage. A level that never passes that test is a lower bound.

pub(super) mod regulation_test;
pub mod track;

use crate::analysis::control::Control;
use crate::analysis::level::level;
use crate::car::Car;
use crate::diagnosis::SetpointAt;
use crate::estimate::{Estimate, Grade, Z90};
use crate::levels;
use crate::log::{Log, Role, Span, Tap};
use crate::nominal::Nominal;
use crate::segment::{NoiseModel, Segments, Stretch};
use crate::stats::robust::median;

use regulation_test::{HeldStretch, is_indifferent};
use track::Knot;

/// 7 to 10 mV/°C over a warm-up of a few °C a minute, in steps of
/// [`levels::DRIFT_STEP_PER_MIN`] (common practice, no source).
const DRIFT_STEPS: std::ops::RangeInclusive<i32> = -16..=4;
/// A shorter stretch proves no level.
const SHORTEST_S: f64 = 3.0;
/// The alternator's post tells the setpoint where it is held this much longer
/// than the bus: a regulator that reads its own post holds that, whatever is
/// lost on the way; one that reads the battery holds the bus.
const POST_LONGER: f64 = 1.25;
/// From here on the regulator counts as in control; and as surely so.
const IN_CONTROL: f64 = 0.5;
const SURELY: f64 = 0.9;
/// Natural log odds of more than the level itself that show a held level.
const SHOWN: f64 = -1.5;
/// A line that less of the held time lies on is not the setpoint's course.
const ON_LINE_SHARE: f64 = 0.7;
/// … and where more of it lies elsewhere than this leaves, the line is not all of it.
const ALL_ON_LINE_SHARE: f64 = 0.95;
/// Moments of a track that are reported.
const MOST_MOMENTS: usize = 60;
/// Less running than this shows no drift.
const LEAST_DRIFT_S: f64 = 60.0;

/// A setpoint that may move along a straight line.
#[derive(Debug, Clone, PartialEq)]
pub struct Setpoint {
    pub estimate: Estimate,
    /// Moment for which `estimate` stands.
    pub middle_s: f64,
    pub drift_v_per_s: f64,
    /// The same with its interval, where the log shows one.
    pub drift_per_minute: Option<Estimate>,
    /// Whether the log shows that neither loads nor speed move it, or it is stated.
    pub is_shown: bool,
    /// The levels that were held, in time order. Where no straight line fits them, they
    /// are the setpoint.
    pub knots: Vec<Knot>,
    /// Whether it moves otherwise than along the line.
    pub wanders: bool,
    /// Whose cells' volts these are.
    pub nominal: Nominal,
}

impl Setpoint {
    pub fn at(&self, t_s: f64) -> f64 {
        let line_v = self.estimate.value + self.drift_v_per_s * (t_s - self.middle_s);
        let wandering = if self.wanders { track::between(&self.knots, t_s) } else { None };
        wandering.unwrap_or(line_v)
    }

    /// With its interval, which widens away from the levels that show it.
    pub fn level_at(&self, t_s: f64) -> Estimate {
        let Estimate { value, low, high, grade, how } = self.estimate.clone();
        let near = if self.wanders { track::nearest(&self.knots, t_s) } else { None };
        let (below_v, above_v) =
            near.map_or((value - low, high - value), |knot| (knot.half_width_v, knot.half_width_v));
        // A stated setpoint has no levels that it was held at, and its own allowance.
        let held_v = if self.wanders || self.knots.is_empty() { 0.0 } else { track::HELD_V };
        let (below_v, above_v) = (below_v.hypot(held_v), above_v.hypot(held_v));
        let (far_v, far) = track::far(&self.knots, t_s, self.nominal);
        let grade = if far { grade.max(Grade::Inferred) } else { grade };
        let at_v = self.at(t_s);
        Estimate::new(at_v, at_v - below_v.hypot(far_v), at_v + above_v.hypot(far_v), grade, how)
    }

    /// Where it was held, and halfway between: no more moments than a page can show.
    pub fn track(&self) -> Vec<SetpointAt> {
        let held = track::moments(&self.knots, MOST_MOMENTS);
        held.into_iter().map(|at_s| SetpointAt { at_s, level_v: self.level_at(at_s) }).collect()
    }

    /// Over several visits, each at its time and by its seconds: the mean.
    pub fn over(&self, spans: &[Span]) -> Estimate {
        let seconds: f64 = spans.iter().map(Span::seconds).sum();
        let visits: Vec<(f64, Estimate)> = spans
            .iter()
            .map(|s| (s.seconds() / seconds, self.level_at((s.start_s + s.end_s) / 2.0)))
            .collect();
        let mean =
            |of: &dyn Fn(&Estimate) -> f64| visits.iter().map(|(w, e)| w * of(e)).sum::<f64>();
        let grade = visits.iter().map(|(_, e)| e.grade).max().unwrap_or(self.estimate.grade);
        let how = self.estimate.how.clone();
        Estimate::new(mean(&|e| e.value), mean(&|e| e.low), mean(&|e| e.high), grade, how)
    }

    fn stated(value_v: f64, nominal: Nominal) -> Setpoint {
        let kept_v = nominal.volts(levels::STATED_SETPOINT);
        let estimate = Estimate::around(value_v, kept_v, Grade::Inferred, "stated for this car");
        Setpoint {
            estimate,
            middle_s: 0.0,
            drift_v_per_s: 0.0,
            drift_per_minute: None,
            is_shown: true,
            knots: Vec::new(),
            wanders: false,
            nominal,
        }
    }

    /// Of a log that never shows its own.
    pub fn common(nominal: Nominal) -> Setpoint {
        let [value, low, high] = levels::COMMON_SETPOINT.map(|level| nominal.volts(level));
        let how = "common practice: the log never shows a level that is held";
        let estimate = Estimate::new(value, low, high, Grade::Assumed, how);
        Setpoint {
            estimate,
            middle_s: 0.0,
            drift_v_per_s: 0.0,
            drift_per_minute: None,
            is_shown: false,
            knots: Vec::new(),
            wanders: false,
            nominal,
        }
    }

    /// The same, knowing that the bus stood at `seen_v`.
    pub fn common_above(seen_v: f64, nominal: Nominal) -> Setpoint {
        let common = Setpoint::common(nominal);
        let Estimate { value, low, high, .. } = common.estimate;
        if seen_v <= low {
            return common;
        }
        let low = seen_v;
        let high = high.max(low + nominal.volts(levels::ABOVE_SETPOINT));
        let value = if value > low { value } else { (low + high) / 2.0 };
        let how = "common practice, and no lower than the bus was seen: the log never shows a \
                   level that is held";
        let estimate = Estimate::new(value, low, high, Grade::Assumed, how);
        Setpoint { estimate, ..common }
    }

    /// The highest level that the bus surely stood at for a while, and whether it stood
    /// further above this setpoint than a regulator allows.
    pub fn stood_above(&self, log: &Log, segments: &Segments) -> (f64, bool) {
        let above_v = log.nominal().volts(levels::ABOVE_SETPOINT);
        let mut highest_v = f64::NEG_INFINITY;
        let mut above = false;
        for stretch in segments.stretches.iter().filter(|s| s.settled.seconds() >= SHORTEST_S) {
            let span = stretch.settled;
            let Some(seen) = level(log.time_s(), log.bus_v(), span, &segments.noise_model) else {
                continue;
            };
            let sure_v = seen.mean_v - seen.half_width_v;
            highest_v = highest_v.max(sure_v);
            above |= sure_v > self.at((span.start_s + span.end_s) / 2.0) + above_v;
        }
        (highest_v, above)
    }

    /// Whether the log, or a person, tells it.
    pub fn is_known(&self) -> bool {
        self.estimate.grade != Grade::Assumed
    }
}

/// The setpoint as stated, else as seen, else as regulators commonly have it;
/// `None` for a log without steady running.
pub fn setpoint(log: &Log, segments: &Segments, control: &Control, car: &Car) -> Option<Setpoint> {
    if let Some(stated_v) = car.setpoint_v {
        return Some(Setpoint::stated(stated_v, log.nominal()));
    }
    let in_control = |k: usize| control.regulated(k) >= IN_CONTROL;
    let shown = |k: usize| {
        let weighed = control.of_stretch(k);
        weighed.is_some_and(|w| w.regulated >= SURELY && w.log_odds() < SHOWN)
    };
    let at_bus = held(log.time_s(), log.bus_v(), segments, &in_control, &shown);
    let at_post = log
        .channel(Role::Voltage(Tap::Alternator))
        .filter(|_| log.bus != Tap::Alternator)
        .and_then(|post_v| held(log.time_s(), post_v, segments, &|_| true, &|_| false));
    let held = match (at_bus, at_post) {
        (Some(bus), Some(post))
            if post.seconds > POST_LONGER * bus.seconds
                || bus.setpoint.wanders && !post.setpoint.wanders =>
        {
            Some(post.of_post())
        }
        (None, Some(post)) => Some(post.of_post()),
        (bus, _) => bus.map(|bus| bus.setpoint),
    };
    if segments.stretches.is_empty() {
        return held;
    }
    let found = held.unwrap_or_else(|| Setpoint::common(log.nominal()));
    let (highest_v, stands_above) = found.stood_above(log, segments);
    // What a regulator holds may rise for a moment; what a machine at its limit
    // leaves over is no setpoint once the bus stood higher.
    let doubtful = !found.is_known() || (stands_above && !found.is_shown);
    Some(if doubtful { Setpoint::common_above(highest_v, log.nominal()) } else { found })
}

/// A level that one tap holds.
struct TapSetpoint {
    setpoint: Setpoint,
    /// How long the tap lies on it.
    seconds: f64,
}

impl TapSetpoint {
    /// The regulator's level as its machine's own post shows it: what the bus
    /// would be held at if nothing were lost on the way.
    fn of_post(self) -> Setpoint {
        let Setpoint { estimate, .. } = &self.setpoint;
        let how = format!(
            "held at the alternator's post, while the bus itself is not held: {}",
            estimate.how
        );
        let estimate = Estimate { grade: Grade::Inferred, how, ..estimate.clone() };
        Setpoint { estimate, ..self.setpoint }
    }
}

fn held(
    time_s: &[f64],
    tap_v: &[f64],
    segments: &Segments,
    in_control: &dyn Fn(usize) -> bool,
    shown: &dyn Fn(usize) -> bool,
) -> Option<TapSetpoint> {
    let noise_model = &segments.noise_model;
    let seen = levels_of(time_s, tap_v, segments, in_control, shown);
    let total_s: f64 = seen.iter().map(|s| s.seconds).sum();
    let seconds = |members: &[usize]| members.iter().map(|&k| seen[k].seconds).sum::<f64>();
    let line = highest_line(&seen, noise_model.nominal).and_then(|(drift, members)| {
        Some((held_line(&seen, &members, drift, noise_model.nominal)?, seconds(&members)))
    });
    match line {
        Some((setpoint, on_line_s)) if on_line_s >= ON_LINE_SHARE * total_s => {
            let setpoint = if on_line_s < ALL_ON_LINE_SHARE * total_s {
                track::around(setpoint, &seen)
            } else {
                setpoint
            };
            Some(TapSetpoint { setpoint, seconds: on_line_s })
        }
        line => track::wandering(&seen, noise_model.nominal)
            .map(|setpoint| TapSetpoint { setpoint, seconds: total_s })
            .or_else(|| line.map(|(setpoint, seconds)| TapSetpoint { setpoint, seconds })),
    }
}

/// Levels at which the regulator was in control, long enough to prove one, in time order.
pub(super) fn held_levels<'a>(
    time_s: &[f64],
    tap_v: &[f64],
    segments: &'a Segments,
    control: &Control,
) -> Vec<HeldStretch<'a>> {
    let in_control = |k: usize| control.regulated(k) >= IN_CONTROL;
    let mut seen = levels_of(time_s, tap_v, segments, &in_control, &|_| false);
    seen.retain(|s| s.seconds >= SHORTEST_S);
    seen
}

fn levels_of<'a>(
    time_s: &[f64],
    tap_v: &[f64],
    segments: &'a Segments,
    in_control: &dyn Fn(usize) -> bool,
    shown: &dyn Fn(usize) -> bool,
) -> Vec<HeldStretch<'a>> {
    let noise_model = &segments.noise_model;
    segments
        .stretches
        .iter()
        .enumerate()
        .filter(|(k, stretch)| in_control(*k) && is_flat(time_s, tap_v, stretch, noise_model))
        .filter_map(|(k, stretch)| {
            let level = level(time_s, tap_v, stretch.settled, noise_model)?;
            Some(HeldStretch {
                stretch,
                middle_s: (stretch.settled.start_s + stretch.settled.end_s) / 2.0,
                seconds: stretch.settled.seconds(),
                level_v: level.mean_v,
                half_width_v: level.half_width_v,
                is_shown: shown(k),
            })
        })
        .collect()
}

/// Whether the second half of a stretch lies where its first half did.
fn is_flat(time_s: &[f64], tap_v: &[f64], stretch: &Stretch, noise_model: &NoiseModel) -> bool {
    let Span { start_s, end_s } = stretch.settled;
    let middle_s = (start_s + end_s) / 2.0;
    let half = |start_s, end_s| level(time_s, tap_v, Span { start_s, end_s }, noise_model);
    let (Some(first), Some(second)) = (half(start_s, middle_s), half(middle_s, end_s)) else {
        return true;
    };
    let change_v = second.mean_v - first.mean_v;
    let unsure_v = first.half_width_v.hypot(second.half_width_v);
    // Held, a bus does not rise, and falls no faster than the regulator warms. One that
    // charges a low battery short of its setpoint rises.
    let rising_v = noise_model.nominal.volts(levels::RISING);
    let falling_v_per_s = noise_model.nominal.volts(levels::FALLING_PER_S);
    let most_fall_v = rising_v + falling_v_per_s * (end_s - start_s) / 2.0;
    change_v < rising_v + unsure_v && change_v > -most_fall_v - unsure_v
}

/// The drift (V/s) and members of the highest line with time enough on it and
/// next to none above it; among drifts the one that gathers most time.
fn highest_line(seen: &[HeldStretch], nominal: Nominal) -> Option<(f64, Vec<usize>)> {
    let total_s: f64 = seen.iter().map(|s| s.seconds).sum();
    let first_s = seen.first()?.middle_s;
    let spread_s = seen.last()?.middle_s - first_s;
    let unsure_v = median(&seen.iter().map(|s| s.half_width_v).collect::<Vec<_>>());
    let band_v = nominal.volts(levels::ONE_SETPOINT) + 2.0 * unsure_v;
    let charged_v = nominal.volts(levels::CHARGED);
    let step_v_per_min = nominal.volts(levels::DRIFT_STEP_PER_MIN);
    let drifts: Vec<f64> = if spread_s < LEAST_DRIFT_S {
        vec![0.0]
    } else {
        DRIFT_STEPS.map(|k| f64::from(k) * step_v_per_min / 60.0).collect()
    };
    drifts
        .into_iter()
        .filter_map(|drift| {
            let mut order: Vec<(f64, usize)> = seen
                .iter()
                .enumerate()
                .map(|(k, s)| (s.level_v - drift * (s.middle_s - first_s), k))
                .collect();
            order.sort_by(|a, b| b.0.total_cmp(&a.0));
            let (members, on_line_s) = highest_band(&order, seen, total_s, band_v, charged_v)?;
            // A slope must earn its keep: it costs a little support.
            let earned_s = on_line_s * (1.0 - 0.5 * (nominal.as_12_v(drift) * 60.0).abs());
            Some((drift, members, earned_s))
        })
        .max_by(|a, b| a.2.total_cmp(&b.2))
        .map(|(drift, members, _)| (drift, members))
}

/// `order` is sorted from the highest level down. The highest band of `band_v`
/// that holds enough time, with its members and seconds.
fn highest_band(
    order: &[(f64, usize)],
    seen: &[HeldStretch],
    total_s: f64,
    band_v: f64,
    charged_v: f64,
) -> Option<(Vec<usize>, f64)> {
    let enough_s = (0.05 * total_s).max(3.0).min(0.8 * total_s);
    let mut above_s = 0.0;
    // Seconds from the top of the order on, to pass by what cannot be enough.
    let mut within = (0, 0.0);
    for (top, &(top_v, k)) in order.iter().enumerate() {
        while let Some(&(_, next)) = order.get(within.0).filter(|(v, _)| *v >= top_v - band_v) {
            within = (within.0 + 1, within.1 + seen[next].seconds);
        }
        let about_s = within.1;
        within.1 -= seen[k].seconds;
        if about_s < enough_s - 1e-6 * total_s {
            above_s += seen[k].seconds;
            if above_s > 0.1 * total_s {
                return None;
            }
            continue;
        }
        let members: Vec<usize> = order[top..]
            .iter()
            .take_while(|(v, _)| *v >= top_v - band_v)
            .map(|&(_, k)| k)
            .collect();
        let on_line_s: f64 = members.iter().map(|&k| seen[k].seconds).sum();
        if on_line_s >= enough_s {
            return (top_v >= charged_v).then_some((members, on_line_s));
        }
        above_s += seen[k].seconds;
        if above_s > 0.1 * total_s {
            return None;
        }
    }
    None
}

/// The line through the members, with its interval and grade.
fn held_line(
    seen: &[HeldStretch],
    members: &[usize],
    drift: f64,
    nominal: Nominal,
) -> Option<Setpoint> {
    let weight_s: f64 = members.iter().map(|&k| seen[k].seconds).sum();
    let average = |f: &dyn Fn(&HeldStretch) -> f64| {
        members.iter().map(|&k| seen[k].seconds * f(&seen[k])).sum::<f64>() / weight_s
    };
    let middle_s = average(&|s| s.middle_s);
    let level_v = average(&|s| s.level_v);
    let time_variance = average(&|s| (s.middle_s - middle_s).powi(2));
    let spread_s = members.iter().map(|&k| seen[k].middle_s).fold(f64::NEG_INFINITY, f64::max)
        - members.iter().map(|&k| seen[k].middle_s).fold(f64::INFINITY, f64::min);
    let drifts = members.len() >= 3 && spread_s >= LEAST_DRIFT_S;
    let drift_v_per_s = if drifts {
        average(&|s| (s.middle_s - middle_s) * (s.level_v - level_v)) / time_variance
    } else {
        drift
    };
    let residual_v =
        average(&|s| (s.level_v - level_v - drift_v_per_s * (s.middle_s - middle_s)).powi(2))
            .sqrt();
    let count = members.len() as f64;
    let read_v = average(&|s| s.half_width_v);
    let scatter_v = Z90 * residual_v / (count - 1.0).max(1.0).sqrt();
    let half_width_v = scatter_v.hypot(read_v);
    let drift_per_minute = drifts.then(|| {
        let half = 60.0 * half_width_v / time_variance.sqrt();
        Estimate::around(
            60.0 * drift_v_per_s,
            half,
            Grade::Measured,
            "line through the held levels",
        )
    });
    // A draining battery falls along a line too, one that begins as high.
    if level_v < nominal.volts(levels::CHARGED) {
        return None;
    }
    let knots = track::knots(members.iter().filter_map(|&k| seen.get(k)));
    let shown = members.iter().any(|&k| seen.get(k).is_some_and(|s| s.is_shown));
    if shown || is_indifferent(seen, members, nominal) {
        let how = format!("level held over {weight_s:.0} s while loads or speed changed");
        let estimate = Estimate::around(level_v, half_width_v, Grade::Measured, how);
        return Some(Setpoint {
            estimate,
            middle_s,
            drift_v_per_s,
            drift_per_minute,
            is_shown: true,
            knots,
            wanders: false,
            nominal,
        });
    }
    if level_v < nominal.volts(levels::LEAST_UNSHOWN_SETPOINT) {
        return None;
    }
    let how = format!(
        "highest level, over {weight_s:.0} s; at least that: no load or speed changed there without \
         changing it, so it may be the alternator's limit"
    );
    let [.., common_high] = levels::COMMON_SETPOINT;
    let high_v = (level_v + half_width_v).max(nominal.volts(common_high));
    let estimate = Estimate::new(level_v, level_v - half_width_v, high_v, Grade::Inferred, how);
    Some(Setpoint {
        estimate,
        middle_s,
        drift_v_per_s,
        drift_per_minute,
        is_shown: false,
        knots,
        wanders: false,
        nominal,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnosis::Heat;

    fn stretch(start_s: f64, rpm: f64, loads: &[&str]) -> Stretch {
        let span = Span { start_s, end_s: start_s + 20.0 };
        let loads = loads.iter().map(|l| (*l).to_owned()).collect();
        Stretch { span, settled: span, loads, rpm: Some(rpm), heat: Heat::Unknown }
    }

    fn seen(stretch: &Stretch, level_v: f64) -> HeldStretch<'_> {
        let middle_s = stretch.span.start_s + 10.0;
        HeldStretch {
            stretch,
            middle_s,
            seconds: 20.0,
            level_v,
            half_width_v: 0.005,
            is_shown: false,
        }
    }

    fn shown(levels: &[(f64, f64, &[&str], f64)]) -> bool {
        let stretches: Vec<Stretch> =
            levels.iter().map(|(at_s, rpm, loads, _)| stretch(*at_s, *rpm, loads)).collect();
        let seen: Vec<HeldStretch> =
            stretches.iter().zip(levels).map(|(s, l)| seen(s, l.3)).collect();
        let members: Vec<usize> = (0..seen.len()).collect();
        held_line(&seen, &members, 0.0, Nominal::V12).is_some_and(|setpoint| setpoint.is_shown)
    }

    #[test]
    fn a_level_that_minds_nothing_is_the_setpoint() {
        assert!(shown(&[(0.0, 850.0, &[], 14.20), (30.0, 840.0, &["fan"], 14.19)]));
        assert!(shown(&[(0.0, 2500.0, &["fan"], 14.20), (30.0, 850.0, &["fan"], 14.21)]));
    }

    #[test]
    fn a_level_that_nothing_tried_may_be_the_machines_limit() {
        // One load and speed; another load at a raised idle; faster on a flat curve; a
        // load that costs volts; the same after minutes of charging.
        assert!(!shown(&[(0.0, 850.0, &[], 14.20), (30.0, 850.0, &[], 14.20)]));
        assert!(!shown(&[(0.0, 850.0, &[], 14.20), (30.0, 970.0, &["ac"], 14.20)]));
        assert!(!shown(&[(0.0, 3100.0, &[], 14.20), (30.0, 2100.0, &[], 14.20)]));
        assert!(!shown(&[(0.0, 850.0, &[], 14.20), (30.0, 850.0, &["fan"], 14.14)]));
        assert!(!shown(&[(0.0, 850.0, &[], 14.20), (300.0, 850.0, &["fan"], 14.20)]));
    }

    #[test]
    fn an_unshown_level_is_a_lower_bound() {
        let stretches = [stretch(0.0, 850.0, &[]), stretch(30.0, 850.0, &[])];
        let seen: Vec<HeldStretch> = stretches.iter().map(|s| seen(s, 13.8)).collect();
        let setpoint = held_line(&seen, &[0, 1], 0.0, Nominal::V12).expect("a level");
        assert_eq!(setpoint.estimate.grade, Grade::Inferred);
        assert!(setpoint.estimate.low > 13.75 && setpoint.estimate.high == 14.7);
        let low: Vec<HeldStretch> = stretches.iter().map(|s| self::seen(s, 13.3)).collect();
        assert!(held_line(&low, &[0, 1], 0.0, Nominal::V12).is_none());
    }

    #[test]
    fn a_common_setpoint_is_not_below_what_was_seen() {
        let common = Setpoint::common(Nominal::V12);
        assert_eq!(Setpoint::common_above(13.2, Nominal::V12), common);
        let high = Setpoint::common_above(14.6, Nominal::V12).estimate;
        assert_eq!(high.low, 14.6);
        assert!(high.value > 14.6 && high.value < high.high);
    }
}
