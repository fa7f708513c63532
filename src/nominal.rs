//! Nominal voltage of the system, and the scaling of voltages with the number of cells.
//!
//! Logs keep their real voltages. Every fixed voltage is defined once in [`crate::levels`] and
//! scaled to the cells of the log by [`Nominal::volts`]. Halving is exact in binary arithmetic,
//! so that a 6 V car has exactly the same results as a 12 V car with the same currents.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// A lead-acid battery of 3, 6 or 12 cells. In JSON: 6, 12 or 24.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(try_from = "f64", into = "u8")]
pub enum Nominal {
    V6,
    #[default]
    V12,
    V24,
}

/// A fixed voltage (or voltage per second or per degree) that scales with the number of cells.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct PerCell {
    six_cells_v: f64,
}

impl PerCell {
    /// From the voltage of six cells, as in standards.
    pub const fn of_six(volts: f64) -> PerCell {
        PerCell { six_cells_v: volts }
    }

    /// Volts of six cells.
    pub const fn at_12_v(self) -> f64 {
        self.six_cells_v
    }

    /// Volts of one cell.
    pub const fn per_cell_v(self) -> f64 {
        self.six_cells_v / 6.0
    }
}

/// Why a level fits none of the supported systems.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unsupported {
    /// That of a mild hybrid.
    V48,
    /// Between two systems, in volts.
    Between(u8, u8),
    TooLow,
    TooHigh,
}

/// Median of the powered samples by system, from a flat battery without charging to overcharging:
/// 1.5 to 2.83 V per cell (common practice, no source).
const MEDIANS_V: [(Nominal, f64, f64); 3] =
    [(Nominal::V6, 4.5, 8.5), (Nominal::V12, 9.5, 17.0), (Nominal::V24, 19.0, 34.0)];
/// A mild hybrid's battery (48 V), discharged to charging (common practice, no source).
const MILD_HYBRID_V: (f64, f64) = (36.0, 60.0);

impl Nominal {
    pub const ALL: [Nominal; 3] = [Nominal::V6, Nominal::V12, Nominal::V24];

    pub const fn nominal_v(self) -> u8 {
        match self {
            Nominal::V6 => 6,
            Nominal::V12 => 12,
            Nominal::V24 => 24,
        }
    }

    /// Cells in series.
    pub const fn cells(self) -> u32 {
        self.nominal_v() as u32 / 2
    }

    /// Number of cells relative to a 12 V battery: 0.5, 1 or 2. Voltages and resistances at equal
    /// current scale with it.
    pub const fn over_12_v(self) -> f64 {
        match self {
            Nominal::V6 => 0.5,
            Nominal::V12 => 1.0,
            Nominal::V24 => 2.0,
        }
    }

    /// A fixed voltage for this system.
    pub const fn volts(self, level: PerCell) -> f64 {
        self.over_12_v() * level.six_cells_v
    }

    /// Converts a voltage or resistance to that of a 12 V car with the same currents.
    pub const fn as_12_v(self, value: f64) -> f64 {
        value / self.over_12_v()
    }

    /// Converts a voltage or resistance from that of a 12 V car with the same currents.
    pub const fn from_12_v(self, value: f64) -> f64 {
        self.over_12_v() * value
    }

    /// The system whose battery has this median voltage while the logger is powered.
    pub fn of_median(median_v: f64) -> Result<Nominal, Unsupported> {
        let found = MEDIANS_V.iter().find(|(_, low, high)| (*low..*high).contains(&median_v));
        match (found, median_v) {
            (Some((nominal, ..)), _) => Ok(*nominal),
            (None, v) if (MILD_HYBRID_V.0..=MILD_HYBRID_V.1).contains(&v) => Err(Unsupported::V48),
            (None, v) if (8.5..9.5).contains(&v) => Err(Unsupported::Between(6, 12)),
            (None, v) if (17.0..19.0).contains(&v) => Err(Unsupported::Between(12, 24)),
            (None, v) if v > 19.0 => Err(Unsupported::TooHigh),
            _ => Err(Unsupported::TooLow),
        }
    }

    /// Whether a median is possible if this system is stated: 1.3 to 3 V per cell.
    pub fn allows(self, median_v: f64) -> bool {
        (1.3..3.0).contains(&(median_v / f64::from(self.cells())))
    }

    /// Converts the voltages in a sentence about a 12 V system, such as "over 15.0 V" or "13.8 to
    /// 14.7 V".
    pub fn in_words(self, text: &str) -> String {
        if self == Nominal::V12 {
            return text.to_owned();
        }
        let mut converted = String::new();
        let mut rest = text;
        while let Some((before, after)) = rest.split_once(" V") {
            let is_unit = !after.starts_with(|c: char| c.is_alphanumeric() || c == '/');
            let (head, last) = split_number(before);
            match is_unit.then(|| self.scaled(last)).flatten() {
                Some(volts) => {
                    // "13.8 to 14.7 V"
                    let head = head.strip_suffix(" to ").map_or(head.to_owned(), |range| {
                        let (head, first) = split_number(range);
                        let first = self.scaled(first).unwrap_or_else(|| first.to_owned());
                        format!("{head}{first} to ")
                    });
                    converted.push_str(&format!("{head}{volts} V"));
                }
                None => converted.push_str(&format!("{before} V")),
            }
            rest = after;
        }
        converted + rest
    }

