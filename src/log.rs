//! One recording after ingest: the input of every later stage.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDateTime;
use polars::prelude::{DataFrame, PolarsResult};
use serde::{Deserialize, Serialize};

use crate::nominal::Nominal;

/// Where on the bus a voltage is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Tap {
    Battery,
    Alternator,
    Module,
}

/// Where a temperature is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Place {
    Coolant,
    Intake,
    Alternator,
    Ambient,
    Battery,
}

/// What a column means. Each role except `Load` and `Ignored` has at most one column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    Time,
    Voltage(Tap),
    EngineRpm,
    AlternatorRpm,
    Load,
    AlternatorCurrent,
    BatteryCurrent,
    /// Between the alternator's case or the engine and the battery's negative post.
    GroundDrop,
    Temperature(Place),
    Note,
    /// Not used; the column's `why` explains it.
    Ignored,
}

impl Tap {
    pub const ALL: [Tap; 3] = [Tap::Battery, Tap::Alternator, Tap::Module];

    pub fn word(self) -> &'static str {
        match self {
            Tap::Battery => "battery",
            Tap::Alternator => "alternator",
            Tap::Module => "module",
        }
    }
}

impl Place {
    pub const ALL: [Place; 5] =
        [Place::Coolant, Place::Intake, Place::Alternator, Place::Ambient, Place::Battery];

    pub fn word(self) -> &'static str {
        match self {
            Place::Coolant => "coolant",
            Place::Intake => "intake",
            Place::Alternator => "alternator",
            Place::Ambient => "ambient",
            Place::Battery => "battery",
        }
    }
}

impl Role {
    /// The role in flags, `car.toml` and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Role::Time => "time",
            Role::Voltage(_) => "voltage",
            Role::EngineRpm => "engine_rpm",
            Role::AlternatorRpm => "alternator_rpm",
            Role::Load => "load",
            Role::AlternatorCurrent => "alternator_current",
            Role::BatteryCurrent => "battery_current",
            Role::GroundDrop => "ground_drop",
            Role::Temperature(_) => "temperature",
            Role::Note => "note",
            Role::Ignored => "ignored",
        }
    }

    /// Name of the frame column with this role, with its unit. For loads see
    /// [`Log::load_key`].
    pub fn key(self) -> String {
        match self {
            Role::Time => "time_s".into(),
            Role::Voltage(tap) => format!("voltage_{}_v", tap.word()),
            Role::EngineRpm => "engine_rpm".into(),
            Role::AlternatorRpm => "alternator_rpm".into(),
            Role::AlternatorCurrent => "alternator_current_a".into(),
            Role::BatteryCurrent => "battery_current_a".into(),
            Role::GroundDrop => "ground_drop_v".into(),
            Role::Temperature(place) => format!("temperature_{}_c", place.word()),
            Role::Load | Role::Note | Role::Ignored => self.word().into(),
        }
    }
}

/// One column of the file and how it was used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Column {
    /// The name in the file's header, without its unit.
    pub name: String,
    /// [`Role::word`].
    pub role: String,
    /// The tap of a voltage or the place of a temperature.
    pub tap: Option<String>,
    /// Unit in the file, as stated or inferred.
    pub unit: Option<String>,
    /// Why it has this role: name, unit, values, or a flag.
    pub why: String,
}

/// Rows left out for one reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Skipped {
    pub reason: String,
    pub count: usize,
    /// Line in the file, from 1.
    pub first_line: usize,
}

/// A cell with an unreadable value.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BadCell {
    pub line: usize,
    pub column: String,
    pub found: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Span {
    pub start_s: f64,
    pub end_s: f64,
}

impl Span {
    pub fn seconds(&self) -> f64 {
        self.end_s - self.start_s
    }

    pub fn middle_s(&self) -> f64 {
        (self.start_s + self.end_s) / 2.0
    }

    pub fn contains(&self, t_s: f64) -> bool {
        self.start_s <= t_s && t_s <= self.end_s
    }
}

