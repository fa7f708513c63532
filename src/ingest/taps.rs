//! Several voltages: which is the battery's, the alternator's, the module's, and which is the bus.

use std::path::Path;

use super::error::{IngestError, clip};
use super::header::Heading;
use super::profile::Facts;
use super::roles::Assigned;
use super::units::Unit;
use crate::levels;
use crate::log::{Role, Tap};
use crate::nominal::Nominal;
use crate::stats::resolution::quantization_step;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoltageCandidate {
    pub index: usize,
    /// By name; `None` where the name says just "voltage".
    pub tap: Option<Tap>,
    pub unit: Unit,
    pub forced: bool,
}

/// Gives each tap at most one column and returns the tap that is the bus:
/// battery, else module, else alternator. `None` where there is no candidate.
pub fn settle(
    path: &Path,
    headings: &[Heading],
    facts: &[Facts],
    candidates: &[VoltageCandidate],
    nominal: Nominal,
    columns: &mut [Assigned],
    notices: &mut Vec<String>,
) -> Result<Option<Tap>, IngestError> {
    let bench = Bench { path, headings, facts, nominal };
    let mut taken: Vec<(Tap, VoltageCandidate)> = Vec::new();
    for tap in Tap::ALL {
        let rivals: Vec<_> = candidates.iter().copied().filter(|c| c.tap == Some(tap)).collect();
        if let Some(best) = bench.choose(&rivals, tap, columns, notices)? {
            taken.push((tap, best));
        }
    }
    let mut plain: Vec<_> = candidates.iter().copied().filter(|c| c.tap.is_none()).collect();
    let has = |taken: &[(Tap, VoltageCandidate)], tap| taken.iter().any(|(t, _)| *t == tap);
    if !plain.is_empty() && has(&taken, Tap::Battery) {
        for candidate in &plain {
            if let Some(column) = columns.get_mut(candidate.index) {
                column.why.push_str("; another column says by name that it is the battery's");
            }
        }
        plain.clear();
    }
    if plain.len() > 1 && !has(&taken, Tap::Alternator) {
        // While the engine runs, current flows from the alternator: its end of the cable is the highest.
        plain.sort_by(|a, b| bench.running_v(b).total_cmp(&bench.running_v(a)));
        if let [first, second, ..] = plain.as_slice() {
            let (high, next) = (*first, *second);
            let lead_v = bench.running_v(&high) - bench.running_v(&next);
            let seen_v = bench.step_v(&high).max(bench.step_v(&next)).max(0.01);
            if lead_v > 3.0 * seen_v {
                notices.push(format!(
                    "\"{}\" is taken as the alternator's voltage and \"{}\" as the battery's: running, the first reads {lead_v:.2} V more. To overrule: --column voltage.battery=NAME --column voltage.alternator=NAME",
                    bench.name(&high),
                    bench.name(&next)
                ));
                taken.push((Tap::Alternator, high));
                plain.remove(0);
            }
        }
    }
    if let Some(best) = bench.choose(&plain, Tap::Battery, columns, notices)? {
        taken.push((Tap::Battery, best));
    }
    for (tap, candidate) in &taken {
        if let Some(column) = columns.get_mut(candidate.index) {
            column.role = Role::Voltage(*tap);
            if candidate.tap.is_none() {
                column.why.push_str(&format!("; taken as the {}'s", tap.word()));
            }
        }
    }
    let bus =
        [Tap::Battery, Tap::Module, Tap::Alternator].into_iter().find(|tap| has(&taken, *tap));
    if let Some(bus @ (Tap::Module | Tap::Alternator)) = bus
        && let Some((_, candidate)) = taken.iter().find(|(tap, _)| *tap == bus)
    {
        notices.push(format!(
            "no voltage is the battery's by name; \"{}\", taken at the {}, stands for the bus. If it is the battery's: --column voltage=\"{}\"",
            bench.name(candidate),
            bus.word(),
            bench.name(candidate)
        ));
    }
    Ok(bus)
}

struct Bench<'a> {
    path: &'a Path,
    headings: &'a [Heading],
    facts: &'a [Facts],
    nominal: Nominal,
}

