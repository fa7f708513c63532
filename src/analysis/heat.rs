//! The same operating point early and late: the effect of heat.
//!
//! A setpoint that falls as the regulator warms lowers the bus and costs no output, so only points
//! that are below their setpoint when warm, or
//! that moved otherwise than the setpoint did, make a pair. A battery that discharged early and is
//! lower late lowers the bus too, so its part is removed from the change of output.

mod summary;

use std::collections::BTreeMap;

use crate::analysis::battery::BatteryModel;
use crate::analysis::deficit::load_growth_a;
use crate::analysis::level::{Level, bus_level, channel_mean};
use crate::analysis::setpoint::Setpoint;
use crate::diagnosis::{HeatPair, OutputChange};
use crate::estimate::{Estimate, Grade};
use crate::inference::ensemble::run_ensemble;
use crate::inference::prior::ParameterSample;
use crate::levels;
use crate::log::{Log, Place, Role, Span};
use crate::nominal::Nominal;
use crate::segment::points::band;
use crate::segment::speed::differ;
use crate::segment::{Segments, Stretch};

pub use summary::beyond_drift;
use summary::sentence;

/// Either half of a pair is at least this long,
const LEAST_S: f64 = 4.0;
/// and no longer: over more the bus itself moves.
const MOST_S: f64 = 10.0;
/// The halves are at least this far apart in time,
const APART_S: f64 = 60.0;
/// or in temperature.
const APART_C: f64 = 10.0;
/// Two readings of a clamp meter differ by this much without a change.
const CLAMP_A: f64 = 1.0;

/// Halves of one speed: an output curve is steep at idle, where one per cent of
/// speed is two of output (common practice, no source).
const SAME_SPEED_SHARE: f64 = 0.015;
/// A smaller loss of output may be speed, loads or the model.
const LEAST_LOSS_A: f64 = 2.0;
/// Windows that a pair may begin with: what comes later is not early.
const EARLY_WINDOWS: usize = 12;
/// Every this many samples of the battery are run again.
const EVERY_DRAW: usize = 4;

/// A steady window with what matters to a pair.
struct HeatWindow {
    span: Span,
    rpm: Option<f64>,
    level: Level,
    /// Logged temperature and where it is taken.
    temperature: Option<(Place, f64)>,
    /// Logged alternator current.
    alternator_a: Option<f64>,
}

/// Pairs of early and late running.
#[derive(Default)]
pub struct HeatPairs {
    pub pairs: Vec<HeatPair>,
    /// Sets of loads seen early and late at one speed, moved or not.
    pub compared: usize,
}

/// One pair for each set of loads and engine-speed band that has one. Empty
/// where no setpoint is known: a fall could then be the regulator's.
pub fn heat(
    log: &Log,
    segments: &Segments,
    setpoint: Option<&Setpoint>,
    battery: &BatteryModel,
) -> HeatPairs {
    let Some(setpoint) = setpoint.filter(|s| s.is_known()) else { return HeatPairs::default() };
    let mut groups: BTreeMap<(u32, usize, &[String]), Vec<HeatWindow>> = BTreeMap::new();
    for stretch in &segments.stretches {
        let low_rpm = stretch.rpm.map_or(0, |rpm| band(rpm).0 as u32);
        let group = groups.entry((low_rpm, stretch.loads.len(), &stretch.loads)).or_default();
        group.extend(windows(log, segments, stretch));
    }
    let mut pairs: Vec<RunningPair> = groups
        .iter()
        .filter_map(|((_, _, loads), windows)| {
            RunningPair::of(setpoint, loads, windows, log.nominal())
        })
        .collect();
    let compared = pairs.len();
    pairs.retain(|pair| pair.slips || pair.moved);
    let losses = losses(log, &pairs, battery);
    let pairs = pairs.iter().zip(losses).map(|(pair, loss)| pair.told(loss)).collect();
    HeatPairs { pairs, compared }
}

