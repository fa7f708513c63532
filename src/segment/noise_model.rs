//! Noise of the bus voltage, its autocorrelation, and the resolution.

mod readings;

use std::ops::Range;

use crate::log::{Log, Role};
use crate::nominal::Nominal;
use crate::segment::{Stretch, indices, mean};
use crate::stats::line::Line;
use crate::stats::long_run::{Piece, PooledNoise, SearchLimits, Shape};
use crate::stats::quantization::{Scatter, true_sigma};
use crate::stats::robust::{calm_sigma, median};

pub use readings::{Reading, Within};

/// Noise and resolution of one sample of the bus voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseModel {
    /// Standard deviation of a sample around the level it belongs to.
    pub sigma_v: f64,
    /// The same before rounding to the resolution.
    pub unrounded_sigma_v: f64,
    /// Integrated autocorrelation time of that scatter, in samples: this many samples are worth
    /// one independent one.
    pub correlation_samples: f64,
    /// Share of the variance that is correlated so; the rest is white.
    pub slow_share: f64,
    /// A sine in that scatter; the correlation is that of the rest.
    pub beat: Option<Line>,
    /// Samples behind `sigma_v`, less what fitting and correlation used up;
    /// `correlation_samples` of them are worth one independent one.
    pub dof: f64,
    /// Degrees of freedom of the long-run variance, by which means are judged.
    pub long_run_dof: f64,
    /// Degrees of freedom that `sigma_v` is worth against the scatter in one window alone:
    /// few where the log's stretches differ in their noise.
    pub agreement: f64,
    /// Whether `correlation_samples` was measured, or is assumed.
    pub correlation_seen: bool,
    /// Quantization step, where one is seen.
    pub step_v: Option<f64>,
    /// Typical time between samples.
    pub interval_s: f64,
    /// One reading of the logger, where a sample is the mean of many.
    pub reading: Option<Reading>,
    /// The system's cells, which fixed voltages scale with.
    pub nominal: Nominal,
}

/// Differences between neighbors show less than the whole noise where it is correlated; until
/// stretches are known, this autocorrelation time in samples is assumed.
const FIRST_LOOK_CORRELATION: f64 = 3.0;

/// Pieces are this long: over longer ones no low polynomial follows the bus.
const PIECE_S: f64 = 40.0;
/// and at least this many samples, so that their autocorrelation shows.
const PIECE_SAMPLES: usize = 30;
/// Neighboring samples differ by more standard deviations of their difference only where
/// something was switched,
const JUMP_SIGMAS: f64 = 8.0;
/// and the bus moves for this long after.
const AFTER_JUMP_S: f64 = 1.0;
/// Fewer samples show no noise.
const LEAST_SAMPLES: usize = 8;
/// Time constants after a change: the regulator, the idle governor and the battery's double layer
/// settle within seconds; polarization takes longer (common practice, no source).
const FADING_S: [f64; 2] = [4.0, 1.2];
/// Samples per regressor.
const SAMPLES_PER_REGRESSOR: usize = 6;
/// A piece this long has a curvature, a longer one a bend in it.
const CURVED_S: f64 = 8.0;
const BENT_S: f64 = 20.0;
/// Longer correlations are movements of the bus; ones longer than the second are rare
/// (common practice, no source: loggers filter over a second or so).
const LONGEST_CORRELATION_S: f64 = 10.0;
const USUAL_CORRELATION_S: f64 = 2.0;
/// Periods of aliased mains or switching; shorter ones average out, longer ones are movements of
/// the bus.
const BEAT_S: [f64; 2] = [1.0, 16.0];
/// About this many samples are used, spread over the log.
const MOST_SAMPLES: usize = 10_000;
/// With fewer degrees of freedom the first estimate is kept.
const LEAST_DOF: f64 = 10.0;
/// The pooled scatter is worth no more than this against a window's own.
const MOST_AGREEMENT: f64 = 50.0;
/// A window's own scatter is measured over at most this many of its last samples,
const OWN_SAMPLES: usize = 128;
/// and rounded to this share, so that cached intervals can be reused.
const OWN_SHARE: f64 = 0.03;
/// Noise below this many resolution steps cannot be measured in one window.
const RESOLVED: f64 = 0.5;

