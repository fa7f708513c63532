//! Every channel of the log for zooming in: each sample where they are few enough, else the lowest
//! and the highest of buckets with their times.

use super::differences::encode;
use crate::diagnosis::{Channel, Samples};
use crate::log::{Log, Place, Role, Span, Tap};
use crate::parallel::shared;
use crate::stats::rounding::nearest;

/// Values that are kept one by one: at two to three letters each some half a
/// megabyte.
const MOST_VALUES: usize = 200_000;
/// Buckets of all channels together, beyond that; one takes about nine letters.
const MOST_BUCKETS: usize = 60_000;
/// With more gaps than this, a bucket may lie across one.
const MOST_GAPS: usize = 1000;

/// Values compared together.
const BLOCK: usize = 512;

/// Times have at most this many decimals, a microsecond.
const MOST_TIME_DECIMALS: u32 = 6;
/// Far beyond any logger, and far from where steps could not be counted.
const MOST_STEPS: f64 = 1e12;

pub fn samples(log: &Log) -> Samples {
    let time_s = log.time_s();
    let series = series(log);
    let values = time_s.len().saturating_mul(series.len());
    let each = if values <= MOST_VALUES { 1 } else { values.div_ceil(MOST_BUCKETS).max(2) };
    let starts = starts(time_s, each, &log.source.gaps);
    let clock = Steps::that_tell(time_s, MOST_TIME_DECIMALS);
    let first = |start: &usize| time_s.get(*start).copied().unwrap_or(f64::NAN);
    let told = |series: &Series| series.told(time_s, &starts, each, clock);
    let channels = shared(&series, 1, |part| part.iter().map(told).collect::<Vec<_>>());
    Samples {
        bucket_samples: each,
        ticks_per_s: clock.per_unit,
        time: encode(starts.iter().map(|start| clock.of(first(start)))),
        channels: channels.concat(),
    }
}

/// First sample of each bucket.
fn starts(time_s: &[f64], each: usize, gaps: &[Span]) -> Vec<usize> {
    let gaps = if gaps.len() > MOST_GAPS { &[] } else { gaps };
    let mut gaps = gaps.iter().peekable();
    let mut starts = Vec::with_capacity(time_s.len() / each + 1);
    for (k, t) in time_s.iter().enumerate() {
        let after_a_gap = gaps.next_if(|gap| gap.end_s <= t + 1e-9).is_some();
        if after_a_gap || starts.last().is_none_or(|start| k - start >= each) {
            starts.push(k);
        }
    }
    starts
}

/// Whole steps of a tenth, a hundredth, … that values are counted in.
#[derive(Debug, Clone, Copy)]
struct Steps {
    per_unit: u32,
}

impl Steps {
    /// The coarsest that tell every value to a thousandth of a step, or else the finest.
    fn that_tell(values: &[f64], most_decimals: u32) -> Steps {
        // A block at a time, which goes by several values at once; of what is no number
        // the comparison is false.
        let is_off = |step: f64| (step - nearest(step)).abs() >= 1e-3;
        let fits = |per_unit: u32| {
            let scale = f64::from(per_unit);
            let block = |block: &[f64]| block.iter().fold(false, |off, v| off | is_off(v * scale));
            !values.chunks(BLOCK).any(block)
        };
        let per_unit = (0..most_decimals).map(|d| 10_u32.pow(d)).find(|&n| fits(n));
        Steps { per_unit: per_unit.unwrap_or_else(|| 10_u32.pow(most_decimals)) }
    }

    fn of(self, value: f64) -> Option<i64> {
        let steps = value * f64::from(self.per_unit);
        (steps.abs() < MOST_STEPS).then(|| steps.round() as i64)
    }
}

struct Series<'a> {
    name: String,
    role: Role,
    tap: Option<&'static str>,
    values: &'a [f64],
}

impl Series<'_> {
    fn told(&self, time_s: &[f64], starts: &[usize], each: usize, clock: Steps) -> Channel {
        let steps = Steps::that_tell(self.values, most_decimals(self.role));
        let mut channel = Channel {
            name: self.name.clone(),
            role: self.role.word().to_owned(),
            tap: self.tap.map(str::to_owned),
            unit: unit(self.role).to_owned(),
            steps_per_unit: steps.per_unit,
            low: String::new(),
            high: None,
            low_after: None,
            high_after: None,
        };
        if each == 1 {
            channel.low = encode(self.values.iter().map(|&v| steps.of(v)));
            return channel;
        }
        let ends = starts.iter().skip(1).copied().chain([time_s.len()]);
        let buckets: Vec<Bucket> = starts
            .iter()
            .zip(ends)
            .map(|(&start, end)| Bucket::of(start, time_s, self.values, end))
            .collect();
        channel.low = encode(buckets.iter().map(|b| steps.of(b.low)));
        channel.high = Some(encode(buckets.iter().map(|b| steps.of(b.high))));
        channel.low_after = Some(encode(buckets.iter().map(|b| clock.of(b.low_after_s))));
        channel.high_after = Some(encode(buckets.iter().map(|b| clock.of(b.high_after_s))));
        channel
    }
}

