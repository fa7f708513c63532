//! Belt and drive: speed that does not reach the alternator.

use crate::analysis::level::half_width_v;
use crate::diagnosis::{Direction, Evidence, PhaseKind, Severity};
use crate::estimate::{Estimate, Grade};
use crate::format::{PERCENT, VOLT};
use crate::levels;
use crate::log::{Log, Role, Span};
use crate::segment::{indices, mean};
use crate::stats::robust::{median, quantile};
use crate::verdict::Case;
use crate::verdict::evidence::{SHOWN, first};
use crate::verdict::rules::{Raised, wiring};

/// A sound belt creeps by a per cent or two.
const LEAST_SLIP: f64 = 0.04;
/// Where the belt is looked at for slip: the quickest tenth of its stretches is
/// the ratio without load, unless a pulley ratio is stated.
const UNLOADED: f64 = 0.9;
/// A shorter stretch tells no ratio.
const LEAST_S: f64 = 2.0;
/// Faster than this an engine is being revved, rpm a second.
const REVVED_RPM_PER_S: f64 = 250.0;
/// … over at least this much.
const REVVED_RPM: f64 = 300.0;
/// Speed is compared over this long.
const REACH_S: f64 = 0.5;
/// Right after the start the battery alone has carried the bus.
const AFTER_START_S: f64 = 5.0;
/// Its bottom is the mean of so many samples.
const DIP_SAMPLES: usize = 3;
/// A belt that let go grips again within this (common practice, no source).
const GRIPS_S: f64 = 1.0;
/// One dip may be chance.
const DIPS: usize = 2;
/// … and so may be a few in many: this share of all accelerations must dip.
const OFTEN: f64 = 0.25;

/// Both speeds logged: their ratio falls where the belt lets go.
pub fn belt_slip(case: &Case) -> Option<Raised> {
    let log = case.log;
    let (engine, alternator) = (log.engine_rpm()?, log.channel(Role::AlternatorRpm)?);
    let ratios: Vec<(Span, f64)> = case
        .segments
        .stretches
        .iter()
        .map(|stretch| stretch.settled)
        .filter(|span| span.seconds() >= LEAST_S)
        .filter_map(|span| {
            let range = indices(log.time_s(), span);
            let ratio = mean(&alternator[range.clone()]) / mean(&engine[range]);
            ratio.is_finite().then_some((span, ratio))
        })
        .collect();
    let seen: Vec<f64> = ratios.iter().map(|r| r.1).collect();
    let (sound, grade, against) = match case.car.alternator.pulley_ratio {
        Some(stated) => (stated, Grade::Inferred, "against the stated pulley ratio"),
        None => (quantile(&seen, UNLOADED), Grade::Measured, "against the ratio at light load"),
    };
    let mut slips: Vec<(Span, f64)> = ratios
        .iter()
        .map(|(span, ratio)| (*span, 1.0 - ratio / sound))
        .filter(|(_, slip)| *slip > LEAST_SLIP)
        .collect();
    let (_, worst) = slips.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
    // How far the ratio of a sound stretch scatters bounds how well any is read.
    let grips: Vec<f64> =
        seen.iter().map(|r| 1.0 - r / sound).filter(|s| *s <= LEAST_SLIP).collect();
    let unsure = (quantile(&grips, 0.95) - quantile(&grips, 0.05)).abs();
    let unsure = if unsure.is_finite() { unsure.max(0.005) } else { LEAST_SLIP };
    let percent = |slip: f64| Estimate::around(100.0 * slip, 100.0 * unsure, grade, against);
    let slip = percent(worst);
    // The worst are shown, in the order of the log.
    slips.sort_by(|a, b| b.1.total_cmp(&a.1));
    let shown = slips.len().min(SHOWN);
    slips[..shown].sort_by(|a, b| a.0.start_s.total_cmp(&b.0.start_s));
    let evidence = |(span, slip): &(Span, f64)| Evidence {
        start_s: span.start_s,
        end_s: span.end_s,
        text: format!(
            "alternator speed over engine speed {} low",
            PERCENT.with_range(&percent(*slip))
        ),
    };
    Some(Raised {
        severity: Severity::Fault,
        statement: format!(
            "The belt slips: the alternator turns {} slower than the engine drives it, {against} of {sound:.2}.",
            PERCENT.told(&slip)
        ),
        evidence: first(SHOWN, slips.iter().map(evidence).collect()),
    })
}

