//! Cables, ground and connections: what is made and does not arrive.

use crate::analysis::line_drop;
use crate::diagnosis::{Evidence, LineDrop, OperatingPoint, Severity, Side};
use crate::estimate::{Estimate, Grade};
use crate::format::{AMP, MILLIOHM, VOLT, number};
use crate::levels::{self, GROUND_DROP, SUPPLY_DROP};
use crate::log::{Role, Span, Tap};
use crate::nominal::{Nominal, PerCell};
use crate::segment::Point;
use crate::segment::drop_outs::far_v;
use crate::verdict::Case;
use crate::verdict::evidence::{first, of_point, volts, with_loads};
use crate::verdict::rules::Raised;

/// Good, worth a look, and the limit.
type Limits = [PerCell; 3];

/// From the alternator's post on: charging cable, and ground where no tap shows it.
pub fn line_drop_high(case: &Case) -> Option<Raised> {
    let of = |side| rows(case, Tap::Alternator, side);
    // With the ground told apart, this is the supply side's finding.
    let side = if of(Side::Supply).next().is_some() { Side::Supply } else { Side::Loop };
    let way = Way { from: Tap::Alternator, side, limits: SUPPLY_DROP, aside: "0.2 V is good" };
    let Some(seen) = lost_between(case, &way) else { return at_rated(case, &way) };
    let held =
        if post_holds(case) { " The alternator's own post holds its setpoint there." } else { "" };
    Some(Raised { statement: seen.statement + held, ..seen })
}

/// Between the alternator's case and the battery's negative post.
pub fn ground_drop_high(case: &Case) -> Option<Raised> {
    let way = Way {
        from: Tap::Alternator,
        side: Side::Ground,
        limits: GROUND_DROP,
        aside: "0.1 V is good",
    };
    lost_between(case, &way).or_else(|| at_rated(case, &way))
}

/// Right at the post, low at the module.
pub fn module_wiring(case: &Case) -> Option<Raised> {
    let way = Way {
        from: Tap::Battery,
        side: Side::Loop,
        limits: SUPPLY_DROP,
        aside: "the battery's post itself reads right",
    };
    lost_between(case, &way)
}

/// What a rule asks of, and by which limits.
struct Way {
    from: Tap,
    side: Side,
    limits: Limits,
    aside: &'static str,
}

/// "0.5 V"
fn limit(case: &Case, way: &Way) -> String {
    let [.., limit] = way.limits;
    let of_six = format!("{} V", number(limit.at_12_v(), 1));
    case.log.nominal().in_words(&of_six)
}

fn rows<'a>(case: &Case<'a>, from: Tap, side: Side) -> impl Iterator<Item = &'a LineDrop> {
    let all = case.analysis.line_drop.iter();
    all.filter(move |d| d.from == from.word() && d.side == side)
}

/// Volts that the way itself loses at a point: its resistance times its current,
/// which leaves out how far the channels are apart; else their difference.
fn lost_v(case: &Case, drop: &LineDrop) -> Estimate {
    let by_current = drop.resistance_ohm.as_ref().zip(drop.current_a.as_ref());
    by_current
        .map(|(ohm, amps)| times(ohm, amps.value))
        .filter(|lost| lost.half_width() < case.volts(levels::DROP_KNOWN))
        .unwrap_or_else(|| drop.drop_v.clone())
}

/// The clamp's error is in the resistance, and cancels against its own current.
fn times(ohm: &Estimate, amps: f64) -> Estimate {
    let how = "resistance times current";
    Estimate::new(ohm.value * amps, ohm.low * amps, ohm.high * amps, Grade::Measured, how)
}

fn lost_between(case: &Case, way: &Way) -> Option<Raised> {
    let [_, caution_v, limit_v] = way.limits.map(|level| case.volts(level));
    let drops = || rows(case, way.from, way.side).map(|drop| (drop, lost_v(case, drop)));
    let (worst, lost) = drops()
        .filter(|(_, lost)| lost.low > caution_v)
        .max_by(|(_, a), (_, b)| a.value.total_cmp(&b.value))?;
    let severity = if lost.low > limit_v { Severity::Fault } else { Severity::Caution };
    let growth = match worst.resistance_ohm.as_ref().filter(|ohm| ohm.low > 0.0) {
        Some(ohm) => format!(" It grows with current: {}.", MILLIOHM.told(ohm)),
        None => drops()
            .min_by(|(_, a), (_, b)| a.value.total_cmp(&b.value))
            .filter(|(_, least)| least.high < lost.low)
            .map_or_else(String::new, |(_, least)| {
                format!(" With the lightest load it is {}.", volts(&least))
            }),
    };
    let evidence = case
        .analysis
        .operating_points
        .iter()
        .find(|p| p.loads == worst.loads && p.rpm_low == worst.rpm_low)
        .map(|p| of_point(p, "both taps steady"))
        .unwrap_or_default();
    let where_from = match way.side {
        Side::Loop => format!("from the {} tap to the {} tap", worst.from, worst.to),
        Side::Supply => {
            format!("on the supply side, from the {} tap to the {} tap,", worst.from, worst.to)
        }
        Side::Ground => "on the ground side, between alternator case and battery negative,".into(),
    };
    Some(Raised {
        severity,
        statement: format!(
            "{} lost {where_from} {}. Limit {}, {} (common practice).{growth}{}",
            volts(&lost),
            with_loads(&worst.loads),
            limit(case, way),
            case.log.nominal().in_words(way.aside),
            by_gauge(case, way, worst, &lost)
        ),
        evidence,
    })
}

