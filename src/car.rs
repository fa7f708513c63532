//! Facts about the car that logs do not contain, from `car.toml` beside the log or from flags.

mod acceptance;
pub mod cable;
mod job;
mod sense;

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::files::read_at_most;
use crate::format::{plain, shown};
use crate::levels;
use crate::nominal::Nominal;
use crate::physics::battery::CrankingStandard;
use crate::physics::load::LoadKind;

use crate::ingest::{IngestError, RequestError, Sheet, Stated, nearest, role_from_word};
use cable::CableRun;

pub use crate::physics::battery::BatteryKind;

pub use acceptance::{Acceptance, AcceptanceFacts, AskedHeat};
pub use job::Job;
pub use sense::sense;

/// Name of the file beside a log.
pub const CAR_FILE: &str = "car.toml";

/// Temperatures at which a battery can start an engine.
pub const BATTERY_RANGE_C: std::ops::RangeInclusive<f64> = -45.0..=80.0;

/// Error text for a temperature outside of [`BATTERY_RANGE_C`].
pub fn not_of_a_battery(stated: impl std::fmt::Display) -> String {
    format!("{stated} is not a battery temperature: expected −45 to 80 °C")
}

/// Such a file is short; a longer one is something else.
const MOST_BYTES: u64 = 1 << 20;

/// Key in [`Car::loads_a`] for everything that is on whenever the engine runs.
pub const ALWAYS_ON: &str = "always on";

/// Everything that can be stated. All of it is optional.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Car {
    /// Role word to column name, as `--column role=NAME`; see [`crate::ingest::RoleRequest`].
    pub columns: BTreeMap<String, Names>,
    pub battery: BatteryFacts,
    pub alternator: AlternatorFacts,
    /// The charging cable, one way, from alternator post to battery positive.
    pub cable: Option<CableRun>,
    /// The way back, one way, from battery negative to alternator case.
    pub ground: Option<CableRun>,
    /// Current of each load by its name, and of what is [`ALWAYS_ON`].
    pub loads_a: BTreeMap<String, LoadAmps>,
    /// Current of the starter while it turns the engine.
    pub starter_a: Option<f64>,
    /// Setpoint of the regulator, if known from a data sheet.
    pub setpoint_v: Option<f64>,
    /// Nominal voltage, if not to be inferred from the levels.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nominal_v: Option<Nominal>,
    /// Agreed acceptance criteria, if not the default ones.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub acceptance: Option<AcceptanceFacts>,
    #[serde(skip_serializing_if = "Job::is_empty")]
    pub job: Job,
}

/// One column name or several (loads).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Names {
    One(String),
    Many(Vec<String>),
}

/// Current of a load and the voltage at which it was measured, else [`levels::REFERENCE`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "LoadWords", into = "LoadWords")]
pub struct LoadAmps {
    pub amps_a: f64,
    pub stated_at_v: Option<f64>,
}

/// As in `car.toml`: 31 or "31@13.5".
#[derive(Serialize, Deserialize)]
#[serde(untagged, expecting = "amps, or amps at a voltage such as \"31@13.5\"")]
enum LoadWords {
    Amps(f64),
    At(String),
}

impl LoadAmps {
    /// Used for a load without stated current.
    pub const AT_LARGE: LoadAmps = LoadAmps { amps_a: 13.0, stated_at_v: None };

    /// At the reference voltage.
    pub fn new(amps_a: f64) -> LoadAmps {
        LoadAmps { amps_a, stated_at_v: None }
    }

    /// Current of the load called `name` at `volts`, as a share of its stated current.
    pub fn share_at(&self, name: &str, volts: f64, nominal: Nominal) -> f64 {
        (volts.max(0.0) / self.at_v(nominal)).powf(LoadAmps::kind_of(name).exponent())
    }

    /// The voltage at which its current is stated.
    pub fn at_v(&self, nominal: Nominal) -> f64 {
        self.stated_at_v.unwrap_or(nominal.volts(levels::REFERENCE))
    }

