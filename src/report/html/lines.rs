//! Cables and ground: volts lost on the way, and what the cable should lose.

use maud::{Markup, html as markup};

use super::{estimate, fold, long_table, text};
use crate::diagnosis::{Diagnosis, LineDrop};
use crate::report::format::{self, AMP, MILLIOHM, MILLIVOLT, plain};

/// A table of the drops at each operating point, under what they say of each way.
pub fn lines(diagnosis: &Diagnosis) -> Markup {
    let drops = &diagnosis.line_drop;
    let ways: Vec<&LineDrop> = first_of_each_way(drops);
    markup! {
        @if !drops.is_empty() {
            (fold("h-lines", "Voltage lost in cables and ground", None, markup! {
                @for first in &ways {
                    p { strong { (format::capital(&way(first))) ": " } (plain(&first.told)) }
                }
                (long_table("Volts lost by operating point, with 90 % interval and grade",
                    &["Way", "Loads on", "Engine speed, rpm", "Lost, mV", "Current, A",
                      "Resistance, mΩ", "The cable should have, mΩ"],
                    drops.iter().map(row).collect()))
            }))
        }
    }
}

/// "alternator to battery, ground side"
pub fn way(drop: &LineDrop) -> String {
    format!("{} to {}, {}", drop.from, drop.to, drop.side.words())
}

/// The resistance, and all that is told, is of a way and not of a point.
fn first_of_each_way(drops: &[LineDrop]) -> Vec<&LineDrop> {
    let mut firsts: Vec<&LineDrop> = Vec::new();
    for drop in drops {
        let same = |first: &&LineDrop| {
            (&first.from, &first.to, first.side) == (&drop.from, &drop.to, drop.side)
        };
        if !firsts.iter().any(same) {
            firsts.push(drop);
        }
    }
    firsts
}

fn row(drop: &LineDrop) -> Vec<Markup> {
    let band = format::rpm_band(drop.rpm_low, drop.rpm_high);
    vec![
        text(way(drop)),
        text(format::loads(&drop.loads)),
        text(band.unwrap_or_else(|| format::NOT_TOLD.to_owned())),
        estimate(MILLIVOLT, Some(&drop.drop_v)),
        estimate(AMP, drop.current_a.as_ref()),
        estimate(MILLIOHM, drop.resistance_ohm.as_ref()),
        match &drop.cable_ohm {
            Some(cable) => estimate(MILLIOHM, Some(cable)),
            None => markup! { span.range { "not stated" } },
        },
    ]
}
