//! Words in the names of logs that are about the run and not the car.

/// Behind these a number counts cars.
pub const CAR: &[&str] = &[
    "car", "cars", "vehicle", "auto", "fahrzeug", "wagen", "voiture", "coche", "macchina", "авто",
];

/// Whether a word, in lower case, is about the run, or made of such words: "coldstart".
pub fn is_of_a_run(word: &str) -> bool {
    const SHORTEST_IN_COMPOUND: usize = 3;
    if RUN.contains(&word) {
        return true;
    }
    RUN.iter().any(|head| {
        head.len() >= SHORTEST_IN_COMPOUND
            && word
                .strip_prefix(head)
                .is_some_and(|tail| tail.len() >= SHORTEST_IN_COMPOUND && is_of_a_run(tail))
    })
}

#[rustfmt::skip]
const RUN: &[&str] = &[
    // the recording
    "log", "logs", "logger", "logging", "logged", "datalog", "data", "daten", "file", "csv", "txt",
    "export", "record", "recording", "rec", "trace", "capture", "scan", "scope", "session", "sample",
    "messung", "messwerte", "mesure", "mesures", "medida", "misura", "copy", "kopie", "copie",
    "copia", "part", "teil", "no", "nr", "number", "ch", "channel",
    // what joins words
    "of", "the", "to", "at", "in", "for", "from", "by", "my", "von", "vom", "der", "die", "das", "im",
    "de", "la", "le", "du", "del", "di",
    // the run
    "run", "runs", "lauf", "fahrt", "drive", "driving", "ride", "trip", "tour", "route", "test",
    "tests", "testing", "try", "attempt", "versuch", "essai", "prueba", "prova", "pass", "pull",
    "sweep", "ramp", "step", "steps", "stairs", "dyno", "roller", "rollers", "bench", "track",
    "street", "road", "home", "work", "highway", "motorway", "freeway", "city", "town", "autobahn", "stadt",
    "landstrasse", "traffic", "commute", "short", "long", "live", "quick",
    // heat
    "cold", "cool", "warm", "warmup", "hot", "heat", "soak", "soaked", "soaking", "kalt", "heiss",
    "heiß", "froid", "chaud", "frio", "caliente", "freddo", "caldo",
    // engine and speed
    "engine", "motor", "idle", "idling", "leerlauf", "ralenti", "start", "starting", "startup",
    "crank", "cranking", "stop", "stopped", "park", "parked", "parking", "standing", "still",
    "running", "rest", "resting", "rpm", "rev", "revs", "revving", "cruise", "cruising", "fast",
    "slow", "low", "mid", "high", "full", "half", "max", "min",
    // loads
    "load", "loads", "loaded", "unloaded", "last", "fan", "fans", "ac", "aircon", "blower", "lamp",
    "lamps", "light", "lights", "headlights", "heater", "heating", "pump", "pumps", "wipers",
    "stereo", "on", "off", "all", "none", "everything", "nothing", "with", "without", "and", "mit",
    "ohne", "und", "an", "aus", "ein", "alles",
    // the repair and its system
    "before", "after", "vorher", "nachher", "avant", "apres", "repair", "repaired", "fix", "fixed",
    "new", "old", "neu", "alt", "baseline", "base", "first", "second", "third", "final", "initial",
    "again", "repeat", "retest", "redo", "check", "battery", "alternator", "charge", "charging",
    "charged", "voltage", "volt", "volts", "current", "amps", "system", "good", "bad", "ok", "sunny",
    "rain", "rainy", "wet", "dry",
    // the day
    "day", "night", "morning", "noon", "afternoon", "evening", "today", "tag", "nacht", "morgen",
    "mittag", "abend", "am", "pm", "utc", "week", "woche",
    "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday", "mon", "tue", "wed",
    "thu", "fri", "sat", "sun", "montag", "dienstag", "mittwoch", "donnerstag", "freitag", "samstag",
    "sonntag", "lundi", "mardi", "mercredi", "jeudi", "vendredi", "samedi", "dimanche",
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december", "jan", "feb", "mar", "apr", "jun", "jul", "aug", "sep", "sept", "oct",
    "okt", "nov", "dec", "dez",
];
