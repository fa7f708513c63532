//! Several logs at once.

use crate::support::{Garage, csv, plain};

fn other_log() -> String {
    csv("time (s),battery voltage (V),engine rpm", |r| {
        format!("{:.1},{:.2},{:.0}", r.t, r.v + 0.01, r.rpm)
    })
}

#[test]
fn one_that_fails_does_not_stop_the_others() {
    let garage = Garage::new();
    garage.put("a.csv", plain());
    garage.put("b.csv", "no log at all\n");
    garage.put("c.csv", other_log());
    let run = garage.run(&["a.csv", "gone.csv", "b.csv", "c.csv", "--out", "day"]).ends(1);
    let run = run.complains(&["gone.csv: no such file", "b.csv: no table of numbers"]);
    assert_eq!(run.stdout.matches("FALLS SHORT AT IDLE").count(), 2, "{}", run.stdout);
    let mut folders: Vec<String> =
        garage.names().into_iter().filter(|n| n.matches('/').count() == 1).collect();
    folders.sort();
    assert_eq!(folders, ["day/a", "day/c"]);
    assert!(garage.has("day/a/report.html") && garage.has("day/c/report.html"));
}

#[test]
fn failing_outweighs_fail_on() {
    let garage = Garage::new();
    garage.put("a.csv", plain());
    garage.run(&["a.csv", "--fail-on", "limited"]).ends(3);
    garage.run(&["a.csv", "gone.csv", "--fail-on", "limited"]).ends(1);
}

#[test]
fn two_logs_never_share_a_folder() {
    let garage = Garage::new();
    garage.put("mon/run.csv", plain());
    garage.put("tue/run.csv", other_log());
    let run = garage.run(&["mon/run.csv", "tue/run.csv", "--out", "day", "--force"]).ends(1);
    run.complains(&["tue/run.csv", "mon/run.csv", "day/run", "--out"]);
    assert!(garage.text("day/run/diagnosis.json").contains("\"fan\""));
    // Beside each log they do not meet.
    garage.run(&["mon/run.csv", "tue/run.csv"]).ends(0);
    assert!(garage.has("mon/stiffbus-report/run") && garage.has("tue/stiffbus-report/run"));
    // The same log twice is no quarrel.
    garage.run(&["mon/run.csv", "./mon/run.csv", "--out", "twice"]).ends(0);
}

#[test]
fn json_of_several_logs_is_a_stream() {
    let garage = Garage::new();
    garage.put("a.csv", plain());
    garage.put("b.csv", other_log());
    let run = garage.run(&["a.csv", "b.csv", "--json", "-"]).ends(0);
    let files: Vec<String> = serde_json::Deserializer::from_str(&run.stdout)
        .into_iter::<serde_json::Value>()
        .map(|said| said.expect("JSON")["source"]["file"].as_str().expect("a name").to_owned())
        .collect();
    assert_eq!(files, ["a.csv", "b.csv"]);
    garage.run(&["a.csv", "b.csv", "--json", "both.json"]).ends(2).complains(&[
        "both.json holds one diagnosis",
        "2 logs",
        "--json -",
    ]);
    assert!(!garage.has("both.json"));
}
