//! The log as a sequence to replay with other alternators: speed, loads, heat and
//! setpoint, moment by moment.

use crate::analysis::Analysis;
use crate::diagnosis::PhaseKind;
use crate::log::{Log, Place, Role, Span, Tap};
use crate::plan::load_budget::{Column, Item};
use crate::segment::{Segments, indices, mean};

/// As in the battery ensemble: the battery's fast polarization takes seconds.
const MOMENT_S: f64 = 0.5;
const MOST_MOMENTS: usize = 6_000;

#[derive(Debug, Clone)]
pub struct ReplayStep {
    pub start_s: f64,
    pub seconds: f64,
    pub running: bool,
    /// As logged, at the battery if it has a tap.
    pub volts: f64,
    pub engine_rpm: f64,
    /// The estimate's middle; each car carries its own distance from it.
    pub setpoint_v: f64,
    /// 0 cold, 1 hot all over; `None` where no temperature is logged.
    pub warmth: Option<f64>,
    /// Duty of each item of the ledger, 0 to 1.
    pub duty: Vec<f64>,
}

#[derive(Debug, Clone)]
pub struct Scene {
    pub moments: Vec<ReplayStep>,
    /// The temperature logged is the alternator's own, and not that of the engine round it.
    pub machine_seen: bool,
}

/// Warmth from the log's temperatures: an alternator's own from 25 to 110 °C;
/// a coolant that has reached its thermostat, or air under the hood at 70 °C, go
/// with a car that is hot all over (common practice, no source).
fn warmth(place: Place, c: f64) -> f64 {
    let (cold_c, soaked_c) = match place {
        Place::Alternator => (25.0, 110.0),
        Place::Coolant => (25.0, 90.0),
        Place::Intake | Place::Ambient | Place::Battery => (20.0, 70.0),
    };
    ((c - cold_c) / (soaked_c - cold_c)).clamp(0.0, 1.0)
}

impl Scene {
    pub fn of(log: &Log, segments: &Segments, analysis: &Analysis, ledger: &[Item]) -> Scene {
        let time_s = log.time_s();
        let Some((&first_s, &last_s)) = time_s.first().zip(time_s.last()) else {
            return Scene { moments: Vec::new(), machine_seen: false };
        };
        let volts = log.channel(Role::Voltage(Tap::Battery)).unwrap_or(log.bus_v());
        let rpm = log.engine_rpm().unwrap_or(&[]);
        let heat = [Place::Alternator, Place::Coolant, Place::Intake]
            .into_iter()
            .find_map(|place| Some((place, log.channel(Role::Temperature(place))?)));
        let each_s = MOMENT_S.max((last_s - first_s) / MOST_MOMENTS as f64);
        let mut moments: Vec<ReplayStep> = Vec::new();
        let mut start_s = first_s;
        let mut stretch = 0;
        while start_s < last_s {
            let middle_s = start_s + each_s / 2.0;
            let range = indices(time_s, Span { start_s, end_s: start_s + each_s - 1e-9 });
            let seen = |x: &[f64]| x.get(range.clone()).map_or(f64::NAN, mean);
            // A gap holds what was last.
            let or_last = |value: f64, last: &dyn Fn(&ReplayStep) -> f64| match value.is_finite() {
                true => Some(value),
                false => moments.last().map(last),
            };
            let held_v = or_last(seen(volts), &|m| m.volts);
            let held_rpm = or_last(seen(rpm), &|m| m.engine_rpm);
            let stretches = &segments.stretches;
            while stretches.get(stretch + 1).is_some_and(|next| next.span.start_s <= middle_s) {
                stretch += 1;
            }
            let labels = stretches.get(stretch).map_or(&[][..], |s| s.loads.as_slice());
            let running = segments
                .phases
                .iter()
                .find(|p| p.start_s <= middle_s && middle_s <= p.end_s)
                .is_some_and(|p| p.kind == PhaseKind::Running);
            if let (Some(volts), Some(engine_rpm)) = (held_v, held_rpm) {
                let duty = ledger
                    .iter()
                    .enumerate()
                    .map(|(k, item)| {
                        let labelled = labels.contains(&item.name);
                        match item.column {
                            Column::Always => f64::from(u8::from(running)),
                            Column::Label => f64::from(u8::from(labelled)),
                            Column::Channel => {
                                let now = log.load(&item.name).map_or(f64::NAN, seen);
                                let last = |m: &ReplayStep| m.duty.get(k).copied().unwrap_or(0.0);
                                or_last(now, &last).unwrap_or(0.0)
                            }
                        }
                    })
                    .collect();
                moments.push(ReplayStep {
                    start_s,
                    seconds: each_s,
                    running,
                    volts,
                    engine_rpm,
                    setpoint_v: analysis.setpoint.as_ref().map_or(f64::NAN, |s| s.at(middle_s)),
                    warmth: heat.and_then(|(place, c)| {
                        let c = seen(c);
                        c.is_finite().then(|| warmth(place, c))
                    }),
                    duty,
                });
            }
            start_s += each_s;
        }
        let machine_seen = heat.is_some_and(|(place, _)| place == Place::Alternator);
        Scene { moments, machine_seen }
    }

    /// Moments whose middle lies in `span`.
    pub fn within(&self, span: Span) -> std::ops::Range<usize> {
        let middle = |m: &ReplayStep| m.start_s + m.seconds / 2.0;
        let from = self.moments.partition_point(|m| middle(m) < span.start_s);
        let to = self.moments.partition_point(|m| middle(m) <= span.end_s);
        from..to.max(from)
    }
}
