//! The voltage that the regulator holds when it can.
//!
//! A regulator shows itself as the highest level the bus keeps coming back to
//! whatever the loads and the engine speed. It drifts with its temperature, so
//! the level is looked for along sloping lines too.

use crate::analysis::Z90;
use crate::analysis::level::level;
use crate::car::Car;
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Role, Span, Tap};
use crate::segment::{Grain, Segments, Stretch};
use crate::stats::robust::median;

/// A bus under this is not being charged (common practice, no source).
const CHARGED_V: f64 = 13.2;
/// Levels of one setpoint lie this close together: regulators droop a few
/// hundredths from no load to full load (common practice, no source).
const DROOP_V: f64 = 0.08;
/// 7 to 10 mV/°C over a warm-up of a few °C a minute (common practice, no source).
const DRIFTS_V_PER_MIN: std::ops::RangeInclusive<i32> = -16..=4;
const DRIFT_STEP_V_PER_MIN: f64 = 0.005;
/// Held, a bus does not rise, and falls no faster than the regulator warms. One
/// that charges a low battery short of its setpoint rises.
const RISING_V: f64 = 0.02;
const FALLING_V_PER_S: f64 = 0.002;
/// What regulators are set to, for a log that never shows its own (common
/// practice, no source).
const COMMON_V: (f64, f64, f64) = (14.25, 13.8, 14.7);
/// The alternator's post tells the setpoint where it is held this much longer
/// than the bus: a regulator that reads its own post holds that, whatever is
/// lost on the way; one that reads the battery holds the bus.
const POST_LONGER: f64 = 1.25;
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
}

impl Setpoint {
    pub fn at(&self, t_s: f64) -> f64 {
        self.estimate.value + self.drift_v_per_s * (t_s - self.middle_s)
    }

    fn stated(value_v: f64) -> Setpoint {
        let estimate = Estimate::around(value_v, 0.1, Grade::Inferred, "stated for this car");
        Setpoint { estimate, middle_s: 0.0, drift_v_per_s: 0.0, drift_per_minute: None }
    }

    /// Of a log that never shows its own.
    pub fn common() -> Setpoint {
        let (value, low, high) = COMMON_V;
        let how = "common practice: the log never shows a level that is held";
        let estimate = Estimate::new(value, low, high, Grade::Assumed, how);
        Setpoint { estimate, middle_s: 0.0, drift_v_per_s: 0.0, drift_per_minute: None }
    }

    /// Whether the log, or a person, tells it.
    pub fn is_known(&self) -> bool {
        self.estimate.grade != Grade::Assumed
    }
}

/// One steady stretch as the search sees it.
struct Seen<'a> {
    stretch: &'a Stretch,
    middle_s: f64,
    seconds: f64,
    level_v: f64,
    half_width_v: f64,
}

/// The setpoint as stated, else as seen, else as regulators commonly have it;
/// `None` for a log without steady running.
pub fn setpoint(log: &Log, segments: &Segments, car: &Car) -> Option<Setpoint> {
    if let Some(stated_v) = car.setpoint_v {
        return Some(Setpoint::stated(stated_v));
    }
    let at_bus = held(log.time_s(), log.bus_v(), segments);
    let at_post = log
        .channel(Role::Voltage(Tap::Alternator))
        .filter(|_| log.bus != Tap::Alternator)
        .and_then(|post_v| held(log.time_s(), post_v, segments));
    let held = match (at_bus, at_post) {
        (Some(bus), Some(post)) if post.seconds > POST_LONGER * bus.seconds => Some(post.of_post()),
        (None, Some(post)) => Some(post.of_post()),
        (bus, _) => bus.map(|bus| bus.setpoint),
    };
    let runs_steadily = !segments.stretches.is_empty();
    held.or_else(|| runs_steadily.then(Setpoint::common))
}

/// A level that one tap holds.
struct Held {
    setpoint: Setpoint,
    /// How long the tap lies on it.
    seconds: f64,
}

