//! Kinds of battery: rest voltage, charge acceptance and voltage limits.
//!
//! All values are common practice, no source, for six cells of lead-acid at 25 °C, and for
//! the four cells of lithium iron phosphate that stand in for them.

use std::fmt;
use std::str::FromStr;
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::levels;
use crate::nominal::PerCell;
use crate::physics::interpolate::MonotoneCubic;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BatteryKind {
    #[default]
    Flooded,
    /// Enhanced flooded, for cars that stop and start.
    Efb,
    /// Glass mat.
    Agm,
    Gel,
    /// Lithium iron phosphate, four cells.
    LiFePo4,
}

use BatteryKind::{Agm, Efb, Flooded, Gel, LiFePo4};

/// Rest voltage by state of charge (0 to 1), hours after charging.
pub type RestTable = &'static [(f64, f64)];

const FLOODED: RestTable =
    &[(0.0, 11.90), (0.25, 12.06), (0.50, 12.24), (0.75, 12.45), (1.0, 12.65)];
/// Somewhat stronger acid.
const ENHANCED: RestTable =
    &[(0.0, 11.95), (0.25, 12.12), (0.50, 12.31), (0.75, 12.52), (1.0, 12.72)];
const SEALED: RestTable =
    &[(0.0, 11.80), (0.25, 12.10), (0.50, 12.36), (0.75, 12.62), (1.0, 12.85)];
/// Flat between: its voltage hardly depends on its charge.
const LITHIUM_IRON: RestTable = &[
    (0.0, 11.60),
    (0.1, 12.85),
    (0.25, 13.06),
    (0.50, 13.17),
    (0.75, 13.28),
    (0.95, 13.34),
    (1.0, 13.50),
];

static CURVES: LazyLock<[Option<MonotoneCubic>; 5]> =
    LazyLock::new(|| BatteryKind::ALL.map(|kind| MonotoneCubic::new(kind.rest_table()).ok()));

impl BatteryKind {
    pub const ALL: [BatteryKind; 5] = [Flooded, Efb, Agm, Gel, LiFePo4];

    /// As it is written in `car.toml` and after `--battery`.
    pub fn word(self) -> &'static str {
        match self {
            Flooded => "flooded",
            Efb => "efb",
            Agm => "agm",
            Gel => "gel",
            LiFePo4 => "lifepo4",
        }
    }

    /// As a report calls it.
    pub fn name(self) -> &'static str {
        match self {
            Flooded => "flooded",
            Efb => "EFB",
            Agm => "AGM",
            Gel => "gel",
            LiFePo4 => "LiFePO4",
        }
    }

    pub fn rest_table(self) -> RestTable {
        match self {
            Flooded => FLOODED,
            Efb => ENHANCED,
            Agm | Gel => SEALED,
            LiFePo4 => LITHIUM_IRON,
        }
    }

    fn curve(self) -> Option<&'static MonotoneCubic> {
        CURVES.get(self as usize).and_then(Option::as_ref)
    }

    /// Rest voltage in V at a state of charge of 0 to 1: the table, monotone between its
    /// rows.
    pub fn rest_voltage_v(self, state_of_charge: f64) -> f64 {
        self.curve().map_or(f64::NAN, |curve| curve.at(state_of_charge))
    }

    /// State of charge (0 to 1) from the rest voltage: 0 or 1 outside the table.
    pub fn state_of_charge(self, rest_v: f64) -> f64 {
        self.curve().map_or(f64::NAN, |curve| curve.inverse(rest_v))
    }

    /// A battery held lower than this gets almost no charge.
    pub fn charged(self) -> PerCell {
        match self {
            Flooded | Efb => levels::CHARGED,
            Agm | Gel => levels::CHARGED_SEALED,
            LiFePo4 => levels::CHARGED_LITHIUM,
        }
    }

    /// At rest under this, it is half empty or worse.
    pub fn low_rest(self) -> PerCell {
        match self {
            Flooded | Efb => levels::LOW_REST,
            Agm | Gel => levels::LOW_REST_SEALED,
            LiFePo4 => levels::LOW_REST_LITHIUM,
        }
    }

    /// Held over this, it is overcharged.
    pub fn overcharged(self) -> PerCell {
        match self {
            Flooded | Efb | Agm => levels::OVERCHARGE,
            Gel => levels::OVERCHARGE_GEL,
            LiFePo4 => levels::OVERCHARGE_LITHIUM,
        }
    }

    /// Resistance over that of a flooded battery of the same size.
    pub fn resistance_share(self) -> f64 {
        match self {
            Flooded => 1.0,
            Efb => 0.85,
            Agm => 0.7,
            Gel => 1.0,
            LiFePo4 => 0.6,
        }
    }

    /// Resistance to charging over that of a flooded battery of the same size.
    pub fn acceptance_share(self) -> f64 {
        match self {
            Flooded => 1.0,
            Efb => 0.6,
            Agm => 0.4,
            Gel => 0.8,
            LiFePo4 => 0.05,
        }
    }

    /// Surface charge over that of a flooded battery.
    pub fn surface_share(self) -> f64 {
        match self {
            Flooded | Efb | Agm | Gel => 1.0,
            LiFePo4 => 0.2,
        }
    }
}

impl fmt::Display for BatteryKind {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl FromStr for BatteryKind {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wanted = text.trim().to_lowercase();
        let known = BatteryKind::ALL.into_iter().find(|kind| kind.word() == wanted);
        known.ok_or_else(|| {
            format!("{text:?} is not a kind of battery: flooded, efb, agm, gel or lifepo4")
        })
    }
}

/// Whose test the cold-cranking amps on a label are of. All are at −18 °C and hold a
/// voltage for a while; they differ in both.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum CrankingStandard {
    /// SAE J537: 30 s, not below 7.2 V (from memory).
    #[serde(rename = "SAE")]
    Sae,
    /// EN 50342-1: 10 s, not below 7.5 V (from memory).
    #[serde(rename = "EN")]
    En,
    /// DIN 43539-2: 30 s, not below 9.0 V (from memory).
    #[serde(rename = "DIN")]
    Din,
    /// IEC 60095-1: 60 s, not below 8.4 V (from memory).
    #[serde(rename = "IEC")]
    Iec,
}

impl CrankingStandard {
    pub const ALL: [CrankingStandard; 4] =
        [CrankingStandard::Sae, CrankingStandard::En, CrankingStandard::Din, CrankingStandard::Iec];

    /// The voltage that its test ends at, of six cells.
    pub fn end_v(self) -> f64 {
        match self {
            CrankingStandard::Sae => 7.2,
            CrankingStandard::En => 7.5,
            CrankingStandard::Din => 9.0,
            CrankingStandard::Iec => 8.4,
        }
    }

    /// Amps by SAE J537 of a battery of equal resistance with `cca_a` by this standard.
    pub fn in_sae(self, cca_a: f64) -> f64 {
        let sag_v = |standard: CrankingStandard| super::CCA_REST_V - standard.end_v();
        cca_a * sag_v(CrankingStandard::Sae) / sag_v(self)
    }

    pub fn word(self) -> &'static str {
        match self {
            CrankingStandard::Sae => "SAE",
            CrankingStandard::En => "EN",
            CrankingStandard::Din => "DIN",
            CrankingStandard::Iec => "IEC",
        }
    }
}

impl FromStr for CrankingStandard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let known = CrankingStandard::ALL.into_iter();
        let mut known = known.filter(|standard| standard.word().eq_ignore_ascii_case(text.trim()));
        known.next().ok_or_else(|| format!("{text:?} is not a standard: SAE, EN, DIN or IEC"))
    }
}