    /// How a load of that name depends on voltage: lamps about V^0.5; motors and heaters, which
    /// make up most of a car's loads, about V (common practice, no source).
    pub fn kind_of(name: &str) -> LoadKind {
        let name = name.to_lowercase();
        let lamps = ["lamp", "light"].iter().any(|word| name.contains(word));
        if lamps { LoadKind::Lamp } else { LoadKind::Resistive }
    }
}

/// "31", "31 A", "31@13.5", "31A @ 13.5V".
impl FromStr for LoadAmps {
    type Err = String;

    fn from_str(text: &str) -> Result<LoadAmps, String> {
        let number = |text: &str, unit: [char; 2]| -> Result<f64, String> {
            let bare = text.trim().trim_end_matches(unit).trim_end();
            match bare.replace(',', ".").parse::<f64>() {
                Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
                _ => Err(format!("{bare:?} is not a number over 0")),
            }
        };
        let (amps, volts) = text.split_once('@').map_or((text, None), |(a, v)| (a, Some(v)));
        let stated_at_v = volts.map(|volts| number(volts, ['V', 'v'])).transpose()?;
        // The nominal voltage is not known yet.
        let [low, high] = levels::LOAD_RANGE;
        let range_v = Nominal::V6.volts(low)..=Nominal::V24.volts(high);
        if let Some(at_v) = stated_at_v.filter(|at_v| !range_v.contains(at_v)) {
            return Err(format!(
                "{at_v} V is not an operating voltage of a load in a 6, 12 or 24 V car"
            ));
        }
        Ok(LoadAmps { amps_a: number(amps, ['A', 'a'])?, stated_at_v })
    }
}

impl TryFrom<LoadWords> for LoadAmps {
    type Error = String;

    fn try_from(words: LoadWords) -> Result<LoadAmps, String> {
        match words {
            LoadWords::Amps(amps_a) => Ok(LoadAmps::new(amps_a)),
            LoadWords::At(text) => text.parse(),
        }
    }
}

impl From<LoadAmps> for LoadWords {
    fn from(load: LoadAmps) -> LoadWords {
        match load.stated_at_v {
            Some(at_v) => LoadWords::At(format!("{}@{at_v}", load.amps_a)),
            None => LoadWords::Amps(load.amps_a),
        }
    }
}

#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BatteryFacts {
    /// Cold-cranking amps,
    pub cca_a: Option<f64>,
    /// … by this standard.
    pub cca_standard: Option<CrankingStandard>,
    pub capacity_ah: Option<f64>,
    pub kind: Option<BatteryKind>,
    /// Temperature of the electrolyte during the log, if not logged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
}

/// What charges the battery.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum ChargerKind {
    /// With a field that its regulator controls.
    #[serde(rename = "alternator")]
    Alternator,
    /// With a cut-out relay: disconnected below its cut-in speed.
    #[serde(rename = "dc generator")]
    DcGenerator,
    /// With a regulator that shunts or blocks excess output. Not supported.
    #[serde(rename = "permanent magnet")]
    PermanentMagnet,
}

impl ChargerKind {
    pub fn words(self) -> &'static str {
        match self {
            ChargerKind::Alternator => "alternator",
            ChargerKind::DcGenerator => "DC generator",
            ChargerKind::PermanentMagnet => "permanent-magnet alternator",
        }
    }
}

#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AlternatorFacts {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<ChargerKind>,
    pub rated_a: Option<f64>,
    /// Alternator speed over engine speed.
    pub pulley_ratio: Option<f64>,
    /// Output sheet, a CSV; in a `car.toml` relative to its folder.
    pub curve: Option<PathBuf>,
    /// Test voltage and temperature of the sheet, if it does not state them.
    pub curve_v: Option<f64>,
    pub curve_c: Option<f64>,
    /// Content of `curve`: see [`Car::read_sheet`].
    #[serde(skip)]
    pub sheet: Option<Sheet>,
}

