//! Cables, ground and connections: what is made and does not arrive.

use crate::diagnosis::{Evidence, LineDrop, OperatingPoint, Severity};
use crate::estimate::{Estimate, Grade};
use crate::log::{Role, Span, Tap};
use crate::segment::{Point, indices};
use crate::stats::fit::linear::ordinary;
use crate::stats::robust::median;
use crate::verdict::Case;
use crate::verdict::evidence::{of_point, told, volts, with_loads};
use crate::verdict::rules::Seen;
use crate::words::{MILLIOHM, number};

/// Of the charging cable: more than this is worth a look,
const CAUTION_V: f64 = 0.3;
/// and this is the limit, at load.
const LIMIT_V: f64 = 0.5;
/// Fewer points show no proportion.
const LEAST_POINTS: usize = 3;
/// A 90 % interval of a slope, in standard errors.
const Z: f64 = 1.645;

/// From the alternator's post on: charging cable and ground.
pub fn line_drop_high(case: &Case) -> Option<Seen> {
    let seen = lost_between(case, Tap::Alternator, "0.2 V is good")?;
    let held = match post_holds(case) {
        Some(post_v) => format!(
            " The alternator's own post holds {} V there: it is made, and lost on the way.",
            number(post_v, 2)
        ),
        None => String::new(),
    };
    Some(Seen { statement: seen.statement + &held, ..seen })
}

/// Right at the post, low at the module.
pub fn module_wiring(case: &Case) -> Option<Seen> {
    lost_between(case, Tap::Battery, "the battery's post itself reads right")
}

fn lost_between(case: &Case, from: Tap, aside: &str) -> Option<Seen> {
    let drops = || case.analysis.line_drop.iter().filter(|d| d.from == from.word());
    let worst = drops()
        .filter(|d| d.drop_v.low > CAUTION_V)
        .max_by(|a, b| a.drop_v.value.total_cmp(&b.drop_v.value))?;
    let severity = if worst.drop_v.low > LIMIT_V { Severity::Fault } else { Severity::Caution };
    let growth = match resistance(case, worst) {
        Some(ohm) => format!(" It grows with current: {}.", told(MILLIOHM, &ohm)),
        None => drops()
            .min_by(|a, b| a.drop_v.value.total_cmp(&b.drop_v.value))
            .filter(|least| least.drop_v.high < worst.drop_v.low)
            .map_or_else(String::new, |least| {
                format!(" At the lightest load it is {}.", volts(&least.drop_v))
            }),
    };
    let evidence = case
        .analysis
        .operating_points
        .iter()
        .find(|p| p.loads == worst.loads && p.rpm_low == worst.rpm_low)
        .map(|p| of_point(p, "both taps steady"))
        .unwrap_or_default();
    Some(Seen {
        severity,
        statement: format!(
            "From the {} tap to the {} tap {} are lost {}; {LIMIT_V} V is the limit by common practice, {aside}.{growth}",
            worst.from,
            worst.to,
            volts(&worst.drop_v),
            with_loads(&worst.loads)
        ),
        evidence,
    })
}

/// Slope of the drop on the alternator's current, over operating points.
fn resistance(case: &Case, worst: &LineDrop) -> Option<Estimate> {
    let tap = |word: &str| Tap::ALL.into_iter().find(|tap| tap.word() == word);
    let (from, to) = (tap(&worst.from)?, tap(&worst.to)?);
    if from != Tap::Alternator {
        return None;
    }
    let (amps, drops): (Vec<f64>, Vec<f64>) = case
        .segments
        .points
        .iter()
        .filter_map(|p| {
            let amps = p.mean_of(Role::AlternatorCurrent)?;
            let drop_v = p.mean_of(Role::Voltage(from))? - p.mean_of(Role::Voltage(to))?;
            Some((amps, drop_v))
        })
        .unzip();
    let fit = ordinary(&amps, &drops).ok().filter(|_| amps.len() >= LEAST_POINTS)?;
    let half = Z * fit.slope_error();
    // A drop that does not grow with current is no resistance.
    (half.is_finite() && fit.slope > 2.0 * half).then(|| {
        Estimate::around(fit.slope, half, Grade::Measured, "slope of the drop on logged current")
    })
}

/// The lowest that the alternator's post falls over the points that the bus
/// itself misses, where it holds the setpoint at all of them.
pub fn post_holds(case: &Case) -> Option<f64> {
    let short = crate::verdict::word::short_points(case);
    let mut lowest_v = f64::INFINITY;
    for point in short {
        lowest_v = lowest_v.min(post_holding(case, point)?);
    }
    lowest_v.is_finite().then_some(lowest_v)
}

/// What the alternator's post shows at a point, where that is the setpoint.
pub fn post_holding(case: &Case, point: &OperatingPoint) -> Option<f64> {
    if case.log.bus == Tap::Alternator {
        return None;
    }
    let same = |p: &&Point| p.loads == point.loads && p.spans == point.spans;
    let there = case.segments.points.iter().find(same)?;
    let post_v = there.mean_of(Role::Voltage(Tap::Alternator))?;
    let lost_v = post_v - point.voltage_v.value;
    let setpoint_known = case.analysis.setpoint.as_ref().is_some_and(|s| s.is_known());
    let under_v = case.under_setpoint_v(point).filter(|_| setpoint_known)? - lost_v;
    (under_v < HELD_V && lost_v > CAUTION_V).then_some(post_v)
}

/// A post no further under the setpoint than this holds it.
const HELD_V: f64 = 0.1;

/// Brief losses of contact: far out of the level around them, and back at once.
pub fn drop_outs(case: &Case) -> Option<Seen> {
    let (time_s, bus_v) = (case.log.time_s(), case.log.bus_v());
    let far_v = (12.0 * case.analysis.noise.sigma_v).max(0.5);
    let mut spans: Vec<Span> = Vec::new();
    let level = |start_s, end_s| median(&bus_v[indices(time_s, Span { start_s, end_s })]);
    for stretch in &case.segments.stretches {
        let range = indices(time_s, stretch.settled);
        let level_v = median(&bus_v[range.clone()]);
        for k in range.filter(|&k| bus_v[k] < level_v - far_v) {
            match spans.last_mut() {
                Some(last) if time_s[k] - last.end_s < 0.5 => last.end_s = time_s[k],
                _ => spans.push(Span { start_s: time_s[k], end_s: time_s[k] }),
            }
        }
    }
    // Back at once, to where it came from: a slide or a step is no drop-out.
    spans.retain(|s| {
        let before_v = level(s.start_s - 1.0, s.start_s - 1e-9);
        let after_v = level(s.end_s + 1e-9, s.end_s + 1.0);
        let lowest_v = bus_v[indices(time_s, *s)].iter().copied().fold(f64::INFINITY, f64::min);
        s.seconds() < 1.5 && lowest_v < before_v.min(after_v) - far_v
    });
    (spans.len() >= 2).then(|| Seen {
        severity: Severity::Fault,
        statement: format!(
            "The bus drops out by more than {far_v:.1} V and comes back at once, {} times, with nothing switched.",
            spans.len()
        ),
        evidence: spans
            .iter()
            .take(6)
            .map(|s| Evidence { start_s: s.start_s, end_s: s.end_s, text: "drop-out".to_owned() })
            .collect(),
    })
}
