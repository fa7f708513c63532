//! `compare` and `verify` on the scenario's logs, and what breaks a proof.

use std::ffi::OsString;
use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::support::{Garage, Run, sample_logs};

const OLD: &str = "hot-idle-old-alternator.csv";
const NEW: &str = "new-alternator-soaked.csv";

fn word<'v>(value: &'v Value, key: &str) -> &'v str {
    value[key].as_str().unwrap_or_else(|| panic!("no {key} in {value}"))
}

fn compare(garage: &Garage, before: &Path, afters: &[&Path], more: &[&str]) -> Run {
    let mut args: Vec<OsString> = vec!["compare".into(), before.into()];
    args.extend(afters.iter().map(|&after| after.into()));
    args.extend(more.iter().map(OsString::from));
    garage.run(&args)
}

/// The old and the new alternator's logs in a garage, and their proof.
fn proven() -> Garage {
    let garage = Garage::new();
    let (old, new) = (garage.put_sample(OLD, "old.csv"), garage.put_sample(NEW, "new.csv"));
    compare(&garage, &old, &[&new], &["--out", "proof"]).ends(0);
    garage
}

#[test]
fn every_pair_comes_to_what_its_truth_calls_for() {
    let text = fs::read_to_string(sample_logs().join("truth.json")).expect("the truth");
    let truth: Value = serde_json::from_str(&text).expect("JSON");
    let pairs = truth["comparisons"].as_array().expect("comparisons");
    let mut outcomes: Vec<&str> = pairs.iter().map(|pair| word(pair, "outcome")).collect();
    let garage = Garage::new();
    for pair in pairs {
        let before = sample_logs().join(word(pair, "before"));
        let afters: Vec<_> = pair["afters"]
            .as_array()
            .expect("afters")
            .iter()
            .map(|file| sample_logs().join(file.as_str().expect("a name")))
            .collect();
        let afters: Vec<&Path> = afters.iter().map(|path| path.as_path()).collect();
        let flags = ["--out", "proof", "--force", "--json", "-"];
        let said = compare(&garage, &before, &afters, &flags).ends(0).json();
        assert_eq!(said["outcome"], pair["outcome"], "{pair}: {}", said["headline"]);
        assert_eq!(said["schema"], "stiffbus.comparison.v1");
    }
    outcomes.sort_unstable();
    outcomes.dedup();
    assert_eq!(outcomes, ["improved, not proven", "no change", "not comparable", "repair proven"]);
}

#[test]
fn the_same_logs_make_the_same_bytes() {
    let one = proven();
    let two = proven();
    for name in ["proof/proof.html", "proof/comparison.json", "proof/proof.svg"] {
        assert!(one.text(name) == two.text(name), "{name} differs");
    }
}

#[test]
fn a_proof_that_nobody_touched_stands() {
    let garage = proven();
    let run = garage.run(&["verify", "proof"]).ends(0);
    assert!(run.stdout.starts_with("Every number on the page was reproduced."), "{}", run.stdout);
    // And so it does when proof and logs are moved together.
    let moved = Garage::new();
    for name in garage.names().iter().filter(|name| garage.path().join(name).is_file()) {
        moved.put(&format!("archive/{name}"), fs::read(garage.path().join(name)).expect("a file"));
    }
    moved.run(&["verify", "archive/proof"]).ends(0);
    // Moved apart, it asks where they are, and is told.
    fs::create_dir(moved.path().join("elsewhere")).expect("a folder");
    for log in ["old.csv", "new.csv"] {
        let (from, to) = (format!("archive/{log}"), format!("elsewhere/renamed-{log}"));
        fs::rename(moved.path().join(from), moved.path().join(to)).expect("moved");
    }
    let run = moved.run(&["verify", "archive/proof"]).ends(1);
    assert!(run.stdout.starts_with("The page cannot be checked here."), "{}", run.stdout);
    assert!(run.stdout.contains("--logs"), "{}", run.stdout);
    moved.run(&["verify", "archive/proof", "--logs", "elsewhere"]).ends(0);
}

/// Replaces the first `old` in a file of the garage; it has to be there.
fn change(garage: &Garage, name: &str, old: &str, new: &str) {
    let text = garage.text(name);
    assert!(text.contains(old), "no {old} in {name}");
    garage.put(name, text.replacen(old, new, 1));
}

#[track_caller]
fn falls(garage: &Garage, parts: &[&str]) {
    let run = garage.run(&["verify", "proof"]).ends(1);
    assert!(run.stdout.starts_with("THE PAGE DOES NOT MATCH ITS LOGS."), "{}", run.stdout);
    for part in parts {
        assert!(run.stdout.contains(part), "no \"{part}\" in: {}", run.stdout);
    }
}

