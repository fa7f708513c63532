//! Reads one cell: a number, a switch word, or nothing.

use super::encoding::fold;
use super::units::Unit;

/// Reads a number with the given decimal mark. Thousands must be in whole groups of three; a
/// known unit may follow.
pub fn parse(cell: &str, decimal: u8) -> Option<f64> {
    parse_with_unit(cell, decimal).map(|(value, _)| value)
}

pub fn parse_with_unit(cell: &str, decimal: u8) -> Option<(f64, Option<Unit>)> {
    let cell = strip(cell);
    if let Some(value) = plain(cell, decimal) {
        return Some((value, None));
    }
    let end = cell
        .char_indices()
        .find(|&(_, c)| !is_number_char(c))
        .map_or(cell.len(), |(index, _)| index);
    let (digits, tail) = cell.split_at_checked(end)?;
    let tail = tail.trim();
    let unit = if tail.is_empty() { None } else { Some(Unit::parse(tail)?) };
    grouped(digits.trim(), decimal).map(|value| (value, unit))
}

/// Removes quotes and the `="…"` that spreadsheets put around numbers.
pub fn strip(cell: &str) -> &str {
    let cell = cell.trim();
    let cell = cell.strip_prefix("=\"").unwrap_or(cell);
    cell.trim_matches(|c: char| c == '"' || c == '\'' || c.is_whitespace())
}

fn is_number_char(c: char) -> bool {
    c.is_ascii_digit()
        || matches!(
            c,
            '.' | ',' | '+' | '-' | '\u{2212}' | '\'' | '’' | ' ' | '\u{a0}' | '\u{202f}'
        )
}

/// Reads digits with at most one decimal mark and an exponent.
pub fn plain(cell: &str, decimal: u8) -> Option<f64> {
    let bytes = cell.as_bytes();
    if bytes.is_empty() || bytes.len() > 40 {
        return None;
    }
    let digit = bytes.iter().any(u8::is_ascii_digit);
    let clean = bytes.iter().all(|&byte| {
        byte.is_ascii_digit() || byte == decimal || matches!(byte, b'+' | b'-' | b'e' | b'E')
    });
    if !digit || !clean {
        return None;
    }
    let value: f64 = if decimal == b'.' {
        cell.parse().ok()?
    } else {
        let mut buffer = [0u8; 40];
        for (to, &from) in buffer.iter_mut().zip(bytes) {
            *to = if from == decimal { b'.' } else { from };
        }
        std::str::from_utf8(buffer.get(..bytes.len())?).ok()?.parse().ok()?
    };
    value.is_finite().then_some(value)
}

fn grouped(digits: &str, decimal: u8) -> Option<f64> {
    let decimal = char::from(decimal);
    if digits.len() > 60 {
        return None;
    }
    let (sign, body) = match digits.strip_prefix(['-', '\u{2212}']) {
        Some(body) => (-1.0, body),
        None => (1.0, digits.strip_prefix('+').unwrap_or(digits)),
    };
    let (whole, fraction) = body.split_once(decimal).unwrap_or((body, ""));
    let is_digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    if !is_digits(fraction) || whole.len() + fraction.len() == 0 {
        return None;
    }
    let mark = whole.chars().find(|c| !c.is_ascii_digit());
    if matches!(mark, Some('+' | '-' | '\u{2212}')) || mark == Some(decimal) {
        return None;
    }
    let mut plain = String::with_capacity(digits.len());
    for (place, group) in whole.split(|c| Some(c) == mark).enumerate() {
        let fits = match (mark, place) {
            (None, _) => true,
            (Some(_), 0) => (1..=3).contains(&group.len()),
            (Some(_), _) => group.len() == 3,
        };
        if !fits || !is_digits(group) {
            return None;
        }
        plain.push_str(group);
    }
    let leading = if plain.is_empty() { "0" } else { "" };
    format!("{leading}{plain}.{fraction}").parse::<f64>().ok().map(|value| sign * value)
}

/// Words for "no value", in the languages that loggers and spreadsheets write.
const MISSING: [&str; 23] = [
    "nan", "-nan", "n/a", "na", "#n/a", "n.a.", "null", "none", "nil", "nodata", "no data",
    "missing", "k.a.", "n/d", "nd", "s/d", "b/d", "invalid", "#wert!", "#value!", "inv", "err",
    "error",
];

