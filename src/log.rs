//! One recording after ingest: the one thing every later stage reads.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDateTime;
use polars::prelude::{DataFrame, PolarsResult};
use serde::{Deserialize, Serialize};

use crate::nominal::Nominal;

/// Where on the bus a voltage is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Tap {
    Battery,
    Alternator,
    Module,
}

/// Where a temperature is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Place {
    Coolant,
    Intake,
    Alternator,
    Ambient,
    Battery,
}

/// What a column means. Each role but `Load` and `Ignored` is held by one column at most.
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
    /// Seen and not used; the column's `why` says why.
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
    /// The role's word as flags, `car.toml` and JSON spell it.
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

    /// The name of the frame column that holds this role, unit last. Loads are
    /// told apart by name: see [`Log::load_key`].
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

/// One column of the file and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Column {
    /// The name in the file's header, without its unit.
    pub name: String,
    /// [`Role::word`].
    pub role: String,
    /// The tap of a voltage or the place of a temperature.
    pub tap: Option<String>,
    /// The unit the file uses, as found or inferred; the log itself is in SI-like units.
    pub unit: Option<String>,
    /// Why this role: name, unit, values, or a flag.
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

/// A cell that could not be read as what its column holds.
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

/// The account of how the file was read: nothing is dropped that is not told here.
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
    /// Line of the header in the file, from 1; `None` where the file has none.
    pub header_line: Option<usize>,
    /// How the clock was read: "seconds", "milliseconds", "h:mm:ss", "ISO 8601", "sample rate given", …
    pub clock: String,
    /// The column or columns that the time came from.
    #[serde(default)]
    pub clock_columns: Vec<String>,
    /// The other columns that run like clocks.
    #[serde(default)]
    pub clock_candidates: Vec<ClockCandidate>,
    /// Nominal voltage of the system, 6, 12 or 24 V,
    #[serde(default)]
    pub nominal_v: Nominal,
    /// … and how that is known: from the levels, or who stated it.
    #[serde(default)]
    pub nominal_how: String,
    /// Wall-clock time of the first sample, where the file tells it.
    pub started_at: Option<NaiveDateTime>,
    pub rows_read: usize,
    pub rows_skipped: Vec<Skipped>,
    /// Cells that should have been numbers and were not: all counted, the first ones listed.
    pub bad_cells: usize,
    pub bad_cells_first: Vec<BadCell>,
    pub duration_s: f64,
    /// Median time between samples.
    pub sample_interval_s: f64,
    /// 1.4826 × median absolute deviation of the interval.
    pub jitter_s: f64,
    /// Quantisation step of the bus voltage; `None` where it is finer than the noise shows.
    pub resolution_v: Option<f64>,
    pub gaps: Vec<Span>,
    /// Choices made while reading that a person may want to overrule, with the flag that does.
    pub notices: Vec<String>,
}

/// A column that also runs like a clock and was not taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClockCandidate {
    pub name: String,
    pub why: String,
}

/// A remark the logger or a person wrote at a moment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Note {
    pub at_s: f64,
    pub text: String,
}

/// What marks made by hand add to a log besides its load channels.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Marks {
    /// When the engine runs, where marks say so and no engine speed is logged.
    pub engine_running: Option<Vec<Span>>,
    /// Marks that were moved to the voltage's response.
    pub moved: Vec<MovedMark>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct MovedMark {
    pub load: String,
    /// As the person wrote it.
    pub marked_s: f64,
    /// Where the load channel changes instead.
    pub at_s: f64,
}

impl MovedMark {
    /// "1.8 s earlier"
    pub fn distance(&self) -> String {
        let late_s = self.at_s - self.marked_s;
        format!("{:.1} s {}", late_s.abs(), if late_s < 0.0 { "earlier" } else { "later" })
    }
}

/// A log in canonical form. `time_s` starts at 0 and strictly increases; every
/// other column is `Float64` of the same length in volts, rpm, amps, °C, or
/// 0 to 1 for a load's duty, with NaN where the file has no value. Battery
/// current is positive while the battery is charged.
#[derive(Debug, Clone)]
pub struct Log {
    pub source: Source,
    pub columns: Vec<Column>,
    pub notes: Vec<Note>,
    /// The tap that is taken as the bus.
    pub bus: Tap,
    pub marks: Marks,
    frame: DataFrame,
    load_names: Vec<String>,
    finer: Option<RawLog>,
}

/// What a log whose samples are means of the logger's own keeps of those.
#[derive(Debug, Clone)]
pub struct RawLog {
    /// The log as it came.
    pub log: Arc<Log>,
    /// The logger's samples to a mean.
    pub each: usize,
    /// Time from one mean to the next.
    pub interval_s: f64,
    /// By frame column: mean square of a mean's samples about it, each mean its own.
    pub within: BTreeMap<String, Vec<f64>>,
}

impl Log {
    /// `frame` holds columns named by [`Role::key`] and [`Log::load_key`], free
    /// of nulls. Fails if `time_s` or the bus voltage is missing or a column is
    /// not `Float64`.
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
        Ok(Log { source, columns, notes, bus, marks, frame, load_names, finer: None })
    }

    /// The same log with `frame` for its samples, which are means of its own.
    pub fn condensed(&self, frame: DataFrame, finer: RawLog) -> PolarsResult<Log> {
        let (columns, notes) = (self.columns.clone(), self.notes.clone());
        let log = Log::new(self.source.clone(), columns, notes, self.bus, frame)?;
        Ok(Log { finer: Some(finer), marks: self.marks.clone(), ..log })
    }

    /// What is known of the logger's own samples, where this log holds means of them.
    pub fn finer(&self) -> Option<&RawLog> {
        self.finer.as_ref()
    }

    /// The log with the logger's own samples.
    pub fn as_sampled(&self) -> &Log {
        self.finer.as_ref().map_or(self, |finer| &finer.log)
    }

    /// Usual time between the samples at hand; the source has that of the logger's own.
    pub fn interval_s(&self) -> f64 {
        self.finer.as_ref().map_or(self.source.sample_interval_s, |finer| finer.interval_s)
    }

    /// How many of the logger's samples make one at hand.
    pub fn each(&self) -> usize {
        self.finer.as_ref().map_or(1, |finer| finer.each)
    }

    /// Where samples are missing at the pace of this log.
    pub fn gaps(&self) -> Vec<Span> {
        let least_s = self.finer.as_ref().map_or(0.0, |finer| 5.0 * finer.interval_s);
        self.source.gaps.iter().filter(|gap| gap.seconds() >= least_s).copied().collect()
    }

    /// The system's cells, by which every fixed voltage goes.
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
        // `new` checked type and layout of every column.
        self.frame.column(key).ok()?.f64().ok()?.cont_slice().ok()
    }

    pub fn time_s(&self) -> &[f64] {
        self.slice("time_s").unwrap_or(&[])
    }

    /// The voltage that the verdict is about.
    pub fn bus_v(&self) -> &[f64] {
        self.slice(&Role::Voltage(self.bus).key()).unwrap_or(&[])
    }

    /// The channel that holds `role`, where the log has one.
    pub fn channel(&self, role: Role) -> Option<&[f64]> {
        self.slice(&role.key())
    }

    /// Every column by its frame name, in the frame's order.
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