#[test]
fn one_byte_of_a_log_is_caught() {
    let garage = proven();
    let path = garage.path().join("new.csv");
    let mut bytes = fs::read(&path).expect("the log");
    let digit = bytes.iter().rposition(|b| b.is_ascii_digit()).expect("a digit");
    bytes[digit] = if bytes[digit] == b'9' { b'8' } else { bytes[digit] + 1 };
    fs::write(&path, bytes).expect("the log");
    falls(&garage, &["after: the log has changed", "new.csv"]);
}

/// Every number of the comparison, one after the other, with its last digit changed.
#[test]
fn one_digit_of_a_number_is_caught_and_named() {
    let garage = proven();
    let whole = garage.text("proof/comparison.json");
    let said: Value = serde_json::from_str(&whole).expect("JSON");
    let points = said["afters"][0]["points"].as_array().expect("points");
    let point = points.last().expect("a point");
    for (place, number) in [
        ("afters[0].gain_a.value", &said["afters"][0]["gain_a"]["value"]),
        ("change_v.low", &point["change_v"]["low"]),
        ("before.setpoint_v.value", &said["before"]["setpoint_v"]["value"]),
    ] {
        let old = number.to_string();
        let last = old.chars().last().and_then(|c| c.to_digit(10)).expect("a digit");
        // Never to a nought, which JSON does not write at the end.
        let other = if last == 9 { 8 } else { last + 1 };
        let new = format!("{}{other}", &old[..old.len() - 1]);
        garage.put("proof/comparison.json", whole.replacen(&old, &new, 1));
        falls(&garage, &["the seal is broken", place, &new, &old]);
    }
}

#[test]
fn a_changed_setting_word_or_page_is_named() {
    let garage = Garage::new();
    garage.put_sample(OLD, "old.csv");
    garage.put_sample(NEW, "new.csv");
    garage.put(
        "car.toml",
        "[battery]\ncca_a = 540\n[job]\ncustomer = \"A. Nonymous\"\nparts = [\"160 A machine\"]\n",
    );
    garage.run(&["compare", "old.csv", "new.csv", "--out", "proof"]).ends(0);
    garage.run(&["verify", "proof"]).ends(0);
    let (json, page) = (garage.text("proof/comparison.json"), garage.text("proof/proof.html"));
    assert!(page.contains("A. Nonymous") && page.contains("160 A machine"));

    change(&garage, "proof/comparison.json", "\"cca_a\": 540.0", "\"cca_a\": 640.0");
    falls(&garage, &["its settings were changed", "cca_a"]);
    garage.put("proof/comparison.json", &json);
    change(&garage, "proof/comparison.json", "A. Nonymous", "B. Nonymous");
    falls(&garage, &["the seal is broken", "proof.html differs from what the logs give"]);
    garage.put("proof/comparison.json", &json);
    change(&garage, "proof/comparison.json", "\"hold_s\": 60.0", "\"hold_s\": 10.0");
    falls(&garage, &["the seal is broken"]);
    garage.put("proof/comparison.json", &json);
    change(&garage, "proof/proof.html", "A. Nonymous", "C. Nonymous");
    falls(&garage, &["proof.html differs from what the logs give"]);
    garage.put("proof/proof.html", &page);
    garage.run(&["verify", "proof"]).ends(0);
    // What the car's file says today is told, and is no fault of the page.
    garage.put("car.toml", "[battery]\ncca_a = 600\n");
    let run = garage.run(&["verify", "proof"]).ends(0);
    assert!(run.stdout.contains("battery.cca_a 600"), "{}", run.stdout);
}

#[test]
fn what_is_no_proof_is_refused() {
    let garage = proven();
    garage.run(&["verify", "nowhere"]).ends(1).complains(&["nowhere", "stiffbus compare wrote"]);
    garage.put("proof/comparison.json", "{\"schema\": \"stiffbus.diagnosis.v2\"}");
    garage.run(&["verify", "proof"]).ends(1).complains(&["is not a comparison"]);
    garage.put("proof/comparison.json", "{\"schema\": ");
    garage.run(&["verify", "proof"]).ends(1).complains(&["is no longer JSON"]);
    garage.put("proof/comparison.json", "{\"schema\": \"stiffbus.comparison.v1\"}");
    garage.run(&["verify", "proof"]).ends(1).complains(&["missing"]);
}

