//! Operating points: the steady stretches with the same loads, engine-speed
//! band and heat, taken together.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::levels;
use crate::log::{Log, Role, Span};
use crate::segment::kinds::Heat;
use crate::segment::{Stretch, indices, mean};
use crate::stats::moments::Sum;

/// Edges of the engine-speed bands, rpm. The lowest is idle; every log is cut
/// at the same speeds so that two logs can be compared.
pub const BAND_EDGES_RPM: [f64; 7] = [0.0, 1100.0, 1700.0, 2300.0, 3000.0, 4000.0, 5500.0];
/// No point mixes speeds further apart than this.
const ONE_SPEED: f64 = 1.15;
/// A shorter point is not judged.
pub const SHORTEST_POINT_S: f64 = 2.0;

#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    pub loads: Vec<String>,
    /// Low and high edge of the band; `None` where engine speed is not logged.
    pub band_rpm: Option<(f64, f64)>,
    pub rpm: Option<f64>,
    pub heat: Heat,
    pub seconds: f64,
    pub spans: Vec<Span>,
    /// Indices into the log's stretches.
    pub stretches: Vec<usize>,
    pub samples: usize,
    pub mean_v: f64,
    /// Means of other channels over the same samples, by frame key.
    pub means: BTreeMap<String, f64>,
}

impl Point {
    pub fn is_idle(&self) -> bool {
        self.band_rpm.is_none_or(|(low, _)| low == BAND_EDGES_RPM[0])
    }

    pub fn mean_of(&self, role: Role) -> Option<f64> {
        self.means.get(&role.key()).copied().filter(|m| m.is_finite())
    }
}

/// The band that holds `rpm`.
pub fn band(rpm: f64) -> (f64, f64) {
    let k = BAND_EDGES_RPM.partition_point(|&edge| edge <= rpm).saturating_sub(1);
    (BAND_EDGES_RPM[k], BAND_EDGES_RPM.get(k + 1).copied().unwrap_or(f64::INFINITY))
}

/// Points in the order idle to fast, few loads to many.
pub fn points(log: &Log, stretches: &[Stretch]) -> Vec<Point> {
    let mut groups: BTreeMap<(u32, usize, Vec<String>, Heat), Vec<usize>> = BTreeMap::new();
    for (k, stretch) in stretches.iter().enumerate() {
        let low_rpm = stretch.rpm.map_or(0, |rpm| band(rpm).0 as u32);
        let key = (low_rpm, stretch.loads.len(), stretch.loads.clone(), stretch.heat);
        groups.entry(key).or_default().push(k);
    }
    let level_v: Vec<f64> = stretches
        .iter()
        .map(|s| mean(log.bus_v().get(indices(log.time_s(), s.settled)).unwrap_or_default()))
        .collect();
    let rpm = |k: usize| stretches.get(k).and_then(|s| s.rpm).unwrap_or(0.0);
    let level = |k: usize| level_v.get(k).copied().unwrap_or(f64::NAN);
    // A mean of 14.2 V early and 13.0 V late is neither.
    let apart_v = log.nominal().volts(levels::APART);
    let of_one_speed = |group| parted(group, rpm, |first, _, here| here <= ONE_SPEED * first);
    let of_one_level = |group| parted(group, level, |_, last, here| here - last <= apart_v);
    groups
        .into_values()
        .flat_map(of_one_speed)
        .flat_map(of_one_level)
        .filter_map(|members| {
            let first = &stretches[*members.first()?];
            let spans: Vec<Span> = members.iter().map(|&k| stretches[k].settled).collect();
            let (samples, means) = averages(log, stretches, &members);
            let point = Point {
                loads: first.loads.clone(),
                band_rpm: first.rpm.map(band),
                rpm: means.get(&Role::EngineRpm.key()).copied().filter(|m| m.is_finite()),
                heat: first.heat,
                seconds: spans.iter().map(Span::seconds).sum(),
                spans,
                stretches: members,
                samples,
                mean_v: *means.get(&Role::Voltage(log.bus).key())?,
                means,
            };
            (point.seconds >= SHORTEST_POINT_S).then_some(point)
        })
        .collect()
}

/// `group` sorted by `value` and cut where one does not join those before it, by the first and
/// the last of them; each part in the order of the log.
fn parted(
    mut group: Vec<usize>,
    value: impl Fn(usize) -> f64,
    joins: impl Fn(f64, f64, f64) -> bool,
) -> Vec<Vec<usize>> {
    group.sort_by(|a, b| value(*a).total_cmp(&value(*b)));
    let mut parts: Vec<Vec<usize>> = Vec::new();
    for k in group {
        let joined = parts.last_mut().filter(|part| {
            let ends = part.first().zip(part.last());
            ends.is_some_and(|(first, last)| joins(value(*first), value(*last), value(k)))
        });
        match joined {
            Some(part) => part.push(k),
            None => parts.push(vec![k]),
        }
    }
    parts.iter_mut().for_each(|part| part.sort_unstable());
    parts
}

/// Sample count and the mean of the finite values of every channel over the
/// settled part of these stretches. Summed in the order of the log: the same log
/// gives the same bits, however many cores there are.
fn averages(log: &Log, stretches: &[Stretch], members: &[usize]) -> (usize, BTreeMap<String, f64>) {
    let ranges: Vec<Range<usize>> = members
        .iter()
        .filter_map(|&k| Some(indices(log.time_s(), stretches.get(k)?.settled)))
        .collect();
    let samples = ranges.iter().map(Range::len).sum();
    let means = log.channels().filter_map(|(name, values)| {
        let mut sum = Sum::default();
        let mut count = 0usize;
        for range in &ranges {
            for &value in values.get(range.clone()).unwrap_or(&[]) {
                if value.is_finite() {
                    sum.add(value);
                    count += 1;
                }
            }
        }
        (count > 0).then(|| (name.to_owned(), sum.value() / count as f64))
    });
    (samples, means.collect())
}