/// Why a `car.toml` cannot be used: the file, the line, what is allowed.
#[derive(Debug, Error)]
pub enum CarError {
    #[error("{}: cannot be read ({source}). Check the path and that it is readable.", shown(.path))]
    Unreadable { path: PathBuf, source: std::io::Error },
    #[error("{}, line {line}: {seen}. Allowed are the tables [columns], [battery] (cca_a, cca_standard = \"SAE\", \"EN\", \"DIN\" or \"IEC\", capacity_ah, kind = \"flooded\", \"efb\", \"agm\", \"gel\" or \"lifepo4\", temperature_c), [alternator] (kind = \"alternator\" or \"dc generator\", rated_a, pulley_ratio, curve = \"file.csv\", curve_v, curve_c), [cable] and [ground] (gauge = \"4AWG\" or \"25mm2\", length_m), [loads_a] (load = amps, or \"amps@volts\"), [acceptance] (loads = [\"load\"], hold_s, within_v, heat = \"hot\", \"warm\" or \"any\", least_setpoint_v, most_setpoint_v), [job] (shop = [\"name\", \"address\"], customer, vehicle, work_order, parts = [\"part\"], technician, remarks), and before them starter_a, setpoint_v and nominal_v (6, 12 or 24).", shown(.path))]
    Wrong { path: PathBuf, line: usize, seen: String },
    #[error(transparent)]
    Sheet(#[from] IngestError),
}

impl Car {
    /// Reads a `car.toml`.
    pub fn load(path: &Path) -> Result<Car, CarError> {
        let unreadable = |source| CarError::Unreadable { path: path.to_path_buf(), source };
        let bytes = read_at_most(path, MOST_BYTES).map_err(unreadable)?;
        let text = String::from_utf8(bytes).map_err(|error| unreadable(io::Error::other(error)))?;
        let mut car = Car::parse(path, &text)?;
        if let (Some(curve), Some(folder)) = (&mut car.alternator.curve, path.parent()) {
            *curve = folder.join(&*curve);
        }
        Ok(car)
    }

    /// Same as [`Car::load`], for text in memory. `path` is only the name of the file, and the
    /// path of a sheet is not changed.
    pub fn parse(path: &Path, text: &str) -> Result<Car, CarError> {
        let text = text.trim_start_matches('\u{feff}');
        let wrong = |line, seen: String| CarError::Wrong { path: path.to_path_buf(), line, seen };
        let car: Car = toml::from_str(text).map_err(|error| {
            let upto = error.span().and_then(|span| text.get(..span.start)).unwrap_or("");
            wrong(upto.matches('\n').count() + 1, plain(error.message().trim_end_matches('.')))
        })?;
        if let Some((name, seen)) = car.senseless() {
            let line = text.lines().position(|line| names_key(line, &name)).map_or(1, |at| at + 1);
            return Err(wrong(line, plain(&seen)));
        }
        Ok(car)
    }

    /// Reads the alternator's output sheet, if one is named.
    pub fn read_sheet(&mut self) -> Result<(), CarError> {
        let AlternatorFacts { curve, curve_v, curve_c, sheet, .. } = &mut self.alternator;
        let stated = Stated { test_v: *curve_v, test_c: *curve_c };
        *sheet = curve.as_deref().map(|path| Sheet::read(path, stated)).transpose()?;
        Ok(())
    }

    /// The `car.toml` in the folder of the log, if there is one.
    pub fn beside(log_path: &Path) -> Result<Option<(PathBuf, Car)>, CarError> {
        let folder = match log_path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        let path = folder.join(CAR_FILE);
        if !path.is_file() {
            return Ok(None);
        }
        let car = Car::load(&path)?;
        Ok(Some((path, car)))
    }

    /// What charges the battery: as stated, or as usual for the nominal voltage. 6 V vehicles are
    /// older than the alternator (common practice, no source).
    pub fn charger(&self, nominal: Nominal) -> ChargerKind {
        self.alternator.kind.unwrap_or(match nominal {
            Nominal::V6 => ChargerKind::DcGenerator,
            Nominal::V12 | Nominal::V24 => ChargerKind::Alternator,
        })
    }