/// Ranges of about [`PIECE_S`] that `range` falls into; the first one is fresh.
fn pieces_of(range: Range<usize>, interval_s: f64) -> impl Iterator<Item = (bool, Range<usize>)> {
    let most = ((PIECE_S / interval_s) as usize).max(PIECE_SAMPLES);
    let each = range.len().div_ceil(range.len().div_ceil(most).max(1)).max(1);
    let from = range.start;
    let starts = range.clone().step_by(each);
    starts.map(move |k| (k == from, k..(k + each).min(range.end)))
}

/// `values` with what may have moved them: a slow trend and, of `fresh` ones, which begin
/// after a change, what fades from there; engine speed, and a beat.
fn piece(
    values: &[f64],
    fresh: bool,
    rpm: Option<&[f64]>,
    beat: Option<Line>,
    interval_s: f64,
) -> Piece {
    let seconds = values.len() as f64 * interval_s;
    let class = usize::from(seconds > CURVED_S) + usize::from(seconds > BENT_S);
    // A short piece allows few regressors.
    let spare = values.len() / SAMPLES_PER_REGRESSOR;
    let fading_s = match class {
        0 => &FADING_S[..1],
        _ => &FADING_S[..],
    };
    let fading_s = if fresh { &fading_s[..fading_s.len().min(spare)] } else { &[] };
    let fading: Vec<Vec<f64>> = fading_s
        .iter()
        .map(|time_s| {
            (0..values.len()).map(|k| (-(k as f64) * interval_s / time_s).exp()).collect()
        })
        .collect();
    let degree = if fresh { class.max(1) } else { 1 + class };
    let phases = beat.map(|beat| beat.regressors(values.len()));
    let columns = fading.iter().chain(phases.iter().flatten()).map(Vec::as_slice);
    let regressors: Vec<&[f64]> = rpm.into_iter().chain(columns).collect();
    Piece::new(values, degree.min(spare - fading.len().min(spare)), &regressors)
}

impl NoiseModel {
    /// Of the channel that holds `role`, whose samples are rounded to `step_v`, as far
    /// as `stretches` show it.
    pub fn of(
        log: &Log,
        role: Role,
        step_v: Option<f64>,
        stretches: &[Stretch],
    ) -> Option<NoiseModel> {
        let (time_s, values) = (log.time_s(), log.channel(role)?);
        let within = Within::of(log, role);
        let first = NoiseModel::first_look(time_s, values, step_v).with_readings(within);
        let first = NoiseModel { nominal: log.nominal(), ..first };
        Some(first.refined(time_s, values, log.engine_rpm(), within, stretches))
    }

    /// From sample differences alone: good before anything is segmented.
    pub fn first_look(time_s: &[f64], bus_v: &[f64], step_v: Option<f64>) -> NoiseModel {
        let interval_s = typical_interval(time_s);
        let sigma_v = calm_sigma(bus_v).max(quantized_sigma(step_v));
        let dof = (bus_v.len() as f64 - 1.0).max(1.0);
        NoiseModel {
            unrounded_sigma_v: unrounded(sigma_v, step_v, 1),
            correlation_samples: FIRST_LOOK_CORRELATION,
            dof,
            long_run_dof: (dof / FIRST_LOOK_CORRELATION).clamp(3.0, MOST_AGREEMENT),
            correlation_seen: false,
            step_v,
            ..NoiseModel::white(sigma_v, interval_s)
        }
    }

    /// Noise without memory or resolution, known beforehand.
    pub const fn white(sigma_v: f64, interval_s: f64) -> NoiseModel {
        NoiseModel {
            sigma_v,
            unrounded_sigma_v: sigma_v,
            correlation_samples: 1.0,
            slow_share: 1.0,
            beat: None,
            dof: f64::INFINITY,
            long_run_dof: f64::INFINITY,
            agreement: f64::INFINITY,
            correlation_seen: true,
            step_v: None,
            interval_s,
            reading: None,
            nominal: Nominal::V12,
        }
    }

