//! Operating points: the steady stretches with the same loads, engine-speed
//! band and heat, taken together.

use std::collections::BTreeMap;

use polars::prelude::*;

use crate::diagnosis::Heat;
use crate::log::{Log, Role, Span};
use crate::segment::{Stretch, indices};

/// Edges of the engine-speed bands, rpm. The lowest is idle; every log is cut
/// at the same speeds so that two logs can be held against each other.
pub const BAND_EDGES_RPM: [f64; 7] = [0.0, 1100.0, 1700.0, 2300.0, 3000.0, 4000.0, 5500.0];
/// A point seen for less than this is too short to judge.
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
    let members: Vec<Vec<usize>> = groups.into_values().collect();
    let averages = averages(log, stretches, &members).unwrap_or_default();
    members
        .into_iter()
        .enumerate()
        .filter_map(|(id, members)| {
            let first = &stretches[*members.first()?];
            let spans: Vec<Span> = members.iter().map(|&k| stretches[k].settled).collect();
            let (samples, means) = averages.get(&(id as u32))?;
            let point = Point {
                loads: first.loads.clone(),
                band_rpm: first.rpm.map(band),
                rpm: means.get(&Role::EngineRpm.key()).copied().filter(|m| m.is_finite()),
                heat: first.heat,
                seconds: spans.iter().map(Span::seconds).sum(),
                spans,
                stretches: members,
                samples: *samples,
                mean_v: *means.get(&Role::Voltage(log.bus).key())?,
                means: means.clone(),
            };
            (point.seconds >= SHORTEST_POINT_S).then_some(point)
        })
        .collect()
}

type Averages = BTreeMap<u32, (usize, BTreeMap<String, f64>)>;

/// Sample count and the mean of every numeric channel, for each group.
fn averages(log: &Log, stretches: &[Stretch], members: &[Vec<usize>]) -> PolarsResult<Averages> {
    let mut group: Vec<Option<u32>> = vec![None; log.len()];
    for (id, members) in members.iter().enumerate() {
        for &k in members {
            group[indices(log.time_s(), stretches[k].settled)].fill(Some(id as u32));
        }
    }
    let mut frame = log.frame().clone();
    frame.with_column(Column::new("point".into(), group))?;
    let channels: Vec<String> =
        log.frame().get_column_names().iter().map(|name| name.to_string()).collect();
    let finite = |name: &String| {
        let value = col(name.as_str());
        when(value.clone().is_finite()).then(value).otherwise(lit(NULL)).mean().alias(name.as_str())
    };
    let grouped = frame
        .lazy()
        .filter(col("point").is_not_null())
        .group_by_stable([col("point")])
        .agg(channels.iter().map(finite).chain([len().alias("samples")]).collect::<Vec<_>>())
        .collect()?;
    let ids = grouped.column("point")?.u32()?;
    let counts = grouped.column("samples")?.cast(&DataType::UInt64)?;
    let counts = counts.u64()?;
    let mut averages = Averages::new();
    for row in 0..grouped.height() {
        let Some(id) = ids.get(row) else { continue };
        let mut means = BTreeMap::new();
        for name in &channels {
            if let Some(value) = grouped.column(name)?.f64()?.get(row) {
                means.insert(name.clone(), value);
            }
        }
        averages.insert(id, (counts.get(row).unwrap_or(0) as usize, means));
    }
    Ok(averages)
}
