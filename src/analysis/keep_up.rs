//! Keep-up rpm: the engine speed from which the regulator is in control with a set of loads.
//!
//! Steady running shows at which speeds the bus holds and at which it does not; the answer is
//! between the two. Where the engine went from one to the other
//! with the loads unchanged, the transition shows the knee itself ([`deceleration_knee`]).
//! The knee, and the amps needed below it, are carried to all of the running by samples of
//! alternators and batteries ([`alternators`]).

mod alternators;
mod deceleration_knee;
mod follows;
mod visits;

use std::collections::BTreeMap;

use crate::analysis::battery::BatteryModel;
use crate::analysis::control::Control;
use crate::analysis::level::channel_mean;
use crate::analysis::setpoint::Setpoint;
use crate::car::Car;
use crate::diagnosis::{Bound, KeepUp};
use crate::estimate::{Estimate, Grade};
use crate::format::{self, RPM, TIMES, capital};
use crate::levels;
use crate::log::{Log, Role};
use crate::segment::{Segments, indices, mean};

use deceleration_knee::pulley_ratios;
use follows::follows_output;
use visits::{Visit, bracket, inside, limited_idle, of_one_speed, speeds, visit, without_lifted};

/// At one speed alone, a set is carried where the regulator is this surely in control.
const SURELY_HELD: f64 = 0.9;
/// A set of loads seen for less than this gets no keep-up speed.
const LEAST_SET_S: f64 = 4.0;
/// Speed and load of the engine wander by this share within a steady stretch.
const WANDER_SHARE: f64 = 0.01;
/// A speed that slips or holds binds the knee to this share: the battery and the heat of
/// another minute put it elsewhere.
const BOUND_SHARE: f64 = 0.04;

/// A pulley changed for a smaller one turns the alternator faster by no more than
/// this: belt wrap and its speed at the red line (common practice, no source).
const MOST_PULLEY_FACTOR: f64 = 1.6;

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
    battery: &BatteryModel,
    control: &Control,
    car: &Car,
) -> Vec<KeepUp> {
    let Some(setpoint) = setpoint.filter(|s| s.is_known()) else { return Vec::new() };
    let mut sets: BTreeMap<(usize, &[String]), Vec<Visit>> = BTreeMap::new();
    for (k, stretch) in segments.stretches.iter().enumerate() {
        if let Some(visit) = visit(log, segments, setpoint, k, stretch) {
            sets.entry((stretch.loads.len(), &stretch.loads)).or_default().push(visit);
        }
    }
    for visits in sets.values_mut() {
        without_lifted(visits, control, log.nominal().volts(levels::DROOP));
    }
    let sets: Vec<LoadSetVisits> = sets
        .iter()
        .filter(|(_, visits)| visits.iter().map(|v| v.seconds).sum::<f64>() >= LEAST_SET_S)
        .filter_map(|((_, loads), visits)| {
            let speeds = speeds(visits);
            let bracket =
                bracket(&speeds).or_else(|bound| inside(visits, &speeds, bound)).map_err(|bound| {
                    if speeds.len() == 1 {
                        of_one_speed(visits, log.nominal().volts(levels::DROOP))
                    } else {
                        bound
                    }
                });
            let bracket = match bracket {
                Ok(_)
                    if !setpoint.is_shown
                        && follows_output(&speeds, &pulley_ratios(car), log.nominal()) =>
                {
                    Err(Bound::AboveSeen)
                }
                any => any,
            };
            // A level that the regulator surely holds at every speed is held, however low.
            let least = visits.iter().map(|v| control.regulated(v.index)).fold(1.0, f64::min);
            let bracket = match bracket {
                Err(Bound::AboveSeen) if least >= SURELY_HELD => Err(Bound::BelowSeen),
                any => any,
            };
            let holds = bracket == Err(Bound::BelowSeen);
            // A level that no load or speed tested may be the alternator's limit.
            let surest = visits.iter().map(|v| control.regulated(v.index)).fold(0.0, f64::max);
            if holds && speeds.len() == 1 && surest < SURELY_HELD {
                return None;
            }
            let falls = bracket.ok().map(|bracket| {
                deceleration_knee::knees(log, segments, setpoint, visits, bracket, car)
            });
            Some(LoadSetVisits {
                loads,
                visits,
                seen: (speeds.first()?.low_rpm, speeds.last()?.high_rpm),
                idle_rpm: limited_idle(&speeds).filter(|_| !holds),
                bracket,
                falls: falls.unwrap_or_default(),
            })
        })
        .collect();
    let seen: Vec<alternators::LoadSetRuns> =
        sets.iter().map(|set| set.runs(log, setpoint, battery)).collect();
    let any_within = sets.iter().any(|set| set.bracket.is_ok());
    let knees = if any_within { alternators::knees(log, &seen, battery, car) } else { Vec::new() };
    sets.iter().enumerate().map(|(k, set)| set.answer(knees.get(k), battery, car)).collect()
}

