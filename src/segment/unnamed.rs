//! Loads that no channel declares, distinguished by how switching them moves the bus.

use crate::log::{Log, Span};
use crate::segment::indices;
use crate::segment::kinds::{Direction, Origin, Phase, PhaseKind};
use crate::segment::steps::Step;
use crate::stats::robust::median;

/// The same load lowers the bus further where the alternator is at its limit: a step off may
/// belong to a step on of up to this many times its size (our choice).
const OTHER_REGIME: f64 = 2.0;
/// The same load on again, with the engine as before (our choice).
const SAME_SIZE: f64 = 1.35;
/// Length of the levels beside a step, or this many samples.
const BESIDE_S: f64 = 2.0;
const BESIDE_SAMPLES: f64 = 3.0;
/// Past inrush, regulator and most of a soft start, or half of what follows.
const SETTLING_S: f64 = 4.0;
const SETTLING_SHARE: f64 = 0.5;

/// Loads that only the voltage shows, in the order in which they were first switched.
#[derive(Debug, Default)]
pub struct UnnamedLoads {
    loads: Vec<UnnamedLoad>,
}

#[derive(Debug)]
struct UnnamedLoad {
    label: String,
    size_v: f64,
    /// When it is on, in time order; the last has no end while it is still on.
    on: Vec<Span>,
}

impl UnnamedLoad {
    fn is_open(&self) -> bool {
        self.on.last().is_some_and(|span| span.end_s == f64::INFINITY)
    }

    fn is_on(&self, t_s: f64) -> bool {
        let ended = self.on.partition_point(|span| span.end_s <= t_s);
        self.on.get(ended).is_some_and(|span| span.start_s <= t_s)
    }

    fn misfit(&self, size_v: f64) -> f64 {
        (self.size_v / size_v).ln().abs()
    }
}

impl UnnamedLoads {
    /// A step off ends the load that is on and closest to it in size; one that matches
    /// none ended a load that was on from the beginning. A step on starts a load that was
    /// on before and has its size, or a new one. No load outlasts the engine's running.
    pub fn of(log: &Log, phases: &[Phase], steps: &[Step]) -> UnnamedLoads {
        let mut unnamed = UnnamedLoads::default();
        let detected = |s: &&Step| s.origin == Origin::Detected;
        for phase in phases.iter().filter(|p| p.kind == PhaseKind::Running) {
            let first = steps.partition_point(|s| s.at_s < phase.start_s);
            let own = steps[first..].iter().take_while(|s| s.at_s < phase.end_s);
            for step in own.filter(detected) {
                unnamed.take(step, phase, size_v(step, log));
            }
            for load in &mut unnamed.loads {
                if let Some(last) = load.on.last_mut() {
                    last.end_s = last.end_s.min(phase.end_s);
                }
            }
        }
        unnamed
    }

    /// Labels of the loads that are on.
    pub fn on_at(&self, t_s: f64) -> impl Iterator<Item = &str> {
        self.loads.iter().filter(move |load| load.is_on(t_s)).map(|load| load.label.as_str())
    }

    fn take(&mut self, step: &Step, phase: &Phase, size_v: f64) {
        let goes_on = step.direction == Direction::On;
        let most = if goes_on { SAME_SIZE } else { OTHER_REGIME };
        let closest = (0..self.loads.len())
            .filter(|&k| self.loads[k].is_open() != goes_on)
            .map(|k| (k, self.loads[k].misfit(size_v)))
            .filter(|(_, misfit)| *misfit < most.ln())
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(k, _)| k);
        let at_s = step.at_s;
        let opened = Span { start_s: at_s, end_s: f64::INFINITY };
        match (closest, goes_on) {
            (Some(k), true) => self.loads[k].on.push(opened),
            (Some(k), false) => {
                if let Some(last) = self.loads[k].on.last_mut() {
                    last.end_s = at_s;
                }
            }
            (None, true) => {
                let drop_v = if size_v.is_finite() { size_v } else { 0.0 };
                let what = format!("{} V drop at {at_s:.0} s", two_figures(drop_v));
                self.add(&what, size_v, opened);
            }
            (None, false) => {
                let until = Span { start_s: phase.start_s, end_s: at_s };
                self.add(&format!("on until {at_s:.0} s"), size_v, until);
            }
        }
    }

    fn add(&mut self, what: &str, size_v: f64, on: Span) {
        let label = format!("{PREFIX}{} ({what})", letter(self.loads.len()));
        self.loads.push(UnnamedLoad { label, size_v, on: vec![on] });
    }
}

