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
    let sets: Vec<Set> = sets
        .iter()
        .filter(|(_, visits)| visits.iter().map(|v| v.seconds).sum::<f64>() >= LEAST_SET_S)
        .filter_map(|((_, loads), visits)| {
            let speeds = speeds(visits);
            let bracket = bracket(&speeds);
            let fall = bracket.ok().and_then(|bracket| {
                combined(&passage::knees(log, segments, setpoint, visits, bracket, car))
            });
            let of_set = points.iter().filter(|p| p.loads == **loads);
            let lack = bracket.ok().and_then(|(_, high)| missing::lack(of_set, high));
            Some(Set {
                loads,
                seen: (speeds.first()?.low_rpm, speeds.last()?.high_rpm),
                bracket,
                fall,
                lack,
            })
        })
        .collect();
    let alternator = missing::Alternator::seen(
        sets.iter().filter_map(|s| Some((s.fall?.rpm, s.lack.as_ref()?))),
        car,
    );
    sets.iter().map(|set| set.answer(&alternator)).collect()
}

/// What is known of one set of loads.
struct Set<'a> {
    loads: &'a [String],
    seen: (f64, f64),
    /// Fastest speed that slips and slowest that holds; else which is missing.
    bracket: Result<(f64, f64), Bound>,
    fall: Option<Knee>,
    lack: Option<missing::Lack>,
}

impl Set<'_> {
    fn answer(&self, alternator: &missing::Alternator) -> KeepUp {
        let (bound, rpm) = match self.bracket {
            Err(bound) => (bound, None),
            Ok(bracket) => (Bound::Within, Some(self.rpm(bracket, alternator))),
        };
        KeepUp {
            loads: self.loads.to_vec(),
            rpm,
            bound,
            seen_low_rpm: self.seen.0,
            seen_high_rpm: self.seen.1,
        }
    }

    fn rpm(&self, bracket: (f64, f64), alternator: &missing::Alternator) -> Estimate {
        let by_amps = self.lack.as_ref().and_then(|lack| alternator.speed(lack, bracket));
        match (self.fall, by_amps) {
            (Some(knee), by_amps) => {
                let mut rpm = within(knee, bracket);
                // The fall came after a hold; a battery drained meanwhile asks for more.
                if let Some(by_amps) = by_amps {
                    rpm.high = rpm.high.max(by_amps.value);
                }
                rpm
            }
            (None, Some(by_amps)) => by_amps,
            (None, None) => {
                let how = "between the fastest speed that slips and the slowest that holds";
                let middle = (bracket.0 + bracket.1) / 2.0;
                Estimate::new(middle, bracket.0, bracket.1, Grade::Inferred, how)
            }
        }
    }
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

/// The speeds either side of the knee, or the bound where one side was not seen.
fn bracket(speeds: &[Speed]) -> Result<(f64, f64), Bound> {
    let (below, above) = speeds.split_at(split(speeds).min(speeds.len()));
    match (below.last(), above.first()) {
        (Some(slips), Some(holds)) => Ok((slips.rpm, holds.rpm)),
        (None, _) => Err(Bound::BelowSeen),
        (_, None) => Err(Bound::AboveSeen),
    }
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
    if total.is_nan() || total <= 0.0 {
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

/// A measured knee held to the speeds that bracket it.
fn within(knee: Knee, bracket: (f64, f64)) -> Estimate {
    let (low, high) = bracket;
    let value = knee.rpm.clamp(low, high);
    let half = knee.half_width_rpm.hypot(WANDER_SHARE * value);
    Estimate::new(
        value,
        (knee.rpm - half).clamp(low * (1.0 - WANDER_SHARE), value),
        (knee.rpm + half).clamp(value, high * (1.0 + WANDER_SHARE)),
        Grade::Measured,
        "where the bus leaves its setpoint as the engine slows",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(rpm: f64, seconds: f64, holding_s: f64) -> Speed {
        Speed { rpm, low_rpm: rpm, high_rpm: rpm, seconds, holding_s }
    }

    #[test]
    fn the_knee_lies_between_the_speeds_that_slip_and_hold() {
        let speeds = [at(800.0, 30.0, 1.0), at(1500.0, 10.0, 9.0), at(2400.0, 20.0, 20.0)];
        assert_eq!(bracket(&speeds), Ok((800.0, 1500.0)));
    }

    #[test]
    fn one_side_alone_is_a_bound() {
        assert_eq!(bracket(&[at(800.0, 9.0, 9.0), at(2000.0, 9.0, 8.0)]), Err(Bound::BelowSeen));
        assert_eq!(bracket(&[at(800.0, 9.0, 0.0), at(2000.0, 9.0, 1.0)]), Err(Bound::AboveSeen));
    }

    #[test]
    fn knees_that_differ_widen_the_interval() {
        let knee = |rpm| Knee { rpm, half_width_rpm: 20.0 };
        let same = combined(&[knee(1500.0), knee(1500.0)]);
        let apart = combined(&[knee(1400.0), knee(1600.0)]);
        assert!(same.is_some_and(|k| k.half_width_rpm < 20.0));
        assert!(apart.is_some_and(|k| k.rpm == 1500.0 && k.half_width_rpm > 100.0));
        assert_eq!(combined(&[]), None);
    }
}
