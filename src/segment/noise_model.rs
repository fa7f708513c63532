//! How fine the log's bus voltage is: noise, its memory, and resolution.

use std::ops::Range;

use crate::log::{Log, Role};
use crate::nominal::Nominal;
use crate::segment::{Stretch, indices, mean};
use crate::stats::line::Line;
use crate::stats::long_run::{Piece, PooledNoise, Search, Shape};
use crate::stats::quantisation::{Scatter, true_sigma};
use crate::stats::robust::{calm_sigma, median};

/// What one sample of the bus voltage can and cannot show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseModel {
    /// Standard deviation of a sample around the level it belongs to.
    pub sigma_v: f64,
    /// The same before rounding to the resolution.
    pub unrounded_sigma_v: f64,
    /// Integrated autocorrelation time of that scatter, in samples: this many
    /// samples tell as much as one independent one.
    pub memory_samples: f64,
    /// Share of the variance that has this memory; the rest is white.
    pub slow_share: f64,
    /// A sine in that scatter, beside the rest of it, whose memory is meant.
    pub beat: Option<Line>,
    /// Samples behind `sigma_v`, less what fitting and memory took; `memory_samples` of
    /// them tell as much as one independent one.
    pub freedom: f64,
    /// Degrees of freedom of the long-run variance, by which means are judged.
    pub long_run_freedom: f64,
    /// Degrees of freedom that `sigma_v` is worth against the scatter in one window alone:
    /// few where the log's stretches differ in their noise.
    pub agreement: f64,
    /// Whether `memory_samples` was seen, or is allowed for.
    pub memory_seen: bool,
    /// Quantisation step, where one is seen.
    pub step_v: Option<f64>,
    /// Typical time between samples.
    pub interval_s: f64,
    /// What one reading of the logger is like, where a sample is the mean of many.
    pub reading: Option<Reading>,
    /// The system's cells, by which fixed voltages go.
    pub nominal: Nominal,
}

/// One reading of the logger behind samples that are means.
///
/// Of any noise whose mean over a sample varies by σ̄², readings scatter about that
/// mean by σ² − σ̄², so σ² is the sum of both; and σ²τ, by which long means are
/// judged, is the same for readings and for means: that gives their memory.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Readings to a sample.
    pub each: f64,
    /// Standard deviation around the level it belongs to.
    pub sigma_v: f64,
    /// The same before rounding to the resolution.
    pub unrounded_sigma_v: f64,
    /// Integrated autocorrelation time, in readings.
    pub memory: f64,
    pub slow_share: f64,
}

/// What is kept of the readings behind samples that are means of so many.
#[derive(Debug, Clone, Copy)]
pub struct Within<'a> {
    pub each: f64,
    /// Mean square of the readings of each sample about it.
    pub squares: &'a [f64],
}

/// Differences between neighbours show less than the whole noise where the
/// noise has memory; until stretches are known the first look allows for it.
const FIRST_LOOK_MEMORY: f64 = 3.0;