const PREFIX: &str = "load ";

/// A, B, … Z, AA, AB …
fn letter(mut number: usize) -> String {
    let mut letters = Vec::new();
    loop {
        letters.push(char::from(b'A' + (number % 26) as u8));
        if number < 26 {
            break;
        }
        number = number / 26 - 1;
    }
    letters.iter().rev().collect()
}

fn two_figures(volts: f64) -> String {
    if volts < 0.095 { format!("{volts:.2}") } else { format!("{volts:.1}") }
}

/// "A" of "load A (0.4 V drop at 41 s)"; `None` where the label is of a load with a name.
pub fn letter_of(label: &str) -> Option<&str> {
    let (letter, what) = label.strip_prefix(PREFIX)?.split_once(" (")?;
    let letters = !letter.is_empty() && letter.bytes().all(|b| b.is_ascii_uppercase());
    let what = what.strip_suffix(" s)")?;
    let ours = what.starts_with("on until ") || what.contains(" V drop at ");
    (letters && ours).then_some(letter)
}

/// Level after against level before, over the seconds next to the step.
fn size_v(step: &Step, log: &Log) -> f64 {
    let reach_s = BESIDE_S.max(BESIDE_SAMPLES * log.interval_s());
    let level = |start_s: f64, end_s: f64| {
        median(&log.bus_v()[indices(log.time_s(), Span { start_s, end_s })])
    };
    let after_s = step.at_s + SETTLING_S.min(SETTLING_SHARE * (step.until_s - step.at_s));
    let after_v = level(after_s, (after_s + reach_s).min(step.until_s));
    let before_v = level((step.at_s - reach_s).max(step.since_s), step.at_s - 1e-3);
    (after_v - before_v).abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(at_s: f64, direction: Direction) -> Step {
        Step {
            at_s,
            since_s: 0.0,
            until_s: 600.0,
            load: None,
            direction,
            duty_change: None,
            origin: Origin::Detected,
            lag_s: None,
            answered: true,
        }
    }

    const RUN: Phase = Phase { kind: PhaseKind::Running, start_s: 0.0, end_s: 600.0 };

    fn loads(steps: &[(f64, Direction, f64)]) -> UnnamedLoads {
        let mut unnamed = UnnamedLoads::default();
        for &(at_s, direction, size_v) in steps {
            unnamed.take(&step(at_s, direction), &RUN, size_v);
        }
        unnamed
    }

    fn on(unnamed: &UnnamedLoads, t_s: f64) -> Vec<&str> {
        unnamed.on_at(t_s).collect()
    }

    #[test]
    fn a_load_switched_several_times_is_one_load() {
        use Direction::{Off, On};
        let unnamed = loads(&[
            (41.2, On, 0.42),
            (80.0, Off, 0.38),
            (120.0, On, 0.45),
            (130.0, On, 0.15),
            (150.0, Off, 0.40),
        ]);
        assert_eq!(on(&unnamed, 50.0), ["load A (0.4 V drop at 41 s)"]);
        assert_eq!(on(&unnamed, 100.0), [""; 0]);
        assert_eq!(
            on(&unnamed, 140.0),
            ["load A (0.4 V drop at 41 s)", "load B (0.1 V drop at 130 s)"]
        );
        assert_eq!(on(&unnamed, 160.0), ["load B (0.1 V drop at 130 s)"]);
    }

    #[test]
    fn what_was_on_from_the_beginning_is_on_until_it_ends() {
        let unnamed = loads(&[(30.0, Direction::On, 0.2), (80.0, Direction::Off, 0.9)]);
        assert_eq!(on(&unnamed, 40.0), ["load A (0.2 V drop at 30 s)", "load B (on until 80 s)"]);
        assert_eq!(on(&unnamed, 90.0), ["load A (0.2 V drop at 30 s)"]);
    }

    #[test]
    fn labels_are_known_again() {
        assert_eq!(letter_of("load A (0.4 V drop at 41 s)"), Some("A"));
        assert_eq!(letter_of("load AB (on until 80 s)"), Some("AB"));
        for name in ["load A", "load bank (left)", "fan", "load A (rear)", "load 2 (on until 8 s)"]
        {
            assert_eq!(letter_of(name), None, "{name}");
        }
        assert_eq!((letter(0), letter(25), letter(26)), ("A".into(), "Z".into(), "AA".into()));
        assert_eq!((letter(51), letter(52), letter(702)), ("AZ".into(), "BA".into(), "AAA".into()));
    }
}