/// Whether a cell states that there is no value, rather than holding a wrong one.
pub fn is_missing(cell: &str) -> bool {
    let cell = strip(cell);
    if cell.is_empty() {
        return true;
    }
    if cell.len() > 12 {
        return false;
    }
    if cell.bytes().all(|b| matches!(b, b'-' | b'?' | b'.' | b'*')) || cell == "–" || cell == "—"
    {
        return true;
    }
    MISSING.contains(&cell.to_ascii_lowercase().as_str())
}

/// Meaning of a switch word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Switch {
    Off,
    /// Half speed if the channel also has an "off", otherwise the low level of a signal.
    Low,
    On,
}

impl Switch {
    pub fn duty(self, low_is_half: bool) -> f64 {
        match self {
            Switch::Low if low_is_half => 0.5,
            Switch::Off | Switch::Low => 0.0,
            Switch::On => 1.0,
        }
    }
}

/// On/off, true/false, yes/no and relay words in the languages of logs. A closed relay conducts.
pub fn switch(cell: &str) -> Option<Switch> {
    let cell = strip(cell);
    if cell.is_empty() || cell.len() > 20 || cell.bytes().any(|b| b.is_ascii_digit()) {
        return None;
    }
    let word = fold(cell);
    Some(match word.trim_end_matches('.') {
        // English
        "on" | "true" | "yes" | "y" | "t" | "high" | "closed" | "energized" | "energised" | "active"
        | "engaged" | "enabled" | "running" | "activated"
        // German
        | "ein" | "an" | "ja" | "wahr" | "aktiv" | "geschlossen" | "eingeschaltet" | "angezogen"
        // French
        | "oui" | "vrai" | "marche" | "actif" | "active(e)" | "ferme" | "allume" | "enclenche"
        // Spanish
        | "si" | "verdadero" | "encendido" | "encendida" | "activo" | "conectado" | "cerrado"
        // Italian
        | "vero" | "acceso" | "accesa" | "attivo" | "attiva" | "chiuso" | "inserito"
        // Portuguese
        | "sim" | "verdadeiro" | "ligado" | "ligada" | "ativo" | "fechado"
        // Dutch
        | "aan" | "waar" | "actief" | "gesloten" | "ingeschakeld"
        // Polish
        | "tak" | "prawda" | "wl" | "zal" | "wlaczony" | "wlaczone" | "zalaczony" | "zamkniety"
        | "zwarty"
        // Swedish, Czech
        | "pa" | "till" | "zap" | "zapnuto" | "ano"
        // Russian, Japanese, Chinese
        | "вкл" | "включено" | "включен" | "да" | "オン" | "入" | "开" | "开启" => Switch::On,
        "low" | "lo" | "niedrig" | "bas" | "bajo" | "basso" | "baixo" | "laag" | "niski" => Switch::Low,
        "off" | "false" | "no" | "n" | "f" | "open" | "de-energized" | "deenergized" | "inactive"
        | "disengaged" | "disabled" | "stopped" | "idle" | "deactivated"
        | "aus" | "nein" | "falsch" | "inaktiv" | "offen" | "ausgeschaltet" | "abgefallen"
        | "non" | "faux" | "arret" | "inactif" | "ouvert" | "eteint" | "declenche"
        | "falso" | "apagado" | "apagada" | "inactivo" | "desconectado" | "abierto"
        | "spento" | "spenta" | "inattivo" | "inattiva" | "aperto" | "disinserito"
        | "nao" | "desligado" | "desligada" | "inativo" | "aberto"
        | "uit" | "nee" | "onwaar" | "inactief" | "uitgeschakeld"
        | "nie" | "falsz" | "wyl" | "wylaczony" | "wylaczone" | "otwarty" | "rozwarty"
        | "av" | "fran" | "nej" | "vyp" | "vypnuto" | "ne"
        | "выкл" | "выключено" | "выключен" | "нет" | "オフ" | "切" | "关" | "关闭" => Switch::Off,
        _ => return None,
    })
}
