//! A proof that somebody changed: `verify` says so, whatever was done to it.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use proptest::prelude::*;
use serde_json::{Value, json};
use stiffbus::car::Car;
use stiffbus::compare::{Agreed, Recorded, compare};
use stiffbus::comparison::{Comparison, InputFile, Settings};
use stiffbus::report::{Overwrite, write_folder};
use stiffbus::verbs::verify::{VerifyArgs, report};

use crate::bytes::memory;
use crate::support::{cases, plain};

/// A small proof of two logs that lie beside its folder, `home/proof`.
struct Made {
    home: PathBuf,
    text: String,
    value: Value,
}

fn made() -> &'static Made {
    static MADE: OnceLock<Made> = OnceLock::new();
    MADE.get_or_init(|| {
        // In one place for every run: what is static is never dropped, nor its folder.
        let home = Path::new(env!("CARGO_TARGET_TMPDIR")).join("changed-proofs");
        std::fs::create_dir_all(&home).expect("a folder");
        let recorded = |name: &str, text: String| {
            let path = home.join(name);
            std::fs::write(&path, text).expect("the test's own file");
            let log = stiffbus::ingest::read(&path, &Default::default()).expect("a log");
            let diagnosis = stiffbus::diagnose(&log, &Car::default()).expect("a diagnosis");
            Recorded {
                diagnosis,
                settings: Settings { path: format!("../{name}"), ..Settings::default() },
            }
        };
        let before = recorded("before.csv", plain(600));
        let after = recorded("after.csv", plain(600).replace("13.7", "14.1"));
        let comparison = compare(&before, &[after], &Agreed::default()).expect("a comparison");
        write_folder(&comparison, &home.join("proof"), Overwrite::Force).expect("a proof");
        let text = std::fs::read_to_string(home.join("proof/comparison.json")).expect("the proof");
        Made { value: serde_json::from_str(&text).expect("JSON"), text, home }
    })
}

/// What `verify` says of `text`, its logs out of reach where `alone`.
fn verified(text: &str, alone: bool) -> Result<(bool, String), String> {
    let folder =
        if alone { memory() } else { tempfile::tempdir_in(&made().home).expect("a folder") };
    std::fs::write(folder.path().join("comparison.json"), text).expect("the test's own file");
    let args = VerifyArgs { dir: folder.path().to_path_buf(), logs: Vec::new() };
    report(&args).map_err(|error| error.to_string())
}

/// Every place in the value, as steps from its top.
fn places(value: &Value, path: &mut Vec<String>, all: &mut Vec<String>) {
    all.push(path.iter().map(|step| format!("/{step}")).collect());
    let steps: Vec<(String, &Value)> = match value {
        Value::Object(map) => map.iter().map(|(key, value)| (key.clone(), value)).collect(),
        Value::Array(list) => {
            list.iter().enumerate().map(|(k, value)| (k.to_string(), value)).collect()
        }
        _ => Vec::new(),
    };
    for (step, value) in steps {
        path.push(step);
        places(value, path, all);
        path.pop();
    }
}

/// All but the traces, of which one point is like another.
fn telling_places() -> &'static Vec<String> {
    static PLACES: OnceLock<Vec<String>> = OnceLock::new();
    PLACES.get_or_init(|| {
        let mut all = Vec::new();
        places(&made().value, &mut Vec::new(), &mut all);
        all.retain(|place| !place.contains("/picture/traces/"));
        all
    })
}

fn other() -> impl Strategy<Value = Value> {
    prop_oneof![
        Just(Value::Null),
        Just(json!(0)),
        Just(json!(-1)),
        Just(json!(1e308)),
        Just(json!(-1e308)),
        Just(json!(5e-324)),
        Just(json!(u64::MAX)),
        Just(json!([])),
        Just(json!({})),
        Just(json!(true)),
        Just(json!("")),
        Just(json!("/dev/zero")),
        Just(json!("../before.csv")),
        Just(json!("../../../../../../etc/passwd")),
        Just(json!("\u{1b}[2J\u{202e}<script>")),
        any::<f64>().prop_filter_map("JSON knows no NaN", |v| serde_json::Number::from_f64(v)
            .map(Value::Number)),
        ".{0,20}".prop_map(Value::String),
        any::<i64>().prop_map(|v| json!(v)),
    ]
}

fn changed(picks: &[(prop::sample::Index, Value)]) -> Value {
    let mut value = made().value.clone();
    for (pick, other) in picks {
        let place: &String = pick.get(telling_places());
        if let Some(slot) = value.pointer_mut(place) {
            *slot = other.clone();
        }
    }
    value
}

fn is_shown_safely(text: &str) {
    let unfit = text.chars().find(|&c| c != '\n' && stiffbus::format::is_unprintable(c));
    assert_eq!(unfit, None, "{text:?}");
}