    /// From steady running: what level, trend and engine speed leave of the stretches.
    pub fn refined(
        &self,
        time_s: &[f64],
        bus_v: &[f64],
        engine_rpm: Option<&[f64]>,
        within: Option<Within>,
        stretches: &[Stretch],
    ) -> NoiseModel {
        let squares = within.map_or(&[][..], |w| w.squares);
        let mut ranges: Vec<(bool, Range<usize>)> = stretches
            .iter()
            .flat_map(|stretch| self.between_jumps(bus_v, indices(time_s, stretch.settled)))
            .flat_map(|range| pieces_of(range, self.interval_s))
            .filter(|(_, range)| range.len() >= LEAST_SAMPLES)
            .collect();
        let samples: usize = ranges.iter().map(|(_, range)| range.len()).sum();
        // An even selection of a long log's pieces.
        let most = (ranges.len() * MOST_SAMPLES).div_ceil(samples.max(1)).min(ranges.len());
        ranges = (0..most).map(|k| ranges[k * ranges.len() / most].clone()).collect();
        let pieces_without = |beat: Option<Line>| -> Vec<Piece> {
            let one = |(fresh, range): &(bool, Range<usize>)| {
                let rpm = engine_rpm.and_then(|rpm| rpm.get(range.clone()));
                piece(&bus_v[range.clone()], *fresh, rpm, beat, self.interval_s)
            };
            ranges.iter().map(one).collect()
        };
        let pieces = pieces_without(None);
        // A level on a rounding threshold flickers by half a step either way.
        let flicker_v = 0.5 * self.step_v.unwrap_or(0.0);
        let search = SearchLimits {
            longest: (LONGEST_CORRELATION_S / self.interval_s).max(3.0),
            usual: (USUAL_CORRELATION_S / self.interval_s).max(0.3),
            least_usual: flicker_v * flicker_v,
        };
        let known = |noise: &PooledNoise| noise.dof >= LEAST_DOF;
        let Some(mut noise) = PooledNoise::of(&pieces, &search).filter(known) else {
            return *self;
        };
        let [shortest, longest] = BEAT_S.map(|period_s| period_s / self.interval_s);
        let mut beat = None;
        if let Some(line) = Line::in_pieces(&pieces, shortest, longest) {
            let rest = pieces_without(Some(line));
            if Line::is_no_noise(&pieces, &rest, noise.shape)
                && let Some(without) = PooledNoise::of(&rest, &search).filter(known)
            {
                (beat, noise) = (Some(line), without);
            }
        }
        let kept = || {
            ranges.iter().zip(&noise.kept).filter(|(_, kept)| **kept).map(|((_, range), _)| range)
        };
        let levels = kept().count();
        let correlation_samples = noise.shape.time();
        let noise_model = NoiseModel {
            sigma_v: noise.sigma.hypot(beat_sigma(beat)),
            unrounded_sigma_v: unrounded(noise.sigma, self.step_v, levels).hypot(beat_sigma(beat)),
            beat,
            correlation_samples,
            slow_share: noise.shape.slow_share,
            dof: (noise.sigma_dof * correlation_samples).min(noise.dof),
            long_run_dof: noise.long_run_dof,
            agreement: noise.agreement.min(MOST_AGREEMENT),
            correlation_seen: self.correlation_seen
                || kept().any(|range| range.len() >= PIECE_SAMPLES),
            ..*self
        };
        let within: Vec<f64> =
            kept().map(|range| mean(squares.get(range.clone()).unwrap_or(&[]))).collect();
        let reading = self.reading.map(|r| noise_model.reading(r.each, mean(&within), levels));
        NoiseModel { reading, ..noise_model }
    }

    /// The parts of `range` between jumps larger than noise, each without the moment after: a load
    /// that was switched and not detected must not count as noise.
    fn between_jumps(&self, bus_v: &[f64], range: Range<usize>) -> Vec<Range<usize>> {
        let most_v = JUMP_SIGMAS * std::f64::consts::SQRT_2 * self.sigma_v;
        let rest = ((AFTER_JUMP_S / self.interval_s) as usize).max(1);
        let (mut parts, mut start) = (Vec::new(), range.start);
        for k in range.start + 1..range.end {
            if (bus_v[k] - bus_v[k - 1]).abs() > most_v {
                parts.push(start..k.max(start));
                start = k + rest;
            }
        }
        parts.push(start.min(range.end)..range.end);
        parts
    }

    /// Correlation of its samples.
    pub fn shape(&self) -> Shape {
        Shape::of_time(self.correlation_samples, self.slow_share)
    }

