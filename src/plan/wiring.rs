//! Cable and fuse: thin enough to fit, thick enough to lose little and stay cool.

use crate::car::cable::{CableRun, Gauge};
use crate::estimate::Estimate;
use crate::format::{AMP, VOLT};
use crate::levels;
use crate::nominal::Nominal;
use crate::physics::cable::{ampacity_a, drop_v};
use crate::physics::fuse::{STEADY_SHARE, fuse_a};
use crate::plan::Asked;
use crate::plan::contract::{CableRow, Wiring};
use crate::units::Units;

/// As they are sold, thin to thick.
const GAUGES: [Gauge; 16] = [
    Gauge::Awg(8),
    Gauge::Mm2(10.0),
    Gauge::Awg(6),
    Gauge::Mm2(16.0),
    Gauge::Awg(4),
    Gauge::Mm2(25.0),
    Gauge::Awg(2),
    Gauge::Mm2(35.0),
    Gauge::Awg(1),
    Gauge::Mm2(50.0),
    Gauge::Awg(0),
    Gauge::Awg(-1),
    Gauge::Mm2(70.0),
    Gauge::Awg(-2),
    Gauge::Mm2(95.0),
    Gauge::Awg(-3),
];
/// Copper that carries its current under a hood (common practice, no source).
const WORKING_C: f64 = 80.0;
/// Stranded cable runs a few per cent over the solid wire of its gauge (common
/// practice, no source).
const STRANDED: f64 = 1.03;

/// For an alternator that makes `most_a` into a flat battery, on a car where `flows_a`
/// is the most that an operating point takes; the cable is chosen for the upper end of
/// both. `None` where no length is stated.
pub fn wiring(
    machine: &str,
    flows_a: &Estimate,
    most_a: &Estimate,
    asked: &Asked,
    nominal: Nominal,
) -> Option<Wiring> {
    let feed_m = asked.cable.as_ref()?.length_m;
    let ground_m = asked.ground.as_ref().map_or(feed_m, |run| run.length_m);
    let [cable_v, ground_v] = levels::CABLE_DROP.map(|level| nominal.volts(level));
    let (stated_v, stated_ground_v) = asked.drop_v;
    let drop_limit_v = stated_v.unwrap_or(cable_v);
    let ground_limit_v = stated_ground_v.unwrap_or(ground_v);
    let mut gauges = GAUGES.to_vec();
    for run in [&asked.cable, &asked.ground].into_iter().flatten() {
        if !gauges.contains(&run.gauge) {
            gauges.push(run.gauge);
        }
    }
    gauges.sort_by(|a, b| a.area_mm2().total_cmp(&b.area_mm2()));
    let carries_a = carries_a(flows_a);
    let rows: Vec<CableRow> = gauges
        .into_iter()
        .map(|gauge| {
            let area_mm2 = gauge.area_mm2();
            let lost = |length_m| STRANDED * drop_v(area_mm2, length_m, carries_a, WORKING_C);
            let (feed_drop_v, ground_drop_v) = (lost(feed_m), lost(ground_m));
            let bears = ampacity_a(area_mm2, asked.air_c, asked.insulation_c);
            let cool = bears >= most_a.high;
            let fused = fuse_a(most_a.high, bears).is_some();
            let why = match (cool, fused, feed_drop_v <= drop_limit_v) {
                (false, _, _) => format!("too hot: rated for {}", AMP.of(bears)),
                (_, false, _) => {
                    "no fuse size lies between the alternator's output and the cable's ampacity"
                        .to_owned()
                }
                (_, _, false) => format!("drops {}", VOLT.of(feed_drop_v)),
                _ => String::new(),
            };
            CableRow {
                gauge: gauge.to_string(),
                area_mm2,
                feed_drop_v,
                ground_drop_v,
                bears_a: bears,
                feed_serves: cool && fused && feed_drop_v <= drop_limit_v,
                ground_serves: cool && ground_drop_v <= ground_limit_v,
                why,
            }
        })
        .collect();
    let stated = |run: &Option<CableRun>| {
        let gauge = run.as_ref()?.gauge.to_string();
        rows.iter().position(|row| row.gauge == gauge)
    };
    let (stated_feed, stated_ground) = (stated(&asked.cable), stated(&asked.ground));
    let feed = rows.iter().position(|row| row.feed_serves);
    let ground = rows.iter().position(|row| row.ground_serves);
    let fuse = feed.and_then(|k| fuse_a(most_a.high, rows.get(k)?.bears_a));
    let mut wiring = Wiring {
        machine: machine.to_owned(),
        flows_a: flows_a.clone(),
        most_a: most_a.clone(),
        feed_m,
        ground_m,
        air_c: asked.air_c,
        insulation_c: asked.insulation_c,
        drop_limit_v,
        ground_limit_v,
        rows,
        feed,
        ground,
        stated_feed,
        stated_ground,
        fuse_a: fuse,
        told: String::new(),
    };
    wiring.told = wiring.sentence(Units::Metric);
    Some(wiring)
}