proptest! {
    #![proptest_config(cases(250, 2000))]

    #[test]
    fn no_change_of_a_value_goes_unseen(picks in prop::collection::vec((any::<prop::sample::Index>(), other()), 1..4)) {
        let value = changed(&picks);
        match verified(&value.to_string(), true) {
            // The logs are out of reach: it can never stand.
            Ok((stands, text)) => {
                prop_assert!(!stands);
                is_shown_safely(&text);
                if value != made().value {
                    let same_seal = text.contains("the seal matches");
                    let read: Comparison = serde_json::from_value(value.clone()).expect("it was read");
                    let first: Comparison = serde_json::from_value(made().value.clone()).expect("it was read");
                    prop_assert!(!same_seal || read == first, "{}", text);
                }
            }
            Err(error) => prop_assert!(error.len() > 20, "{}", error),
        }
    }

    #[test]
    fn no_bytes_break_a_proof(at in any::<prop::sample::Index>(), length in 0usize..200, with in ".{0,30}") {
        let text = &made().text;
        let from = (0..=at.index(text.len())).rev().find(|&i| text.is_char_boundary(i)).unwrap_or(0);
        let upto = (from + length..=text.len()).find(|&i| text.is_char_boundary(i)).unwrap_or(text.len());
        let spoiled = format!("{}{with}{}", &text[..from], &text[upto..]);
        if let Ok((stands, _)) = verified(&spoiled, true) {
            prop_assert!(!stands);
        }
    }
}

proptest! {
    #![proptest_config(cases(16, 2000))]

    /// What is read again from the logs is read by settings that anybody may have changed.
    #[test]
    fn changed_settings_are_no_harm(
        picks in prop::collection::vec((any::<prop::sample::Index>(), other()), 1..3),
        amps in any::<f64>(),
        rate in prop::option::of(any::<f64>()),
    ) {
        let mut comparison: Comparison = serde_json::from_value(made().value.clone()).expect("a proof");
        let mut settings = serde_json::to_value(&comparison.before.settings).expect("settings");
        let mut all = Vec::new();
        places(&settings, &mut Vec::new(), &mut all);
        for (pick, other) in &picks {
            let place: &String = pick.get(&all);
            if let Some(slot) = settings.pointer_mut(place) {
                *slot = other.clone();
            }
        }
        if let Ok(settings) = serde_json::from_value::<Settings>(settings) {
            comparison.before.settings = settings;
        }
        comparison.before.settings.path = "../before.csv".to_owned();
        comparison.before.settings.car.battery.cca_a = Some(amps);
        comparison.before.settings.sample_rate_hz = rate;
        comparison.acceptance.hold_s = amps;
        let text = serde_json::to_string(&comparison).expect("JSON");
        if let Ok((stands, text)) = verified(&text, false) {
            prop_assert!(!stands);
            is_shown_safely(&text);
        }
    }
}

#[test]
fn a_proof_as_it_was_written_stands() {
    let args = VerifyArgs { dir: made().home.join("proof"), logs: Vec::new() };
    let (stands, text) = report(&args).expect("a proof");
    assert!(stands, "{text}");
}

/// What never ends is not read to its end.
#[test]
#[cfg(unix)]
fn a_proof_that_names_a_device_is_told_of() {
    for device in ["/dev/zero", "/dev/random"] {
        let mut comparison: Comparison =
            serde_json::from_value(made().value.clone()).expect("a proof");
        comparison.before.settings.path = device.to_owned();
        let endless = InputFile { path: device.to_owned(), sha256: "00".repeat(32) };
        comparison.afters[0].side.settings.curve = Some(endless.clone());
        comparison.afters[0].side.settings.marks = Some(endless);
        let (stands, text) = verified(&serde_json::to_string(&comparison).expect("JSON"), false)
            .expect("an account");
        assert!(!stands && text.contains("is not at /dev/"), "{text}");
    }
}

/// A proof, a report and a plan stay readable, or say that they are not, in any state.
#[test]
fn what_stands_in_a_folder_may_be_anything() {
    let (_log_home, path) = crate::faults::small_log();
    let log = stiffbus::ingest::read(&path, &Default::default()).expect("a log");
    let diagnosis = stiffbus::diagnose(&log, &Car::default()).expect("a diagnosis");
    for marker in ["diagnosis.json", "comparison.json", "plan.json"] {
        for text in [
            "",
            "{",
            "[1]",
            "{\"schema\":1}",
            "{\"schema\":\"stiffbus.diagnosis.v2\",\"source\":{\"file\":\"\\u001b[31m\",\"sha256\":\"x\"}}",
        ] {
            let home = memory();
            let dir = home.path().join("report");
            std::fs::create_dir(&dir).expect("a folder");
            std::fs::write(dir.join(marker), text).expect("the test's own file");
            let error = stiffbus::report::write_folder(&diagnosis, &dir, Overwrite::SameLog)
                .expect_err("another's folder");
            is_shown_safely(&error.to_string());
            assert_eq!(std::fs::read_to_string(dir.join(marker)).expect("as it was"), text);
        }
    }
    assert!(Path::new(&path).exists());
}
