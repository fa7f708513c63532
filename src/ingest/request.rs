//! Options for reading a log: roles of columns, marks, sample rate, nominal voltage.

use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

use thiserror::Error;

use super::number;
use super::stamp;
use crate::car::{Car, Names};
use crate::log::{Place, Role, Tap};
use crate::nominal::Nominal;

/// How to read a log. The default is right for most logs.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReadOptions {
    pub columns: Vec<RoleRequest>,
    /// Samples per second, if the file has no usable clock.
    pub sample_rate_hz: Option<f64>,
    pub marks: Vec<Mark>,
    /// A second CSV: time, load, state.
    pub marks_file: Option<PathBuf>,
    /// Nominal voltage of the system, if not to be inferred from its levels.
    pub nominal: Option<Nominal>,
}

/// Assigns a role to a column.
///
/// ```
/// use stiffbus::ingest::RoleRequest;
/// use stiffbus::log::{Role, Tap};
/// let request: RoleRequest = "voltage.alternator=B+ post".parse().unwrap();
/// assert_eq!(request.role, Role::Voltage(Tap::Alternator));
/// assert_eq!(request.name, "B+ post");
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RoleRequest {
    pub role: Role,
    /// The header text in upper or lower case, or `#3` for the third column.
    pub name: String,
}

/// A load or the engine switched by hand at some time.
///
/// ```
/// use stiffbus::ingest::{Mark, MarkTime};
/// let mark: Mark = "63.2=fans:60%".parse().unwrap();
/// assert_eq!(mark, Mark { at: MarkTime::Seconds(63.2), load: "fans".into(), duty: 0.6 });
/// let mark: Mark = "14:03:10=fans:on".parse().unwrap();
/// assert_eq!(mark.at, MarkTime::Clock("14:03:10".into()));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    pub at: MarkTime,
    /// The name of a load, [`Mark::ALL_LOADS`] or [`Mark::ENGINE`].
    pub load: String,
    /// 0 to 1.
    pub duty: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub enum MarkTime {
    Seconds(f64),
    /// A time of day, a date and time, or a duration such as 1:03, depending on the log's own
    /// clock.
    Clock(String),
}

impl Mark {
    /// Every load that another mark names.
    pub const ALL_LOADS: &'static str = "all";
    /// The engine itself, not a load.
    pub const ENGINE: &'static str = "engine";

    pub fn is_engine(&self) -> bool {
        self.load.eq_ignore_ascii_case(Self::ENGINE)
    }

    pub fn is_all_loads(&self) -> bool {
        self.load.eq_ignore_ascii_case(Self::ALL_LOADS)
    }

    /// "on", "off" or "60%".
    pub fn state(&self) -> String {
        match self.duty {
            1.0 => "on".to_owned(),
            0.0 => "off".to_owned(),
            duty => format!("{}%", (duty * 1e6).round() / 1e4),
        }
    }
}

/// In the form of the command line.
impl fmt::Display for Mark {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        match &self.at {
            MarkTime::Seconds(at_s) => write!(f, "{at_s}={}:{}", self.load, self.state()),
            MarkTime::Clock(at) => write!(f, "{at}={}:{}", self.load, self.state()),
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum RequestError {
    #[error(
        "\"{0}\" does not name a column. Write ROLE=NAME, as in voltage=\"Battery V\" or load=#5"
    )]
    NoName(String),
    #[error(
        "\"{0}\" is not a role. Roles: time, voltage, voltage.battery, voltage.alternator, voltage.module, engine_rpm, alternator_rpm, load, alternator_current, battery_current, ground_drop, temperature.coolant, temperature.intake, temperature.alternator, temperature.ambient, note, ignored"
    )]
    NoRole(String),
    #[error(
        "\"{0}\" is not a mark. Write TIME=LOAD:STATE, as in 63.2=fans:on (seconds from the first sample), 14:03:10=fans:off (the log's own clock) or 63.2=fans:60%"
    )]
    NoMark(String),
    #[error(
        "--any-voltage no longer exists: 6, 12 and 24 V systems are recognized by their levels. If that is wrong, state the system: --nominal 6, --nominal 12 or --nominal 24"
    )]
    AnyVoltage,
}

const ROLES_OF_ONE_WORD: [Role; 9] = [
    Role::Time,
    Role::EngineRpm,
    Role::AlternatorRpm,
    Role::Load,
    Role::AlternatorCurrent,
    Role::BatteryCurrent,
    Role::GroundDrop,
    Role::Note,
    Role::Ignored,
];