/// What is known of one set of loads.
struct LoadSetVisits<'a> {
    loads: &'a [String],
    visits: &'a [Visit<'a>],
    seen: (f64, f64),
    /// Steady idle that slips.
    idle_rpm: Option<f64>,
    /// Fastest speed that slips and slowest that holds; else which is missing.
    bracket: Result<(f64, f64), Bound>,
    /// Knees that falls in speed show, each with the visit before it.
    falls: Vec<(usize, Knee)>,
}

impl LoadSetVisits<'_> {
    /// By the visits over which the batteries were followed.
    fn runs(
        &self,
        log: &Log,
        setpoint: &Setpoint,
        battery: &BatteryModel,
    ) -> alternators::LoadSetRuns {
        let is_followed = |visit: &&Visit| battery.follows(visit.index);
        let place = |at: usize| {
            let before = self.visits.get(..at)?.iter().filter(is_followed).count();
            self.visits.get(at).filter(is_followed).map(|_| before)
        };
        let falls = self.falls.iter().filter_map(|&(at, knee)| Some((place(at)?, knee)));
        let seen = self.visits.iter().filter(is_followed).map(|visit| {
            let settled = visit.stretch.settled;
            let middle_s = settled.middle_s();
            let channel_mean = |role| channel_mean(log, role, settled);
            alternators::SteadyRunning {
                stretch: visit.index,
                rpm: visit.rpm,
                seconds: visit.seconds,
                middle_s,
                holds: visit.holding_s > visit.seconds / 2.0,
                bus_v: mean(&log.bus_v()[indices(log.time_s(), settled)]),
                held_v: setpoint.at(middle_s),
                battery_a: channel_mean(Role::BatteryCurrent),
                alternator_a: channel_mean(Role::AlternatorCurrent),
            }
        });
        alternators::LoadSetRuns { seen: seen.collect(), falls: falls.collect() }
    }

    fn answer(
        &self,
        knees: Option<&alternators::Knees>,
        battery: &BatteryModel,
        car: &Car,
    ) -> KeepUp {
        let (bound, rpm) = match self.bracket {
            Err(bound) => (bound, None),
            Ok(bracket) => (Bound::Within, Some(self.rpm(bracket, knees, battery, car))),
        };
        let lacks = rpm.as_ref().zip(self.idle_rpm);
        let missing_rpm = lacks.and_then(|(rpm, idle_rpm)| missing(rpm, idle_rpm));
        let ratio_factor = lacks
            .filter(|_| missing_rpm.is_some())
            .map(|(rpm, idle_rpm)| scaled(rpm, 1.0 / idle_rpm, rpm.grade, "keep-up over idle"));
        let pulley_ratio =
            ratio_factor.as_ref().zip(car.alternator.pulley_ratio).map(|(f, ratio)| {
                let grade = f.grade.max(Grade::Inferred);
                scaled(f, ratio, grade, "keep-up over idle, times the stated ratio")
            });
        KeepUp {
            told: sentence(self, bound, rpm.as_ref(), missing_rpm.as_ref(), ratio_factor.as_ref()),
            loads: self.loads.to_vec(),
            rpm,
            bound,
            seen_low_rpm: self.seen.0,
            seen_high_rpm: self.seen.1,
            idle_rpm: self.idle_rpm,
            missing_rpm,
            ratio_factor,
            pulley_ratio,
        }
    }

    fn rpm(
        &self,
        (low, high): (f64, f64),
        knees: Option<&alternators::Knees>,
        battery: &BatteryModel,
        car: &Car,
    ) -> Estimate {
        let Some((value, least, most)) = knees.and_then(alternators::Knees::interval) else {
            let how = "between the fastest speed that slips and the slowest that holds";
            let middle = (low + high) / 2.0;
            return Estimate::new(middle, low, high, Grade::Inferred, how);
        };
        let wander = WANDER_SHARE * value;
        let value = value.clamp(low, high);
        let floor = low * (1.0 - BOUND_SHARE);
        let ceiling = high * (1.0 + BOUND_SHARE);
        let low_rpm = least.min(value * (1.0 - BOUND_SHARE)).clamp(floor, value);
        let high_rpm = most.max(value * (1.0 + BOUND_SHARE)).clamp(value, ceiling);
        let shown = self
            .falls
            .iter()
            .any(|(_, knee)| (knee.rpm - value).abs() <= knee.half_width_rpm.hypot(wander));
        let (grade, how) = match (shown, self.falls.is_empty()) {
            (true, _) => (Grade::Measured, "where the bus leaves its setpoint as the engine slows"),
            (false, false) => (
                Grade::Inferred,
                "where the bus leaves its setpoint as the engine slows, carried to the rest of the running by the battery's charge and the alternator's heat",
            ),
            (false, true) if car.alternator.rated_a.is_some() => {
                (battery.grade, "amps missing at the speeds that slip, by the stated alternator")
            }
            (false, true) => {
                (Grade::Assumed, "amps missing at the speeds that slip, by outputs of common shape")
            }
        };
        Estimate::new(value, low_rpm, high_rpm, grade, how)
    }
}

