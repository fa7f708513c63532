//! The test that separates a held level from the limit of an alternator: a larger demand does not
//! move it.

use super::SHORTEST_S;
use crate::levels;
use crate::nominal::Nominal;
use crate::segment::Stretch;

/// Further apart in time, a battery that has charged meanwhile may have made up for the larger
/// demand.
const ADJACENT_S: f64 = 90.0;
/// An alternator at this engine speed or below delivers clearly less than at a quarter more;
/// further up its curve is flat (common practice, no source).
const STEEP_RPM: f64 = 1500.0;
const FASTER: f64 = 1.25;
/// With a higher ratio of speeds, an idle raised for the load makes up for it.
pub const SAME_SPEED: f64 = 1.08;

/// One steady stretch as the search sees it.
pub struct HeldStretch<'a> {
    pub stretch: &'a Stretch,
    pub middle_s: f64,
    pub seconds: f64,
    pub level_v: f64,
    pub half_width_v: f64,
    /// Speed or loads were seen to move it not at all.
    pub is_shown: bool,
}

#[cfg(test)]
impl<'a> HeldStretch<'a> {
    pub fn of_test(stretch: &'a Stretch, level_v: f64) -> HeldStretch<'a> {
        let (span, seconds) = (stretch.settled, stretch.settled.seconds());
        let middle_s = span.middle_s();
        HeldStretch { stretch, middle_s, seconds, level_v, half_width_v: 0.005, is_shown: false }
    }
}

impl HeldStretch<'_> {
    /// Whether `other` demanded more of the alternator: more loads at no higher speed, or no fewer
    /// at a speed where it delivers clearly less.
    fn is_easier_than(&self, other: &HeldStretch) -> bool {
        let (easy, hard) = (self.stretch, other.stretch);
        if !easy.loads.iter().all(|load| hard.loads.contains(load)) {
            return false;
        }
        let faster = match (easy.rpm, hard.rpm) {
            (Some(easy_rpm), Some(hard_rpm)) => easy_rpm / hard_rpm,
            _ => 1.0,
        };
        let is_steep = hard.rpm.is_some_and(|rpm| rpm <= STEEP_RPM);
        let more_loads = hard.loads.len() > easy.loads.len() && faster * SAME_SPEED >= 1.0;
        more_loads || (is_steep && faster >= FASTER)
    }

    /// Whether the bus was at the level of `harder`, soon before or after.
    fn stays_at(&self, harder: &HeldStretch, nominal: Nominal) -> bool {
        let unsure_v = self.half_width_v.hypot(harder.half_width_v);
        (self.level_v - harder.level_v).abs() <= nominal.volts(levels::INDIFFERENT) + unsure_v
            && self.apart_s(harder) <= ADJACENT_S
    }

    /// From the end of one to the beginning of the other.
    fn apart_s(&self, other: &HeldStretch) -> f64 {
        (self.middle_s - other.middle_s).abs() - (self.seconds + other.seconds) / 2.0
    }
}

/// Whether one of these levels did not move under a larger demand.
pub fn is_indifferent(seen: &[HeldStretch], members: &[usize], nominal: Nominal) -> bool {
    let long = members.iter().filter_map(|&k| seen.get(k)).filter(|s| s.seconds >= SHORTEST_S);
    let mut long: Vec<&HeldStretch> = long.collect();
    long.sort_by(|a, b| a.middle_s.total_cmp(&b.middle_s));
    let tells = |easy: &HeldStretch, hard: &HeldStretch| {
        easy.is_easier_than(hard) && easy.stays_at(hard, nominal)
    };
    // Stretches follow one another, so what is too far off ends the look ahead.
    long.iter().enumerate().any(|(k, first)| {
        let ahead = long.iter().skip(k + 1);
        let mut near = ahead.take_while(|later| first.apart_s(later) <= ADJACENT_S);
        near.any(|later| tells(first, later) || tells(later, first))
    })
}
