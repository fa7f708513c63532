//! Reads a cable by gauge and length, `4AWG:3.2m`.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::physics::cable::awg_area_mm2;

/// Gauges of the American wire gauge that carry a car's charging current:
/// 4/0 (thickest) to 20.
const THICKEST_AWG: i32 = -3;
const THINNEST_AWG: i32 = 20;
/// Cross-sections used in cars, mm².
const AREAS_MM2: std::ops::RangeInclusive<f64> = 0.5..=240.0;
/// One-way lengths in vehicles, m.
const LENGTHS_M: std::ops::RangeInclusive<f64> = 0.05..=30.0;

/// Gauge of a copper cable.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Gauge {
    /// American wire gauge; 1/0 to 4/0 are 0 to −3.
    Awg(i32),
    Mm2(f64),
}

/// One run of cable, one way.
///
/// ```
/// use stiffbus::car::cable::{CableRun, Gauge};
/// let run: CableRun = "2/0awg:10ft".parse().unwrap();
/// assert_eq!(run.gauge, Gauge::Awg(-1));
/// assert!((run.length_m - 3.048).abs() < 1e-12);
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CableRun {
    pub gauge: Gauge,
    pub length_m: f64,
}

#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum CableError {
    #[error(
        "\"{0}\" is not a cable. Write GAUGE:LENGTH, as in 4AWG:3.2m, 25mm2:3.2m or 2/0AWG:10ft; the length is one way, from post to post"
    )]
    NoCable(String),
    #[error(
        "\"{0}\" is not a gauge. Allowed are 20AWG to 1AWG, 1/0AWG to 4/0AWG, or 0.5mm2 to 240mm2"
    )]
    NoGauge(String),
    #[error(
        "\"{0}\" is not a length. Allowed are 0.05 to 30 m, one way, as in 3.2m, 320cm, 10ft or 126in"
    )]
    NoLength(String),
}

impl Gauge {
    /// Cross-section of the copper.
    pub fn area_mm2(self) -> f64 {
        match self {
            Gauge::Awg(gauge) => awg_area_mm2(gauge),
            Gauge::Mm2(area_mm2) => area_mm2,
        }
    }
}

impl CableRun {
    /// Error for a length outside the limits, if it was not read by [`FromStr`].
    pub fn senseless(&self) -> Option<CableError> {
        let sane = LENGTHS_M.contains(&self.length_m);
        (!sane).then(|| CableError::NoLength(format!("{} m", self.length_m)))
    }
}

impl fmt::Display for Gauge {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        match self {
            Gauge::Awg(gauge) if *gauge <= 0 => write!(f, "{}/0 AWG", 1 - gauge),
            Gauge::Awg(gauge) => write!(f, "{gauge} AWG"),
            Gauge::Mm2(area_mm2) => write!(f, "{area_mm2} mm²"),
        }
    }
}

/// "4 AWG over 3.2 m"
impl fmt::Display for CableRun {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let length = format!("{:.2}", self.length_m);
        write!(f, "{} over {} m", self.gauge, length.trim_end_matches('0').trim_end_matches('.'))
    }
}

impl FromStr for Gauge {
    type Err = CableError;

    fn from_str(text: &str) -> Result<Self, CableError> {
        let wrong = || CableError::NoGauge(text.trim().to_owned());
        let bare: String = text.to_lowercase().chars().filter(|c| !c.is_whitespace()).collect();
        if let Some(number) = bare.strip_suffix("awg").or_else(|| bare.strip_prefix("awg")) {
            let gauge = awg(number).ok_or_else(wrong)?;
            let known = (THICKEST_AWG..=THINNEST_AWG).contains(&gauge);
            return if known { Ok(Gauge::Awg(gauge)) } else { Err(wrong()) };
        }
        let units = ["mm2", "mm²", "mm^2", "sqmm", "qmm"];
        let number = units.iter().find_map(|unit| bare.strip_suffix(unit)).ok_or_else(wrong)?;
        let area_mm2 = decimal(number).filter(|a| AREAS_MM2.contains(a)).ok_or_else(wrong)?;
        Ok(Gauge::Mm2(area_mm2))
    }
}

impl TryFrom<String> for Gauge {
    type Error = CableError;

    fn try_from(text: String) -> Result<Self, CableError> {
        text.parse()
    }
}

impl From<Gauge> for String {
    fn from(gauge: Gauge) -> String {
        match gauge {
            Gauge::Awg(gauge) if gauge <= 0 => format!("{}/0AWG", 1 - gauge),
            Gauge::Awg(gauge) => format!("{gauge}AWG"),
            Gauge::Mm2(area_mm2) => format!("{area_mm2}mm2"),
        }
    }
}

impl FromStr for CableRun {
    type Err = CableError;

    fn from_str(text: &str) -> Result<Self, CableError> {
        let (gauge, length) =
            text.split_once(':').ok_or_else(|| CableError::NoCable(text.trim().to_owned()))?;
        Ok(CableRun { gauge: gauge.parse()?, length_m: length_m(length)? })
    }
}