/// Keep-up less idle, where the interval leaves any.
fn missing(rpm: &Estimate, idle_rpm: f64) -> Option<Estimate> {
    let how = "keep-up speed less the steady idle seen";
    let less = |value: f64| (value - idle_rpm).max(0.0);
    (rpm.value > idle_rpm)
        .then(|| Estimate::new(less(rpm.value), less(rpm.low), less(rpm.high), rpm.grade, how))
}

fn scaled(of: &Estimate, by: f64, grade: Grade, how: &str) -> Estimate {
    Estimate::new(of.value * by, of.low * by, of.high * by, grade, how)
}

/// The answer in one sentence.
fn sentence(
    set: &LoadSetVisits,
    bound: Bound,
    rpm: Option<&Estimate>,
    missing_rpm: Option<&Estimate>,
    ratio_factor: Option<&Estimate>,
) -> String {
    let names = capital(&format::with_loads(set.loads));
    match (bound, rpm) {
        (Bound::Within, Some(rpm)) => {
            let holds = format!(
                "{names} the bus holds from {} up ({}, {})",
                RPM.value(rpm),
                RPM.range(rpm),
                rpm.grade.word()
            );
            match (set.idle_rpm, missing_rpm, ratio_factor) {
                (Some(idle_rpm), Some(missing), Some(factor)) => {
                    let (idle, missing) = (RPM.bare(idle_rpm), RPM.with_range(missing));
                    let faster = TIMES.with_range(factor);
                    let pulley = if factor.value <= MOST_PULLEY_FACTOR {
                        format!(
                            "a pulley {faster} faster would do it, if belt and alternator speed at the red line allow it"
                        )
                    } else {
                        format!(
                            "the alternator would have to turn {faster} faster, more than a pulley allows; it needs more output at idle"
                        )
                    };
                    format!("{holds}; idle at {idle} is too slow by {missing}: {pulley}.")
                }
                _ => format!("{holds}."),
            }
        }
        (Bound::BelowSeen, _) => {
            format!("{names} the bus holds at every speed seen, from {} up.", RPM.of(set.seen.0))
        }
        _ => format!(
            "{names} the bus does not hold at any speed seen, up to {}.",
            RPM.of(set.seen.1)
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set<'a>(loads: &'a [String], idle_rpm: Option<f64>) -> LoadSetVisits<'a> {
        LoadSetVisits {
            loads,
            visits: &[],
            seen: (850.0, 2400.0),
            idle_rpm,
            bracket: Ok((850.0, 2400.0)),
            falls: Vec::new(),
        }
    }

    /// By hand: 1240 − 850 = 390 rpm; 1240 / 850 = 1.459.
    #[test]
    fn what_idle_lacks_is_told() {
        let loads = ["fans".to_owned(), "lamps".to_owned()];
        let rpm = Estimate::new(1240.0, 1180.0, 1330.0, Grade::Measured, "");
        let lacks = missing(&rpm, 850.0);
        assert_eq!(lacks.as_ref().map(|e| (e.low, e.value, e.high)), Some((330.0, 390.0, 480.0)));
        let factor = scaled(&rpm, 1.0 / 850.0, rpm.grade, "");
        let set = set(&loads, Some(850.0));
        let text = sentence(&set, Bound::Within, Some(&rpm), lacks.as_ref(), Some(&factor));
        assert_eq!(
            text,
            "With fans + lamps on the bus holds from 1250 rpm up (1200 to 1350, measured); idle at 850 is too slow by 400 rpm (350 to 500): a pulley 1.46 times (1.39 to 1.56) faster would do it, if belt and alternator speed at the red line allow it."
        );
    }

    #[test]
    fn what_no_pulley_gives_is_not_offered() {
        let rpm = Estimate::new(2100.0, 1900.0, 2300.0, Grade::Assumed, "");
        let lacks = missing(&rpm, 850.0);
        let factor = scaled(&rpm, 1.0 / 850.0, rpm.grade, "");
        let text = sentence(
            &set(&[], Some(850.0)),
            Bound::Within,
            Some(&rpm),
            lacks.as_ref(),
            Some(&factor),
        );
        assert!(text.contains("more than a pulley allows"), "{text}");
        assert!(missing(&rpm, 2200.0).is_none());
    }
}