    /// Renames the loads with stated current to the spelling in `loads`. Returns the names that
    /// are not in `loads`.
    pub fn name_loads(&mut self, loads: &[String]) -> Vec<String> {
        let mut unknown = Vec::new();
        self.loads_a = std::mem::take(&mut self.loads_a)
            .into_iter()
            .map(|(name, amps)| {
                let wanted = name.trim().to_lowercase();
                match loads.iter().find(|load| load.trim().to_lowercase() == wanted) {
                    Some(load) => (load.clone(), amps),
                    None if wanted == ALWAYS_ON => (wanted, amps),
                    None => {
                        unknown.push(name.clone());
                        (name, amps)
                    }
                }
            })
            .collect();
        unknown
    }

    /// Notice for currents of loads that the log does not have.
    pub fn loads_not_logged(&self, loads: &[String]) -> Option<String> {
        const SHOWN: usize = 5;
        let is_known = |name: &str| {
            let name = name.trim().to_lowercase();
            name == ALWAYS_ON || loads.iter().any(|load| load.trim().to_lowercase() == name)
        };
        let unknown: Vec<&str> =
            self.loads_a.keys().map(String::as_str).filter(|name| !is_known(name)).collect();
        if unknown.is_empty() {
            return None;
        }
        let shown = unknown.iter().take(SHOWN).map(|name| {
            let near = nearest(name, loads.iter().map(String::as_str));
            let near = near.map_or(String::new(), |near| format!(" (did you mean \"{near}\"?)"));
            format!("\"{name}\"{near}")
        });
        let mut shown: Vec<String> = shown.collect();
        if unknown.len() > SHOWN {
            shown.push(format!("{} more", unknown.len() - SHOWN));
        }
        let has = match loads {
            [] => "this log has no loads",
            _ => "this log does not have them",
        };
        Some(plain(&format!("amps are stated for {} but not used: {has}", shown.join(", "))))
    }

    /// A key with an impossible value, and what is wrong with it.
    pub fn senseless(&self) -> Option<(String, String)> {
        let facts = [
            ("cca_a", self.battery.cca_a),
            ("capacity_ah", self.battery.capacity_ah),
            ("rated_a", self.alternator.rated_a),
            ("pulley_ratio", self.alternator.pulley_ratio),
            ("curve_v", self.alternator.curve_v),
            ("starter_a", self.starter_a),
            ("setpoint_v", self.setpoint_v),
        ];
        let facts = facts.into_iter().filter_map(|(name, value)| Some((name.to_owned(), value?)));
        let loads = self.loads_a.iter().map(|(name, amps)| (name.clone(), amps.amps_a));
        if let Some((name, value)) =
            facts.chain(loads).find(|(_, value)| !(value.is_finite() && *value > 0.0))
        {
            return Some((name.clone(), format!("{name} = {value} is not an amount above 0")));
        }
        let cables = [&self.cable, &self.ground].into_iter().flatten();
        if let Some(wrong) = cables.into_iter().find_map(CableRun::senseless) {
            return Some(("length_m".to_owned(), wrong.to_string()));
        }
        if let Some((name, seen)) =
            self.acceptance.as_ref().and_then(|a| a.senseless(self.nominal_v))
        {
            return Some((name.to_owned(), seen));
        }
        if let Some(value) = self.alternator.curve_c.filter(|c| !(-60.0..=200.0).contains(c)) {
            let seen = format!("curve_c = {value} is not a test temperature, in °C");
            return Some(("curve_c".to_owned(), seen));
        }
        let battery_c = self.battery.temperature_c;
        if let Some(value) = battery_c.filter(|c| !BATTERY_RANGE_C.contains(c)) {
            let seen = not_of_a_battery(format_args!("temperature_c = {value}"));
            return Some(("temperature_c".to_owned(), seen));
        }
        let word = self.columns.keys().find(|word| role_from_word(word).is_none())?;
        Some((word.clone(), RequestError::NoRole(word.clone()).to_string()))
    }
}

/// The line of a TOML file that sets `key`, quoted or bare.
fn names_key(line: &str, key: &str) -> bool {
    line.split_once('=').is_some_and(|(left, _)| left.trim().trim_matches(['"', '\'']) == key)
}
