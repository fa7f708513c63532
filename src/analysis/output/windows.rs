//! The short windows that the curve is made of, and whether each is at full output.

use crate::analysis::level::{bus_level, channel_mean, level};
use crate::analysis::setpoint::Setpoint;
use crate::car::Car;
use crate::diagnosis::{Heat, PhaseKind};
use crate::levels;
use crate::log::{Log, Place, Role, Span, Tap};
use crate::segment::{NoiseModel, Segments, Stretch};

/// Length of the windows in steady running, so that a return to the setpoint within a stretch
/// shows.
const WINDOW_S: f64 = 5.0;
const LEAST_WINDOW_S: f64 = 1.0;
/// Length of the windows in slow changes of speed, which show the curve between two speeds.
const PASSAGE_WINDOW_S: f64 = 2.0;
/// A window in which speed changes by more than this share has no one speed, and the current may
/// lag behind.
const MOVING_SHARE: f64 = 0.08;
/// Field and belt follow within this (common practice, no source).
const LAG_S: f64 = 0.3;

#[derive(Debug, Clone)]
pub struct OutputWindow {
    pub span: Span,
    pub alternator_rpm: Option<f64>,
    pub engine_rpm: Option<f64>,
    pub heat: Heat,
    pub temperature: Option<(Place, f64)>,
    pub amps_a: f64,
    /// What the current may lag behind a moving speed.
    pub lag_a: f64,
    pub samples: usize,
    pub at_v: f64,
    /// Under the setpoint throughout.
    pub full: bool,
}

impl OutputWindow {
    /// Alternator speed, else engine speed.
    pub fn speed(&self) -> f64 {
        self.alternator_rpm.or(self.engine_rpm).unwrap_or(0.0)
    }
}

/// All windows of steady running, and those of slow passages between at full output.
pub fn windows(
    log: &Log,
    segments: &Segments,
    setpoint: Option<&Setpoint>,
    noise_model: &NoiseModel,
    car: &Car,
) -> Vec<OutputWindow> {
    let reader =
        WindowReader { log, segments, setpoint, noise_model, ratio: car.alternator.pulley_ratio };
    let steady = segments.stretches.iter().flat_map(|stretch| {
        let parts = parts(stretch.settled, WINDOW_S);
        parts.into_iter().filter_map(|span| {
            // A stretch may hold a change of speed too small to cut it in two.
            reader.moved_share(span).is_none_or(|moved| moved < MOVING_SHARE).then_some(())?;
            reader.window(span, stretch)
        })
    });
    let mut windows: Vec<OutputWindow> = steady.collect();
    windows.extend(reader.passages());
    windows
}

fn parts(span: Span, each_s: f64) -> Vec<Span> {
    let count = (span.seconds() / each_s).round().max(1.0);
    let step_s = span.seconds() / count;
    let start = |k: f64| span.start_s + k * step_s;
    let all = (0..count as usize).map(|k| k as f64);
    all.map(|k| Span { start_s: start(k), end_s: start(k + 1.0) })
        .filter(|part| part.seconds() >= LEAST_WINDOW_S)
        .collect()
}

struct WindowReader<'a> {
    log: &'a Log,
    segments: &'a Segments,
    setpoint: Option<&'a Setpoint>,
    noise_model: &'a NoiseModel,
    ratio: Option<f64>,
}