impl Bench<'_> {
    fn name(&self, candidate: &VoltageCandidate) -> String {
        self.headings.get(candidate.index).map_or(String::new(), |h| clip(&h.name))
    }

    fn facts(&self, candidate: &VoltageCandidate) -> Option<&Facts> {
        self.facts.get(candidate.index)
    }

    /// Upper part of the values: the engine runs for most of a log.
    fn running_v(&self, candidate: &VoltageCandidate) -> f64 {
        let upper = self.facts(candidate).and_then(|facts| facts.quantile(0.8)).unwrap_or(0.0);
        candidate.unit.to_canonical().apply(upper)
    }

    fn step_v(&self, candidate: &VoltageCandidate) -> f64 {
        let step = self.facts(candidate).and_then(|facts| quantization_step(&facts.numbers));
        step.map_or(0.0, |step| candidate.unit.to_canonical().apply(step))
    }

    fn unreadable_share(&self, candidate: &VoltageCandidate) -> f64 {
        self.facts(candidate).map_or(1.0, |facts| {
            let unreadable = facts.missing + facts.filled - facts.numbers.len().min(facts.filled);
            unreadable as f64 / (facts.missing + facts.filled).max(1) as f64
        })
    }

    fn in_range_share(&self, candidate: &VoltageCandidate) -> f64 {
        let scale = candidate.unit.to_canonical().scale;
        let [low_v, high_v] = levels::BUS_RANGE.map(|level| self.nominal.volts(level));
        self.facts(candidate).map_or(0.0, |facts| facts.share_within(low_v / scale, high_v / scale))
    }

    /// The better of equals: fewer holes, finer steps, saner level. Errs where nothing tells.
    fn choose(
        &self,
        rivals: &[VoltageCandidate],
        tap: Tap,
        columns: &mut [Assigned],
        notices: &mut Vec<String>,
    ) -> Result<Option<VoltageCandidate>, IngestError> {
        let Some((&first, others)) = rivals.split_first() else { return Ok(None) };
        let mut best = rivals.iter().copied().find(|c| c.forced).unwrap_or(first);
        if others.is_empty() {
            return Ok(Some(best));
        }
        let start = best.index;
        for &other in rivals.iter().filter(|c| c.index != start) {
            let (winner, reason) = if best.forced {
                (best, "asked for".to_owned())
            } else {
                self.better(best, other).ok_or_else(|| IngestError::TwoVoltages {
                    path: self.path.to_path_buf(),
                    first: self.name(&best),
                    second: self.name(&other),
                    tap: tap.word(),
                    seen: format!(
                        "running, they read {:.2} V and {:.2} V",
                        self.running_v(&best),
                        self.running_v(&other)
                    ),
                })?
            };
            let loser = if winner == best { other } else { best };
            if let Some(column) = columns.get_mut(loser.index) {
                column
                    .why
                    .push_str(&format!("; but \"{}\" is preferred ({reason})", self.name(&winner)));
            }
            if !winner.forced {
                notices.push(format!(
                    "\"{}\" and \"{}\" could both be the {} voltage; \"{}\" is used ({reason}). To overrule: --column voltage{}=\"{}\"",
                    self.name(&best),
                    self.name(&other),
                    tap.word(),
                    self.name(&winner),
                    if tap == Tap::Battery { String::new() } else { format!(".{}", tap.word()) },
                    self.name(&loser)
                ));
            }
            best = winner;
        }
        Ok(Some(best))
    }

    fn better(
        &self,
        a: VoltageCandidate,
        b: VoltageCandidate,
    ) -> Option<(VoltageCandidate, String)> {
        let (holes_a, holes_b) = (self.unreadable_share(&a), self.unreadable_share(&b));
        if (holes_a - holes_b).abs() > 0.01 {
            let winner = if holes_a < holes_b { a } else { b };
            return Some((
                winner,
                format!(
                    "{:.1} % of its cells are empty or bad, against {:.1} %",
                    100.0 * holes_a.min(holes_b),
                    100.0 * holes_a.max(holes_b)
                ),
            ));
        }
        let (range_a, range_b) = (self.in_range_share(&a), self.in_range_share(&b));
        if (range_a - range_b).abs() > 0.02 {
            let winner = if range_a > range_b { a } else { b };
            return Some((
                winner,
                format!("more of its values lie where a {} bus does", self.nominal),
            ));
        }
        let (step_a, step_b) = (self.step_v(&a), self.step_v(&b));
        if step_a.max(step_b) > 1.5 * step_a.min(step_b) {
            let winner = if step_a < step_b { a } else { b };
            return Some((
                winner,
                format!(
                    "its steps are finer: {:.3} V against {:.3} V",
                    step_a.min(step_b),
                    step_a.max(step_b)
                ),
            ));
        }
        let same = self.facts(&a).zip(self.facts(&b)).is_some_and(|(a, b)| a.numbers == b.numbers);
        same.then(|| (a, "both read the same".to_owned()))
    }
}
