//! Which load of the one log is which of the other: as stated, by name, or by sense.

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::car::sense;
use crate::compare::Recorded;
use crate::comparison::SameLoad;
use crate::diagnosis::Diagnosis;
use crate::nominal::Nominal;

/// Words that say that something is a load, but not which.
const FILLERS: [&str; 13] = [
    "relay", "relais", "state", "status", "switch", "on", "duty", "cmd", "command", "output",
    "active", "percent", "pct",
];

/// "fans=cooling_fan": a load of the earlier log, and what the later ones call it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SamePair {
    pub before: String,
    pub after: String,
}

impl FromStr for SamePair {
    type Err = String;

    fn from_str(text: &str) -> Result<SamePair, String> {
        match text.split_once('=').map(|(b, a)| (b.trim(), a.trim())) {
            Some((before, after)) if !before.is_empty() && !after.is_empty() => {
                Ok(SamePair { before: before.to_owned(), after: after.to_owned() })
            }
            _ => Err("write it as BEFORE=AFTER, e.g. fans=cooling_fan".to_owned()),
        }
    }
}

impl fmt::Display for SamePair {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}={}", self.before, self.after)
    }
}

/// Why stated names cannot be used.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum SameError {
    #[error("--same {pair}: no load of {file} is called {name:?}; its loads are {known}")]
    Unknown { pair: String, file: String, name: String, known: String },
    #[error("--same {pair}: {name:?} is already matched to another load")]
    Twice { pair: String, name: String },
    #[error(
        "[acceptance] loads: no load of {file}, the log before the repair, is called {name:?}; \
         its loads are {known}"
    )]
    NotAsked { file: String, name: String, known: String },
    #[error(
        "{file} is the log of a {after} system and the log before the repair of a {before} one: \
         their volts cannot be compared. If one was misread, state it: --nominal 6, 12 or 24"
    )]
    OtherSystem { before: Nominal, file: String, after: Nominal },
}

/// The loads of two logs, matched.
#[derive(Debug, Clone, Default)]
pub struct Pairing {
    /// Load of the earlier log, load of the later, how it was found.
    pairs: Vec<(String, String, String)>,
    /// Of the earlier log, without a partner, and why.
    lonely: Vec<(String, String)>,
    /// Of the later log, without a partner.
    new: Vec<String>,
}

impl Pairing {
    /// What the later log calls `load` of the earlier.
    pub fn after(&self, load: &str) -> Option<&str> {
        self.pairs.iter().find(|(before, ..)| before == load).map(|(_, after, _)| after.as_str())
    }

    /// Loads that only the later log names.
    pub fn new_loads(&self) -> &[String] {
        &self.new
    }

    /// Loads that only the earlier log names.
    pub fn lonely_loads(&self) -> Vec<String> {
        self.lonely.iter().map(|(load, _)| load.clone()).collect()
    }

    pub fn same_loads(&self) -> Vec<SameLoad> {
        let paired = self.pairs.iter().map(|(before, after, how)| SameLoad {
            before: before.clone(),
            after: Some(after.clone()),
            how: how.clone(),
        });
        let lonely = self.lonely.iter().map(|(before, why)| SameLoad {
            before: before.clone(),
            after: None,
            how: why.clone(),
        });
        paired.chain(lonely).collect()
    }

    /// Assumptions of the comparison that no log shows.
    pub fn on_trust(&self) -> Vec<String> {
        let unlogged = "Loads that neither log names (ignition, pumps, whatever is always on) are \
                        assumed to draw the same in both."
            .to_owned();
        let new = self.new.iter().map(|load| {
            format!("{load} is in the later log only. It is assumed to have been off before.")
        });
        let lonely = self.lonely.iter().map(|(load, _)| {
            format!(
                "{load} is in the earlier log only. Whether it was on afterwards is not logged."
            )
        });
        [unlogged].into_iter().chain(new).chain(lonely).collect()
    }
}

