//! Steady running by engine speed: where the bus holds, where it does not, and
//! which speeds the knee is between.

use crate::analysis::control::Control;
use crate::analysis::keep_up::{SURELY_HELD, WANDER_SHARE};
use crate::analysis::level::bus_level;
use crate::analysis::setpoint::Setpoint;
use crate::diagnosis::Bound;
use crate::levels;
use crate::log::{Log, Span};
use crate::segment::points::{BAND_EDGES_RPM, band};
use crate::segment::speed::differ;
use crate::segment::{Segments, Stretch};

/// Length of the blocks in which steady running is judged, so that a return to the setpoint within
/// a stretch shows.
const BLOCK_S: f64 = 5.0;
/// Share of the running at one speed that may contradict a knee within it.
const MIXED_SHARE: f64 = 0.1;

/// One steady stretch compared with the setpoint of its time.
pub(super) struct Visit<'a> {
    /// Of the log's stretches.
    pub(super) index: usize,
    pub(super) stretch: &'a Stretch,
    pub(super) rpm: f64,
    pub(super) seconds: f64,
    pub(super) holding_s: f64,
    /// Volts under the setpoint, and volts, times the seconds that they were.
    under_vs: f64,
    level_vs: f64,
}

/// The visits at one engine speed.
#[derive(Debug, Clone)]
pub(super) struct Speed {
    pub(super) rpm: f64,
    pub(super) low_rpm: f64,
    pub(super) high_rpm: f64,
    pub(super) seconds: f64,
    pub(super) holding_s: f64,
    pub(super) level_vs: f64,
}

impl Speed {
    fn of(visit: &Visit) -> Speed {
        let Visit { rpm, seconds, holding_s, level_vs, .. } = *visit;
        Speed { rpm, low_rpm: rpm, high_rpm: rpm, seconds, holding_s, level_vs }
    }

    #[cfg(test)]
    pub(super) fn held(rpm: f64, seconds: f64) -> Speed {
        let (low_rpm, high_rpm, level_vs) = (rpm, rpm, 14.0 * seconds);
        Speed { rpm, low_rpm, high_rpm, seconds, holding_s: seconds, level_vs }
    }

    fn limited_s(&self) -> f64 {
        self.seconds - self.holding_s
    }

    pub(super) fn level_v(&self) -> f64 {
        self.level_vs / self.seconds
    }
}

pub(super) fn visit<'a>(
    log: &Log,
    segments: &Segments,
    setpoint: &Setpoint,
    index: usize,
    stretch: &'a Stretch,
) -> Option<Visit<'a>> {
    let rpm = stretch.rpm?;
    let Span { start_s, end_s } = stretch.settled;
    let count = (stretch.settled.seconds() / BLOCK_S).floor().max(1.0);
    let each_s = stretch.settled.seconds() / count;
    let droop_v = log.nominal().volts(levels::DROOP);
    let mut visit =
        Visit { index, stretch, rpm, seconds: 0.0, holding_s: 0.0, under_vs: 0.0, level_vs: 0.0 };
    let mut from_s = start_s;
    for k in 1..=count as usize {
        let until_s = if k as f64 == count { end_s } else { start_s + k as f64 * each_s };
        let span = Span { start_s: from_s, end_s: until_s };
        if let Some(level) = bus_level(log, segments, span) {
            let under_v = setpoint.at((from_s + until_s) / 2.0) - level.mean_v;
            visit.seconds += span.seconds();
            visit.under_vs += under_v * span.seconds();
            visit.level_vs += level.mean_v * span.seconds();
            visit.holding_s += if under_v <= droop_v { span.seconds() } else { 0.0 };
        }
        from_s = until_s;
    }
    (visit.seconds > 0.0).then_some(visit)
}

/// Marks visits as not holding where a higher speed gives a higher level with the same loads,
/// unless the regulator was in control there with at least [`SURELY_HELD`].
pub(super) fn without_lifted(visits: &mut [Visit], control: &Control, droop_v: f64) {
    let levels: Vec<(f64, f64)> = visits.iter().map(|v| (v.rpm, v.level_vs / v.seconds)).collect();
    for (visit, (rpm, level_v)) in visits.iter_mut().zip(&levels) {
        let lifted = levels.iter().any(|(faster_rpm, higher_v)| {
            faster_rpm > rpm && differ(*rpm, *faster_rpm) && higher_v - level_v > droop_v
        });
        if lifted && control.regulated(visit.index) < SURELY_HELD {
            visit.holding_s = 0.0;
        }
    }
}

/// The speeds either side of the knee, or the bound where one side was not seen.
pub(super) fn bracket(speeds: &[Speed]) -> Result<(f64, f64), Bound> {
    let (below, above) = speeds.split_at(split(speeds).min(speeds.len()));
    match (below.last(), above.first()) {
        (Some(slips), Some(holds)) => Ok((slips.rpm, holds.rpm)),
        (None, _) => Err(Bound::BelowSeen),
        (_, None) => Err(Bound::AboveSeen),
    }
}

