//! Volts lost between two taps at each operating point.

use crate::analysis::level::half_width_v;
use crate::diagnosis::LineDrop;
use crate::estimate::{Estimate, Grade};
use crate::log::{Log, Role, Tap};
use crate::segment::Segments;

/// Drops in the direction the current flows: alternator → battery → module.
pub fn line_drops(log: &Log, segments: &Segments) -> Vec<LineDrop> {
    let order = [Tap::Alternator, Tap::Battery, Tap::Module];
    let logged: Vec<Tap> =
        order.into_iter().filter(|tap| log.channel(Role::Voltage(*tap)).is_some()).collect();
    let mut drops = Vec::new();
    for pair in logged.windows(2) {
        for point in &segments.points {
            let volts = |tap: Tap| point.mean_of(Role::Voltage(tap));
            let (Some(from_v), Some(to_v)) = (volts(pair[0]), volts(pair[1])) else { continue };
            let half = half_width_v(point.samples, &segments.grain) * std::f64::consts::SQRT_2;
            drops.push(LineDrop {
                from: pair[0].word().to_owned(),
                to: pair[1].word().to_owned(),
                loads: point.loads.clone(),
                rpm_low: point.band_rpm.map(|b| b.0),
                rpm_high: point.band_rpm.map(|b| b.1).filter(|high| high.is_finite()),
                drop_v: Estimate::around(
                    from_v - to_v,
                    half,
                    Grade::Measured,
                    "difference of the two taps' means",
                ),
                resistance_ohm: None,
            });
        }
    }
    drops
}
