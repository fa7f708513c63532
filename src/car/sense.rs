//! The kind of a load, judging by its name: a fan is a fan in every log.

use crate::ingest::Words;

/// Kinds of loads and their words in several languages; the first kind that fits is used. For the
/// patterns see [`Words::find`].
const SENSES: [(&str, &str); 9] = [
    (
        "blower",
        "blower, geblase, geblaese, souffl, soffiant, soplador, dmuchaw, aanjager, heater fan, \
         cabin fan, ブロワ",
    ),
    (
        "AC",
        "=ac, aircon, air con, climat, =clim, klima, compressor, kompressor, compresseur, \
         compresor, compressore, sprezark, airco, кондицион, エアコン, 空调",
    ),
    (
        "fan",
        "=fan, =fans, ^fan, radfan, cooling fan, lufter, luefter, ventilat, ventilad, ventola, \
         ventoinha, wentylator, =gmv, flakt, вентилят, ファン, 风扇",
    ),
    (
        "lamps",
        "lamp, =light, =lights, headlight, licht, scheinwerfer, =phare, =phares, =feux, =faro, \
         =faros, =fari, farol, farois, =luce, =luci, =luz, =luces, =luzes, verlichting, \
         swiatl, reflektor, beam, abblend, belysning, stralkastare, =фары, =свет, ライト, 大灯",
    ),
    ("pump", "pump, pompe, bomba, pompa, =pomp, насос, ポンプ"),
    ("screen heater", "defrost, demist, defog, degivr, lunotto, luneta, desempan, heckscheib"),
    ("seat heater", "seat, sitz, siege, sedile, asiento"),
    ("wipers", "wiper, wischer, essuie, tergi, limpia, wisser, wycieracz"),
    ("sound", "stereo, =audio, amplifier"),
];

/// "fan" for "Lüfter Relais"; `None` if the kind is unknown.
pub fn sense(name: &str) -> Option<&'static str> {
    let words = Words::of(name);
    SENSES.iter().find(|(_, patterns)| words.has(patterns)).map(|(sense, _)| *sense)
}
