//! Steady running between one change and the next.

use crate::log::{Log, Place, Role, Span};
use crate::parallel::flat_shared;
use crate::segment::kinds::{Heat, Phase, PhaseKind};
use crate::segment::steps::Step;
use crate::segment::unnamed::UnnamedLoads;
use crate::segment::{indices, mean};
use crate::stats::robust::median;

/// A bus needs this long after a change before its level counts: inrush, the
/// regulator and the idle governor are through by then.
const SETTLING_S: f64 = 2.0;
/// but never more than this share of the stretch.
const SETTLING_SHARE: f64 = 0.4;
/// Right after the start the battery recharges what the starter drew.
const AFTER_START_S: f64 = 10.0;
/// Shorter stretches have no level.
const SHORTEST_S: f64 = 1.0;
/// Largest ratio within one speed, of means over this many seconds or samples.
const ONE_SPEED: f64 = 1.15;
const SPEED_BLOCK_S: f64 = 3.0;
const SPEED_BLOCK_SAMPLES: f64 = 3.0;
/// Fewer are not worth a thread.
const LEAST_PIECES: usize = 100;
/// Temperatures that heat is judged by, best first.
const HEAT_PLACES: [Place; 3] = [Place::Alternator, Place::Coolant, Place::Intake];
/// A temperature must pass the edge of a heat band by this much.
const HOVER_C: f64 = 1.0;
/// A duty under this is off, over one minus this full on.
const DUTY_MARGIN: f64 = 0.05;

/// Running with the same loads at about the same engine speed.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    pub span: Span,
    /// Without the settling at its beginning.
    pub settled: Span,
    /// Labels of the loads on, in the order of the columns; "fans 60 %" for part duty.
    pub loads: Vec<String>,
    /// Median engine speed while settled.
    pub rpm: Option<f64>,
    pub heat: Heat,
}

#[cfg(test)]
impl Stretch {
    /// Settled throughout, `seconds` long.
    pub fn of_test(start_s: f64, seconds: f64, rpm: f64, loads: &[&str]) -> Stretch {
        let span = Span { start_s, end_s: start_s + seconds };
        let loads = loads.iter().map(|load| (*load).to_owned()).collect();
        Stretch { span, settled: span, loads, rpm: Some(rpm), heat: Heat::Unknown }
    }
}

pub fn stretches(
    log: &Log,
    phases: &[Phase],
    speed_changes: &[Span],
    steps: &[Step],
) -> Vec<Stretch> {
    let mut pieces: Vec<(Span, Vec<String>)> = Vec::new();
    let unnamed = UnnamedLoads::of(log, phases, steps);
    let (warmings, gaps) = (warmings(log), log.gaps());
    for (k, phase) in phases.iter().enumerate() {
        if phase.kind != PhaseKind::Running {
            continue;
        }
        let started_here = k > 0 && phases[k - 1].kind == PhaseKind::Cranking;
        let all = [speed_changes, gaps.as_slice(), warmings.as_slice()];
        let spans = all.into_iter().flat_map(|spans| touching(spans, phase));
        let mut cuts = cuts(phase, spans, steps);
        cuts.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
        let mut start_s = phase.start_s;
        if started_here {
            start_s += AFTER_START_S;
        }
        for cut in cuts.iter().chain([&Cut { from_s: phase.end_s, to_s: phase.end_s }]) {
            let span = Span { start_s, end_s: cut.from_s };
            if span.seconds() >= SHORTEST_S {
                let middle_s = span.middle_s();
                pieces.push((span, unnamed.on_at(middle_s).map(str::to_owned).collect()));
            }
            start_s = start_s.max(cut.to_s);
        }
    }
    let pieces = of_one_speed(log, pieces);
    let stretch = |(span, detected): &(Span, Vec<String>)| stretch(log, *span, detected);
    flat_shared(&pieces, LEAST_PIECES, stretch)
}

/// Cuts what sweeps slowly from one speed to another, so that none of it mixes speeds: net
/// change counts, over whatever time.
fn of_one_speed(log: &Log, pieces: Vec<(Span, Vec<String>)>) -> Vec<(Span, Vec<String>)> {
    let Some(rpm) = log.engine_rpm() else { return pieces };
    let block_s = SPEED_BLOCK_S.max(SPEED_BLOCK_SAMPLES * log.interval_s());
    let cut = |(span, loads): (Span, Vec<String>)| {
        let count = (span.seconds() / block_s).floor().max(1.0);
        let each_s = span.seconds() / count;
        let mut parts: Vec<(Span, Vec<String>)> = Vec::new();
        let (mut start_s, mut low, mut high) = (span.start_s, f64::INFINITY, 0.0_f64);
        for k in 0..count as usize {
            let from_s = span.start_s + k as f64 * each_s;
            let block = Span { start_s: from_s, end_s: from_s + each_s };
            let speed = mean(rpm.get(indices(log.time_s(), block)).unwrap_or_default());
            if !speed.is_finite() {
                continue;
            }
            if high > 0.0 && high.max(speed) > ONE_SPEED * low.min(speed) {
                parts.push((Span { start_s, end_s: from_s }, loads.clone()));
                (start_s, low, high) = (from_s, speed, speed);
            } else {
                (low, high) = (low.min(speed), high.max(speed));
            }
        }
        parts.push((Span { start_s, end_s: span.end_s }, loads));
        parts
    };
    let long_enough = |(span, _): &(Span, Vec<String>)| span.seconds() >= SHORTEST_S;
    pieces.into_iter().flat_map(cut).filter(long_enough).collect()
}

