//! Cars distinguished by the names of the logs in one folder: red-1, red-2 and blue-1 are of
//! two cars, cold, hot and idle are of one.
//!
//! What a name says of the run (dates, run numbers, words such as "cold" or "fan") is left
//! out; the words that remain may name a car. They do where at least two differ and one of
//! them comes again: then two cars must not become one car's day. Where all differ and none
//! comes again, it is not known, and the logs stay together with a doubt.

mod parts;
mod vocabulary;

use std::collections::BTreeMap;

use parts::Part;

/// What the names of logs in one folder say of cars.
#[derive(Debug, Default, PartialEq)]
pub struct Named {
    /// The car of each log, in the order of the names; `None` where its name says nothing.
    /// All are `None` where the names show no more than one car.
    pub cars: Vec<Option<String>>,
    /// Words that differ from log to log, none of which comes again.
    pub unsure: Vec<String>,
}

/// `stems` are file names without their endings.
pub fn cars(stems: &[&str]) -> Named {
    let names: Vec<Vec<Part>> = stems.iter().map(|stem| parts::of(stem)).collect();
    let mut named = Named { cars: vec![None; stems.len()], unsure: Vec::new() };
    let all: Vec<usize> = (0..stems.len()).collect();
    split(&names, &all, 0, "", &mut named);
    named
}

/// Parts the logs `of`, whose names are alike up to `depth` and begin with `shown`.
/// False where they stay together.
fn split(names: &[Vec<Part>], of: &[usize], depth: usize, shown: &str, named: &mut Named) -> bool {
    let mut kinds: BTreeMap<Option<&str>, Vec<usize>> = BTreeMap::new();
    let part = |log: usize| names.get(log).and_then(|name| name.get(depth));
    for &log in of {
        kinds.entry(part(log).map(|part| part.key.as_str())).or_default().push(log);
    }
    let label = |logs: &[usize]| match logs.first().and_then(|&log| part(log)) {
        Some(next) if shown.is_empty() || next.glued => format!("{shown}{}", next.shown),
        Some(next) => format!("{shown} {}", next.shown),
        None => shown.to_owned(),
    };
    // Names that say no more are a car's only where they said something before.
    let is_name = |key: &Option<&str>| key.is_some() || depth > 0;
    let (named_kinds, rest): (Vec<_>, Vec<_>) =
        kinds.into_iter().partition(|(key, _)| is_name(key));
    let counts_cars =
        named_kinds.iter().any(|(_, logs)| part_of(logs, &part).is_some_and(|p| p.counts_cars));
    let comes_again = named_kinds.iter().any(|(_, logs)| logs.len() > 1);
    match named_kinds.as_slice() {
        [] => false,
        [(None, _)] => false,
        [(Some(_), logs)] => split(names, logs, depth + 1, &label(logs), named),
        kinds if comes_again || counts_cars => {
            for (key, logs) in kinds {
                let label = label(logs);
                if key.is_none() || !split(names, logs, depth + 1, &label, named) {
                    for &log in logs {
                        if let Some(slot) = named.cars.get_mut(log) {
                            *slot = Some(label.clone());
                        }
                    }
                }
            }
            debug_assert!(rest.len() <= 1);
            true
        }
        kinds => {
            // Numbers that differ are numbers of runs.
            let words = kinds
                .iter()
                .filter(|(_, logs)| part_of(logs, &part).is_some_and(|part| !part.may_count_runs));
            let words: Vec<String> = words.map(|(_, logs)| label(logs)).collect();
            if words.len() > 1 {
                named.unsure.extend(words);
            }
            false
        }
    }
}

