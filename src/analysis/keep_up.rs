//! Keep-up rpm: the engine speed at which a set of loads stops slipping.
//!
//! Steady running says at which speeds the bus holds and at which it does not;
//! the answer lies between the two. Where the engine went from one to the other
//! with the loads unchanged, the way there shows the knee itself ([`passage`]);
//! where it did not, the amps that are missing below it say how much speed
//! brings them ([`missing`]).

mod missing;
mod passage;

use std::collections::BTreeMap;

use crate::analysis::level::level;
use crate::analysis::setpoint::Setpoint;
use crate::car::Car;
use crate::diagnosis::{Bound, KeepUp, OperatingPoint};
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Span};
use crate::segment::speed::differ;
use crate::segment::{Segments, Stretch};

/// Under the setpoint by less than this is the regulator's droop, not a slip
/// (common practice, no source).
pub(crate) const DROOP_V: f64 = 0.06;
/// A set of loads seen for less than this tells no keep-up speed.
const LEAST_SET_S: f64 = 4.0;
/// Steady running is judged in blocks of this length, so that a bus that comes
/// back to its setpoint within a stretch is seen to.
const BLOCK_S: f64 = 5.0;
/// Speed and load of the engine wander by this share within a steady stretch.
const WANDER_SHARE: f64 = 0.01;

/// Half the width of the middle 90 % of a normal distribution, in standard deviations.
const NORMAL_90: f64 = 1.645;

/// One steady stretch held against the setpoint of its time.
struct Visit<'a> {
    stretch: &'a Stretch,
    rpm: f64,
    seconds: f64,
    holding_s: f64,
}

/// The visits at one engine speed.
struct Speed {
    rpm: f64,
    low_rpm: f64,
    high_rpm: f64,
    seconds: f64,
    holding_s: f64,
}

impl Speed {
    fn slipping_s(&self) -> f64 {
        self.seconds - self.holding_s
    }
}

/// A knee with its 90 % half-width.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Knee {
    rpm: f64,
    half_width_rpm: f64,
}

/// One answer for each set of loads seen long enough, few loads to many. Empty
/// without engine speed or where no setpoint is known.
pub fn keep_up(
    log: &Log,
    segments: &Segments,
    setpoint: Option<&Setpoint>,
    points: &[OperatingPoint],
    car: &Car,
) -> Vec<KeepUp> {
    let Some(setpoint) = setpoint.filter(|s| s.is_known()) else { return Vec::new() };
    let mut sets: BTreeMap<(usize, &[String]), Vec<Visit>> = BTreeMap::new();
    for stretch in &segments.stretches {
        if let Some(visit) = visit(log, segments, setpoint, stretch) {
            sets.entry((stretch.loads.len(), &stretch.loads)).or_default().push(visit);
        }
    }
    sets.iter()
        .filter(|(_, visits)| visits.iter().map(|v| v.seconds).sum::<f64>() >= LEAST_SET_S)
        .filter_map(|((_, loads), visits)| {
            let of_set: Vec<&OperatingPoint> =
                points.iter().filter(|p| p.loads == **loads).collect();
            of_loads(log, segments, setpoint, loads, visits, &of_set, car)
        })
        .collect()
}

fn visit<'a>(
    log: &Log,
    segments: &Segments,
    setpoint: &Setpoint,
    stretch: &'a Stretch,
) -> Option<Visit<'a>> {
    let rpm = stretch.rpm?;
    let Span { start_s, end_s } = stretch.settled;
    let count = (stretch.settled.seconds() / BLOCK_S).floor().max(1.0);
    let each_s = stretch.settled.seconds() / count;
    let mut visit = Visit { stretch, rpm, seconds: 0.0, holding_s: 0.0 };
    let mut from_s = start_s;
    for k in 1..=count as usize {
        let until_s = if k as f64 == count { end_s } else { start_s + k as f64 * each_s };
        let span = Span { start_s: from_s, end_s: until_s };
        if let Some(level) = level(log.time_s(), log.bus_v(), span, &segments.grain) {
            let under_v = setpoint.at((from_s + until_s) / 2.0) - level.mean_v;
            visit.seconds += span.seconds();
            visit.holding_s += if under_v <= DROOP_V { span.seconds() } else { 0.0 };
        }
        from_s = until_s;
    }
    (visit.seconds > 0.0).then_some(visit)
}

