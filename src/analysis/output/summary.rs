//! The curve in a few sentences.

use crate::diagnosis::{OutputPoint, SheetStanding};
use crate::format::{AMP, PERCENT, RPM};
use crate::log::{Log, Role};

/// "1,990 alternator rpm", as far as it is known.
pub fn speed(point: &OutputPoint) -> Option<String> {
    match (point.alternator_rpm, point.engine_rpm) {
        (Some(rpm), _) => Some(format!("{} alternator rpm", RPM.bare(rpm))),
        (None, Some(rpm)) => Some(format!("{} engine rpm", RPM.bare(rpm))),
        (None, None) => None,
    }
}

fn at_speed(point: &OutputPoint) -> String {
    speed(point).map_or_else(String::new, |speed| format!(" at {speed}"))
}

pub fn statement(
    points: &[OutputPoint],
    has_sheet: bool,
    standing: Option<SheetStanding>,
    follows_loads: bool,
    log: &Log,
) -> String {
    let full = || points.iter().filter(|p| p.full_output);
    let mut said = vec![match (full().next(), full().next_back()) {
        (Some(slowest), Some(fastest)) => {
            let first = format!(
                "At full output the alternator makes {}{}",
                AMP.told(&slowest.amps_a),
                at_speed(slowest)
            );
            if slowest.spans == fastest.spans {
                format!("{first}.")
            } else {
                format!("{first} and {}{}.", AMP.told(&fastest.amps_a), at_speed(fastest))
            }
        }
        _ => match points.iter().max_by(|a, b| a.amps_a.value.total_cmp(&b.amps_a.value)) {
            Some(most) => format!(
                "The alternator was not seen at full output: it can make at least {}{}; this log does not show how much more.",
                AMP.told(&most.amps_a),
                at_speed(most)
            ),
            None => String::new(),
        },
    }];
    if follows_loads {
        said.push(
            "The bus is below its setpoint, but the current follows the loads and not the speed: the cable between the alternator's post and the voltage tap loses volts, or the regulator limits the output. Log the voltage at its post.".to_owned(),
        );
    }
    let shares: Vec<&OutputPoint> = full().filter(|p| p.share_of_sheet.is_some()).collect();
    let telling = shares.iter().max_by(|a, b| a.seconds.total_cmp(&b.seconds));
    if let Some((point, share)) = telling.and_then(|p| Some((p, p.share_of_sheet.as_ref()?))) {
        let percent = |share: f64| PERCENT.bare(100.0 * share);
        let word = match standing {
            Some(SheetStanding::Below) => {
                "less than its sheet promises, by more than heat and voltage explain"
            }
            Some(SheetStanding::Meets) => {
                "it meets it, as far as heat and voltage show; it needs more capacity or speed"
            }
            _ => "whether it meets its sheet is not sure",
        };
        // What a reader with a sheet in hand asks first.
        let verdict = format!(
            "The alternator makes {} % ({} to {} %, {}) of its sheet{}: {word}.",
            percent(share.value),
            percent(share.low),
            percent(share.high),
            share.grade.word(),
            at_speed(point)
        );
        said.insert(0, verdict);
    } else if has_sheet && full().next().is_some() {
        said.push(match full().any(|p| p.alternator_rpm.is_some()) {
            true => "None of it lies between the points of the sheet.".to_owned(),
            false => {
                "Without alternator speed it cannot be compared with its data sheet.".to_owned()
            }
        });
    }
    let no_alternator_speed = points.iter().all(|p| p.alternator_rpm.is_none());
    if no_alternator_speed && log.channel(Role::EngineRpm).is_some() {
        said.push(
            "Told against engine speed: the pulley ratio is not known. Log alternator speed, or state pulley_ratio under [alternator] in car.toml.".to_owned(),
        );
    }
    said.join(" ")
}