/// What the cable is chosen for.
fn carries_a(flows_a: &Estimate) -> f64 {
    flows_a.high.max(0.0)
}

impl Wiring {
    /// Which cable and fuse, or that none will do.
    pub fn sentence(&self, units: Units) -> String {
        let named = |at: Option<usize>| Some(self.rows.get(at?)?.gauge_in(units));
        let (feed_length, ground_length) = (units.length(self.feed_m), units.length(self.ground_m));
        let most_a = AMP.with_range(&self.most_a);
        let limits = format!(
            "{} out and {} back at {}",
            VOLT.of(self.drop_limit_v),
            VOLT.of(self.ground_limit_v),
            AMP.of(carries_a(&self.flows_a))
        );
        match (named(self.feed), named(self.ground), self.fuse_a) {
            (Some(feed), Some(ground), Some(fuse_a)) => format!(
                "{feed} over {feed_length} to the battery and {ground} over {ground_length} back \
                 keep within {limits}, and carry the {most_a} that the alternator supplies to a flat \
                 battery; fuse {} at the battery's end, which carries that at {:.0} % of its \
                 rating. The manufacturers' data and local codes decide.",
                AMP.of(fuse_a),
                100.0 * STEADY_SHARE
            ),
            _ => format!(
                "No single cable up to 4/0 AWG over {feed_length} and {ground_length} back keeps \
                 within {limits} and carries {most_a}: shorten the run, move the battery's feed, or \
                 lay two cables, each with its own fuse."
            ),
        }
    }
}

impl CableRow {
    /// `None` for a gauge that this version does not know.
    pub fn size(&self) -> Option<Gauge> {
        self.gauge.parse().ok()
    }

    pub fn gauge_in(&self, units: Units) -> String {
        self.size().map_or_else(|| self.gauge.clone(), |gauge| units.gauge(gauge))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Grade;

    fn asked(cable: &str, ground: &str) -> Asked {
        let run = |text: &str| text.parse::<CableRun>().ok();
        Asked { cable: run(cable), ground: run(ground), ..Asked::default() }
    }

    #[test]
    fn a_long_thin_feed_serves_nothing_and_says_why() {
        let flows = Estimate::around(120.0, 10.0, Grade::Assumed, "by hand");
        let most = Estimate::around(160.0, 8.0, Grade::Assumed, "by hand");
        let wiring = wiring("160 A", &flows, &most, &asked("20AWG:20m", "4AWG:0.6m"), Nominal::V12);
        let wiring = wiring.expect("a length is stated");
        let thin = &wiring.rows[0];
        assert_eq!(thin.gauge, "20 AWG");
        assert!(!thin.feed_serves && thin.why.contains("too hot"), "{}", thin.why);
        assert_eq!(wiring.feed, None);
        assert!(wiring.told.contains("shorten"), "{}", wiring.told);
    }

    #[test]
    fn no_length_no_cable() {
        let flows = Estimate::around(120.0, 10.0, Grade::Assumed, "by hand");
        let most = Estimate::around(160.0, 8.0, Grade::Assumed, "by hand");
        assert_eq!(wiring("160 A", &flows, &most, &Asked::default(), Nominal::V12), None);
    }
}
