//! Was the regulator in control, or was the alternator at its limit?
//!
//! A regulator in control holds a level that neither loads nor engine speed move; the
//! level itself may be any, and may be moved by heat or by an engine computer. An
//! alternator at its limit holds none: the bus follows engine speed and falls under
//! every load for as long as it is on. So a level alone is no evidence of a shortage.
//! Five kinds are weighed, each as a likelihood ratio: the slope of voltage on speed
//! while little else changes ([`slope`]), levels before and after a change of load and
//! of speed ([`pairs`]), the drift after such a change ([`settling`]), what regulators
//! and batteries do at such a level at all ([`prior_log_odds`]), and what easier and
//! harder operating points show ([`order`]).

mod order;
mod pairs;
mod settling;
mod slope;

use crate::analysis::amps::output_share;
use crate::analysis::level::bus_level;
use crate::car::Car;
use crate::log::{Log, Span};
use crate::nominal::Nominal;
use crate::segment::{Point, Segments};

use pairs::StretchLevel;
use slope::Slope;

/// Most that one kind of evidence counts, in natural log odds: no model of so many cars is more
/// certain than about fifty to one.
const MOST_LOG_ODDS: f64 = 4.0;
/// Log odds that a 12 V bus at this level is at its limit, before anything else is known:
/// regulators hold 13.6 to 14.7 V, engine computers go down to about 13 V, and at 12.5 V
/// it is nearly always the battery that carries the bus (common practice, no source). The odds
/// were chosen on simulated cars, seeds 72000..72220.
const PRIOR: [(f64, f64); 6] =
    [(12.5, 3.0), (12.8, 2.0), (13.2, -0.6), (13.6, -1.6), (14.0, -2.8), (14.4, -4.0)];
/// The level of a stretch is that of its later part: a regulator with load response
/// takes 2 to 10 s to come back (common practice, no source).
const LATER_SHARE: f64 = 0.5;

/// Kinds of evidence, and what each shows: of an alternator at its limit, of a regulator in
/// control.
const EVIDENCE: [(&str, &str); 5] = [
    ("voltage follows engine speed", "voltage does not follow engine speed"),
    ("more speed lifts the voltage", "the same level at other speeds"),
    ("loads pull the voltage down and it stays down", "the same level with other loads"),
    ("the voltage still drifts after a change", "the voltage holds after a change"),
    (
        "at its limit with fewer loads or more speed too",
        "in control with more loads or less speed too",
    ),
];
/// The last kind is that of other operating points.
const BY_ORDER: usize = 4;

/// Probability that the regulator was in control, and the evidence.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// 0 to 1.
    pub regulated: f64,
    /// Natural log odds of "at its limit" that each kind of [`EVIDENCE`] adds.
    pub by: [f64; 5],
}

impl Weighed {
    /// The same with what other operating points show.
    fn with_order(&self, by_order: f64) -> Weighed {
        let odds = ((1.0 - self.regulated) / self.regulated).ln() + by_order;
        let mut by = self.by;
        by[BY_ORDER] = by_order;
        Weighed { regulated: 1.0 / (1.0 + odds.exp()), by }
    }

    /// Natural log odds of "at its limit" by all evidence but the level itself.
    pub fn log_odds(&self) -> f64 {
        self.by.iter().sum()
    }

    /// The evidence that counts most, in a few words.
    pub fn how(&self) -> &'static str {
        let all = self.by.iter().zip(EVIDENCE);
        match all.max_by(|a, b| a.0.abs().total_cmp(&b.0.abs())) {
            Some((odds, (limited, _))) if *odds >= 0.5 => limited,
            Some((odds, (_, regulated))) if *odds <= -0.5 => regulated,
            _ => "only the level itself says so",
        }
    }
}

/// For each of the log's stretches and points.
#[derive(Debug, Clone)]
pub struct Control {
    stretches: Vec<Weighed>,
}

pub fn control(log: &Log, segments: &Segments, car: &Car) -> Control {
    let held = held(log, segments, car);
    let pooled = pooled_slopes(log, segments, car);
    let stretches = held
        .iter()
        .enumerate()
        .map(|(k, here)| {
            let slope = pooled.get(k).copied().flatten();
            let by_slope = slope.map_or(0.0, |s| s.log_odds(here.level_v));
            let (by_speed, by_load) = pairs::log_odds(&held, k);
            let by_settling = settling::log_odds(log, segments, &held, k);
            weighed(here.level_v, [by_slope, by_speed, by_load, by_settling, 0.0])
        })
        .collect();
    Control { stretches }.ordered(&segments.points, log.nominal())
}