/// The first and the last seconds of a stretch, or all of a short one.
fn windows(log: &Log, segments: &Segments, stretch: &Stretch) -> Vec<HeatWindow> {
    let Span { start_s, end_s } = stretch.settled;
    let seconds = end_s - start_s;
    let spans = match seconds {
        s if s < LEAST_S => vec![],
        s if s < 2.0 * MOST_S => vec![stretch.settled],
        _ => {
            vec![Span { start_s, end_s: start_s + MOST_S }, Span { start_s: end_s - MOST_S, end_s }]
        }
    };
    spans
        .into_iter()
        .filter_map(|span| {
            let channel_mean = |role| channel_mean(log, role, span);
            let temperature = [Place::Alternator, Place::Coolant, Place::Intake, Place::Ambient]
                .into_iter()
                .find_map(|place| Some((place, channel_mean(Role::Temperature(place))?)));
            Some(HeatWindow {
                span,
                rpm: channel_mean(Role::EngineRpm),
                level: bus_level(log, segments, span)?,
                temperature,
                alternator_a: channel_mean(Role::AlternatorCurrent),
            })
        })
        .collect()
}

/// °C that `late` is over `early`, and where both are taken.
fn warmer_c(early: &HeatWindow, late: &HeatWindow) -> Option<(Place, f64)> {
    let ((place, early_c), (other, late_c)) = (early.temperature?, late.temperature?);
    (place == other).then_some((place, late_c - early_c))
}

/// Whether two windows are of one speed to `share`; unknown speeds are.
fn same_speed(early: &HeatWindow, late: &HeatWindow, share: f64) -> bool {
    match (early.rpm, late.rpm) {
        (Some(a), Some(b)) => (a - b).abs() <= share * a.min(b),
        _ => true,
    }
}

/// The same running early and late, with what its setpoint did meanwhile.
struct RunningPair<'a> {
    loads: &'a [String],
    early: &'a HeatWindow,
    late: &'a HeatWindow,
    /// In the middle of either.
    setpoint: (Estimate, Estimate),
    /// Late the bus is under its setpoint,
    slips: bool,
    /// lower than the setpoint's drift explains,
    lower: bool,
    /// or elsewhere than that.
    moved: bool,
}

