//! What the page's script draws from: every channel, and what stands on the picture
//! at rest too. The script itself is `live.js`.

use maud::{Markup, PreEscaped, html as markup};
use serde::Serialize;

use crate::diagnosis::{BusState, Channel, Diagnosis, OperatingPoint};
use crate::estimate::Estimate;
use crate::log::Span;
use crate::report::format::plain;
use crate::report::svg;
use crate::units::Units;

pub const SCRIPT: &str = include_str!("live.js");

/// The longest gaps; a page of a log that is mostly gaps stays a page.
const MOST_GAPS: usize = 500;
/// As the tables have them; more would be drawn over each other.
const MOST_STEPS: usize = 2000;

#[derive(Serialize)]
struct Live<'a> {
    bucket_samples: usize,
    ticks_per_s: u32,
    time: &'a str,
    channels: Vec<LiveChannel<'a>>,
    gaps: Vec<(f64, f64)>,
    phases: Vec<(&'static str, f64, f64)>,
    /// Number, when it comes, until when it may be looked at, what it is.
    steps: Vec<(usize, f64, f64, String)>,
    levels: Vec<Level>,
    /// From, to, and between which voltages the bus held there.
    held: Vec<(f64, f64, f64, f64)>,
    /// The scale of the picture at rest.
    range_v: (f64, f64),
    duration_s: f64,
    sample_interval_s: f64,
    /// The moment that is read first.
    first_s: f64,
    degree: &'static str,
    ink: svg::LiveInks,
}

#[derive(Serialize)]
struct LiveChannel<'a> {
    name: String,
    kind: &'static str,
    what: String,
    unit: &'a str,
    /// What is told is the stored value by the factor and on from the origin.
    factor: f64,
    origin: f64,
    ink: String,
    steps_per_unit: u32,
    low: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    high: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    low_after: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    high_after: Option<&'a str>,
}

#[derive(Serialize)]
struct Level {
    kind: &'static str,
    name: &'static str,
    value: f64,
    low: f64,
    high: f64,
    ink: String,
}

/// Whether there is anything for a script to draw.
pub fn lives(diagnosis: &Diagnosis) -> bool {
    !diagnosis.picture.samples.channels.is_empty()
}