/// Pieces are this long: over longer ones no low polynomial follows the bus.
const PIECE_S: f64 = 40.0;
/// … and at least this many samples, so that their memory shows.
const PIECE_SAMPLES: usize = 30;
/// Neighboring samples differ by more than so many standard deviations of that difference
/// only where something was switched,
const JUMP_SIGMAS: f64 = 8.0;
/// and for so long after the bus is on its way.
const AFTER_JUMP_S: f64 = 1.0;
/// Fewer samples show nothing of it.
const LEAST_SAMPLES: usize = 8;
/// The regulator, the idle governor and the battery's double layer are through with a change
/// within seconds; polarization takes longer (common practice, no source).
const FADING_S: [f64; 2] = [4.0, 1.2];
/// So many samples pay for one regressor.
const SAMPLES_PER_REGRESSOR: usize = 6;
/// A piece this long has a curvature, a longer one a bend in it.
const CURVED_S: f64 = 8.0;
const BENT_S: f64 = 20.0;
/// Longer correlations are movements of the bus; longer than the second, rare
/// (common practice, no source: loggers filter over a second or so).
const LONGEST_MEMORY_S: f64 = 10.0;
const USUAL_MEMORY_S: f64 = 2.0;
/// Aliased mains or switching has such periods; quicker ones average out, slower ones are
/// movements of the bus.
const BEAT_S: [f64; 2] = [1.0, 16.0];
/// The pieces looked at hold about so many samples, spread over the log.
const MOST_SAMPLES: usize = 10_000;
/// Fewer degrees of freedom than this know the noise no better than the first look.
const LEAST_FREEDOM: f64 = 10.0;
/// The pooled scatter is worth no more than this against a window's own.
const MOST_AGREEMENT: f64 = 50.0;
/// A window's own scatter is read off at most so many of its last samples,
const OWN_SAMPLES: usize = 128;
/// and told to this share, so that an interval is not reckoned anew for every window.
const OWN_SHARE: f64 = 0.03;
/// Noise below this many resolution steps shows in no single window.
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
    // A short piece has nothing to spare.
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

impl<'a> Within<'a> {
    /// Of the channel that holds `role`; `None` where its samples are the logger's own.
    pub fn of(log: &'a Log, role: Role) -> Option<Within<'a>> {
        let finer = log.raw()?;
        Some(Within { each: finer.each as f64, squares: finer.within.get(&role.key())? })
    }
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
        let sigma_v = calm_sigma(bus_v).max(quantised_sigma(step_v));
        let freedom = (bus_v.len() as f64 - 1.0).max(1.0);
        NoiseModel {
            unrounded_sigma_v: unrounded(sigma_v, step_v, 1),
            memory_samples: FIRST_LOOK_MEMORY,
            freedom,
            long_run_freedom: (freedom / FIRST_LOOK_MEMORY).clamp(3.0, MOST_AGREEMENT),
            memory_seen: false,
            step_v,
            ..NoiseModel::white(sigma_v, interval_s)
        }
    }

    /// Noise without memory or resolution, known beforehand.
    pub const fn white(sigma_v: f64, interval_s: f64) -> NoiseModel {
        NoiseModel {
            sigma_v,
            unrounded_sigma_v: sigma_v,
            memory_samples: 1.0,
            slow_share: 1.0,
            beat: None,
            freedom: f64::INFINITY,
            long_run_freedom: f64::INFINITY,
            agreement: f64::INFINITY,
            memory_seen: true,
            step_v: None,
            interval_s,
            reading: None,
            nominal: Nominal::V12,
        }
    }

    /// With the readings behind its samples, by the middle of what they scatter.
    pub fn with_readings(self, within: Option<Within>) -> NoiseModel {
        let reading = within.map(|w| self.reading(w.each, median(w.squares), 1));
        NoiseModel { reading, ..self }
    }

    fn reading(&self, each: f64, within: f64, levels: usize) -> Reading {
        let within = if within.is_finite() { within } else { 0.0 };
        let sigma_v = (within + self.sigma_v.powi(2)).sqrt();
        let share = if sigma_v > 0.0 { self.sigma_v.powi(2) / sigma_v.powi(2) } else { 1.0 };
        Reading {
            each,
            sigma_v,
            unrounded_sigma_v: unrounded(sigma_v, self.step_v, levels),
            memory: (each * self.memory_samples * share).max(1.0),
            slow_share: share * self.slow_share,
        }
    }

