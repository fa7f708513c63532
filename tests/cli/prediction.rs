//! `compare --plan`: whether what a plan foretold came true.

use std::fs;

use serde_json::Value;

use crate::support::{Garage, Run, sample_logs};

const OLD: &str = "hot-idle-old-alternator.csv";
const NEW: &str = "new-alternator-soaked.csv";

/// The complaint's log, the log after the swap, and a plan with both candidates.
fn planned() -> Garage {
    let garage = Garage::new();
    garage.put_sample(OLD, "old.csv");
    garage.put_sample(NEW, "new.csv");
    for sheet in ["rebuilt-100a.csv", "new-160a.csv"] {
        garage.put_sample(&format!("sheets/{sheet}"), sheet);
    }
    let rebuilt = "rebuilt=rebuilt-100a.csv";
    let new = "new=new-160a.csv@2.9";
    garage
        .run(&["plan", "old.csv", "--candidate", rebuilt, "--candidate", new, "--out", "plan"])
        .ends(0);
    garage
}

fn compare(garage: &Garage, logs: &[&str], more: &[&str]) -> Run {
    garage.run(&[&["compare"], logs, &["--out", "proof", "--force"], more].concat())
}

/// The heaviest set of loads at idle that the later log ran hot.
fn heaviest(foretold: &Value) -> Value {
    let points = foretold["afters"][0]["points"].as_array().expect("points").clone();
    let idle = points.into_iter().filter(|p| p["rpm_low"] == 0.0 && p["heat"] == "hot");
    idle.max_by_key(|p| p["loads"].as_array().map_or(0, Vec::len)).expect("an idle point, hot")
}

/// The later log is the scenario's own simulation of the machine, not our replay.
#[test]
fn what_the_plan_foretold_of_the_scenario_held() {
    let garage = planned();
    let said = compare(&garage, &["old.csv", "new.csv"], &["--plan", "plan", "--json", "-"]);
    let said = said.ends(0).json();
    let foretold = &said["foretold"];
    assert_eq!((&foretold["fitted"], &foretold["promised"]), (&"new".into(), &"carries it".into()));
    assert!(foretold["fitted_how"].as_str().is_some_and(|how| how.contains("best of 2")));
    assert_eq!(foretold["kept"], "held", "{}", foretold["headline"]);
    let point = heaviest(foretold);
    assert_eq!((&point["kept"], &point["seen_state"]), (&"held".into(), &"holding".into()));
    let number = |value: &Value| value.as_f64().expect("a number");
    let off_v = number(&point["predicted_v"]["value"]) - number(&point["seen_v"]["value"]);
    assert!(off_v.abs() < 0.15, "{point}");
    let run = compare(&garage, &["old.csv", "new.csv"], &["--plan", "plan/plan.json"]).ends(0);
    assert!(run.stdout.contains("Held. The plan predicted that new"), "{}", run.stdout);
    let page = garage.text("proof/proof.html");
    assert!(page.contains("What the plan predicted") && page.contains("Predicted, V"));
    let table = garage.text("proof/foretold.csv");
    assert!(table.contains("predicted_v") && table.contains(",held,"), "{table}");
}

#[test]
fn a_proof_with_a_plan_stands_and_falls_with_it() {
    let garage = planned();
    compare(&garage, &["old.csv", "new.csv"], &["--plan", "plan", "--fitted", "New"]).ends(0);
    garage.run(&["verify", "proof"]).ends(0);
    let plan = garage.text("plan/plan.json");
    garage.put("plan/plan.json", plan.replacen("carries it", "falls short", 1));
    let run = garage.run(&["verify", "proof"]).ends(1);
    assert!(run.stdout.contains("the plan: the plan has changed"), "{}", run.stdout);
    // The same plan elsewhere is the same plan.
    garage.put("archive/kept.json", &plan);
    garage.run(&["verify", "proof", "--logs", "archive"]).ends(0);
    garage.put("plan/plan.json", &plan);
    let json = garage.text("proof/comparison.json");
    garage.put(
        "proof/comparison.json",
        json.replacen("\"kept\": \"held\"", "\"kept\": \"worse\"", 1),
    );
    let run = garage.run(&["verify", "proof"]).ends(1);
    assert!(run.stdout.contains("the seal is broken"), "{}", run.stdout);
    assert!(run.stdout.contains("foretold.kept"), "{}", run.stdout);
}

/// Whatever was fitted, the later log drains as the earlier one did.
#[test]
fn a_candidate_that_fell_short_of_its_prediction_is_named() {
    let garage = planned();
    garage.put("later.csv", fs::read(sample_logs().join(OLD)).expect("a sample"));
    let said = compare(&garage, &["old.csv", "later.csv"], &["--plan", "plan", "--json", "-"]);
    let foretold = said.ends(0).json()["foretold"].clone();
    assert_eq!((&foretold["kept"], &foretold["fitted"]), (&"worse".into(), &"new".into()));
    let headline = foretold["headline"].as_str().expect("a headline");
    assert!(
        headline.contains("worse than predicted") && headline.contains("draining"),
        "{headline}"
    );
    let run = compare(&garage, &["old.csv", "later.csv"], &["--plan", "plan"]).ends(0);
    assert!(run.stdout.contains("Worse. The plan predicted that new"), "{}", run.stdout);
}

/// A cold log asks less than the hot one that was planned with.
#[test]
fn what_easier_conditions_show_proves_no_prediction() {
    let garage = planned();
    garage.put_sample("new-alternator-cold.csv", "cold.csv");
    let said = compare(&garage, &["old.csv", "cold.csv"], &["--plan", "plan", "--json", "-"]);
    let foretold = said.ends(0).json()["foretold"].clone();
    let points = foretold["afters"][0]["points"].as_array().expect("points").clone();
    let easier: Vec<&Value> = points.iter().filter(|p| p["conditions"] == "easier").collect();
    assert!(!easier.is_empty());
    for point in easier {
        assert_eq!(point["kept"], "cannot tell", "{point}");
        assert!(
            point["why"].as_str().is_some_and(|why| why.contains("its conditions differ")),
            "{point}"
        );
    }
}

#[test]
fn a_plan_that_does_not_belong_is_refused() {
    let garage = planned();
    garage.put_sample("thin-ground.csv", "other.csv");
    compare(&garage, &["other.csv", "new.csv"], &["--plan", "plan"]).ends(1).complains(&[
        "the plan is of another log",
        "old.csv",
        "other.csv",
    ]);
    let logs = ["old.csv", "new.csv"];
    compare(&garage, &logs, &["--plan", "plan", "--fitted", "huge"])
        .ends(1)
        .complains(&["no candidate called huge", "new, rebuilt"]);
    compare(&garage, &logs, &["--fitted", "new"]).ends(2);
    compare(&garage, &logs, &["--plan", "nowhere"]).ends(1).complains(&["nowhere", "plan wrote"]);
    garage.put("no.json", "{\"schema\": \"stiffbus.diagnosis.v2\"}");
    compare(&garage, &logs, &["--plan", "no.json"]).ends(1).complains(&["is not a plan"]);
    garage.run(&["plan", "old.csv", "--out", "bare"]).ends(0);
    compare(&garage, &logs, &["--plan", "bare"]).ends(1).complains(&["no candidate"]);
}