/// Where the script draws, hidden without it.
pub fn place(diagnosis: &Diagnosis) -> Markup {
    markup! { @if lives(diagnosis) { div #live hidden {} } }
}

/// The data, inert: no script, and no text of a log can end it.
pub fn samples(diagnosis: &Diagnosis) -> Markup {
    let told = serde_json::to_string(&live(diagnosis)).unwrap_or_default();
    let inert = plain(&told).replace('<', "\\u003c").replace('>', "\\u003e");
    markup! { @if lives(diagnosis) { script type="application/json" #samples { (PreEscaped(inert)) } } }
}

/// A part of the page that speaks of a stretch of the log: with the script a press
/// shows that stretch.
pub fn go(from_s: f64, to_s: f64, told: Markup) -> Markup {
    let tenths = |s: f64| format!("{:.3}", if s.is_finite() { s } else { 0.0 });
    markup! { span data-go=(format!("{} {}", tenths(from_s), tenths(to_s))) { (told) } }
}

/// The longest stretch of an operating point.
pub fn longest(point: &OperatingPoint) -> Option<&Span> {
    point.spans.iter().max_by(|a, b| a.seconds().total_cmp(&b.seconds()))
}

fn live(diagnosis: &Diagnosis) -> Live<'_> {
    let samples = &diagnosis.picture.samples;
    let mut gaps: Vec<&Span> = diagnosis.source.gaps.iter().collect();
    gaps.sort_by(|a, b| b.seconds().total_cmp(&a.seconds()));
    gaps.truncate(MOST_GAPS);
    gaps.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let steps = diagnosis.load_steps.iter().take(MOST_STEPS);
    let phases = diagnosis.phases.iter().take(MOST_STEPS);
    Live {
        bucket_samples: samples.bucket_samples,
        ticks_per_s: samples.ticks_per_s,
        time: &samples.time,
        channels: (0..)
            .zip(&samples.channels)
            .map(|(place, told)| channel(place, told, diagnosis.units))
            .collect(),
        gaps: gaps.into_iter().map(|gap| (gap.start_s, gap.end_s)).collect(),
        phases: phases.map(|p| (p.kind.word(), p.start_s, p.end_s)).collect(),
        steps: steps.map(|s| (s.number, s.at_s, s.until_s, plain(&svg::what(s)))).collect(),
        levels: levels(diagnosis),
        held: held(diagnosis),
        range_v: svg::voltage_range(diagnosis),
        duration_s: diagnosis.source.duration_s,
        sample_interval_s: diagnosis.source.sample_interval_s,
        first_s: first(diagnosis),
        degree: diagnosis.units.degree().name,
        ink: svg::live_inks(),
    }
}

fn channel(place: usize, channel: &Channel, units: Units) -> LiveChannel<'_> {
    let fahrenheit = units == Units::Imperial && channel.role == "temperature";
    let (kind, what) = match channel.role.as_str() {
        "voltage" => ("volts", "voltage".to_owned()),
        "ground_drop" => ("drop", "lost in the ground".to_owned()),
        "alternator_current" => ("amps", "alternator current".to_owned()),
        "battery_current" => ("amps", "battery current".to_owned()),
        "engine_rpm" => ("rpm", "engine speed".to_owned()),
        "alternator_rpm" => ("rpm", "alternator speed".to_owned()),
        "temperature" => {
            ("degrees", format!("{} temperature", channel.tap.as_deref().unwrap_or("")))
        }
        _ => ("load", String::new()),
    };
    LiveChannel {
        name: plain(&channel.name),
        kind,
        what: plain(what.trim()),
        unit: if fahrenheit { "°F" } else { &channel.unit },
        factor: if fahrenheit { 1.8 } else { 1.0 },
        origin: if fahrenheit { 32.0 } else { 0.0 },
        ink: svg::channel_ink(&channel.role, place),
        steps_per_unit: channel.steps_per_unit,
        low: &channel.low,
        high: channel.high.as_deref(),
        low_after: channel.low_after.as_deref(),
        high_after: channel.high_after.as_deref(),
    }
}

fn levels(diagnosis: &Diagnosis) -> Vec<Level> {
    let told: [(_, _, Option<&Estimate>); 3] = [
        ("draining", "draining below", diagnosis.battery.zero_current_v.as_ref()),
        ("rest", "rest", diagnosis.rest_voltage_v.as_ref()),
        ("setpoint", "setpoint", diagnosis.setpoint_v.as_ref()),
    ];
    let known = told.into_iter().filter_map(|(kind, name, e)| Some((kind, name, e?)));
    let finite = |e: &Estimate| [e.value, e.low, e.high].iter().all(|v| v.is_finite());
    known
        .filter(|(.., e)| finite(e))
        .map(|(kind, name, e)| Level {
            kind,
            name,
            value: e.value,
            low: e.low,
            high: e.high,
            ink: svg::level_ink(kind),
        })
        .collect()
}

fn held(diagnosis: &Diagnosis) -> Vec<(f64, f64, f64, f64)> {
    svg::held_spans(diagnosis)
        .into_iter()
        .map(|(span, seen)| (span.start_s, span.end_s, seen.low, seen.high))
        .filter(|(from, to, low, high)| [from, to, low, high].iter().all(|x| x.is_finite()))
        .collect()
}

/// Where the verdict's own number was read, or else where something first happens.
fn first(diagnosis: &Diagnosis) -> f64 {
    let worst = diagnosis.operating_points.iter().filter(|p| p.state != BusState::Holding);
    let worst = worst.min_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value));
    let worst = worst.and_then(longest).map(|span| span.start_s);
    worst.or_else(|| diagnosis.load_steps.first().map(|s| s.at_s)).unwrap_or(0.0)
}