impl RunningPair<'_> {
    /// The first window that has a match far enough from it, the last such match;
    /// of one speed if it can be, else within what idle hunting allows.
    fn of<'a>(
        setpoint: &Setpoint,
        loads: &'a [String],
        windows: &'a [HeatWindow],
        nominal: Nominal,
    ) -> Option<RunningPair<'a>> {
        let droop_v = nominal.volts(levels::DROOP);
        let far = |early: &HeatWindow, late: &HeatWindow| {
            let later = late.span.start_s >= early.span.end_s;
            let apart = late.span.start_s - early.span.end_s >= APART_S;
            later && (apart || warmer_c(early, late).is_some_and(|(_, c)| c.abs() >= APART_C))
        };
        let alike = |early: &HeatWindow, late: &HeatWindow| match (early.rpm, late.rpm) {
            (Some(a), Some(b)) => !differ(a, b),
            _ => true,
        };
        let found = |fits: &dyn Fn(&HeatWindow, &HeatWindow) -> bool| {
            windows.iter().take(EARLY_WINDOWS).find_map(|early| {
                let late = windows.iter().rev().find(|late| far(early, late) && fits(early, late));
                Some((early, late?))
            })
        };
        let (early, late) = found(&|early, late| same_speed(early, late, SAME_SPEED_SHARE))
            .or_else(|| found(&alike))?;
        let (early_s, late_s) = (early.span.middle_s(), late.span.middle_s());
        let setpoint_v = (setpoint.at(early_s), setpoint.at(late_s));
        let beyond_v = late.level.mean_v - early.level.mean_v - (setpoint_v.1 - setpoint_v.0);
        let drift_unsure_v = setpoint
            .drift_per_minute
            .as_ref()
            .map_or(0.0, |drift| drift.half_width() * (late_s - early_s) / 60.0);
        let unsure_v =
            late.level.half_width_v.hypot(early.level.half_width_v).hypot(drift_unsure_v);
        let under_v = setpoint_v.1 - late.level.mean_v;
        let slips = under_v > droop_v + setpoint.estimate.half_width().max(late.level.half_width_v);
        let moved = beyond_v.abs() > droop_v + unsure_v;
        let lower = beyond_v < -(droop_v + unsure_v);
        let own = &setpoint.estimate;
        let at = |value_v: f64, drift_v: f64| {
            Estimate::around(value_v, own.half_width().hypot(drift_v), own.grade, own.how.clone())
        };
        let setpoint = (at(setpoint_v.0, 0.0), at(setpoint_v.1, drift_unsure_v));
        Some(RunningPair { loads, early, late, setpoint, slips, lower, moved })
    }

    /// Whether the bus is below its setpoint by more than drift explains.
    fn asks(&self) -> bool {
        self.slips && self.lower
    }

    fn told(&self, loss: Option<Estimate>) -> HeatPair {
        let (early, late) = (self.early, self.late);
        let half_width_v = late.level.half_width_v.hypot(early.level.half_width_v);
        let how = format!(
            "late less early, same loads, the setpoint's own drift still in it; {}",
            if self.slips { "late the bus does not hold" } else { "the bus holds late" }
        );
        let change_v = late.level.mean_v - early.level.mean_v;
        let change = Estimate::around(change_v, half_width_v, Grade::Measured, how);
        let per = |by: f64, how: String| {
            let (a, b) = (change.low / by, change.high / by);
            Estimate::new(change.value / by, a.min(b), a.max(b), Grade::Measured, how)
        };
        let minutes = (late.span.middle_s() - early.span.middle_s()) / 60.0;
        let warmer = warmer_c(early, late);
        let per_degree_v = warmer
            .filter(|(_, c)| c.abs() >= APART_C)
            .map(|(place, c)| per(c, format!("against the logged {} temperature", place.word())));
        let edges = early.rpm.map(band);
        let mut pair = HeatPair {
            loads: self.loads.to_vec(),
            rpm_low: edges.map(|b| b.0),
            rpm_high: edges.map(|b| b.1).filter(|high| high.is_finite()),
            rpm: early.rpm.zip(late.rpm).map(|(a, b)| (a + b) / 2.0),
            early: early.span,
            late: late.span,
            early_v: early.level.estimate("mean of the early seconds"),
            late_v: late.level.estimate("mean of the late seconds"),
            per_minute_v: (minutes >= 1.0)
                .then(|| per(minutes, format!("over {minutes:.1} minutes"))),
            per_degree_v,
            change_v: change,
            setpoint_early_v: self.setpoint.0.clone(),
            setpoint_late_v: self.setpoint.1.clone(),
            early_c: warmer.and(early.temperature).map(|t| t.1),
            late_c: warmer.and(late.temperature).map(|t| t.1),
            temperature: warmer.map(|(place, _)| place.word().to_owned()),
            holds_late: !self.slips,
            output: self.output(loss.as_ref()),
            output_change_a: loss,
            told: String::new(),
        };
        pair.told = sentence(&pair);
        pair
    }

    fn output(&self, change_a: Option<&Estimate>) -> OutputChange {
        let speeds_known = self.early.rpm.is_some() && self.late.rpm.is_some();
        match change_a {
            None => OutputChange::NoneSeen,
            Some(_) if !speeds_known || !same_speed(self.early, self.late, SAME_SPEED_SHARE) => {
                OutputChange::SpeedToo
            }
            Some(change) if change.high < -LEAST_LOSS_A => OutputChange::Less,
            Some(_) => OutputChange::BatteryToo,
        }
    }
}