/// More engine speed must never mean less voltage.
pub fn dips_on_acceleration(case: &Case) -> Option<Raised> {
    // A connection that lets go does so while the engine speeds up too.
    if wiring::drop_outs(case).is_some() {
        return None;
    }
    let (dips, accelerations) = dips(case);
    // A belt that lets go does so again and again; only both speeds would prove it.
    let often = dips.len() >= DIPS && dips.len() as f64 >= OFTEN * accelerations as f64;
    often.then(|| Raised {
        severity: Severity::Caution,
        statement: format!(
            "The voltage dips while the engine accelerates, {} times of {accelerations}. More speed should never lower the voltage.",
            dips.len()
        ),
        evidence: first(SHOWN, dips),
    })
}

/// The dips, and how many accelerations there were.
fn dips(case: &Case) -> (Vec<Evidence>, usize) {
    let Some(rpm) = case.log.engine_rpm() else { return (Vec::new(), 0) };
    let (time_s, bus_v) = (case.log.time_s(), case.log.bus_v());
    let least_v = (5.0 * case.segments.noise_model.sigma_v)
        .max(1.5 * case.log.source.resolution_v.unwrap_or(0.0))
        .max(case.volts(levels::BELT_DIP));
    let phases = &case.segments.phases;
    let inside = |c: &Span| {
        let phase = phases.get(phases.partition_point(|p| p.end_s < c.end_s));
        phase
            .is_some_and(|p| p.kind == PhaseKind::Running && p.start_s + AFTER_START_S <= c.start_s)
    };
    let steps = &case.analysis.load_steps;
    let switched = |c: &Span| {
        let later = steps.iter().skip(steps.partition_point(|s| s.at_s <= c.start_s - 2.0));
        let mut near = later.take_while(|s| s.at_s < c.end_s);
        near.any(|s| s.direction == Direction::On)
    };
    let mut asked = accelerations(case.log, rpm);
    asked.retain(|c| inside(c) && !switched(c));
    let count = asked.len();
    let dips = asked.into_iter().filter_map(|c| {
        let before = Span { start_s: c.start_s - 2.0, end_s: c.start_s };
        let before_v = median(&bus_v[indices(time_s, before)]);
        let lowest_v = lowest_short_mean(&bus_v[indices(time_s, c)]);
        let dip_v = before_v - lowest_v;
        // A belt grips again once the speed is reached; a command stays.
        let after = Span { start_s: c.end_s + GRIPS_S, end_s: c.end_s + GRIPS_S + 2.0 };
        let after_v = median(&bus_v[indices(time_s, after)]);
        if after_v < lowest_v + 0.5 * dip_v {
            return None;
        }
        let noise_model = &case.segments.noise_model;
        let read_v = half_width_v(DIP_SAMPLES, noise_model).hypot(half_width_v(1, noise_model));
        let dip = Estimate::around(dip_v, read_v, Grade::Measured, "before less lowest");
        (dip_v > least_v).then(|| Evidence {
            start_s: c.start_s,
            end_s: c.end_s,
            text: format!("{} lower while the engine speeds up", VOLT.with_range(&dip)),
        })
    });
    (dips.collect(), count)
}

/// Where the engine is revved, blips included.
fn accelerations(log: &Log, rpm: &[f64]) -> Vec<Span> {
    let time_s = log.time_s();
    let reach_s = REACH_S.max(2.0 * log.interval_s());
    let mut revved: Vec<(Span, usize, usize)> = Vec::new();
    let mut ahead = 0;
    for (k, &t) in time_s.iter().enumerate() {
        while ahead + 1 < time_s.len() && time_s[ahead] < t + reach_s {
            ahead += 1;
        }
        let over_s = time_s[ahead] - t;
        if over_s <= 0.0
            || over_s > 2.0 * reach_s
            || rpm[ahead] - rpm[k] < REVVED_RPM_PER_S * over_s
        {
            continue;
        }
        match revved.last_mut() {
            Some((last, _, end)) if t <= last.end_s => (last.end_s, *end) = (time_s[ahead], ahead),
            _ => revved.push((Span { start_s: t, end_s: time_s[ahead] }, k, ahead)),
        }
    }
    let gained = |&(_, start, end): &(Span, usize, usize)| rpm[end] - rpm[start] >= REVVED_RPM;
    revved.into_iter().filter(gained).map(|(span, ..)| span).collect()
}

fn lowest_short_mean(values: &[f64]) -> f64 {
    values.windows(DIP_SAMPLES).map(mean).fold(f64::INFINITY, f64::min)
}