/// Account of how the file was read, and of everything that was left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// File name without its folder.
    pub file: String,
    pub sha256: String,
    /// "UTF-8", "UTF-16LE", "windows-1252", …
    pub encoding: String,
    /// "comma", "semicolon", "tab", "pipe", "space", "none" (one column).
    pub separator: String,
    /// '.' or ','.
    pub decimal: char,
    /// Line of the header in the file, from 1; `None` if the file has none.
    pub header_line: Option<usize>,
    /// How the clock was read: "seconds", "milliseconds", "h:mm:ss", "ISO 8601", …
    pub clock: String,
    /// The column or columns of the clock.
    #[serde(default)]
    pub clock_columns: Vec<String>,
    /// Other columns that behave like clocks.
    #[serde(default)]
    pub clock_candidates: Vec<ClockCandidate>,
    /// Nominal voltage of the system, 6, 12 or 24 V,
    #[serde(default)]
    pub nominal_v: Nominal,
    /// … and how it is known: from the levels, or who stated it.
    #[serde(default)]
    pub nominal_how: String,
    /// Wall-clock time of the first sample, if known.
    pub started_at: Option<NaiveDateTime>,
    pub rows_read: usize,
    pub rows_skipped: Vec<Skipped>,
    /// Number of unreadable cells, and the first of them.
    pub bad_cells: usize,
    pub bad_cells_first: Vec<BadCell>,
    pub duration_s: f64,
    /// Median time between samples.
    pub sample_interval_s: f64,
    /// 1.4826 × median absolute deviation of the interval.
    pub jitter_s: f64,
    /// Resolution of the bus voltage; `None` if noise hides it.
    pub resolution_v: Option<f64>,
    pub gaps: Vec<Span>,
    /// Choices that a person may want to override, with the flag to use.
    pub notices: Vec<String>,
}

/// Another column that behaves like a clock.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClockCandidate {
    pub name: String,
    pub why: String,
}

/// A remark at some time, by the logger or a person.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Note {
    pub at_s: f64,
    pub text: String,
}

/// Additional information from marks made by hand.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Marks {
    /// When the engine runs, if marks say so and engine speed is not logged.
    pub engine_running: Option<Vec<Span>>,
    /// Marks that were moved to the response of the voltage.
    pub moved: Vec<MovedMark>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct MovedMark {
    pub load: String,
    /// As marked.
    pub marked_s: f64,
    /// As moved.
    pub at_s: f64,
}

impl MovedMark {
    /// "1.8 s earlier"
    pub fn distance(&self) -> String {
        let late_s = self.at_s - self.marked_s;
        format!("{:.1} s {}", late_s.abs(), if late_s < 0.0 { "earlier" } else { "later" })
    }
}

/// A log in its final form. `time_s` starts at 0 and strictly increases. Every other column is
/// `Float64` of the same length in V, rpm, A, °C, or duty from 0 to 1, with NaN where the file
/// has no value. Battery current is positive while charging.
#[derive(Debug, Clone)]
pub struct Log {
    pub source: Source,
    pub columns: Vec<Column>,
    pub notes: Vec<Note>,
    /// The tap used as the bus.
    pub bus: Tap,
    pub marks: Marks,
    frame: DataFrame,
    load_names: Vec<String>,
    raw: Option<RawLog>,
}

/// The logger's samples, kept beside a log of their block averages.
#[derive(Debug, Clone)]
pub struct RawLog {
    /// The log as recorded.
    pub log: Arc<Log>,
    /// Number of samples per average.
    pub each: usize,
    /// Time between averages.
    pub interval_s: f64,
    /// By frame column: mean square deviation of the samples from each average.
    pub within: BTreeMap<String, Vec<f64>>,
}

