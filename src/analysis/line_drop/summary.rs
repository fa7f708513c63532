//! What is said of a path, in plain sentences.

use super::CircuitPath;
use super::resistance::Resistance;
use crate::car::Car;
use crate::diagnosis::{LineDrop, Side};
use crate::estimate::Estimate;
use crate::format::{AMP, MILLIOHM, MILLIVOLT};
use crate::log::{Log, Role, Tap};

/// A larger difference between the channels is mentioned.
const APART_WORTH_TELLING_V: f64 = 0.1;

/// What the sentences are made from.
pub struct PathFacts<'a> {
    pub path: CircuitPath,
    pub drops: &'a [LineDrop],
    pub found: Option<&'a Resistance>,
    /// How far the channels may be calibrated apart.
    pub apart_v: f64,
    pub car: &'a Car,
    pub log: &'a Log,
    /// Where a ground tap is logged: −1 for leads the other way round.
    pub ground_sign: Option<f64>,
}

/// One text for all points of a path.
pub fn sentences(facts: &PathFacts) -> String {
    let PathFacts { path, found, car, .. } = *facts;
    let mut said = Vec::new();
    let alternators = path.from == Tap::Alternator && path.to == Tap::Battery;
    match (path.side, facts.ground_sign) {
        (Side::Loop, None) if alternators => said.push(
            "A tap between alternator case and battery negative (column ground_drop) would part \
             the two sides. With both taps read against one ground this is the supply side alone."
                .to_owned(),
        ),
        (Side::Ground, Some(sign)) if sign < 0.0 => said
            .push("The ground tap's leads are the other way round; its sign is turned.".to_owned()),
        _ => {}
    }
    let worst = facts.drops.iter().max_by(|a, b| a.drop_v.value.total_cmp(&b.drop_v.value));
    let cable = facts.drops.first().and_then(|d| d.cable_ohm.as_ref());
    match found {
        Some(found) => {
            said.extend(cable.map(|cable| explained(path, found, cable, car)));
            said.extend(found.offset_v.filter(|v| v.abs() > APART_WORTH_TELLING_V).map(apart));
        }
        None => {
            said.push(wanting(facts));
            said.extend(
                worst.zip(cable).and_then(|(worst, cable)| bound(worst, cable, facts.apart_v)),
            );
        }
    }
    said.join(" ")
}

fn apart(offset_v: f64) -> String {
    format!(
        "About {} of the drop does not grow with current (measured): channels calibrated apart, \
         or a load at the alternator's post; it is not counted as resistance.",
        MILLIVOLT.of(offset_v)
    )
}

/// The measured resistance against the cable's.
fn explained(path: CircuitPath, found: &Resistance, cable: &Estimate, car: &Car) -> String {
    let by = stated(path.side, car);
    let (has, should) = (MILLIOHM.told(&found.ohm), MILLIOHM.told(cable));
    let more = found.ohm.less(cable, "");
    if more.low > 0.0 {
        let place = match (path.side, &car.ground) {
            (Side::Ground, _) => "the joints of the ground path",
            (Side::Supply, _) => "joints",
            (Side::Loop, Some(_)) => "joints, on the supply or the ground side",
            (Side::Loop, None) => "joints or the ground path",
        };
        format!(
            "{by} should have {should}; measured are {has}, and {} more than it explains is in \
             {place}.",
            MILLIOHM.told(&more)
        )
    } else if more.high < 0.0 {
        format!(
            "{by} should have {should}, and measured are only {has}: gauge or length is not as \
             stated, or the current reads high."
        )
    } else {
        format!("{by} should have {should}: it explains the {has} measured.")
    }
}

/// Why there are no ohms, and what would give them.
fn wanting(facts: &PathFacts) -> String {
    let logged = |role| facts.log.channel(role).is_some();
    if facts.path.from != Tap::Alternator {
        return "Only the drop: what this module or path draws is not known. A clamp on its feed, \
                read at the same load, divides into the drop and gives its ohms."
            .to_owned();
    }
    if logged(Role::AlternatorCurrent) {
        return "No ohms: the logged alternator current is too small here, or the drop falls as \
                it rises (the two taps swapped, or the current of something else). Log idle \
                and 2000 rpm with the loads off and on."
            .to_owned();
    }
    let battery = if logged(Role::BatteryCurrent) {
        " The battery's current is not it, for what the loads take flows here too."
    } else {
        ""
    };
    format!(
        "Only the drop: no current of the alternator is logged. A clamp on its output cable \
         (column alternator_current) would give the ohms.{battery}"
    )
}

/// With a cable but no current: the drop cannot be carried by more than this.
fn bound(worst: &LineDrop, cable: &Estimate, apart_v: f64) -> Option<String> {
    let high_v = worst.drop_v.value + worst.drop_v.half_width().hypot(apart_v);
    let most_a = high_v / cable.low;
    (high_v > 0.0 && most_a.is_finite()).then(|| {
        format!(
            "Through the stated cable alone ({}) the largest drop, {}, would mean at most {} \
             (inferred); any other resistance in the path means less.",
            MILLIOHM.told(cable),
            MILLIVOLT.told(&worst.drop_v),
            AMP.of(most_a)
        )
    })
}

/// "4 AWG over 3.2 m", and the ground's where both are in the path.
pub fn stated(side: Side, car: &Car) -> String {
    let runs = match side {
        Side::Loop => vec![&car.cable, &car.ground],
        Side::Supply => vec![&car.cable],
        Side::Ground => vec![&car.ground],
    };
    let runs: Vec<String> = runs.into_iter().flatten().map(ToString::to_string).collect();
    runs.join(" and ")
}
