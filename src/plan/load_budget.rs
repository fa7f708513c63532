//! What every load draws, before the log is looked at: stated, or as such loads
//! commonly do.

use std::collections::BTreeMap;

use crate::analysis::amps::{common_load_a, label_half_width_a};
use crate::car::{ALWAYS_ON, Car, LoadAmps};
use crate::estimate::Z90;
use crate::log::Log;
use crate::segment::Segments;
use crate::segment::unnamed::letter_of;

/// One consumer, or all that always runs.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    pub name: String,
    /// Amps at `amps.at_v`, prior mean, and their standard deviation.
    pub amps: LoadAmps,
    pub sd_a: f64,
    pub stated: bool,
    /// Runs as long as the engine does, or is switched.
    pub continuous: bool,
    pub column: Column,
}

/// Where the log shows when it is on.
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// Whenever the engine runs.
    Always,
    /// A load's channel.
    Channel,
    /// On where a stretch carries this label, which only the voltage showed.
    Label,
}

/// What draws whenever an engine runs, A, and how far either way: ignition, injection,
/// control and a fuel pump take some amps of the smallest, and some twenty of the
/// largest (90 %; common practice, no source).
const ALWAYS_ON_A: (f64, f64) = (16.0, 9.0);

/// Loads in the log's order, what only the voltage shows, and last what always runs.
pub fn ledger(log: &Log, segments: &Segments, car: &Car) -> Vec<Item> {
    let item = |name: &str, column: Column| {
        let stated = car.loads_a.get(name);
        let (amps, half_a) = match stated {
            Some(load) => (*load, label_half_width_a(load.amps_a)),
            None => {
                let (amps_a, half_a) = common_load_a(name);
                (LoadAmps::new(amps_a), half_a)
            }
        };
        Item {
            name: name.to_owned(),
            amps,
            sd_a: half_a / Z90,
            stated: stated.is_some(),
            continuous: false,
            column,
        }
    };
    let mut items: Vec<Item> =
        log.load_names().iter().map(|name| item(name, Column::Channel)).collect();
    items.extend(labels(log, segments).iter().map(|label| item(label, Column::Label)));
    let always = car.loads_a.get(ALWAYS_ON);
    let (amps, half_a) = match always {
        Some(load) => (*load, label_half_width_a(load.amps_a)),
        None => (LoadAmps::new(ALWAYS_ON_A.0), ALWAYS_ON_A.1),
    };
    items.push(Item {
        name: ALWAYS_ON.to_owned(),
        amps,
        sd_a: half_a / Z90,
        stated: always.is_some(),
        continuous: true,
        column: Column::Always,
    });
    items
}

/// More loads that only the voltage shows are not distinguished; those that ran
/// longest are.
pub const MOST_LABELS: usize = 16;

/// What only the voltage shows, in the log's order.
fn labels(log: &Log, segments: &Segments) -> Vec<String> {
    let mut seconds: BTreeMap<&str, f64> = BTreeMap::new();
    for stretch in &segments.stretches {
        for label in stretch.loads.iter().filter(|label| is_detected(log, label)) {
            *seconds.entry(label).or_default() += stretch.span.seconds();
        }
    }
    let mut longest: Vec<(&str, f64)> = seconds.into_iter().collect();
    longest.sort_by(|a, b| b.1.total_cmp(&a.1));
    longest.truncate(MOST_LABELS);
    longest.sort_by_key(|(label, _)| letter_of(label).map(|letter| (letter.len(), letter)));
    longest.into_iter().map(|(label, _)| label.to_owned()).collect()
}

pub fn is_detected(log: &Log, label: &str) -> bool {
    letter_of(label).is_some() && log.load(label).is_none()
}

impl Item {
    /// Exponent of the voltage that its amps follow, value and 90 % distance.
    /// Ignition, control and pumps together hold their power as much as they
    /// follow the voltage (common practice, no source).
    pub fn exponent(&self) -> (f64, f64) {
        match self.column {
            Column::Always => (0.2, 0.8),
            _ => (LoadAmps::kind_of(&self.name).exponent(), 0.6),
        }
    }
}