fn of_loads(
    log: &Log,
    segments: &Segments,
    setpoint: &Setpoint,
    loads: &[String],
    visits: &[Visit],
    points: &[&OperatingPoint],
    car: &Car,
) -> Option<KeepUp> {
    let speeds = speeds(visits);
    let (lowest, highest) = (speeds.first()?, speeds.last()?);
    let answer = |bound, rpm| KeepUp {
        loads: loads.to_vec(),
        rpm,
        bound,
        seen_low_rpm: lowest.low_rpm,
        seen_high_rpm: highest.high_rpm,
    };
    let split = split(&speeds);
    let (below, above) = speeds.split_at_checked(split)?;
    let (Some(slips), Some(holds)) = (below.last(), above.first()) else {
        let bound = if below.is_empty() { Bound::BelowSeen } else { Bound::AboveSeen };
        return Some(answer(bound, None));
    };
    let bracket = (slips.rpm, holds.rpm);
    let knees = passage::knees(log, segments, setpoint, visits, bracket, car);
    let rpm = match combined(&knees) {
        Some(knee) => {
            let how = match knees.len() {
                1 => "hinge through one fall in speed".to_owned(),
                n => format!("hinges through {n} falls in speed"),
            };
            within(knee.rpm, knee.half_width_rpm, bracket, how)
        }
        None => missing::estimate(points, bracket, car),
    };
    Some(answer(Bound::Within, Some(rpm)))
}

/// The visits gathered by speed, slow to fast.
fn speeds(visits: &[Visit]) -> Vec<Speed> {
    let mut order: Vec<&Visit> = visits.iter().collect();
    order.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
    let mut speeds: Vec<Speed> = Vec::new();
    for visit in order {
        match speeds.last_mut() {
            Some(speed) if !differ(speed.low_rpm, visit.rpm) => {
                let seconds = speed.seconds + visit.seconds;
                speed.rpm += (visit.rpm - speed.rpm) * visit.seconds / seconds;
                speed.seconds = seconds;
                speed.holding_s += visit.holding_s;
                speed.high_rpm = visit.rpm;
            }
            _ => speeds.push(Speed {
                rpm: visit.rpm,
                low_rpm: visit.rpm,
                high_rpm: visit.rpm,
                seconds: visit.seconds,
                holding_s: visit.holding_s,
            }),
        }
    }
    speeds
}

/// How many of the speeds lie below the knee: the count that leaves the fewest
/// seconds of slipping above it and of holding below it.
fn split(speeds: &[Speed]) -> usize {
    let wrong_s = |count: usize| -> f64 {
        let (below, above) = speeds.split_at(count);
        below.iter().map(|s| s.holding_s).sum::<f64>()
            + above.iter().map(Speed::slipping_s).sum::<f64>()
    };
    (0..=speeds.len()).min_by(|&a, &b| wrong_s(a).total_cmp(&wrong_s(b))).unwrap_or(0)
}

/// Mean by inverse variance. What the knees differ by from one passage to the
/// next (a battery that takes more, heat) widens the interval.
fn combined(knees: &[Knee]) -> Option<Knee> {
    let weight = |k: &Knee| 1.0 / k.half_width_rpm.powi(2).max(1.0);
    let total: f64 = knees.iter().map(weight).sum();
    if !(total > 0.0) {
        return None;
    }
    let rpm = knees.iter().map(|k| weight(k) * k.rpm).sum::<f64>() / total;
    let count = knees.len() as f64;
    let drift_rpm = if knees.len() < 2 {
        0.0
    } else {
        let squares: f64 = knees.iter().map(|k| (k.rpm - rpm).powi(2)).sum();
        NORMAL_90 * (squares / (count - 1.0)).sqrt()
    };
    Some(Knee { rpm, half_width_rpm: total.recip().sqrt().hypot(drift_rpm) })
}

/// An estimate held to the speeds that bracket it.
fn within(rpm: f64, half_width_rpm: f64, bracket: (f64, f64), how: String) -> Estimate {
    let (low, high) = bracket;
    let value = rpm.clamp(low, high);
    let half = half_width_rpm.hypot(WANDER_SHARE * value);
    let outer = |edge: f64, sign: f64| edge * (1.0 + sign * WANDER_SHARE);
    Estimate::new(
        value,
        (rpm - half).clamp(outer(low, -1.0), value),
        (rpm + half).clamp(value, outer(high, 1.0)),
        Grade::Measured,
        how,
    )
}