fn part_of<'n>(logs: &[usize], part: &impl Fn(usize) -> Option<&'n Part>) -> Option<&'n Part> {
    logs.first().and_then(|&log| part(log))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Names of one folder, each with the car it has to come to; "" is the folder's.
    fn check(logs: &[(&str, &str)]) {
        let stems: Vec<&str> = logs.iter().map(|log| log.0).collect();
        let found = cars(&stems).cars;
        let expected: Vec<Option<String>> =
            logs.iter().map(|log| (!log.1.is_empty()).then(|| log.1.to_owned())).collect();
        assert_eq!(found, expected, "{stems:?}");
    }

    fn one_car(stems: &[&str]) {
        let named = cars(stems);
        assert!(named.cars.iter().all(Option::is_none), "{stems:?}: {named:?}");
    }

    #[test]
    fn names_that_come_again_are_cars() {
        check(&[("red-1", "red"), ("red-2", "red"), ("blue-1", "blue")]);
        check(&[("Red 1", "Red"), ("red_02", "Red"), ("Blue", "Blue")]);
        check(&[("red1", "red"), ("red2", "red"), ("blue1", "blue")]);
        check(&[("2024-05-06_red", "red"), ("20240507-red", "red"), ("08.05.2024 blue", "blue")]);
        check(&[("run-1-red", "red"), ("run-2-red", "red"), ("run-3-blue", "blue")]);
        check(&[("red_cold", "red"), ("red_hot", "red"), ("blue_idle", "blue")]);
        check(&[("red lake 1", "red"), ("red hill 2", "red"), ("blue lake 1", "blue")]);
        check(&[
            ("red coupe 1", "red coupe"),
            ("red coupe 2", "red coupe"),
            ("red wagon 1", "red wagon"),
        ]);
        check(&[("RedIdle1", "Red"), ("RedIdle2", "Red"), ("BlueIdle1", "Blue")]);
    }

    #[test]
    fn a_number_that_is_part_of_a_name_stays() {
        check(&[("x30-1", "x30"), ("x30-2", "x30"), ("x36-1", "x36")]);
        check(&[("x30_2024-05-06", "x30"), ("x30_2024-05-07", "x30"), ("x36_2024-05-07", "x36")]);
        check(&[("car1-run1", "car1"), ("car1-run2", "car1"), ("car2-run1", "car2")]);
        check(&[("car 1", "car 1"), ("car 2", "car 2")]);
        check(&[("AB-12-CD_1", "AB"), ("AB-12-CD_2", "AB"), ("XY-34-ZZ_1", "XY")]);
        check(&[("1042-1", "1042"), ("1042-2", "1042"), ("1055-1", "1055")]);
        check(&[
            ("WO-10423_before", "WO 10423"),
            ("WO-10423_after", "WO 10423"),
            ("WO-10424_before", "WO 10424"),
        ]);
        check(&[("1985-01", "1985"), ("1985-02", "1985"), ("1990-01", "1990")]);
    }

    #[test]
    fn names_in_any_script() {
        check(&[("красный-1", "красный"), ("красный-2", "красный"), ("синий-1", "синий")]);
        check(&[("红车1", "红车"), ("红车2", "红车"), ("蓝车1", "蓝车")]);
        check(&[("grün-kalt", "grün"), ("grün-heiß", "grün"), ("weiß-kalt", "weiß")]);
        check(&[("लाल-१", "लाल"), ("लाल-२", "लाल"), ("नीला-१", "नीला")]);
    }

    #[test]
    fn what_happened_on_a_run_is_no_car() {
        one_car(&["cold", "hot", "idle"]);
        one_car(&["cold-1", "cold-2", "hot-1"]);
        one_car(&["idle1", "idle14", "drive1", "drive2", "long7"]);
        one_car(&["fan-1", "fan-2", "ac-1", "all off"]);
        one_car(&["before", "after", "after-2"]);
        one_car(&["run1_cold", "run1_hot", "run2_cold"]);
        one_car(&["run1a", "run1b", "run2a"]);
        one_car(&["coldstart1", "coldstart2", "hotidle1"]);
        one_car(&["20240506-1", "20240506-2", "20240507-1"]);
        one_car(&["2024-05-06 12-30-15", "2024-05-06 14-02-00", "2024-05-07 09-00-00"]);
        one_car(&["20240506T123015Z", "20240506T140200Z"]);
        one_car(&["monday-1", "monday-2", "tuesday-1"]);
        one_car(&["Golf-1", "golf_2", "golf 3", "GOLF"]);
        one_car(&["1717171717", "1717171999"]);
        one_car(&["", "1", "2", "3"]);
        one_car(&["10001", "10002", "10003"]);
        one_car(&["2000rpm-1", "2000rpm-2", "3000rpm-1"]);
        one_car(&["fan 2000 1", "fan 2000 2", "fan 3000 1"]);
    }

    #[test]
    fn one_name_and_none_are_no_two_cars() {
        one_car(&["idle1", "idle2", "harbor1", "harbor2"]);
        let mixed = cars(&["1", "x red 1", "x red 2", "x blue 1"]).cars;
        assert_eq!(
            mixed,
            [None, Some("x red".into()), Some("x red".into()), Some("x blue".into())]
        );
    }

    #[test]
    fn names_none_of_which_comes_again_are_doubted() {
        let named = cars(&["coupe", "wagon", "cold"]);
        assert_eq!(named.cars, [None, None, None]);
        assert_eq!(named.unsure, ["coupe", "wagon"]);
        for known in [&["cold", "hot"][..], &["run-1", "run-2"], &["red1", "red2"], &["red", "2"]] {
            assert!(cars(known).unsure.is_empty(), "{known:?}");
        }
    }
}
