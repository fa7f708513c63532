//! Assigns several voltages to battery, alternator and module, and chooses the bus.

use super::account::Account;
use super::error::Problem;
use super::header::{Heading, name_of};
use super::profile::Facts;
use super::roles::{Assigned, add_reason};
use super::units::Unit;
use crate::levels;
use crate::log::{Role, Tap};
use crate::nominal::Nominal;
use crate::stats::resolution::quantization_step;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoltageCandidate {
    pub index: usize,
    /// From the name; `None` if it says only "voltage".
    pub tap: Option<Tap>,
    pub unit: Unit,
    pub forced: bool,
}

#[derive(Clone, Copy)]
pub struct Columns<'a> {
    pub headings: &'a [Heading],
    pub facts: &'a [Facts],
    pub nominal: Nominal,
}

impl Columns<'_> {
    /// Assigns at most one column to each tap. Returns the tap that is the bus: battery, else
    /// module, else alternator; `None` if there is no candidate.
    pub fn assign(
        &self,
        candidates: &[VoltageCandidate],
        assigned: &mut [Assigned],
        account: &mut Account,
    ) -> Result<Option<Tap>, Problem> {
        let mut taken: Vec<(Tap, VoltageCandidate)> = Vec::new();
        for tap in Tap::ALL {
            let rivals: Vec<_> =
                candidates.iter().copied().filter(|c| c.tap == Some(tap)).collect();
            let best = self.choose(&rivals, tap, assigned, account)?;
            taken.extend(best.map(|best| (tap, best)));
        }
        let mut plain: Vec<_> = candidates.iter().copied().filter(|c| c.tap.is_none()).collect();
        let has = |taken: &[(Tap, VoltageCandidate)], tap| taken.iter().any(|(t, _)| *t == tap);
        if has(&taken, Tap::Battery) {
            for candidate in plain.drain(..) {
                let reason = "another column is the battery voltage by name";
                add_reason(assigned, candidate.index, reason);
            }
        }
        if plain.len() > 1 && !has(&taken, Tap::Alternator) {
            // While the engine runs, current flows from the alternator, so its voltage is the
            // highest.
            plain.sort_by(|a, b| self.running_v(b).total_cmp(&self.running_v(a)));
            if let [high, next, ..] = plain[..] {
                let lead_v = self.running_v(&high) - self.running_v(&next);
                let seen_v = self.step_v(&high).max(self.step_v(&next)).max(0.01);
                if lead_v > 3.0 * seen_v {
                    account.notices.push(format!(
                        "\"{}\" is used as the alternator voltage and \"{}\" as the battery voltage: with the engine running, the first is {lead_v:.2} V higher. To change: --column voltage.battery=NAME --column voltage.alternator=NAME",
                        self.name(&high),
                        self.name(&next)
                    ));
                    taken.push((Tap::Alternator, high));
                    plain.remove(0);
                }
            }
        }
        let best = self.choose(&plain, Tap::Battery, assigned, account)?;
        taken.extend(best.map(|best| (Tap::Battery, best)));
        for (tap, candidate) in &taken {
            if let Some(column) = assigned.get_mut(candidate.index) {
                column.role = Role::Voltage(*tap);
            }
            if candidate.tap.is_none() {
                add_reason(
                    assigned,
                    candidate.index,
                    &format!("used as the {} voltage", tap.word()),
                );
            }
        }
        let by_rank = [Tap::Battery, Tap::Module, Tap::Alternator];
        let bus = by_rank.into_iter().find(|tap| has(&taken, *tap));
        if let Some(bus @ (Tap::Module | Tap::Alternator)) = bus
            && let Some((_, candidate)) = taken.iter().find(|(tap, _)| *tap == bus)
        {
            account.notices.push(format!(
                "no column is the battery voltage by name. \"{0}\" ({1} voltage) is used as the bus. If it is the battery voltage: --column voltage=\"{0}\"",
                self.name(candidate),
                bus.word(),
            ));
        }
        Ok(bus)
    }

    fn name(&self, candidate: &VoltageCandidate) -> String {
        name_of(self.headings, candidate.index)
    }

    fn facts(&self, candidate: &VoltageCandidate) -> Option<&Facts> {
        self.facts.get(candidate.index)
    }

    /// A high quantile, V: the engine runs during most of a log.
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

    /// The best column for one tap: fewer empty cells, finer resolution, more plausible level.
    /// Fails if they are equally good but differ.
    fn choose(
        &self,
        rivals: &[VoltageCandidate],
        tap: Tap,
        assigned: &mut [Assigned],
        account: &mut Account,
    ) -> Result<Option<VoltageCandidate>, Problem> {
        let Some(&first) = rivals.first() else { return Ok(None) };
        let mut best = rivals.iter().copied().find(|c| c.forced).unwrap_or(first);
        let start = best.index;
        for &other in rivals.iter().filter(|c| c.index != start) {
            let (other_wins, reason) = if best.forced {
                (false, "requested".to_owned())
            } else {
                self.is_better(other, best).ok_or_else(|| Problem::TwoVoltages {
                    first: self.name(&best),
                    second: self.name(&other),
                    tap: tap.word(),
                    seen: format!(
                        "with the engine running, they read {:.2} V and {:.2} V",
                        self.running_v(&best),
                        self.running_v(&other)
                    ),
                })?
            };
            let (winner, loser) = if other_wins { (other, best) } else { (best, other) };
            let lost = format!("but \"{}\" is preferred ({reason})", self.name(&winner));
            add_reason(assigned, loser.index, &lost);
            if !winner.forced {
                account.notices.push(format!(
                    "\"{}\" and \"{}\" could both be the {} voltage; \"{}\" is used ({reason}). To use the other: --column voltage{}=\"{}\"",
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

    /// Whether `a` is better, and the reason for the winner.
    fn is_better(&self, a: VoltageCandidate, b: VoltageCandidate) -> Option<(bool, String)> {
        let (empty_a, empty_b) = (self.unreadable_share(&a), self.unreadable_share(&b));
        if (empty_a - empty_b).abs() > 0.01 {
            let (least, most) = (100.0 * empty_a.min(empty_b), 100.0 * empty_a.max(empty_b));
            let reason = format!("{least:.1} % of its cells are empty or bad, against {most:.1} %");
            return Some((empty_a < empty_b, reason));
        }
        let (range_a, range_b) = (self.in_range_share(&a), self.in_range_share(&b));
        if (range_a - range_b).abs() > 0.02 {
            let reason = format!("more of its values are in the range of a {} bus", self.nominal);
            return Some((range_a > range_b, reason));
        }
        let (step_a, step_b) = (self.step_v(&a), self.step_v(&b));
        if step_a.max(step_b) > 1.5 * step_a.min(step_b) {
            let (finest, coarsest) = (step_a.min(step_b), step_a.max(step_b));
            let reason = format!("its resolution is finer: {finest:.3} V against {coarsest:.3} V");
            return Some((step_a < step_b, reason));
        }
        let same = self.facts(&a).zip(self.facts(&b)).is_some_and(|(a, b)| a.numbers == b.numbers);
        same.then(|| (false, "both read the same".to_owned()))
    }
}