#[test]
fn acceptance_is_what_was_agreed() {
    let garage = Garage::new();
    garage.put_sample(OLD, "old.csv");
    garage.put_sample(NEW, "new.csv");
    let agreed = |toml: &str| {
        garage.put("car.toml", toml);
        let args = ["compare", "old.csv", "new.csv", "--out", "proof", "--force", "--json", "-"];
        garage.run(&args).ends(0).json()
    };
    let longer = agreed("[acceptance]\nhold_s = 300\n");
    assert_eq!(longer["outcome"], "improved, not proven");
    assert!(longer["missing"].to_string().contains("300 s"), "{}", longer["missing"]);
    let fan = agreed("[acceptance]\nloads = [\"Fan\"]\nhold_s = 20\n");
    assert_eq!(fan["outcome"], "repair proven");
    garage.put("car.toml", "[acceptance]\nloads = [\"winch\"]\n");
    let args = ["compare", "old.csv", "new.csv", "--out", "proof", "--force"];
    garage.run(&args).ends(1).complains(&["winch", "\"fan\""]);
    garage.put("car.toml", "[acceptance]\nhold_s = -1\n");
    garage.run(&args).ends(1).complains(&["car.toml", "line 2", "hold_s"]);
}

#[test]
fn names_that_do_not_fit_are_a_clear_word() {
    let garage = Garage::new();
    garage.put_sample(OLD, "old.csv");
    garage.put_sample(NEW, "new.csv");
    let run = |more: &[&str]| garage.run(&[&["compare", "old.csv", "new.csv"], more].concat());
    run(&["--same", "winch=fan relay"]).ends(1).complains(&["winch", "old.csv", "\"fan\""]);
    run(&["--same", "fan=winch"]).ends(1).complains(&["winch", "new.csv", "\"fan relay\""]);
    run(&["--same", "fan"]).ends(2).complains(&["BEFORE=AFTER"]);
    run(&["--same", "fan=fan relay", "--out", "proof"]).ends(0);
    assert!(garage.has("proof/proof.html"));
    run(&["--load-amps", "winch=80", "--force"]).ends(0).complains(&["winch", "no effect"]);
    garage.run(&["compare", "old.csv"]).ends(2);
    garage.run(&["compare", "old.csv", "missing.csv"]).ends(1).complains(&["missing.csv"]);
    let marks = ["--marks-after", "a.csv", "--marks-after", "b.csv"];
    run(&marks).ends(2).complains(&["once for each"]);
}

#[test]
fn a_proof_never_takes_the_place_of_something_else() {
    let garage = proven();
    garage.put("old2.csv", fs::read(sample_logs().join("thin-ground.csv")).expect("a sample"));
    let other = ["compare", "old2.csv", "new.csv", "--out", "proof"];
    garage.run(&other).ends(1).complains(&["proof", "--force"]);
    garage.run(&["diagnose", "old.csv", "--out", "proof"]).ends(1).complains(&["--force"]);
    // Its own logs may be compared again.
    garage.run(&["compare", "old.csv", "new.csv", "--out", "proof"]).ends(0);
    garage.run(&["compare", "old.csv", "new.csv", "--out", "."]).ends(2);
}

/// Without --out the proof lies beside the log that was taken last.
#[test]
fn a_proof_has_a_place_of_its_own() {
    let garage = Garage::new();
    garage.put_sample(OLD, "old.csv");
    garage.put_sample(NEW, "after/new.csv");
    garage.run(&["compare", "old.csv", "after/new.csv"]).ends(0);
    assert!(garage.has("after/stiffbus-report/new-against-old/proof.html"));
    garage.run(&["verify", "after/stiffbus-report/new-against-old"]).ends(0);
}

/// Names, paths and values come out of a file that anybody may have changed: no
/// control character of it reaches the terminal.
#[test]
fn a_changed_proof_is_told_and_never_obeyed() {
    let garage = proven();
    let json = garage.text("proof/comparison.json");
    for (old, new) in [
        ("\"name\": \"after\"", "\"name\": \"after\\u001b[31m\""),
        ("../new.csv", "../new\\u001b]0;x\\u0007.csv"),
        ("\"version\": \"", "\"version\": \"\\u001b[2J"),
        ("\"outcome\": \"repair proven\"", "\"outcome\": \"\\u001b[2J\""),
    ] {
        assert!(json.contains(old), "no {old}");
        garage.put("proof/comparison.json", json.replacen(old, new, 1));
        // As on a terminal, where nothing is stripped on the way.
        let mut command = garage.command(&["verify", "proof"]);
        let output = command.env("CLICOLOR_FORCE", "1").output().expect("it runs");
        assert_eq!(output.status.code(), Some(1));
        for said in [output.stdout, output.stderr] {
            let said = String::from_utf8(said).expect("text");
            assert!(!said.contains(['\u{1b}', '\u{7}']), "{said:?}");
        }
    }
}
