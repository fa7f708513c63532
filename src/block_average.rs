//! Reduces fast logs to block averages.
//!
//! Loads, regulator, engine and battery change within tenths of a second. Above some fifty samples
//! per second a log contains only ripple and noise, and averages show the level more precisely. The
//! original log is kept beside the averages ([`RawLog`]) for noise, resolution, the lowest cranking
//! voltage, lost contacts and the extremes in plots.

use std::collections::BTreeMap;
use std::sync::Arc;

use polars::prelude::{Column, DataFrame, PolarsResult};

use crate::log::{Log, RawLog};
use crate::parallel::{LEAST_VALUES, shared};
use crate::stats::robust::median;

/// Faster logs are averaged
const FASTEST_HZ: f64 = 50.0;
/// over about this time: twenty averages per second resolve a clutch relay and the dip that it
/// causes.
const PACE_S: f64 = 0.05;
/// Shorter logs are not averaged.
const SHORTEST_S: f64 = 10.0;

/// Block averages of `log`, or `log` itself if its sampling is not faster.
pub fn block_average(log: &Log) -> Log {
    // All columns have the same length and different names, so this cannot fail.
    means_of(log).unwrap_or_else(|_| log.clone())
}

fn means_of(log: &Log) -> PolarsResult<Log> {
    let interval_s = log.source.sample_interval_s;
    let fast = interval_s > 0.0 && interval_s < (1.0 - 1e-6) / FASTEST_HZ;
    if !fast || log.source.duration_s < SHORTEST_S || log.raw().is_some() {
        return Ok(log.clone());
    }
    // Rounding of the time stamps must not cost a whole sample.
    let each = (PACE_S / interval_s * (1.0 + 1e-3)).floor().max(1.0);
    let pace_s = each * interval_s;
    let bins = Bins::of(log.time_s(), pace_s, interval_s / 2.0);
    let channels: Vec<(&str, &[f64])> = log.channels().collect();
    let of = |(name, values): &(&str, &[f64])| match *name {
        "time_s" => (bins.firsts(values), None),
        _ if name.starts_with("load:") => (bins.medians(values), None),
        _ => {
            let (means, squares) = bins.means(values);
            (means, Some(squares))
        }
    };
    let mut within = BTreeMap::new();
    let mut columns = Vec::new();
    for ((name, _), (means, squares)) in channels.iter().zip(channels.iter().map(of)) {
        within.extend(squares.map(|squares| ((*name).to_owned(), squares)));
        columns.push(Column::new((*name).into(), means));
    }
    let frame = DataFrame::new_infer_height(columns)?;
    let raw =
        RawLog { log: Arc::new(log.clone()), each: each as usize, interval_s: pace_s, within };
    let mut averaged = log.averaged(frame, raw)?;
    averaged.source.notices.push(format!(
        "{:.0} samples per second are more than the analysis needs. It uses means of {each:.0} \
         samples, {:.0} per second. Noise, resolution, the lowest cranking voltage, lost contacts \
         and plots are those of the samples themselves",
        1.0 / interval_s,
        1.0 / pace_s
    ));
    Ok(averaged)
}

/// Index of the first sample of each block, and the end.
struct Bins(Vec<usize>);

impl Bins {
    /// Blocks of equal time, starting `lead_s` before the first sample, so that their ends are
    /// between samples. Blocks without samples are left out.
    fn of(time_s: &[f64], pace_s: f64, lead_s: f64) -> Bins {
        let mut starts = Vec::new();
        let mut next_s = f64::NEG_INFINITY;
        for (k, &t) in time_s.iter().enumerate() {
            if t + lead_s >= next_s {
                starts.push(k);
                next_s = (((t + lead_s) / pace_s).floor() + 1.0) * pace_s;
            }
        }
        starts.push(time_s.len());
        Bins(starts)
    }

    /// Applies `of` to the values of each block, on all cores.
    fn of_each<T: Send>(&self, values: &[f64], of: impl Fn(&[f64]) -> T + Sync) -> Vec<T> {
        let bins: Vec<(usize, usize)> =
            self.0.iter().copied().zip(self.0.iter().skip(1).copied()).collect();
        let own = |&(start, end): &(usize, usize)| of(values.get(start..end).unwrap_or(&[]));
        let least = bins.len().div_ceil((values.len() / LEAST_VALUES).max(1));
        let parts = shared(&bins, least, |part| part.iter().map(own).collect::<Vec<T>>());
        parts.into_iter().flatten().collect()
    }

    fn firsts(&self, values: &[f64]) -> Vec<f64> {
        self.of_each(values, |own| own.first().copied().unwrap_or(f64::NAN))
    }

    /// A load that is switched within a block is either on or off.
    fn medians(&self, values: &[f64]) -> Vec<f64> {
        let median_of = |own: &[f64]| match own.split_first() {
            Some((first, others)) if others.iter().all(|v| v == first) => *first,
            _ => median(own),
        };
        self.of_each(values, median_of)
    }

    /// Means, and mean square deviations.
    fn means(&self, values: &[f64]) -> (Vec<f64>, Vec<f64>) {
        self.of_each(values, mean_and_square).into_iter().unzip()
    }
}

/// Of the finite values; NaN if there are none.
fn mean_and_square(own: &[f64]) -> (f64, f64) {
    let of_known = |known: &[f64]| {
        let count = known.len() as f64;
        let mean = sum_of(known, |v| v) / count;
        (mean, sum_of(known, |v| (v - mean) * (v - mean)) / count)
    };
    if own.iter().fold(true, |all, v| all & v.is_finite()) {
        return of_known(own);
    }
    of_known(&own.iter().copied().filter(|v| v.is_finite()).collect::<Vec<f64>>())
}

