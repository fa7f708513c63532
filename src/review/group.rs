//! Which logs are of one car: by a pattern of names, by what `car.toml` calls the
//! vehicle, else by folder.

use std::collections::BTreeMap;
use std::str::FromStr;

use regex::{Regex, RegexBuilder};

use super::{GroupedBy, Row};
use crate::words::plain;

/// `{car}` in a pattern.
const CAR: &str = "{car}";

/// How a car's name stands in the names of its logs: "{car}-run-*", "{car}/day-*/*".
/// `{car}` is the car, `*` is anything; upper and lower case are alike. Without a
/// slash it is held against the file's name, else against the path from the
/// reviewed folder; the file's ending may be left out.
#[derive(Debug, Clone)]
pub struct CarPattern {
    words: String,
    shape: Regex,
}

impl FromStr for CarPattern {
    type Err = String;

    fn from_str(text: &str) -> Result<CarPattern, String> {
        let Some((before, after)) = text.split_once(CAR) else {
            return Err(format!(
                "{text:?} does not say where the car's name stands: write {CAR} there, as in \
                 \"{CAR}-run-*\""
            ));
        };
        if after.contains(CAR) {
            return Err(format!("{text:?} names {CAR} twice"));
        }
        let anything = |text: &str| {
            let literal: Vec<String> = text.split('*').map(regex::escape).collect();
            literal.join(".*")
        };
        // As short as the rest allows: "{car}-*" of "red-wagon-2" is "red".
        let shape = format!(r"^{}([^/]+?){}(\.[^./]*)?$", anything(before), anything(after));
        let built = RegexBuilder::new(&shape).case_insensitive(true).build();
        let shape = built.map_err(|error| format!("{text:?} is no pattern: {error}"))?;
        Ok(CarPattern { words: text.to_owned(), shape })
    }
}

impl CarPattern {
    /// The car that the log at this path, told with `/`, is of.
    pub fn car(&self, log: &str) -> Option<String> {
        let name = log.rsplit('/').next().unwrap_or(log);
        let held = if self.words.contains('/') { log } else { name };
        Some(self.shape.captures(held)?.get(1)?.as_str().to_owned())
    }
}

/// The car of a log: its name and how that is known. `vehicle` is what the `car.toml`
/// says, `root` the name of the reviewed folder.
pub fn car_of(
    log: &str,
    pattern: Option<&CarPattern>,
    vehicle: Option<&str>,
    root: &str,
) -> (String, GroupedBy) {
    if let Some(car) = pattern.and_then(|pattern| pattern.car(log)) {
        return (plain(&car), GroupedBy::Pattern);
    }
    if let Some(vehicle) = vehicle.map(str::trim).filter(|vehicle| !vehicle.is_empty()) {
        return (plain(vehicle), GroupedBy::CarFile);
    }
    let folder = log.rsplit_once('/').map_or(root, |(folder, _)| folder);
    (plain(folder), GroupedBy::Folder)
}

/// What speaks against logs of one folder being of one car: columns that are named
/// otherwise than in most of them.
pub fn doubts(rows: &[&Row]) -> Vec<String> {
    let columns = |row: &Row| row.summary().map(|summary| summary.quality.columns.clone());
    let mut kinds: BTreeMap<Vec<String>, Vec<&str>> = BTreeMap::new();
    for row in rows {
        if let Some(columns) = columns(row) {
            kinds.entry(columns).or_default().push(&row.log);
        }
    }
    // The most frequent; among equals that of the earliest log.
    let first = |logs: &[&str]| rows.iter().position(|row| logs.contains(&row.log.as_str()));
    let usual = kinds.values().min_by_key(|logs| (std::cmp::Reverse(logs.len()), first(logs)));
    let Some(usual) = usual.cloned() else { return Vec::new() };
    let mut strange: Vec<&Vec<&str>> = kinds.values().filter(|logs| **logs != usual).collect();
    strange.sort_by_key(|logs| first(logs));
    strange
        .into_iter()
        .map(|logs| {
            const SHOWN: usize = 3;
            let mut names: Vec<String> = logs.iter().take(SHOWN).map(|log| plain(log)).collect();
            if logs.len() > SHOWN {
                names.push(format!("{} more", logs.len() - SHOWN));
            }
            let (has, other) =
                if logs.len() == 1 { ("has", "it is") } else { ("have", "they are") };
            format!(
                "{} {has} other columns than the rest: if {other} of another car, put its logs \
                 into a folder of their own, or tell cars apart with --car-pattern",
                names.join(", ")
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn car(pattern: &str, log: &str) -> Option<String> {
        pattern.parse::<CarPattern>().expect("a pattern").car(log)
    }

    #[test]
    fn a_pattern_finds_the_car_in_the_name() {
        assert_eq!(car("{car}-run-*", "day/coupe-run-3.csv").as_deref(), Some("coupe"));
        assert_eq!(car("{car}-run-*", "Coupe-RUN-3").as_deref(), Some("Coupe"));
        assert_eq!(car("*_{car}", "0504_wagon.csv").as_deref(), Some("wagon"));
        assert_eq!(car("{car}/*", "wagon/may/run.csv").as_deref(), Some("wagon"));
        assert_eq!(car("{car}-run-*", "other.csv"), None);
        // What a pattern of another kind would obey is only text here.
        assert_eq!(car("{car}+(*", "a+(b.csv").as_deref(), Some("a"));
    }

    #[test]
    fn a_pattern_that_names_no_car_or_two_is_refused() {
        assert!("run-*".parse::<CarPattern>().expect_err("no car").contains("{car}"));
        assert!("{car}-{car}".parse::<CarPattern>().expect_err("two").contains("twice"));
    }

    #[test]
    fn pattern_goes_before_car_file_and_that_before_folder() {
        let pattern: CarPattern = "{car}-run-*".parse().expect("a pattern");
        let of = |log, vehicle| car_of(log, Some(&pattern), vehicle, "day");
        assert_eq!(of("x/red-run-1.csv", Some("blue")), ("red".into(), GroupedBy::Pattern));
        assert_eq!(of("x/1.csv", Some("blue")), ("blue".into(), GroupedBy::CarFile));
        assert_eq!(of("x/y/1.csv", Some(" ")), ("x/y".into(), GroupedBy::Folder));
        assert_eq!(of("1.csv", None), ("day".into(), GroupedBy::Folder));
    }
}
