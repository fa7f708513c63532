//! Which logs are of one car: by patterns of names, by what `car.toml` calls the
//! vehicle, else by folder and within it by name.

use std::collections::BTreeMap;
use std::str::FromStr;

use regex::{Regex, RegexBuilder};

use super::{GroupedBy, Row, names};
use crate::format::plain;

/// `{car}` in a pattern.
const CAR: &str = "{car}";

/// Where a car's name is in the names of its logs: "{car}-run-*", "{car}/day-*/*".
/// `{car}` is the car, `*` is anything; upper and lower case are alike. Without a
/// slash it is matched against the file's name, else against the path from the
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
                "{text:?} does not show where the car's name is: write {CAR} there, as in \
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
        let shape = built.map_err(|error| format!("{text:?} is not a pattern: {error}"))?;
        Ok(CarPattern { words: text.to_owned(), shape })
    }
}

impl CarPattern {
    /// The car that the log at this path, written with `/`, is of.
    pub fn car(&self, log: &str) -> Option<String> {
        let name = log.rsplit('/').next().unwrap_or(log);
        let held = if self.words.contains('/') { log } else { name };
        Some(self.shape.captures(held)?.get(1)?.as_str().to_owned())
    }
}

/// What is known of a log before it is read.
pub struct Grouped<'a> {
    /// Path from the reviewed folder, with `/`.
    pub log: &'a str,
    /// What the `car.toml` says.
    pub vehicle: Option<&'a str>,
}

/// The car of each of `logs`: its name and how that is known. The first of `patterns`
/// that a log fits counts; `root` is the name of the reviewed folder.
pub fn cars_of(logs: &[Grouped], patterns: &[CarPattern], root: &str) -> Vec<(String, GroupedBy)> {
    let stated = |of: &Grouped| {
        if let Some(car) = patterns.iter().find_map(|pattern| pattern.car(of.log)) {
            return Some((plain(&car), GroupedBy::Pattern));
        }
        let vehicle = of.vehicle.map(str::trim).filter(|vehicle| !vehicle.is_empty());
        vehicle.map(|vehicle| (plain(vehicle), GroupedBy::CarFile))
    };
    let mut cars: Vec<Option<(String, GroupedBy)>> = logs.iter().map(stated).collect();
    let mut folders: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (k, of) in logs.iter().enumerate().filter(|(k, _)| cars.get(*k) == Some(&None)) {
        let folder = of.log.rsplit_once('/').map_or("", |(folder, _)| folder);
        folders.entry(folder).or_default().push(k);
    }
    for (folder, of) in folders {
        let stems: Vec<&str> =
            of.iter().filter_map(|&k| logs.get(k)).map(|of| stem(of.log)).collect();
        for (k, named) in of.iter().zip(names::cars(&stems).cars) {
            let car = match (named, folder) {
                (Some(name), "") => (plain(&name), GroupedBy::Name),
                (Some(name), folder) => (plain(&format!("{folder}/{name}")), GroupedBy::Name),
                (None, "") => (plain(root), GroupedBy::Folder),
                (None, folder) => (plain(folder), GroupedBy::Folder),
            };
            if let Some(slot) = cars.get_mut(*k) {
                *slot = Some(car);
            }
        }
    }
    cars.into_iter().map(Option::unwrap_or_default).collect()
}

/// A file's name without its folder and ending.
fn stem(log: &str) -> &str {
    let name = log.rsplit('/').next().unwrap_or(log);
    name.rsplit_once('.').map_or(name, |(stem, _)| stem)
}

/// What speaks against logs being of one car, and what settles it.
pub fn doubts(rows: &[&Row], grouped_by: GroupedBy) -> Vec<String> {
    other_names(rows, grouped_by).into_iter().chain(other_columns(rows)).collect()
}

/// Names that speak of several cars, where something else put the logs together.
fn other_names(rows: &[&Row], grouped_by: GroupedBy) -> Option<String> {
    const SHOWN: usize = 4;
    let stems: Vec<&str> = rows.iter().map(|row| stem(&row.log)).collect();
    let named = names::cars(&stems);
    let mut words: Vec<String> = match grouped_by {
        GroupedBy::Folder => named.unsure,
        GroupedBy::CarFile => named.cars.into_iter().flatten().collect(),
        GroupedBy::Name | GroupedBy::Pattern => Vec::new(),
    };
    words.sort();
    words.dedup();
    if words.len() < 2 {
        return None;
    }
    let more = words.len().saturating_sub(SHOWN);
    words.truncate(SHOWN);
    let mut words = words.iter().map(|word| plain(word)).collect::<Vec<_>>().join(", ");
    if more > 0 {
        words.push_str(&format!(" and {more} more"));
    }
    Some(match grouped_by {
        GroupedBy::CarFile => format!(
            "the names of these logs differ ({words}) and car.toml states one vehicle for all of \
             them: if they are of several cars, put the logs of each into a folder of their own, \
             or separate the cars with --car-pattern"
        ),
        _ => format!(
            "the names of these logs differ ({words}): if they are of several cars, put the logs \
             of each into a folder of their own, or separate the cars with --car-pattern"
        ),
    })
}

/// Logs whose columns have other names than those of most.
fn other_columns(rows: &[&Row]) -> Vec<String> {
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
                 into a folder of their own, or separate the cars with --car-pattern",
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
        let patterns: Vec<CarPattern> =
            ["{car}-run-*", "*_{car}"].iter().map(|p| p.parse().expect("a pattern")).collect();
        let of = |log, vehicle| {
            cars_of(&[Grouped { log, vehicle }], &patterns, "day").pop().expect("a car")
        };
        assert_eq!(of("x/red-run-1.csv", Some("blue")), ("red".into(), GroupedBy::Pattern));
        assert_eq!(of("x/1_green.csv", Some("blue")), ("green".into(), GroupedBy::Pattern));
        assert_eq!(of("x/1.csv", Some("blue")), ("blue".into(), GroupedBy::CarFile));
        assert_eq!(of("x/y/1.csv", Some(" ")), ("x/y".into(), GroupedBy::Folder));
        assert_eq!(of("1.csv", None), ("day".into(), GroupedBy::Folder));
    }

    #[test]
    fn names_part_the_logs_of_one_folder_and_of_no_other() {
        let logs =
            ["red-1.csv", "red-2.csv", "blue-1.csv", "x/red-1.csv", "x/red-2.csv", "y/1.csv"];
        let logs = logs.map(|log| Grouped { log, vehicle: None });
        let cars = cars_of(&logs, &[], "day");
        let names: Vec<&str> = cars.iter().map(|car| car.0.as_str()).collect();
        assert_eq!(names, ["red", "red", "blue", "x", "x", "y"]);
        use GroupedBy::{Folder, Name};
        let how: Vec<GroupedBy> = cars.iter().map(|car| car.1).collect();
        assert_eq!(how, [Name, Name, Name, Folder, Folder, Folder]);
    }
}