struct Cut {
    from_s: f64,
    to_s: f64,
}

/// Those of the spans, in time order, that reach into a phase.
fn touching<'a>(spans: &'a [Span], phase: &Phase) -> &'a [Span] {
    let from = spans.partition_point(|s| s.end_s <= phase.start_s);
    let to = spans.partition_point(|s| s.start_s < phase.end_s).max(from);
    &spans[from..to]
}

fn cuts<'a>(phase: &Phase, spans: impl Iterator<Item = &'a Span>, steps: &[Step]) -> Vec<Cut> {
    let within = |t: f64| phase.start_s < t && t < phase.end_s;
    let spans = spans
        .filter(|s| within(s.start_s) || within(s.end_s))
        .map(|s| Cut { from_s: s.start_s, to_s: s.end_s });
    let first = steps.partition_point(|s| s.at_s <= phase.start_s);
    let inside = steps.iter().skip(first).take_while(|s| within(s.at_s));
    let switches = inside.map(|s| Cut {
        // Between a declared edge and its answer the channel and the bus disagree.
        from_s: s.at_s - s.lag_s.unwrap_or(0.0),
        to_s: s.at_s,
    });
    spans.chain(switches).collect()
}

fn stretch(log: &Log, span: Span, detected: &[String]) -> Option<Stretch> {
    let settling_s = SETTLING_S.min(SETTLING_SHARE * span.seconds());
    // The sample at the end may already belong to what comes next.
    let last_s = span.end_s - 0.5 * log.interval_s().min(0.2 * span.seconds());
    let settled = Span { start_s: span.start_s + settling_s, end_s: last_s };
    let range = indices(log.time_s(), settled);
    if range.is_empty() {
        return None;
    }
    let level =
        |role: Role| log.channel(role).map(|x| median(&x[range.clone()])).filter(|m| m.is_finite());
    let mut loads: Vec<String> = log
        .load_names()
        .iter()
        .filter_map(|name| label(name, median(&log.load(name)?[range.clone()])))
        .collect();
    loads.extend_from_slice(detected);
    let heat = HEAT_PLACES
        .into_iter()
        .find_map(|place| level(Role::Temperature(place)).map(|c| heat(place, c)))
        .unwrap_or(Heat::Unknown);
    Some(Stretch { span, settled, loads, rpm: level(Role::EngineRpm), heat })
}

/// Where the engine passes from one heat band to the next while nothing else
/// changes: moments, as spans without length.
fn warmings(log: &Log) -> Vec<Span> {
    let logged = HEAT_PLACES
        .into_iter()
        .find_map(|place| Some((place, log.channel(Role::Temperature(place))?)));
    let Some((place, degrees_c)) = logged else { return Vec::new() };
    let mut here = Heat::Unknown;
    let mut moments = Vec::new();
    for (&at_s, &c) in log.time_s().iter().zip(degrees_c).filter(|(_, c)| c.is_finite()) {
        // A thermostat that hovers at an edge does not count.
        let (below, above) = (heat(place, c - HOVER_C), heat(place, c + HOVER_C));
        if below == above && below != here {
            if here != Heat::Unknown {
                moments.push(Span { start_s: at_s, end_s: at_s });
            }
            here = below;
        }
    }
    moments
}

/// "fans" full on, "fans 60 %" part on, nothing when off or not known.
fn label(name: &str, duty: f64) -> Option<String> {
    if !duty.is_finite() || duty < DUTY_MARGIN {
        None
    } else if duty > 1.0 - DUTY_MARGIN {
        Some(name.to_owned())
    } else {
        Some(format!("{name} {:.0} %", (duty * 10.0).round() * 10.0))
    }
}

/// Common practice, no source: a coolant thermostat opens near 82 to 88 °C; air
/// under the hood stays under 35 °C on the move and passes 50 °C when soaked; an
/// alternator's case runs far hotter than either.
fn heat(place: Place, c: f64) -> Heat {
    let (warm_c, hot_c) = match place {
        Place::Coolant => (60.0, 85.0),
        Place::Intake | Place::Ambient | Place::Battery => (35.0, 50.0),
        Place::Alternator => (50.0, 80.0),
    };
    match c {
        c if c < warm_c => Heat::Cold,
        c if c < hot_c => Heat::Warm,
        _ => Heat::Hot,
    }
}