/// Change of alternator output from early to late, for the pairs that need it.
///
/// Late, below its setpoint, the alternator is at full output: loads plus charge current. Early it
/// delivered at least that much. The same loads on a lower bus draw a little less. The rest is lost
/// output, and never more than what was truly lost.
fn losses(log: &Log, pairs: &[RunningPair], battery: &BatteryModel) -> Vec<Option<Estimate>> {
    let spans: Vec<Span> =
        pairs.iter().filter(|p| p.asks()).flat_map(|p| [p.early.span, p.late.span]).collect();
    if spans.is_empty() {
        return pairs.iter().map(|_| None).collect();
    }
    let draws: Vec<ParameterSample> = battery.draws.iter().step_by(EVERY_DRAW).cloned().collect();
    let weights: Vec<f64> = battery.ensemble.weights.iter().step_by(EVERY_DRAW).copied().collect();
    let ensemble = run_ensemble(log, &draws, &spans);
    let mut asked = 0;
    pairs
        .iter()
        .map(|pair| {
            if !pair.asks() {
                return None;
            }
            let at = asked;
            asked += 2;
            if let Some((early_a, late_a)) = pair.early.alternator_a.zip(pair.late.alternator_a) {
                let how = "logged alternator current, late less early";
                return Some(Estimate::around(late_a - early_a, CLAMP_A, Grade::Measured, how));
            }
            let lower_v = pair.early.level.mean_v - pair.late.level.mean_v;
            let growth_a = load_growth_a(lower_v, log.nominal());
            let change_a: Vec<f64> = (0..draws.len())
                .map(|draw| {
                    let mean_a = |w: usize| ensemble.window(draw, w).mean_a();
                    mean_a(at + 1) - mean_a(at) - growth_a
                })
                .collect();
            let how = "charge current late less early, the loads being the same";
            Some(Estimate::of_samples(&change_a, &weights, battery.grade, how))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn window(start_s: f64, mean_v: f64, coolant_c: f64) -> HeatWindow {
        HeatWindow {
            span: Span { start_s, end_s: start_s + 10.0 },
            rpm: Some(850.0),
            level: Level { mean_v, half_width_v: 0.01, samples: 100 },
            temperature: Some((Place::Coolant, coolant_c)),
            alternator_a: None,
        }
    }

    /// 14.4 V at the start, 0.1 V less after ten minutes.
    fn drifting() -> Setpoint {
        let estimate = Estimate::around(14.4, 0.02, Grade::Measured, "");
        let constant = Setpoint::constant(estimate, Nominal::V12);
        Setpoint { is_shown: true, drift_v_per_s: -0.1 / 600.0, ..constant }
    }

    fn pair(windows: &[HeatWindow]) -> Option<RunningPair<'_>> {
        RunningPair::of(&drifting(), &[], windows, Nominal::V12)
    }

    #[test]
    fn a_bus_that_sinks_under_its_setpoint_is_told_with_its_rate() {
        let windows = [window(0.0, 14.3, 60.0), window(600.0, 13.3, 95.0)];
        let pair = pair(&windows).expect("a pair");
        assert!(pair.asks());
        let pair = pair.told(None);
        assert!(!pair.holds_late && pair.output == OutputChange::NoneSeen);
        assert!((pair.change_v.value + 1.0).abs() < 1e-9);
        assert!(pair.per_minute_v.is_some_and(|rate| (rate.value + 0.1).abs() < 1e-9));
        assert!(pair.per_degree_v.is_some_and(|rate| (rate.value + 1.0 / 35.0).abs() < 1e-9
            && rate.low < rate.value
            && rate.value < rate.high));
    }

    #[test]
    fn a_setpoint_that_drifts_costs_no_output() {
        let windows = [window(0.0, 14.4, 60.0), window(600.0, 14.3, 95.0)];
        let pair = pair(&windows).expect("a pair");
        assert!(!pair.slips && !pair.moved && !pair.asks());
    }

    #[test]
    fn windows_close_in_time_and_heat_are_no_pair() {
        let windows = [window(0.0, 14.3, 90.0), window(30.0, 13.3, 91.0)];
        assert!(pair(&windows).is_none());
    }

    #[test]
    fn only_a_loss_beyond_the_battery_at_one_speed_is_output() {
        let windows = [window(0.0, 14.3, 60.0), window(600.0, 13.3, 95.0)];
        let pair = pair(&windows).expect("a pair");
        let lost = |low, high| Estimate::new(-6.0, low, high, Grade::Assumed, "");
        assert_eq!(pair.output(Some(&lost(-9.0, -3.0))), OutputChange::Less);
        assert_eq!(pair.output(Some(&lost(-9.0, 1.0))), OutputChange::BatteryToo);
        let slower =
            [window(0.0, 14.3, 60.0), HeatWindow { rpm: Some(810.0), ..window(600.0, 13.3, 95.0) }];
        let pair = self::pair(&slower).expect("a pair");
        assert_eq!(pair.output(Some(&lost(-9.0, -3.0))), OutputChange::SpeedToo);
    }
}