struct Bucket {
    low: f64,
    high: f64,
    low_after_s: f64,
    high_after_s: f64,
}

impl Bucket {
    fn of(start: usize, time_s: &[f64], values: &[f64], end: usize) -> Bucket {
        let none = f64::NAN;
        let mut bucket = Bucket { low: none, high: none, low_after_s: none, high_after_s: none };
        let begins_s = time_s.get(start).copied().unwrap_or(none);
        let times = time_s.get(start..end).unwrap_or(&[]);
        for (&t, &value) in times.iter().zip(values.get(start..end).unwrap_or(&[])) {
            if !value.is_finite() {
                continue;
            }
            if bucket.low.is_nan() || value < bucket.low {
                (bucket.low, bucket.low_after_s) = (value, t - begins_s);
            }
            if bucket.high.is_nan() || value > bucket.high {
                (bucket.high, bucket.high_after_s) = (value, t - begins_s);
            }
        }
        bucket
    }
}

/// The bus first, then what explains it, then the loads.
fn series(log: &Log) -> Vec<Series<'_>> {
    let taps = [log.bus].into_iter().chain(Tap::ALL.into_iter().filter(|tap| *tap != log.bus));
    let roles = taps.map(|tap| (Role::Voltage(tap), Some(tap.word())));
    let others = [
        Role::GroundDrop,
        Role::AlternatorCurrent,
        Role::BatteryCurrent,
        Role::EngineRpm,
        Role::AlternatorRpm,
    ];
    let places = Place::ALL.into_iter().map(|p| (Role::Temperature(p), Some(p.word())));
    let roles = roles.chain(others.map(|role| (role, None))).chain(places);
    let named = roles.filter_map(|(role, tap)| {
        let values = log.channel(role)?;
        let column = log.columns.iter().find(|c| c.role == role.word() && c.tap.as_deref() == tap);
        let name = column.map_or_else(|| role.word().replace('_', " "), |c| c.name.clone());
        Some(Series { name, role, tap, values })
    });
    let loads = log.load_names().iter().filter_map(|name| {
        let values = log.load(name)?;
        Some(Series { name: name.clone(), role: Role::Load, tap: None, values })
    });
    named.chain(loads).collect()
}

/// Finer than any logger of such a quantity; more decimals come from unit conversion.
fn most_decimals(role: Role) -> u32 {
    match role {
        Role::Voltage(_) | Role::GroundDrop => 4,
        Role::Load | Role::AlternatorCurrent | Role::BatteryCurrent => 3,
        Role::Temperature(_) => 2,
        _ => 1,
    }
}

fn unit(role: Role) -> &'static str {
    match role {
        Role::Voltage(_) | Role::GroundDrop => "V",
        Role::AlternatorCurrent | Role::BatteryCurrent => "A",
        Role::EngineRpm | Role::AlternatorRpm => "rpm",
        Role::Temperature(_) => "°C",
        _ => "",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_as_coarse_as_the_values_allow() {
        assert_eq!(Steps::that_tell(&[12.64, 12.6, f64::NAN], 4).per_unit, 100);
        assert_eq!(Steps::that_tell(&[820.0, 0.0], 1).per_unit, 1);
        assert_eq!(Steps::that_tell(&[1.0 / 3.0], 4).per_unit, 10_000);
        assert_eq!(Steps { per_unit: 100 }.of(12.64), Some(1264));
        assert_eq!(Steps { per_unit: 100 }.of(f64::NAN), None);
        assert_eq!(Steps { per_unit: 100 }.of(f64::INFINITY), None);
    }

    #[test]
    fn a_bucket_keeps_both_ends_and_when_and_none_lies_across_a_gap() {
        let time_s = [0.0, 1.0, 2.0, 3.0, 9.0, 10.0];
        let gap = Span { start_s: 3.0, end_s: 9.0 };
        assert_eq!(starts(&time_s, 3, &[]), [0, 3]);
        assert_eq!(starts(&time_s, 3, &[gap]), [0, 3, 4]);
        let values = [5.0, f64::NAN, 3.0, 4.0, f64::NAN, f64::NAN];
        let bucket = Bucket::of(0, &time_s, &values, 4);
        assert_eq!((bucket.low, bucket.low_after_s), (3.0, 2.0));
        assert_eq!((bucket.high, bucket.high_after_s), (5.0, 0.0));
        assert!(Bucket::of(4, &time_s, &values, 6).low.is_nan());
    }
}
