//! The voltage that the regulator holds when it can.
//!
//! Only levels at which the regulator was most likely in control count
//! ([`crate::analysis::control`]). A setpoint drifts with heat, so a straight line is
//! looked for first; where an engine computer moves it, it is a track through the levels
//! that were held ([`track`]), as unsure as the nearest of them is far.
//!
//! A battery far from full behind an alternator at its limit levels off too. The test is whether
//! the voltage stays the same with one more load, or with the engine back at idle. A level that
//! never passes it is a lower bound.

mod line;
pub(super) mod regulation_test;
pub mod track;

use crate::analysis::control::Control;
use crate::analysis::level::{bus_level, level};
use crate::car::Car;
use crate::diagnosis::SetpointAt;
use crate::estimate::{Estimate, Grade};
use crate::levels;
use crate::log::{Log, Role, Span, Tap};
use crate::nominal::Nominal;
use crate::segment::{NoiseModel, Segments, Stretch};

use line::{held_line, highest_line};
use regulation_test::HeldStretch;
use track::Knot;

/// A shorter stretch proves no level.
const SHORTEST_S: f64 = 3.0;
/// The setpoint is read at the alternator's post if that is held this much longer than the bus: a
/// regulator that reads its own post holds that, and one that reads the battery holds the bus.
const POST_LONGER: f64 = 1.25;
/// From here on the regulator counts as in control; and as surely so.
const IN_CONTROL: f64 = 0.5;
const SURELY: f64 = 0.9;
/// Natural log odds of more than the level itself that show a held level.
const SHOWN: f64 = -1.5;
/// A line with a smaller share of the held time on it is not the setpoint's course.
const ON_LINE_SHARE: f64 = 0.7;
/// With less than this share on it, the line is followed only in part.
const ALL_ON_LINE_SHARE: f64 = 0.95;
/// Moments of a track that are reported.
const MOST_MOMENTS: usize = 60;

/// A setpoint that may move along a straight line.
#[derive(Debug, Clone, PartialEq)]
pub struct Setpoint {
    pub estimate: Estimate,
    /// Moment of `estimate`.
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
        let visits: Vec<(f64, Estimate)> =
            spans.iter().map(|s| (s.seconds() / seconds, self.level_at(s.middle_s()))).collect();
        let mean =
            |of: &dyn Fn(&Estimate) -> f64| visits.iter().map(|(w, e)| w * of(e)).sum::<f64>();
        let grade = visits.iter().map(|(_, e)| e.grade).max().unwrap_or(self.estimate.grade);
        let how = self.estimate.how.clone();
        Estimate::new(mean(&|e| e.value), mean(&|e| e.low), mean(&|e| e.high), grade, how)
    }

    fn stated(value_v: f64, nominal: Nominal) -> Setpoint {
        let kept_v = nominal.volts(levels::STATED_SETPOINT);
        let estimate = Estimate::around(value_v, kept_v, Grade::Inferred, "stated for this car");
        Setpoint { is_shown: true, ..Setpoint::constant(estimate, nominal) }
    }

    /// Without drift, and not shown by the log.
    pub(super) fn constant(estimate: Estimate, nominal: Nominal) -> Setpoint {
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

    /// Of a log that never shows its own.
    pub fn common(nominal: Nominal) -> Setpoint {
        let [value, low, high] = levels::COMMON_SETPOINT.map(|level| nominal.volts(level));
        let how = "common practice: the log never shows a level that is held";
        Setpoint::constant(Estimate::new(value, low, high, Grade::Assumed, how), nominal)
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
            let Some(seen) = bus_level(log, segments, span) else {
                continue;
            };
            let sure_v = seen.mean_v - seen.half_width_v;
            highest_v = highest_v.max(sure_v);
            above |= sure_v > self.at(span.middle_s()) + above_v;
        }
        (highest_v, above)
    }

    /// Whether it was measured or stated.
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
    // A regulated level may rise for a moment; a level at the alternator's limit is no setpoint
    // once the bus was higher.
    let doubtful = !found.is_known() || (stands_above && !found.is_shown);
    Some(if doubtful { Setpoint::common_above(highest_v, log.nominal()) } else { found })
}

/// A level that one tap holds.
struct TapSetpoint {
    setpoint: Setpoint,
    /// How long the tap is at it.
    seconds: f64,
}

impl TapSetpoint {
    /// The regulator's level at the alternator's post: what the bus would be held at if nothing were
    /// lost in the cable.
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
                middle_s: stretch.settled.middle_s(),
                seconds: stretch.settled.seconds(),
                level_v: level.mean_v,
                half_width_v: level.half_width_v,
                is_shown: shown(k),
            })
        })
        .collect()
}

/// Whether the second half of a stretch is at the level of the first.
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_common_setpoint_is_not_below_what_was_seen() {
        let common = Setpoint::common(Nominal::V12);
        assert_eq!(Setpoint::common_above(13.2, Nominal::V12), common);
        let high = Setpoint::common_above(14.6, Nominal::V12).estimate;
        assert_eq!(high.low, 14.6);
        assert!(high.value > 14.6 && high.value < high.high);
    }
}