impl Log {
    /// `frame` holds columns named by [`Role::key`] and [`Log::load_key`], without nulls. Fails if
    /// `time_s` or the bus voltage is missing or a column is not `Float64`.
    pub fn new(
        source: Source,
        columns: Vec<Column>,
        notes: Vec<Note>,
        bus: Tap,
        mut frame: DataFrame,
    ) -> PolarsResult<Log> {
        frame.rechunk_mut();
        for column in frame.columns() {
            column.f64()?.cont_slice()?;
        }
        frame.column("time_s")?;
        frame.column(&Role::Voltage(bus).key())?;
        let load_names = frame
            .get_column_names()
            .iter()
            .filter_map(|name| name.strip_prefix("load:").map(str::to_owned))
            .collect();
        let marks = Marks::default();
        Ok(Log { source, columns, notes, bus, marks, frame, load_names, raw: None })
    }

    /// The same log with block averages in `frame`.
    pub fn averaged(&self, frame: DataFrame, raw: RawLog) -> PolarsResult<Log> {
        let (columns, notes) = (self.columns.clone(), self.notes.clone());
        let log = Log::new(self.source.clone(), columns, notes, self.bus, frame)?;
        Ok(Log { raw: Some(raw), marks: self.marks.clone(), ..log })
    }

    /// The logger's own samples, if this log holds block averages.
    pub fn raw(&self) -> Option<&RawLog> {
        self.raw.as_ref()
    }

    /// The log with the logger's own samples.
    pub fn as_sampled(&self) -> &Log {
        self.raw.as_ref().map_or(self, |raw| &raw.log)
    }

    /// Usual time between the samples of this log; `source` has that of the logger.
    pub fn interval_s(&self) -> f64 {
        self.raw.as_ref().map_or(self.source.sample_interval_s, |raw| raw.interval_s)
    }

    /// Number of the logger's samples per sample of this log.
    pub fn each(&self) -> usize {
        self.raw.as_ref().map_or(1, |raw| raw.each)
    }

    /// Gaps at the sampling interval of this log.
    pub fn gaps(&self) -> Vec<Span> {
        let least_s = self.raw.as_ref().map_or(0.0, |raw| 5.0 * raw.interval_s);
        self.source.gaps.iter().filter(|gap| gap.seconds() >= least_s).copied().collect()
    }

    /// Nominal voltage, to which all fixed voltages scale.
    pub fn nominal(&self) -> Nominal {
        self.source.nominal_v
    }

    /// The frame column of the load called `name`.
    pub fn load_key(name: &str) -> String {
        format!("load:{name}")
    }

    pub fn frame(&self) -> &DataFrame {
        &self.frame
    }

    pub fn len(&self) -> usize {
        self.frame.height()
    }

    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    fn slice(&self, key: &str) -> Option<&[f64]> {
        // `new` has checked type and layout of every column.
        self.frame.column(key).ok()?.f64().ok()?.cont_slice().ok()
    }

    pub fn time_s(&self) -> &[f64] {
        self.slice("time_s").unwrap_or(&[])
    }

    /// The voltage to which the verdict applies.
    pub fn bus_v(&self) -> &[f64] {
        self.slice(&Role::Voltage(self.bus).key()).unwrap_or(&[])
    }

    /// The channel with this role, if any.
    pub fn channel(&self, role: Role) -> Option<&[f64]> {
        self.slice(&role.key())
    }

    /// Every column with its frame name, in order.
    pub fn channels(&self) -> impl Iterator<Item = (&str, &[f64])> {
        self.frame.columns().iter().filter_map(|column| {
            Some((column.name().as_str(), column.f64().ok()?.cont_slice().ok()?))
        })
    }

    pub fn engine_rpm(&self) -> Option<&[f64]> {
        self.channel(Role::EngineRpm)
    }

    pub fn load_names(&self) -> &[String] {
        &self.load_names
    }

    /// Duty (0 to 1) of the load called `name`.
    pub fn load(&self, name: &str) -> Option<&[f64]> {
        self.slice(&Self::load_key(name))
    }
}