/// "4", "2/0", and also "00" for 2/0.
fn awg(number: &str) -> Option<i32> {
    let whole = |digits: &str| -> Option<i32> {
        digits.bytes().all(|b| b.is_ascii_digit()).then(|| digits.parse().ok()).flatten()
    };
    if let Some(zeros) = number.strip_suffix("/0") {
        return whole(zeros).filter(|n| *n >= 1).and_then(|n| 1i32.checked_sub(n));
    }
    if !number.is_empty() && number.bytes().all(|b| b == b'0') {
        return i32::try_from(number.len()).ok().map(|zeros| 1 - zeros);
    }
    whole(number)
}

fn length_m(text: &str) -> Result<f64, CableError> {
    let wrong = || CableError::NoLength(text.trim().to_owned());
    let bare: String = text.to_lowercase().chars().filter(|c| !c.is_whitespace()).collect();
    let units = [("mm", 0.001), ("cm", 0.01), ("m", 1.0), ("ft", 0.3048), ("in", 0.0254)];
    let (number, metres) = units
        .iter()
        .find_map(|(unit, metres)| Some((bare.strip_suffix(unit)?, *metres)))
        .ok_or_else(wrong)?;
    let length_m = decimal(number).ok_or_else(wrong)? * metres;
    LENGTHS_M.contains(&length_m).then_some(length_m).ok_or_else(wrong)
}

/// Digits with at most one point or comma, without sign or exponent.
fn decimal(text: &str) -> Option<f64> {
    let text = text.replace(',', ".");
    let plain = text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    plain.then(|| text.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gauge(text: &str) -> Result<Gauge, CableError> {
        text.parse()
    }

    #[test]
    fn gauges_as_people_write_them() {
        for (text, found) in [
            ("4AWG", Gauge::Awg(4)),
            ("4 awg", Gauge::Awg(4)),
            ("AWG 4", Gauge::Awg(4)),
            ("0AWG", Gauge::Awg(0)),
            ("1/0AWG", Gauge::Awg(0)),
            ("2/0 Awg", Gauge::Awg(-1)),
            ("00AWG", Gauge::Awg(-1)),
            ("4/0awg", Gauge::Awg(-3)),
            ("25mm2", Gauge::Mm2(25.0)),
            ("25 MM²", Gauge::Mm2(25.0)),
            ("2,5mm2", Gauge::Mm2(2.5)),
            ("35sqmm", Gauge::Mm2(35.0)),
        ] {
            assert_eq!(gauge(text), Ok(found), "{text}");
        }
    }

    #[test]
    fn what_is_no_gauge_is_told_with_what_is_allowed() {
        for text in
            ["", "4", "25", "AWG", "/0AWG", "0/0AWG", "5/0AWG", "21AWG", "-4AWG", "4.5AWG", "mm2"]
        {
            let said = gauge(text).expect_err(text).to_string();
            assert!(said.starts_with(&format!("\"{text}\"")), "{said}");
            assert!(said.contains("20AWG") && said.contains("mm2"), "{said}");
        }
        for text in ["0mm2", "1e3mm2", "infmm2", "nanmm2", "-25mm2", "2.5.0mm2", "900mm2"] {
            assert!(gauge(text).is_err(), "{text}");
        }
        for text in ["99999999999999AWG", "99999999999/0AWG", &format!("{}AWG", "0".repeat(99))] {
            assert!(gauge(text).is_err(), "{text}");
        }
    }

    /// An international foot is 0.3048 m and an inch 0.0254 m, exactly.
    #[test]
    fn lengths_in_the_units_of_the_trade() {
        for (text, metres) in [
            ("4AWG:3.2m", 3.2),
            ("4AWG: 3,2 M", 3.2),
            ("4AWG:320cm", 3.2),
            ("4AWG:3200mm", 3.2),
            ("4AWG:10ft", 3.048),
            ("4AWG:100in", 2.54),
        ] {
            let run: CableRun = text.parse().expect(text);
            assert!((run.length_m - metres).abs() < 1e-12, "{text}: {}", run.length_m);
        }
        for text in ["4AWG:", "4AWG:3.2", "4AWG:0m", "4AWG:-3m", "4AWG:31m", "4AWG:m"] {
            assert!(matches!(text.parse::<CableRun>(), Err(CableError::NoLength(_))), "{text}");
        }
        assert!(matches!("4AWG".parse::<CableRun>(), Err(CableError::NoCable(_))));
        assert!(matches!("3.2m:4AWG".parse::<CableRun>(), Err(CableError::NoGauge(_))));
    }

    #[test]
    fn a_gauge_is_written_as_it_is_read() {
        for text in ["4AWG", "1/0AWG", "4/0AWG", "25mm2", "2.5mm2"] {
            let gauge = gauge(text).expect(text);
            assert_eq!(String::from(gauge), text);
        }
        let run: CableRun = "2/0AWG:3.20m".parse().expect("a cable");
        assert_eq!(run.to_string(), "2/0 AWG over 3.2 m");
    }
}
