//! The usual cautions for work on a charging system.

use crate::diagnosis::{Finding, Severity};

const ALWAYS: &[&str] = &[
    "Hot engine, moving belt, fans that start on their own, even with the ignition off: keep hands, sleeves and leads clear.",
    "The charge cable carries hundreds of amps into a short circuit: disconnect the negative battery terminal before working on it, and fuse it at the battery.",
    "A charging battery gives off gas that explodes: ventilate, no sparks or flames, eye protection on.",
    "Never disconnect the battery or the alternator while the engine runs: the surge (load dump) destroys electronics.",
    "These numbers support a licensed technician and local codes. They replace neither, nor the maker's data sheets.",
];

/// Those for every log.
pub fn usual() -> Vec<String> {
    ALWAYS.iter().map(|&caution| caution.to_owned()).collect()
}

/// Why the car must not be driven, where a finding shows it.
pub fn danger(findings: &[Finding]) -> Option<String> {
    let raised = |id: &str| findings.iter().any(|f| f.id == id && f.severity > Severity::Note);
    let danger = if raised("drop-outs") {
        "Do not drive: a loose battery or alternator connection arcs and can raise the voltage to many times its normal value."
    } else if raised("setpoint-high") {
        "Do not drive: an overcharged battery boils and gives off explosive gas. Do not lean over it."
    } else {
        return None;
    };
    Some(danger.to_owned())
}

/// Those for every log, and those that its findings call for.
pub fn cautions(findings: &[Finding]) -> Vec<String> {
    let raised = |id: &str| findings.iter().any(|f| f.id == id);
    let mut cautions: Vec<&str> = Vec::new();
    if raised("belt-slip") || raised("dips-on-acceleration") {
        cautions.push(
            "Belts and tensioners can crush fingers: engine stopped and key out before reaching near one.",
        );
    }
    if raised("line-drop-high") || raised("module-wiring") {
        cautions.push("A connection that loses voltage gets hot: check it with the engine stopped, and replace burnt insulation.");
    }
    cautions.extend(ALWAYS);
    cautions.into_iter().map(str::to_owned).collect()
}
