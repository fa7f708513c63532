//! The usual cautions: work on a charging system can burn and hurt.

use crate::diagnosis::Finding;

const ALWAYS: &[&str] = &[
    "Hot engine, moving belt, fans that start on their own: keep hands, sleeves and leads clear; the fan can run with the ignition off.",
    "The cable from the battery to the alternator carries hundreds of amps into a short: disconnect the battery's negative terminal before touching it, and fuse it at the battery end.",
    "A charging battery gives off gas that explodes: ventilate, no sparks or flames, eye protection on.",
    "Never disconnect the battery or the alternator while the engine runs: the surge (load dump) destroys electronics.",
    "These numbers support a licensed technician's judgement and local codes; they do not replace either, nor the makers' sheets.",
];

/// Those for every log.
pub fn usual() -> Vec<String> {
    ALWAYS.iter().map(|&caution| caution.to_owned()).collect()
}

/// Those for every log, and those that its findings call for.
pub fn cautions(findings: &[Finding]) -> Vec<String> {
    let raised = |id: &str| findings.iter().any(|f| f.id == id);
    let mut cautions: Vec<&str> = Vec::new();
    if raised("setpoint-high") {
        cautions.push("An overcharged battery boils and gasses: stop driving until the regulator is mended, and do not lean over it.");
    }
    if raised("drop-outs") {
        cautions.push("A loose battery or alternator connection arcs and can raise the bus to many times its voltage: do not drive on it.");
    }
    if raised("belt-slip") || raised("dips-on-acceleration") {
        cautions.push(
            "Belts and tensioners bite: engine stopped and key out before a hand goes near one.",
        );
    }
    if raised("line-drop-high") || raised("module-wiring") {
        cautions.push("A connection that drops volts makes heat: feel for it with the engine stopped, and replace burnt insulation.");
    }
    cautions.extend(ALWAYS);
    cautions.into_iter().map(str::to_owned).collect()
}