/// Several sums in parallel, for speed.
fn sum_of(values: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    const ABREAST: usize = 8;
    let mut sums = [0.0; ABREAST];
    let (eights, rest) = values.as_chunks::<ABREAST>();
    for eight in eights {
        sums.iter_mut().zip(eight).for_each(|(sum, v)| *sum += of(*v));
    }
    sums.iter_mut().zip(rest).for_each(|(sum, v)| *sum += of(*v));
    sums.iter().sum()
}

#[cfg(test)]
mod tests {
    use std::fmt::Write;
    use std::path::Path;

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;
    use crate::log::{Role, Tap};

    /// `seconds` at that rate: 14 V with noise of 30 mV in steps of 10 mV, a fan that is switched
    /// on after a third, and one sample at 8 V.
    fn log(hz: f64, seconds: f64) -> Log {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut text = "time (s),battery voltage (V),engine rpm,fan\n".to_owned();
        let rows = (hz * seconds) as usize;
        for k in 0..rows {
            let z: f64 = StandardNormal.sample(&mut rng);
            let volts = if k == rows / 2 { 8.0 } else { 14.0 + 0.03 * z };
            let fan = u8::from(3 * k >= rows);
            let t = k as f64 / hz;
            writeln!(text, "{t:.6},{volts:.2},{},{fan}", 850 + k % 3).expect("a text");
        }
        let bytes = text.into_bytes();
        crate::ingest::parse(Path::new("x.csv"), bytes, &Default::default()).expect("a log")
    }

    #[test]
    fn a_log_at_the_pace_of_loggers_stays_as_it_is() {
        for (hz, seconds) in [(10.0, 60.0), (50.0, 60.0), (1000.0, 5.0)] {
            let (log, averaged) = (log(hz, seconds), block_average(&log(hz, seconds)));
            assert!(averaged.raw().is_none(), "{hz}");
            assert_eq!(averaged.source, log.source);
            assert_eq!(averaged.len(), log.len());
        }
    }

    #[test]
    fn a_fast_log_is_means_of_equal_time_beside_what_it_was() {
        for (hz, each) in [(60.0, 3), (100.0, 5), (1000.0, 50), (8000.0, 400)] {
            let whole = log(hz, 30.0);
            let averaged = block_average(&whole);
            assert_eq!(averaged.each(), each, "{hz}");
            assert_eq!(averaged.len(), whole.len() / each, "{hz}");
            assert_eq!(averaged.as_sampled().len(), whole.len());
            assert_eq!(averaged.time_s()[0], 0.0);
            // The stamps have a resolution of a microsecond.
            assert!((averaged.interval_s() - each as f64 / hz).abs() < each as f64 * 0.6e-6);
            let first: f64 = whole.bus_v()[..each].iter().sum::<f64>() / each as f64;
            assert!((averaged.bus_v()[0] - first).abs() < 1e-12);
            // The account of the file is kept, with a notice.
            assert_eq!(averaged.source.rows_read, whole.len());
            assert_eq!(averaged.source.sample_interval_s, whole.source.sample_interval_s);
            assert_eq!(averaged.source.resolution_v, Some(0.01));
            let told = averaged.source.notices.last().expect("a notice");
            assert!(told.contains(&format!("means of {each} samples")), "{told}");
            assert_eq!(block_average(&averaged).len(), averaged.len());
        }
    }

    #[test]
    fn a_load_is_switched_between_two_samples() {
        let averaged = block_average(&log(700.0, 31.0));
        let fan = averaged.load("fan").expect("a fan");
        assert!(fan.iter().all(|duty| *duty == 0.0 || *duty == 1.0));
        assert_eq!(fan.windows(2).filter(|w| w.first() != w.last()).count(), 1);
    }

    /// Noise of 30 mV rounded to 10 mV is √(30² + 10²/12) mV. The means of 50 scatter by that
    /// over √50. Both together are the whole variance.
    #[test]
    fn what_the_samples_scatter_is_kept() {
        let averaged = block_average(&log(1000.0, 60.0));
        let key = Role::Voltage(Tap::Battery).key();
        let within = &averaged.raw().expect("means").within[&key];
        let known = 0.03_f64.powi(2) + 0.01_f64.powi(2) / 12.0;
        assert!((median(within) / (known * 49.0 / 50.0) - 1.0).abs() < 0.03);
        let noise_model = crate::segment::segment(&averaged).noise_model;
        let reading = noise_model.reading.expect("readings");
        assert!((reading.sigma_v / known.sqrt() - 1.0).abs() < 0.05, "{noise_model:?}");
        assert!((reading.unrounded_sigma_v / 0.03 - 1.0).abs() < 0.05, "{noise_model:?}");
        assert!(reading.correlation_samples < 2.0, "{noise_model:?}");
        assert!(
            (noise_model.sigma_v / (known / 50.0).sqrt() - 1.0).abs() < 0.15,
            "{noise_model:?}"
        );
    }

    #[test]
    fn a_logger_that_changes_its_pace_keeps_its_clock() {
        let bins = Bins::of(&[0.0, 0.01, 0.02, 0.04, 0.05, 0.7, 0.96, 1.0, 1.01], 0.05, 0.005);
        assert_eq!(bins.0, [0, 4, 5, 6, 7, 9]);
        assert_eq!(Bins::of(&[], 0.05, 0.0).0, [0]);
    }
}