/// `voltage`, `voltage.module`, `temperature.coolant`, …
pub fn role_from_word(word: &str) -> Option<Role> {
    let word = word.trim().to_lowercase().replace('-', "_");
    let (head, tail) = match word.split_once(['.', ':']) {
        Some((head, tail)) => (head, Some(tail)),
        None => (word.as_str(), None),
    };
    match (head, tail) {
        ("voltage", None) => Some(Role::Voltage(Tap::Battery)),
        ("voltage", Some("ground")) => Some(Role::GroundDrop),
        ("voltage", Some(tap)) => {
            Tap::ALL.into_iter().find(|known| known.word() == tap).map(Role::Voltage)
        }
        ("temperature", Some(place)) => {
            Place::ALL.into_iter().find(|known| known.word() == place).map(Role::Temperature)
        }
        (word, None) => ROLES_OF_ONE_WORD.into_iter().find(|role| role.word() == word),
        _ => None,
    }
}

/// The text that [`role_from_word`] reads.
pub fn word_of(role: Role) -> String {
    match role {
        Role::Voltage(tap) => format!("voltage.{}", tap.word()),
        Role::Temperature(place) => format!("temperature.{}", place.word()),
        other => other.word().to_owned(),
    }
}

impl FromStr for RoleRequest {
    type Err = RequestError;

    fn from_str(text: &str) -> Result<Self, RequestError> {
        let (word, name) = text.split_once('=').ok_or_else(|| RequestError::NoName(text.into()))?;
        let role = role_from_word(word).ok_or_else(|| RequestError::NoRole(word.trim().into()))?;
        let name = name.trim().trim_matches('"').trim();
        if name.is_empty() {
            return Err(RequestError::NoName(text.into()));
        }
        Ok(RoleRequest { role, name: name.to_owned() })
    }
}

impl RoleRequest {
    /// The requests in the `[columns]` table of a `car.toml`.
    pub fn from_car(car: &Car) -> Result<Vec<RoleRequest>, RequestError> {
        let mut requests = Vec::new();
        for (word, names) in &car.columns {
            let role = role_from_word(word).ok_or_else(|| RequestError::NoRole(word.clone()))?;
            let names = match names {
                Names::One(name) => std::slice::from_ref(name),
                Names::Many(names) => names.as_slice(),
            };
            requests.extend(
                names.iter().map(|name| RoleRequest { role, name: name.trim().to_owned() }),
            );
        }
        Ok(requests)
    }
}

/// Reads `on`, `off`, `60%`, `0.6`, `1`, or a switch word of another language; 0 to 1.
pub fn duty_from_state(state: &str) -> Option<f64> {
    let state = state.trim();
    if let Some(percent) = state.strip_suffix('%') {
        let duty = number::parse(percent, b'.').or_else(|| number::parse(percent, b','))? / 100.0;
        return (0.0..=1.0).contains(&duty).then_some(duty);
    }
    if let Some(switch) = number::switch(state) {
        return Some(switch.duty(true));
    }
    let duty = number::parse(state, b'.').or_else(|| number::parse(state, b','))?;
    match duty {
        d if (0.0..=1.0).contains(&d) => Some(d),
        d if (0.0..=100.0).contains(&d) => Some(d / 100.0),
        _ => None,
    }
}

impl FromStr for Mark {
    type Err = RequestError;

    fn from_str(text: &str) -> Result<Self, RequestError> {
        let wrong = || RequestError::NoMark(text.to_owned());
        let (time, rest) = text.split_once('=').ok_or_else(wrong)?;
        let (load, state) = rest.rsplit_once(':').ok_or_else(wrong)?;
        let at = MarkTime::read(time, b'.').ok_or_else(wrong)?;
        let load = load.trim();
        if load.is_empty() || matches!(at, MarkTime::Seconds(at_s) if at_s < 0.0) {
            return Err(wrong());
        }
        let duty = duty_from_state(state).ok_or_else(wrong)?;
        Ok(Mark { at, load: load.to_owned(), duty })
    }
}

impl MarkTime {
    pub(super) fn read(text: &str, decimal: u8) -> Option<MarkTime> {
        let text = text.trim();
        if let Some(at_s) = number::parse(text, decimal).or_else(|| number::parse(text, b'.')) {
            return Some(MarkTime::Seconds(at_s));
        }
        stamp::parse_any(text).map(|_| MarkTime::Clock(text.to_owned()))
    }
}