impl Held {
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

fn held(time_s: &[f64], tap_v: &[f64], segments: &Segments) -> Option<Held> {
    let grain = &segments.grain;
    let seen: Vec<Seen> = segments
        .stretches
        .iter()
        .filter(|stretch| is_flat(time_s, tap_v, stretch, grain))
        .filter_map(|stretch| {
            let level = level(time_s, tap_v, stretch.settled, grain)?;
            Some(Seen {
                stretch,
                middle_s: (stretch.settled.start_s + stretch.settled.end_s) / 2.0,
                seconds: stretch.settled.seconds(),
                level_v: level.mean_v,
                half_width_v: level.half_width_v,
            })
        })
        .collect();
    let (drift, members) = highest_line(&seen)?;
    let setpoint = held_line(&seen, &members, drift)?;
    Some(Held { setpoint, seconds: members.iter().map(|&k| seen[k].seconds).sum() })
}

/// Whether the second half of a stretch lies where its first half did.
fn is_flat(time_s: &[f64], tap_v: &[f64], stretch: &Stretch, grain: &Grain) -> bool {
    let Span { start_s, end_s } = stretch.settled;
    let middle_s = (start_s + end_s) / 2.0;
    let half = |start_s, end_s| level(time_s, tap_v, Span { start_s, end_s }, grain);
    let (Some(first), Some(second)) = (half(start_s, middle_s), half(middle_s, end_s)) else {
        return true;
    };
    let change_v = second.mean_v - first.mean_v;
    let unsure_v = first.half_width_v.hypot(second.half_width_v);
    let most_fall_v = RISING_V + FALLING_V_PER_S * (end_s - start_s) / 2.0;
    change_v < RISING_V + unsure_v && change_v > -most_fall_v - unsure_v
}

/// The drift (V/s) and members of the highest line with time enough on it and
/// next to none above it; among drifts the one that gathers most time.
fn highest_line(seen: &[Seen]) -> Option<(f64, Vec<usize>)> {
    let total_s: f64 = seen.iter().map(|s| s.seconds).sum();
    let first_s = seen.first()?.middle_s;
    let spread_s = seen.last()?.middle_s - first_s;
    let unsure_v = median(&seen.iter().map(|s| s.half_width_v).collect::<Vec<_>>());
    let band_v = DROOP_V + 2.0 * unsure_v;
    let drifts: Vec<f64> = if spread_s < LEAST_DRIFT_S {
        vec![0.0]
    } else {
        DRIFTS_V_PER_MIN.map(|k| f64::from(k) * DRIFT_STEP_V_PER_MIN / 60.0).collect()
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
            let (members, on_line_s) = highest_band(&order, seen, total_s, band_v)?;
            // A slope must earn its keep: it costs a little support.
            let earned_s = on_line_s * (1.0 - 0.5 * (drift * 60.0).abs());
            Some((drift, members, earned_s))
        })
        .max_by(|a, b| a.2.total_cmp(&b.2))
        .map(|(drift, members, _)| (drift, members))
}

/// `order` is sorted from the highest level down. The highest band of `band_v`
/// that holds enough time, with its members and seconds.
fn highest_band(
    order: &[(f64, usize)],
    seen: &[Seen],
    total_s: f64,
    band_v: f64,
) -> Option<(Vec<usize>, f64)> {
    let enough_s = (0.05 * total_s).max(3.0).min(0.8 * total_s);
    let mut above_s = 0.0;
    for (top, &(top_v, k)) in order.iter().enumerate() {
        let members: Vec<usize> = order[top..]
            .iter()
            .take_while(|(v, _)| *v >= top_v - band_v)
            .map(|&(_, k)| k)
            .collect();
        let on_line_s: f64 = members.iter().map(|&k| seen[k].seconds).sum();
        if on_line_s >= enough_s {
            return (top_v >= CHARGED_V).then_some((members, on_line_s));
        }
        above_s += seen[k].seconds;
        if above_s > 0.1 * total_s {
            return None;
        }
    }
    None
}

/// The line through the members, with its interval and grade.
fn held_line(seen: &[Seen], members: &[usize], drift: f64) -> Option<Setpoint> {
    let weight_s: f64 = members.iter().map(|&k| seen[k].seconds).sum();
    let average = |f: &dyn Fn(&Seen) -> f64| {
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
    let first = seen[*members.first()?].stretch;
    let changes = members.iter().any(|&k| differs(first, seen[k].stretch));
    // A draining battery falls along a line too, one that begins as high.
    if level_v < CHARGED_V {
        return None;
    }
    let (grade, how) = if changes {
        (Grade::Measured, format!("level held over {weight_s:.0} s while loads or speed changed"))
    } else if level_v >= 13.6 {
        (Grade::Inferred, format!("highest level, {weight_s:.0} s at one load and speed"))
    } else {
        return None;
    };
    let estimate = Estimate::around(level_v, half_width_v, grade, how);
    Some(Setpoint { estimate, middle_s, drift_v_per_s, drift_per_minute })
}

fn differs(a: &Stretch, b: &Stretch) -> bool {
    let faster = match (a.rpm, b.rpm) {
        (Some(a), Some(b)) => a.max(b) > 1.25 * a.min(b),
        _ => false,
    };
    a.loads != b.loads || faster
}