fn weighed(level_v: f64, by: [f64; 5]) -> Weighed {
    let by = by.map(|odds| odds.clamp(-MOST_LOG_ODDS, MOST_LOG_ODDS));
    let odds = prior_log_odds(level_v) + by.iter().sum::<f64>();
    Weighed { regulated: 1.0 / (1.0 + odds.exp()), by }
}

fn prior_log_odds(level_v: f64) -> f64 {
    let [first, .., last] = PRIOR;
    if level_v <= first.0 {
        return first.1;
    }
    let between = PRIOR.windows(2).find(|pair| level_v <= pair[1].0);
    between.map_or(last.1, |pair| {
        let share = (level_v - pair[0].0) / (pair[1].0 - pair[0].0);
        pair[0].1 + share * (pair[1].1 - pair[0].1)
    })
}

/// The level of each stretch, with the demand on the alternator there.
fn held<'a>(log: &Log, segments: &'a Segments, car: &Car) -> Vec<StretchLevel<'a>> {
    // Scaled to six cells, which the priors are stated for.
    let cells = log.nominal().over_12_v();
    let of = |stretch: &'a crate::segment::Stretch| {
        let Span { start_s, end_s } = stretch.settled;
        let from_s = end_s - (end_s - start_s) * LATER_SHARE;
        let later = Span { start_s: from_s, end_s };
        let seen =
            bus_level(log, segments, later).or_else(|| bus_level(log, segments, stretch.settled));
        StretchLevel {
            stretch,
            level_v: seen.map_or(f64::NAN, |l| l.mean_v / cells),
            half_width_v: seen.map_or(f64::INFINITY, |l| l.half_width_v / cells),
            share: stretch.rpm.map(|rpm| output_share(rpm, car.alternator.pulley_ratio)),
        }
    };
    segments.stretches.iter().map(of).collect()
}

/// The slope of each stretch's operating point: its visits together.
fn pooled_slopes(log: &Log, segments: &Segments, car: &Car) -> Vec<Option<Slope>> {
    let mut slopes = vec![None; segments.stretches.len()];
    for point in &segments.points {
        let slope = slope::of_point(log, segments, point, car.alternator.pulley_ratio);
        for &k in &point.stretches {
            if let Some(mine) = slopes.get_mut(k) {
                *mine = slope;
            }
        }
    }
    slopes
}

impl Control {
    /// Each point's own evidence, with that of easier and harder ones.
    fn ordered(mut self, points: &[Point], nominal: Nominal) -> Control {
        let limited: Vec<f64> = points.iter().map(|p| 1.0 - self.of_point(p).regulated).collect();
        for (point, by_order) in points.iter().zip(order::log_odds(points, &limited, nominal)) {
            for &k in &point.stretches {
                if let Some(here) = self.stretches.get_mut(k) {
                    *here = here.with_order(by_order);
                }
            }
        }
        self
    }

    pub fn of_stretch(&self, index: usize) -> Option<&Weighed> {
        self.stretches.get(index)
    }

    /// Probability that the regulator was in control over one of the stretches; even odds where
    /// nothing is known.
    pub fn regulated(&self, index: usize) -> f64 {
        self.of_stretch(index).map_or(0.5, |w| w.regulated)
    }

    /// The visits of a point together, each by its seconds.
    pub fn of_point(&self, point: &Point) -> Weighed {
        let (mut seconds, mut regulated, mut by) = (0.0, 0.0, [0.0; 5]);
        for (&k, span) in point.stretches.iter().zip(&point.spans) {
            let Some(here) = self.of_stretch(k) else { continue };
            seconds += span.seconds();
            regulated += span.seconds() * here.regulated;
            for (sum, odds) in by.iter_mut().zip(here.by) {
                *sum += span.seconds() * odds;
            }
        }
        if seconds <= 0.0 {
            return Weighed { regulated: 0.5, by: [0.0; 5] };
        }
        Weighed { regulated: regulated / seconds, by: by.map(|sum| sum / seconds) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_prior_falls_with_the_level_and_has_no_steps() {
        assert_eq!(prior_log_odds(11.0), 3.0);
        assert_eq!(prior_log_odds(15.0), -4.0);
        let levels: Vec<f64> = (1180..1500).map(|k| prior_log_odds(f64::from(k) / 100.0)).collect();
        assert!(levels.windows(2).all(|p| p[1] <= p[0] && p[0] - p[1] < 0.07));
    }

    #[test]
    fn what_nothing_tried_is_judged_by_its_level_and_says_so() {
        let alone = weighed(14.2, [0.0; 5]);
        assert!(alone.regulated > 0.9);
        assert_eq!(alone.how(), "only the level itself says so");
        let flat = weighed(13.0, [-3.0, 0.0, 0.0, 0.0, 0.0]);
        assert!(flat.regulated > 0.85);
        assert_eq!(flat.how(), "voltage does not follow engine speed");
    }
}