impl WindowReader<'_> {
    fn mean(&self, role: Role, span: Span) -> Option<f64> {
        channel_mean(self.log, role, span)
    }

    fn window(&self, span: Span, like: &Stretch) -> Option<OutputWindow> {
        let log = self.log;
        let current = log.channel(Role::AlternatorCurrent)?;
        let amps = level(log.time_s(), current, span, self.noise_model)?;
        let bus_v = bus_level(log, self.segments, span)?.mean_v;
        let engine_rpm = self.mean(Role::EngineRpm, span);
        let logged_rpm = self.mean(Role::AlternatorRpm, span);
        let places = [Place::Alternator, Place::Coolant, Place::Intake, Place::Ambient];
        let mut temperatures = places.into_iter();
        Some(OutputWindow {
            span,
            alternator_rpm: logged_rpm.or(engine_rpm.zip(self.ratio).map(|(rpm, r)| rpm * r)),
            engine_rpm,
            heat: like.heat,
            temperature: temperatures
                .find_map(|place| Some((place, self.mean(Role::Temperature(place), span)?))),
            amps_a: amps.mean_v,
            lag_a: 0.0,
            samples: amps.samples,
            at_v: self.mean(Role::Voltage(Tap::Alternator), span).unwrap_or(bus_v),
            full: halves(span).into_iter().all(|half| self.is_under(half)),
        })
    }

    /// Whether the bus and, where logged, the alternator's post are below the setpoint by more than
    /// droop and uncertainty.
    fn is_under(&self, span: Span) -> bool {
        let Some(setpoint) = self.setpoint else { return false };
        let unsure_v = setpoint.estimate.value - setpoint.estimate.low;
        let full_output_v = self.log.nominal().volts(levels::FULL_OUTPUT);
        let limit_v = setpoint.at(span.middle_s()) - full_output_v - unsure_v;
        let time_s = self.log.time_s();
        let under = |tap_v: &[f64]| {
            level(time_s, tap_v, span, &self.segments.noise_model)
                .is_some_and(|seen| seen.mean_v + seen.half_width_v < limit_v)
        };
        let post = self.log.channel(Role::Voltage(Tap::Alternator));
        under(self.log.bus_v()) && post.is_none_or(under)
    }

    /// Windows within slow changes of speed without a switched load, with the heat of the nearest
    /// stretch.
    fn passages(&self) -> Vec<OutputWindow> {
        let mut windows = Vec::new();
        for change in &self.segments.speed_changes {
            let running = |phase: &&crate::diagnosis::Phase| phase.kind == PhaseKind::Running;
            let inside = self.segments.phases.iter().filter(running).any(|phase| {
                phase.start_s + WINDOW_S < change.start_s && change.end_s < phase.end_s
            });
            let nearest = self.segments.stretches.iter().min_by(|a, b| {
                let apart = |s: &Stretch| (s.span.end_s - change.start_s).abs();
                apart(a).total_cmp(&apart(b))
            });
            let Some(nearest) = nearest.filter(|_| inside) else { continue };
            for span in parts(*change, PASSAGE_WINDOW_S) {
                let switched = self.segments.steps.iter().any(|step| {
                    step.at_s > span.start_s - PASSAGE_WINDOW_S && step.at_s < span.end_s
                });
                if !switched {
                    windows.extend(self.passing(span, nearest));
                }
            }
        }
        windows
    }

    /// Change of speed within a window, as a share of it.
    fn moved_share(&self, span: Span) -> Option<f64> {
        let [first, second] = halves(span);
        let speed = |half| {
            self.mean(Role::AlternatorRpm, half).or_else(|| self.mean(Role::EngineRpm, half))
        };
        // From the middle of one half to the middle of the other is half the window.
        let (from_rpm, to_rpm) = (speed(first)?, speed(second)?);
        Some(2.0 * (to_rpm - from_rpm).abs() / from_rpm.min(to_rpm).max(1.0))
    }

    fn passing(&self, span: Span, like: &Stretch) -> Option<OutputWindow> {
        let window = self.window(span, like).filter(|w| w.full)?;
        let [first, second] = halves(span);
        let moved = self.moved_share(span)?;
        let amps = |half| self.mean(Role::AlternatorCurrent, half);
        let per_second_a = (amps(second)? - amps(first)?).abs() / (0.5 * span.seconds());
        (moved < MOVING_SHARE).then_some(OutputWindow { lag_a: LAG_S * per_second_a, ..window })
    }
}

fn halves(span: Span) -> [Span; 2] {
    let middle_s = span.middle_s();
    [Span { end_s: middle_s, ..span }, Span { start_s: middle_s, ..span }]
}