/// Running at one speed alone holds, or not, by how far it is below the setpoint over all
/// of it, as the state of its operating point has it: of a bus near the edge of the droop
/// either may be so for the longer time.
pub(super) fn of_one_speed(visits: &[Visit], droop_v: f64) -> Bound {
    let seconds: f64 = visits.iter().map(|v| v.seconds).sum();
    let under_vs: f64 = visits.iter().map(|v| v.under_vs).sum();
    if under_vs <= droop_v * seconds { Bound::BelowSeen } else { Bound::AboveSeen }
}

/// Where one side was not seen, the knee may be within the speed at that end: its
/// slower visits slip, its faster ones hold.
pub(super) fn inside(
    visits: &[Visit],
    speeds: &[Speed],
    bound: Bound,
) -> Result<(f64, f64), Bound> {
    let end = match bound {
        Bound::BelowSeen => speeds.first(),
        _ => speeds.last(),
    };
    let Some(end) = end else { return Err(bound) };
    let mut visits: Vec<Speed> = visits
        .iter()
        .filter(|v| end.low_rpm <= v.rpm && v.rpm <= end.high_rpm)
        .map(Speed::of)
        .collect();
    visits.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
    let (below, above) = visits.split_at(split(&visits).min(visits.len()));
    let wrong_s = below.iter().map(|v| v.holding_s).sum::<f64>()
        + above.iter().map(Speed::limited_s).sum::<f64>();
    match (below.last(), above.first()) {
        (Some(slips), Some(holds))
            if wrong_s <= MIXED_SHARE * end.seconds
                && holds.rpm > (1.0 + 2.0 * WANDER_SHARE) * slips.rpm =>
        {
            Ok((slips.rpm, holds.rpm))
        }
        _ => Err(bound),
    }
}

/// The visits gathered by speed, slow to fast.
pub(super) fn speeds(visits: &[Visit]) -> Vec<Speed> {
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
                speed.level_vs += visit.level_vs;
                speed.high_rpm = visit.rpm;
            }
            _ => speeds.push(Speed::of(visit)),
        }
    }
    speeds
}

/// How many of the speeds are below the knee: the count that leaves the fewest
/// seconds at the limit above it and of holding below it.
fn split(speeds: &[Speed]) -> usize {
    let wrong_s = |count: usize| -> f64 {
        let (below, above) = speeds.split_at(count);
        below.iter().map(|s| s.holding_s).sum::<f64>()
            + above.iter().map(Speed::limited_s).sum::<f64>()
    };
    (0..=speeds.len()).min_by(|&a, &b| wrong_s(a).total_cmp(&wrong_s(b))).unwrap_or(0)
}

/// Steady running at idle whose bus slips for most of its time.
pub(super) fn limited_idle(speeds: &[Speed]) -> Option<f64> {
    speeds
        .iter()
        .filter(|s| band(s.rpm).0 == BAND_EDGES_RPM[0] && s.limited_s() > s.holding_s)
        .max_by(|a, b| a.seconds.total_cmp(&b.seconds))
        .map(|s| s.rpm)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(rpm: f64, seconds: f64, holding_s: f64) -> Speed {
        Speed { holding_s, ..Speed::held(rpm, seconds) }
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

    /// By hand: 6 s at 0.05 V under and 5 s at 0.08 V are 0.064 V over all, against 0.06 V.
    #[test]
    fn one_speed_holds_by_its_mean_and_not_by_its_longer_time() {
        let stretch = Stretch::of_test(0.0, 6.0, 824.0, &[]);
        let visit = |seconds: f64, under_v: f64| Visit {
            index: 0,
            stretch: &stretch,
            rpm: 824.0,
            seconds,
            holding_s: if under_v <= 0.06 { seconds } else { 0.0 },
            under_vs: under_v * seconds,
            level_vs: 14.0 * seconds,
        };
        assert_eq!(of_one_speed(&[visit(6.0, 0.05), visit(5.0, 0.08)], 0.06), Bound::AboveSeen);
        assert_eq!(of_one_speed(&[visit(5.0, 0.01), visit(6.0, 0.08)], 0.06), Bound::BelowSeen);
    }

    #[test]
    fn only_an_idle_that_slips_lacks_speed() {
        assert_eq!(limited_idle(&[at(850.0, 20.0, 2.0), at(2000.0, 9.0, 9.0)]), Some(850.0));
        assert_eq!(limited_idle(&[at(850.0, 20.0, 18.0)]), None);
        assert_eq!(limited_idle(&[at(1500.0, 20.0, 0.0)]), None);
    }
}