    /// The noise of one reading before rounding.
    pub fn scatter(&self) -> Scatter {
        let seen = self.of_readings();
        let (shape, sigma) = (seen.shape(), seen.unrounded_sigma_v);
        let beat_v = beat_sigma(self.beat);
        let without = |sigma_v: f64| (sigma_v * sigma_v - beat_v * beat_v).max(0.0).sqrt();
        let sigma = without(sigma);
        // Rounding only adds white noise.
        let slow = shape.slow_share * (without(seen.sigma_v) / sigma).powi(2);
        let slow_share = if slow.is_finite() { slow.min(1.0) } else { 1.0 };
        Scatter { sigma, shape: Shape { slow_share, ..shape }, dof: self.long_run_dof }
    }

    /// For one window of the log. Its own scatter counts as far as that of the log's stretches
    /// differs, because a bus at rest, regulated and at its limit differs in noise.
    pub fn of_window(&self, values: &[f64]) -> NoiseModel {
        let resolved = self.of_readings().unrounded_sigma_v
            >= RESOLVED * self.step_v.unwrap_or(0.0).max(f64::MIN_POSITIVE);
        if !self.agreement.is_finite() || !resolved || values.len() < LEAST_SAMPLES {
            return *self;
        }
        let fresh = values.len() <= OWN_SAMPLES;
        let last = &values[values.len().saturating_sub(OWN_SAMPLES)..];
        let own = piece(last, fresh, None, self.beat, self.interval_s).residue(self.shape());
        let Some((squares, dof)) = own.map(|own| (own.squares, own.dof)) else {
            return *self;
        };
        let both = self.agreement + dof;
        let usual = self.sigma_v.powi(2) - beat_sigma(self.beat).powi(2);
        let share = (self.agreement + squares / usual) / both;
        if !(share > 0.0 && share.is_finite()) {
            return *self;
        }
        let by = ((share.ln() / 2.0 / OWN_SHARE).round() * OWN_SHARE).exp();
        let whole = |dof: f64| if dof < 100.0 { dof.round() } else { dof };
        let long_run_dof = whole(1.0 / (1.0 / self.long_run_dof + 1.0 / both));
        let reading = self.reading.map(|r| Reading {
            sigma_v: r.sigma_v * by,
            unrounded_sigma_v: r.unrounded_sigma_v * by,
            ..r
        });
        NoiseModel {
            sigma_v: self.sigma_v * by,
            unrounded_sigma_v: self.unrounded_sigma_v * by,
            long_run_dof,
            reading,
            ..*self
        }
    }

    /// Standard error of the mean of `n` consecutive samples.
    pub fn error_of_mean_v(&self, n: usize) -> f64 {
        let n = n.max(1) as f64;
        self.sigma_v * (self.shape().mean_time(n) / n).sqrt()
    }

    /// The least change of level that `n` samples either side can show with
    /// `widths` standard errors, and never less than most of a resolution step.
    pub fn visible_change_v(&self, n: usize, widths: f64) -> f64 {
        let noise_v = widths * std::f64::consts::SQRT_2 * self.error_of_mean_v(n);
        noise_v.max(0.75 * self.step_v.unwrap_or(0.0))
    }

    /// Half the width within which a sample counts as being at a level.
    pub fn band_v(&self) -> f64 {
        (2.0 * self.sigma_v).max(0.5 * self.step_v.unwrap_or(0.0))
    }

    /// `least_v`, or more where noise and rounding alone move a sample so far.
    pub fn beyond_noise_v(&self, least_v: f64) -> f64 {
        least_v.max(8.0 * self.sigma_v + self.step_v.unwrap_or(0.0))
    }
}

fn beat_sigma(beat: Option<Line>) -> f64 {
    beat.map_or(0.0, |beat| beat.amplitude / std::f64::consts::SQRT_2)
}

fn unrounded(sigma_v: f64, step_v: Option<f64>, levels: usize) -> f64 {
    step_v.map_or(sigma_v, |step_v| true_sigma(sigma_v, step_v, levels).sigma)
}

/// The scatter that rounding to a grid alone puts on a level: the standard
/// deviation of a uniform error one step wide.
fn quantized_sigma(step_v: Option<f64>) -> f64 {
    step_v.unwrap_or(0.0) / 12f64.sqrt()
}

pub fn typical_interval(time_s: &[f64]) -> f64 {
    let gaps: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let typical = median(&gaps);
    if typical.is_finite() && typical > 0.0 { typical } else { 1.0 }
}