/// Loads of a log, in its column order.
pub fn load_names(diagnosis: &Diagnosis) -> Vec<String> {
    diagnosis.picture.loads.iter().map(|lane| lane.load.clone()).collect()
}

pub fn quoted(names: &[String]) -> String {
    match names {
        [] => "none".to_owned(),
        names => format!("\"{}\"", names.join("\", \"")),
    }
}

/// The pairing of each later log. A stated pair has to fit the earlier log and
/// at least one of the later.
pub fn pairings(
    before: &Recorded,
    afters: &[Recorded],
    stated: &[SamePair],
) -> Result<Vec<Pairing>, SameError> {
    let old = load_names(&before.diagnosis);
    let all: Vec<Vec<String>> = afters.iter().map(|a| load_names(&a.diagnosis)).collect();
    for (k, pair) in stated.iter().enumerate() {
        let unknown = |file: &str, name: &str, known: &[String]| SameError::Unknown {
            pair: pair.to_string(),
            file: file.to_owned(),
            name: name.to_owned(),
            known: quoted(known),
        };
        if named(&old, &pair.before).is_none() {
            return Err(unknown(&before.diagnosis.source.file, &pair.before, &old));
        }
        if !all.iter().any(|names| named(names, &pair.after).is_some()) {
            let files: Vec<&str> =
                afters.iter().map(|a| a.diagnosis.source.file.as_str()).collect();
            return Err(unknown(&files.join(", "), &pair.after, &all.concat()));
        }
        // Two later logs may call one load by two names; one log may not.
        let earlier = stated.get(..k).unwrap_or_default();
        let clash = |names: &[String]| {
            let after = named(names, &pair.after)?;
            earlier.iter().find_map(|other| {
                let taken = named(names, &other.after)?;
                if named(&old, &other.before) == named(&old, &pair.before) {
                    Some(pair.before.clone())
                } else {
                    (taken == after).then(|| pair.after.clone())
                }
            })
        };
        if let Some(name) = all.iter().find_map(|names| clash(names)) {
            return Err(SameError::Twice { pair: pair.to_string(), name });
        }
    }
    Ok(all.iter().map(|new| pairing(&old, new, stated)).collect())
}

fn named<'n>(names: &'n [String], name: &str) -> Option<&'n String> {
    let wanted = name.trim().to_lowercase();
    names.iter().find(|known| known.trim().to_lowercase() == wanted)
}

/// As stated first, then by name, then by sense.
pub fn pairing(old: &[String], new: &[String], stated: &[SamePair]) -> Pairing {
    let mut taken: BTreeMap<&String, (&String, String)> = BTreeMap::new();
    let mut used: Vec<&String> = Vec::new();
    for pair in stated {
        if let (Some(before), Some(after)) = (named(old, &pair.before), named(new, &pair.after))
            && !used.contains(&after)
        {
            taken.insert(before, (after, "stated".to_owned()));
            used.push(after);
        }
    }
    type Key = fn(&str) -> Option<String>;
    let ways: [(Key, &str); 3] = [
        (|name| Some(name.trim().to_lowercase()), "same name"),
        (|name| core(name), "same name but for words like relay or state"),
        (|name| sense(name).map(str::to_owned), "same sense"),
    ];
    for (key, how) in ways {
        let open = |names: &[String], key: &str, of: Key, gone: &dyn Fn(&String) -> bool| {
            names.iter().filter(|n| !gone(n) && of(n).as_deref() == Some(key)).count()
        };
        let found: Vec<(&String, &String)> = old
            .iter()
            .filter(|before| !taken.contains_key(before))
            .filter_map(|before| {
                let wanted = key(before)?;
                // One of each, or it is not known which is which.
                let rivals = open(old, &wanted, key, &|n| taken.contains_key(n));
                let matches: Vec<&String> = new
                    .iter()
                    .filter(|n| !used.contains(n) && key(n).as_deref() == Some(wanted.as_str()))
                    .collect();
                match (rivals, matches.as_slice()) {
                    (1, [only]) => Some((before, *only)),
                    _ => None,
                }
            })
            .collect();
        for (before, after) in found {
            let how = match sense(before) {
                Some(sense) if how == "same sense" => format!("same sense ({sense})"),
                _ => how.to_owned(),
            };
            taken.insert(before, (after, how));
            used.push(after);
        }
    }
    let lonely = old.iter().filter(|before| !taken.contains_key(before)).map(|before| {
        let rivals: Vec<String> = new
            .iter()
            .filter(|n| !used.contains(n) && sense(before).is_some() && sense(n) == sense(before))
            .cloned()
            .collect();
        let why = match rivals.as_slice() {
            [] => {
                format!(
                    "no load of the later log matches; if one does, add --same \"{before}=NAME\""
                )
            }
            rivals => format!(
                "{} of the later log could match: name one with --same \"{before}=NAME\"",
                quoted(rivals)
            ),
        };
        (before.clone(), why)
    });
    Pairing {
        lonely: lonely.collect(),
        new: new.iter().filter(|n| !used.contains(n)).cloned().collect(),
        pairs: old
            .iter()
            .filter_map(|before| {
                let (after, how) = taken.get(before)?;
                Some((before.clone(), (*after).clone(), how.clone()))
            })
            .collect(),
    }
}