/// What the stated cable has to do with it.
fn by_gauge(case: &Case, way: &Way, worst: &LineDrop, lost: &Estimate) -> String {
    let Some(cable) = worst.cable_ohm.as_ref() else { return String::new() };
    let name = line_drop::stated(way.side, case.car);
    let Some((excess, amps)) = worst.excess_ohm.as_ref().zip(worst.current_a.as_ref()) else {
        return needless_amps(case, lost, cable, &name);
    };
    let share = times(cable, amps.value);
    let share = Estimate { grade: Grade::Inferred, ..share };
    let is = format!(
        " The cable itself: {name} is {} and explains {} of the {}",
        MILLIOHM.told(cable),
        VOLT.told(&share),
        VOLT.value(lost)
    );
    let cure = match way.side {
        _ if excess.low <= 0.0 => ": thicker cable",
        Side::Ground => ". The rest is in the joints of the ground path",
        Side::Supply => ". The rest is in joints",
        Side::Loop => ". The rest is in joints or ground",
    };
    format!("{is}{cure}.")
}

/// Without current: amps that the drop would take through a sound cable, where
/// the alternator has not got them.
fn needless_amps(case: &Case, lost: &Estimate, cable: &Estimate, name: &str) -> String {
    let Some(rated_a) = case.car.alternator.rated_a else { return String::new() };
    let least_a = lost.low / cable.high;
    if least_a <= rated_a {
        return String::new();
    }
    format!(
        " The cable itself does not explain it: {name} is {}. It would take at least {} (inferred), and the alternator is rated {}. Check joints and ground.",
        MILLIOHM.told(cable),
        AMP.of(least_a),
        AMP.of(rated_a)
    )
}

/// Good at the currents seen, and too much at the rated one.
fn at_rated(case: &Case, way: &Way) -> Option<Raised> {
    let rated_a = case.car.alternator.rated_a?;
    let drop = rows(case, way.from, way.side)
        .filter(|d| d.current_a.is_some())
        .max_by(|a, b| lost_v(case, a).value.total_cmp(&lost_v(case, b).value))?;
    let ohm = drop.resistance_ohm.as_ref()?;
    let lost = Estimate { grade: Grade::Inferred, ..times(ohm, rated_a) };
    let [.., limit_v] = way.limits.map(|level| case.volts(level));
    (lost.low > limit_v).then(|| Raised {
        severity: Severity::Caution,
        statement: format!(
            "The {} has {}. It loses little at the currents seen, but would lose {} at the alternator's rated {}. Limit {} (common practice).{}",
            way.side.words(),
            MILLIOHM.told(ohm),
            VOLT.told(&lost),
            AMP.of(rated_a),
            limit(case, way),
            by_gauge(case, way, drop, &lost_v(case, drop))
        ),
        evidence: case
            .analysis
            .operating_points
            .iter()
            .find(|p| p.loads == drop.loads && p.rpm_low == drop.rpm_low)
            .map(|p| of_point(p, "largest current seen"))
            .unwrap_or_default(),
    })
}

/// Whether the alternator's post holds the setpoint wherever the bus misses it.
fn post_holds(case: &Case) -> bool {
    let short = crate::verdict::word::short_points(case);
    !short.is_empty() && short.iter().all(|point| post_holding(case, point).is_some())
}

/// What the line loses at a point, where the alternator's post holds the setpoint
/// and that loss matters.
pub fn post_holding(case: &Case, point: &OperatingPoint) -> Option<Estimate> {
    let lost_v = held_post(case, point)?;
    // The drop there, as far as it was read over the same loads; else as unsure
    // as two channels like the bus.
    let apart_v = |drop: &LineDrop| (drop.drop_v.value - lost_v).abs();
    let half_width_v = rows(case, Tap::Alternator, Side::Loop)
        .filter(|drop| drop.loads == point.loads && drop.rpm_low == point.rpm_low)
        .min_by(|a, b| apart_v(a).total_cmp(&apart_v(b)))
        .map_or(std::f64::consts::SQRT_2 * point.voltage_v.half_width(), |drop| {
            drop.drop_v.half_width().max(apart_v(drop))
        });
    let lost = Estimate::around(lost_v, half_width_v, Grade::Measured, "post less bus");
    (lost_v > case.volts(SUPPLY_DROP[1])).then_some(lost)
}

/// Volts lost from the post on, where it holds the setpoint.
fn held_post(case: &Case, point: &OperatingPoint) -> Option<f64> {
    if case.log.bus == Tap::Alternator {
        return None;
    }
    let same = |p: &&Point| p.loads == point.loads && p.spans == point.spans;
    let there = case.segments.points.iter().find(same)?;
    let post_v = there.mean_of(Role::Voltage(Tap::Alternator))?;
    let lost_v = post_v - point.voltage_v.value;
    let setpoint_known = case.analysis.setpoint.as_ref().is_some_and(|s| s.is_known());
    let under_v = case.under_setpoint_v(point).filter(|_| setpoint_known)? - lost_v;
    (under_v < case.volts(levels::POST_HELD)).then_some(lost_v)
}

/// So many drop-outs are shown; all are counted.
const MOST_DROP_OUTS: usize = 12;

/// Brief losses of contact: far out of the level around them, and back at once.
pub fn drop_outs(case: &Case) -> Option<Raised> {
    let spans = &case.segments.drop_outs;
    let evidence =
        |s: &Span| Evidence { start_s: s.start_s, end_s: s.end_s, text: "drop-out".to_owned() };
    let decimals = if case.log.nominal() == Nominal::V6 { 2 } else { 1 };
    (!spans.is_empty()).then(|| Raised {
        severity: Severity::Fault,
        statement: format!(
            "The voltage drops by more than {:.decimals$} V and returns at once, {} times, with nothing switched.",
            far_v(&case.segments.noise_model),
            spans.len()
        ),
        evidence: first(MOST_DROP_OUTS, spans.iter().map(evidence).collect()),
    })
}
