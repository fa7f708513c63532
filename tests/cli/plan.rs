//! `plan` on the scenario's logs, and what makes no sense to ask of it.

use std::fs;

use serde_json::Value;

use crate::support::{Garage, sample_logs};

const OLD: &str = "hot-idle-old-alternator.csv";

/// The complaint's log and the sheets of the story.
fn garage() -> Garage {
    let garage = Garage::new();
    garage.put_sample(OLD, "old.csv");
    for sheet in ["old-70a.csv", "rebuilt-100a.csv", "new-160a.csv"] {
        garage.put_sample(&format!("sheets/{sheet}"), sheet);
    }
    garage
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("no {key} in {value}"))
}

/// What the scenario fitted in the end is what the plan picks, and the log taken
/// after the swap shows it to hold, hot: the truth of that log, not our replay.
#[test]
fn the_plan_picks_what_the_later_log_shows_to_hold() {
    let garage = garage();
    let said = garage
        .run(&[
            "plan",
            "old.csv",
            "--candidate",
            "rebuilt=rebuilt-100a.csv",
            "--candidate",
            "new=new-160a.csv@2.9",
            "--json",
            "-",
        ])
        .ends(0)
        .json();
    assert_eq!(said["schema"], "stiffbus.plan.v1");
    let best = &said["candidates"][0];
    assert_eq!((&best["name"], &best["standing"]), (&"new".into(), &"carries it".into()));
    assert_eq!(said["candidates"][1]["standing"], "falls short");
    let text = fs::read_to_string(sample_logs().join("truth.json")).expect("the truth");
    let truth: Value = serde_json::from_str(&text).expect("JSON");
    let after = truth["logs"]
        .as_array()
        .expect("logs")
        .iter()
        .find(|log| log["file"] == "new-alternator-soaked.csv")
        .expect("the later log");
    assert_eq!(after["verdict"], "keeps up");
    // Its heaviest set at idle: the volts that the plan predicted.
    let heaviest = |sets: &Value| -> Value {
        let sets = sets.as_array().expect("sets").clone();
        sets.into_iter().max_by_key(|s| s["loads"].as_array().map_or(0, Vec::len)).expect("a set")
    };
    let idle_v = number(&heaviest(&after["keep_up"]), "idle_bus_v");
    let points = best["points"].as_array().expect("points");
    let predicted = points
        .iter()
        .filter(|p| p["rpm_low"] == 0.0)
        .max_by_key(|p| p["loads"].as_array().map_or(0, Vec::len))
        .expect("an idle point");
    let predicted_v = number(&predicted["predicted_v"], "value");
    assert!((predicted_v - idle_v).abs() < 0.15, "{predicted_v} and not {idle_v} V");
    assert_eq!(predicted["state"], "holding");
}

/// Of the machine that is there the plan says what the diagnosis says: the same state, the
/// same amps from the battery, the same amps short.
#[test]
fn the_present_machine_is_as_diagnosed() {
    let garage = garage();
    let flags = ["old.csv", "--json", "-"];
    let told = garage.run(&[&["diagnose"], &flags[..]].concat()).ends(0).json();
    let planned = garage
        .run(&[&["plan"], &flags[..], &["--candidate", "new=new-160a.csv@2.9"]].concat())
        .ends(0)
        .json();
    let diagnosed = told["operating_points"].as_array().expect("points");
    let points = planned["present"]["points"].as_array().expect("points");
    assert!(!points.is_empty() && points.len() == diagnosed.len());
    let mut short = 0;
    for (planned, diagnosed) in points.iter().zip(diagnosed) {
        assert_eq!(planned["state"], diagnosed["state"]);
        let same = |a: &Value, b: &Value, sign: f64| {
            assert_eq!(number(a, "value"), sign * number(b, "value"), "{planned} {diagnosed}");
        };
        same(&planned["deficit_a"], &diagnosed["implied_deficit_a"], 1.0);
        if diagnosed["state"] != "holding" {
            same(&planned["margin_a"], &diagnosed["regulation_shortfall_a"], -1.0);
            short += 1;
        }
    }
    assert!(short > 0);
}

#[test]
fn nonsense_gets_a_clear_word() {
    let garage = garage();
    let plan = |more: &[&str]| garage.run(&[&["plan", "old.csv"], more].concat());
    garage.put("negative.csv", "alternator rpm,amps\n1500,-30\n3000,90\n");
    garage.put("zero.csv", "alternator rpm,amps\n1500,30\n3000,90\n6000,0\n");
    let candidate = |flag: &'static str| ["--candidate", flag];
    plan(&candidate("x=negative.csv")).ends(1).complains(&["negative.csv", "-30"]);
    plan(&candidate("x=zero.csv")).ends(1).complains(&["zero.csv"]);
    plan(&candidate("x=new-160a.csv@0")).ends(2).complains(&["0"]);
    plan(&candidate("x=new-160a.csv@40")).ends(2).complains(&["40", "not a ratio"]);
    plan(&candidate("new-160a.csv")).ends(2).complains(&["NAME=CURVE.csv"]);
    plan(&candidate("x=nowhere.csv")).ends(1).complains(&["nowhere.csv"]);
    plan(&["--candidate", "x=new-160a.csv", "--candidate", "X=old-70a.csv"])
        .ends(2)
        .complains(&["own name"]);
    plan(&["--pulleys", "150:0"]).ends(2).complains(&["0"]);
    plan(&["--pulleys", "150:20"]).ends(2).complains(&["7.5", "not a ratio"]);
    plan(&["--cable-air", "110"]).ends(2).complains(&["110"]);
    plan(&["--redline", "-3"]).ends(2).complains(&["-3"]);
    garage.put_sample("no-load-columns.csv", "blind.csv");
    garage
        .run(&["plan", "blind.csv", "--column", "ignored=Engine RPM"])
        .ends(1)
        .complains(&["no engine speed", "--column engine_rpm"]);
}

/// A feed of 20 m of 22 AWG is no charging cable, and one of 20 AWG is told what
/// is wrong with it.
#[test]
fn a_long_thin_feed_is_told_what_is_wrong() {
    let garage = garage();
    let with = |cable: &str| {
        let new = "new=new-160a.csv@2.9";
        garage.run(&["plan", "old.csv", "--candidate", new, "--cable", cable, "--json", "-"])
    };
    with("22AWG:20m").ends(2).complains(&["22AWG", "not a gauge"]);
    let said = with("20AWG:20m").ends(0).json();
    let wiring = &said["wiring"];
    assert!(wiring["rows"][0]["why"].as_str().is_some_and(|why| why.contains("too hot")));
    assert!(wiring["feed"].is_null() || wiring["feed"].as_u64() > Some(0), "{wiring}");
}
