//! Units as loggers write them, and their conversion to the units of the log.

use super::encoding::fold;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Unit {
    Volt,
    Millivolt,
    Amp,
    Milliamp,
    Celsius,
    Fahrenheit,
    Kelvin,
    Rpm,
    ThousandRpm,
    Hertz,
    Percent,
    Hour,
    Minute,
    Second,
    Millisecond,
    Microsecond,
    Day,
    /// A known unit of a quantity that this tool does not use: km/h, kPa, …
    Other,
}

/// `value × scale + offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Affine {
    pub scale: f64,
    pub offset: f64,
}

impl Affine {
    pub const SAME: Affine = Affine { scale: 1.0, offset: 0.0 };

    pub fn apply(self, value: f64) -> f64 {
        value * self.scale + self.offset
    }
}

impl Unit {
    pub fn word(self) -> &'static str {
        match self {
            Unit::Volt => "V",
            Unit::Millivolt => "mV",
            Unit::Amp => "A",
            Unit::Milliamp => "mA",
            Unit::Celsius => "°C",
            Unit::Fahrenheit => "°F",
            Unit::Kelvin => "K",
            Unit::Rpm => "rpm",
            Unit::ThousandRpm => "rpm×1000",
            Unit::Hertz => "Hz",
            Unit::Percent => "%",
            Unit::Hour => "h",
            Unit::Minute => "min",
            Unit::Second => "s",
            Unit::Millisecond => "ms",
            Unit::Microsecond => "µs",
            Unit::Day => "d",
            Unit::Other => "other",
        }
    }

    /// Conversion to V, A, °C or rpm. Times and shares are converted where they are read.
    pub fn to_canonical(self) -> Affine {
        let scale = |scale| Affine { scale, offset: 0.0 };
        match self {
            Unit::Millivolt | Unit::Milliamp => scale(1e-3),
            Unit::Fahrenheit => Affine { scale: 5.0 / 9.0, offset: -160.0 / 9.0 },
            Unit::Kelvin => Affine { scale: 1.0, offset: -273.15 },
            Unit::ThousandRpm => scale(1000.0),
            Unit::Hertz => scale(60.0),
            _ => Affine::SAME,
        }
    }

    /// Seconds in one, for units of time.
    pub fn seconds(self) -> Option<f64> {
        Some(match self {
            Unit::Day => 86_400.0,
            Unit::Hour => 3600.0,
            Unit::Minute => 60.0,
            Unit::Second => 1.0,
            Unit::Millisecond => 1e-3,
            Unit::Microsecond => 1e-6,
            _ => return None,
        })
    }

    /// Reads a unit as written in brackets, in a units row or after a number.
    pub fn parse(text: &str) -> Option<Unit> {
        let text =
            text.trim().trim_matches(|c| matches!(c, '(' | ')' | '[' | ']' | '"' | '<' | '>'));
        let text = text.trim();
        if text.is_empty() || text.len() > 24 {
            return None;
        }
        // Case is ignored: M and m differ only here.
        let folded = fold(text).replace([' ', '.', '\u{a0}'], "");
        let folded = folded.replace(['º', '˚'], "°").replace(['µ', 'μ'], "u");
        Some(match folded.as_str() {
            "v" | "volt" | "volts" | "vdc" | "wolt" | "в" | "вольт" | "voltios" | "vcc"
            | "v(dc)" => Unit::Volt,
            "mv" | "мв" | "millivolt" | "millivolts" => Unit::Millivolt,
            "a" | "amp" | "amps" | "ampere" | "amperes" | "adc" | "amperios" => Unit::Amp,
            "ma" | "milliamp" | "milliamps" => Unit::Milliamp,
            "°c" | "c" | "度" | "degc" | "deg_c" | "celsius" | "oc" | "gradc" | "°celsius"
            | "℃" => Unit::Celsius,
            "°f" | "f" | "degf" | "deg_f" | "fahrenheit" | "℉" => Unit::Fahrenheit,
            "k" | "kelvin" | "degk" | "°k" => Unit::Kelvin,
            "rpm" | "1/min" | "u/min" | "min-1" | "min^-1" | "min⁻¹" | "/min" | "tr/min"
            | "trs/min" | "g/min" | "giri/min" | "obr/min" | "rev/min" | "r/min" | "omw/min"
            | "rpm/min" | "об/мин" | "回転/分" | "转/分" | "t/min" | "tpm" | "upm" | "revs"
            | "varv/min" => Unit::Rpm,
            "rpmx1000" | "rpm*1000" | "rpm×1000" | "x1000" | "x1000rpm" | "×1000rpm" | "×1000"
            | "1000rpm" | "krpm" | "1000/min" | "x1000/min" | "x10001/min" | "rpm/1000"
            | "1/minx1000" | "10^3rpm" | "u/minx1000" => Unit::ThousandRpm,
            "hz" | "hertz" | "1/s" | "rps" => Unit::Hertz,
            "%" | "pct" | "percent" | "prozent" | "proc" | "pour cent" | "duty" => Unit::Percent,
            "h" | "hr" | "hrs" | "hour" | "hours" => Unit::Hour,
            "min" | "mins" | "minute" | "minutes" => Unit::Minute,
            "s" | "sec" | "secs" | "second" | "seconds" | "sek" | "sekunden" | "secondes"
            | "segundos" | "secondi" | "с" | "сек" | "秒" => Unit::Second,
            "ms" | "мс" | "ミリ秒" | "毫秒" | "msec" | "msecs" | "millis" | "milliseconds"
            | "millisecond" | "mls" => Unit::Millisecond,
            "us" | "usec" | "micros" | "microseconds" | "microsecond" => Unit::Microsecond,
            "d" | "days" | "day" => Unit::Day,
            "km/h" | "kmh" | "kph" | "mph" | "kpa" | "bar" | "mbar" | "psi" | "g/s" | "kg/h"
            | "l/h" | "deg" | "°" | "nm" | "kw" | "w" | "hp" | "ps" | "afr" | "l" | "l/100km"
            | "m" | "km" | "g" | "ohm" | "ω" | "kohm" | "inhg" | "hpa" | "m/s" | "mg" | "kg"
            | "lambda" | "λ" | "°ca" | "°btdc" | "ah" | "wh" | "gps" | "mi" | "ft" | "cc"
            | "gal" => Unit::Other,
            _ => return None,
        })
    }

    /// Reads a unit at the end of a name, such as after `_`: only those that are unlikely to be a
    /// word.
    pub fn parse_suffix(token: &str) -> Option<Unit> {
        match token.to_ascii_lowercase().as_str() {
            "v" | "mv" | "a" | "ma" | "c" | "f" | "k" | "degc" | "degf" | "rpm" | "hz" | "pct"
            | "percent" | "s" | "ms" | "us" | "sec" | "min" | "volts" | "amps" | "volt"
            | "krpm" | "kmh" | "kph" | "mph" | "kpa" | "psi" | "bar" | "°c" | "°f" | "deg"
            | "seconds" | "millis" | "micros" | "%" | "mbar" | "msec" | "usec" | "secs"
            | "rpm×1000" => Unit::parse(token),
            _ => None,
        }
    }
}