/// A name without the words that every load's name may hold.
fn core(name: &str) -> Option<String> {
    let lower = name.to_lowercase();
    let words: Vec<&str> = lower
        .split(|c: char| !c.is_alphanumeric())
        .filter(|word| !word.is_empty() && !FILLERS.contains(word))
        .collect();
    (!words.is_empty()).then(|| words.join(" "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(names: &[&str]) -> Vec<String> {
        names.iter().map(|&n| n.to_owned()).collect()
    }

    fn pairs(old: &[&str], new: &[&str], stated: &[SamePair]) -> Vec<(String, Option<String>)> {
        let pairing = pairing(&names(old), &names(new), stated);
        pairing.same_loads().into_iter().map(|same| (same.before, same.after)).collect()
    }

    fn to(before: &str, after: &str) -> (String, Option<String>) {
        (before.to_owned(), Some(after.to_owned()))
    }

    #[test]
    fn loads_are_known_again_by_name_and_by_sense() {
        let found = pairs(
            &["fan", "ac clutch", "blower"],
            &["Gebläse", "Klimakompressor", "Lüfter Relais"],
            &[],
        );
        let expected = [
            to("fan", "Lüfter Relais"),
            to("ac clutch", "Klimakompressor"),
            to("blower", "Gebläse"),
        ];
        assert_eq!(found, expected);
        assert_eq!(pairs(&["fan relay"], &["Fan state"], &[]), [to("fan relay", "Fan state")]);
    }

    #[test]
    fn two_that_could_be_it_are_a_question() {
        let pairing = pairing(&names(&["fan"]), &names(&["fan low", "fan high"]), &[]);
        let told = pairing.same_loads();
        assert_eq!(told[0].after, None);
        assert!(told[0].how.contains("--same"), "{}", told[0].how);
        let stated = ["fan=fan high".parse().expect("a pair")];
        assert_eq!(pairs(&["fan"], &["fan low", "fan high"], &stated), [to("fan", "fan high")]);
    }

    #[test]
    fn a_name_wins_over_a_sense() {
        let found = pairs(&["fan 1", "fan 2"], &["Fan 2", "Fan 1"], &[]);
        assert_eq!(found, [to("fan 1", "Fan 1"), to("fan 2", "Fan 2")]);
    }

    #[test]
    fn a_pair_is_written_with_an_equals_sign() {
        assert!("fan".parse::<SamePair>().is_err());
        assert!("=fan".parse::<SamePair>().is_err());
    }
}