    /// What one reading is like: the model itself where a sample is a reading.
    pub fn of_readings(&self) -> NoiseModel {
        let Some(reading) = self.reading else { return *self };
        NoiseModel {
            sigma_v: reading.sigma_v,
            unrounded_sigma_v: reading.unrounded_sigma_v,
            memory_samples: reading.memory,
            slow_share: reading.slow_share,
            freedom: self.freedom * reading.each,
            interval_s: self.interval_s / reading.each,
            reading: None,
            ..*self
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
        // Of a long log's pieces so many, evenly spread.
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
        // A level on a threshold flickers by half a step either side.
        let flicker_v = 0.5 * self.step_v.unwrap_or(0.0);
        let search = Search {
            longest: (LONGEST_MEMORY_S / self.interval_s).max(3.0),
            usual: (USUAL_MEMORY_S / self.interval_s).max(0.3),
            least_usual: flicker_v * flicker_v,
        };
        let known = |noise: &PooledNoise| noise.freedom >= LEAST_FREEDOM;
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
        let memory_samples = noise.shape.time();
        let noise_model = NoiseModel {
            sigma_v: noise.sigma.hypot(beat_sigma(beat)),
            unrounded_sigma_v: unrounded(noise.sigma, self.step_v, levels).hypot(beat_sigma(beat)),
            beat,
            memory_samples,
            slow_share: noise.shape.slow_share,
            freedom: (noise.sigma_freedom * memory_samples).min(noise.freedom),
            long_run_freedom: noise.long_run_freedom,
            agreement: noise.agreement.min(MOST_AGREEMENT),
            memory_seen: self.memory_seen || kept().any(|range| range.len() >= PIECE_SAMPLES),
            ..*self
        };
        let within: Vec<f64> =
            kept().map(|range| mean(squares.get(range.clone()).unwrap_or(&[]))).collect();
        let reading = self.reading.map(|r| noise_model.reading(r.each, mean(&within), levels));
        NoiseModel { reading, ..noise_model }
    }

    /// The parts of `range` between jumps that no noise makes, each without the moment
    /// after: what was switched and not found is no noise.
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
        Shape::of_time(self.memory_samples, self.slow_share)
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
        Scatter { sigma, shape: Shape { slow_share, ..shape }, freedom: self.long_run_freedom }
    }

    /// For one window of the log, whose own scatter counts as far as that of the whole
    /// log's stretches differs: at rest, regulated and at its limit a bus is not alike.
    pub fn of_window(&self, values: &[f64]) -> NoiseModel {
        let resolved = self.of_readings().unrounded_sigma_v
            >= RESOLVED * self.step_v.unwrap_or(0.0).max(f64::MIN_POSITIVE);
        if !self.agreement.is_finite() || !resolved || values.len() < LEAST_SAMPLES {
            return *self;
        }
        let fresh = values.len() <= OWN_SAMPLES;
        let last = &values[values.len().saturating_sub(OWN_SAMPLES)..];
        let own = piece(last, fresh, None, self.beat, self.interval_s).residue(self.shape());
        let Some((squares, freedom)) = own.map(|own| (own.squares, own.freedom)) else {
            return *self;
        };
        let both = self.agreement + freedom;
        let usual = self.sigma_v.powi(2) - beat_sigma(self.beat).powi(2);
        let share = (self.agreement + squares / usual) / both;
        if !(share > 0.0 && share.is_finite()) {
            return *self;
        }
        let by = ((share.ln() / 2.0 / OWN_SHARE).round() * OWN_SHARE).exp();
        let whole = |freedom: f64| if freedom < 100.0 { freedom.round() } else { freedom };
        let long_run_freedom = whole(1.0 / (1.0 / self.long_run_freedom + 1.0 / both));
        let reading = self.reading.map(|r| Reading {
            sigma_v: r.sigma_v * by,
            unrounded_sigma_v: r.unrounded_sigma_v * by,
            ..r
        });
        NoiseModel {
            sigma_v: self.sigma_v * by,
            unrounded_sigma_v: self.unrounded_sigma_v * by,
            long_run_freedom,
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
fn quantised_sigma(step_v: Option<f64>) -> f64 {
    step_v.unwrap_or(0.0) / 12f64.sqrt()
}

pub fn typical_interval(time_s: &[f64]) -> f64 {
    let gaps: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let typical = median(&gaps);
    if typical.is_finite() && typical > 0.0 { typical } else { 1.0 }
}