    /// Converts "15.0" to "7.5" or "30.0".
    fn scaled(self, number: &str) -> Option<String> {
        let decimals = number.split_once('.').map_or(0, |(_, fraction)| fraction.len());
        let volts = self.from_12_v(number.parse::<f64>().ok()?);
        let finer = if self == Nominal::V6 { (decimals + 1).min(2) } else { decimals };
        let converted = format!("{volts:.finer$}");
        let spare = finer > decimals && converted.ends_with('0');
        Some(if spare {
            converted[..converted.len() - 1].trim_end_matches('.').to_owned()
        } else {
            converted
        })
    }
}

/// Splits off the number at the end of a text.
fn split_number(text: &str) -> (&str, &str) {
    let head = text.trim_end_matches(|c: char| c.is_ascii_digit() || c == '.');
    text.split_at(head.len())
}

/// "24 V"
impl fmt::Display for Nominal {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{} V", self.nominal_v())
    }
}

impl From<Nominal> for u8 {
    fn from(nominal: Nominal) -> u8 {
        nominal.nominal_v()
    }
}

impl TryFrom<f64> for Nominal {
    type Error = String;

    fn try_from(volts: f64) -> Result<Nominal, String> {
        let known = Nominal::ALL.into_iter().find(|n| f64::from(n.nominal_v()) == volts);
        known.ok_or_else(|| format!("{volts} is not a nominal voltage: write 6, 12 or 24"))
    }
}

/// "6", "24 V".
impl FromStr for Nominal {
    type Err = String;

    fn from_str(text: &str) -> Result<Nominal, String> {
        let bare = text.trim().trim_end_matches(['V', 'v']).trim_end();
        let known = Nominal::ALL.into_iter().find(|n| n.nominal_v().to_string() == bare);
        known.ok_or_else(|| format!("{text:?} is not a nominal voltage: write 6, 12 or 24"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::levels;

    #[test]
    fn volts_go_with_the_cells() {
        let at = |nominal: Nominal| nominal.volts(levels::OVERCHARGE);
        assert_eq!(Nominal::ALL.map(at), [7.5, 15.0, 30.0]);
        assert_eq!(Nominal::ALL.map(Nominal::cells), [3, 6, 12]);
        assert!((levels::OVERCHARGE.per_cell_v() - 2.5).abs() < 1e-12);
    }

    #[test]
    fn levels_name_the_system() {
        use Nominal::*;
        // Rest and charging, from discharged to overcharged.
        let known = [
            (5.2, V6),
            (6.4, V6),
            (7.1, V6),
            (8.2, V6),
            (9.9, V12),
            (12.6, V12),
            (14.4, V12),
            (16.5, V12),
            (20.5, V24),
            (25.2, V24),
            (28.4, V24),
            (33.0, V24),
        ];
        for (median_v, nominal) in known {
            assert_eq!(Nominal::of_median(median_v), Ok(nominal), "{median_v} V");
        }
        for (median_v, why) in [
            (3.7, Unsupported::TooLow),
            (9.0, Unsupported::Between(6, 12)),
            (18.0, Unsupported::Between(12, 24)),
            (36.5, Unsupported::V48),
            (48.0, Unsupported::V48),
            (52.0, Unsupported::V48),
            (72.0, Unsupported::TooHigh),
        ] {
            assert_eq!(Nominal::of_median(median_v), Err(why), "{median_v} V");
        }
    }

    #[test]
    fn sentences_name_the_volts_of_the_system() {
        let text = "Over 15.0 V condemns it; 0.5 V: cable; 13.8 to 14.7 V is usual, 12.65 V full, \
                    14 V there. AC Volts 3 Vx, 20 mV.";
        let six = "Over 7.5 V condemns it; 0.25 V: cable; 6.9 to 7.35 V is usual, 6.33 V full, \
                   7 V there. AC Volts 3 Vx, 20 mV.";
        let twenty_four = "Over 30.0 V condemns it; 1.0 V: cable; 27.6 to 29.4 V is usual, \
                           25.30 V full, 28 V there. AC Volts 3 Vx, 20 mV.";
        assert_eq!(Nominal::V6.in_words(text), six);
        assert_eq!(Nominal::V12.in_words(text), text);
        assert_eq!(Nominal::V24.in_words(text), twenty_four);
    }

    #[test]
    fn it_is_read_from_flags_and_json() {
        assert_eq!("6".parse(), Ok(Nominal::V6));
        assert_eq!(" 24 V".parse(), Ok(Nominal::V24));
        assert!("48".parse::<Nominal>().is_err_and(|e| e.contains("6, 12 or 24")));
        assert_eq!(serde_json::to_string(&Nominal::V6).expect("a number"), "6");
        assert_eq!(serde_json::from_str::<Nominal>("24").expect("known"), Nominal::V24);
        assert!(serde_json::from_str::<Nominal>("36").is_err());
    }
}
