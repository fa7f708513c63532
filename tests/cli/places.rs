//! Where logs may lie, how they may be called, and where reports go.

use crate::support::{Garage, csv, plain};

const REPORT: [&str; 3] = ["report.html", "diagnosis.json", "trace.svg"];

#[track_caller]
fn holds_a_report(garage: &Garage, folder: &str) {
    for file in REPORT {
        assert!(garage.has(&format!("{folder}/{file}")), "{folder}/{file}: {:?}", garage.names());
    }
}

fn other_log() -> String {
    csv("time (s),battery voltage (V),engine rpm", |r| {
        format!("{:.1},{:.2},{:.0}", r.t, r.v + 0.1, r.rpm)
    })
}

#[test]
fn the_report_lies_beside_the_log() {
    let garage = Garage::new();
    garage.put("log.csv", plain());
    garage.put("visit 3/log.csv", plain());
    garage.run(&["log.csv"]).ends(0);
    garage.run(&["visit 3/log.csv"]).ends(0);
    holds_a_report(&garage, "stiffbus-report/log");
    holds_a_report(&garage, "visit 3/stiffbus-report/log");
}

#[test]
fn names_with_blanks_letters_and_a_leading_dash() {
    let garage = Garage::new();
    for name in ["my log 2.csv", "Lüfter_冷却.csv", "-dash.csv", "no-extension", "two.dots.csv"]
    {
        garage.put(name, plain());
        garage.run(&["--", name]).ends(0);
    }
    garage.run(&["./-dash.csv"]).ends(0);
    for name in ["my log 2", "Lüfter_冷却", "-dash", "no-extension", "two.dots"] {
        holds_a_report(&garage, &format!("stiffbus-report/{name}"));
    }
    // A log may be called like a verb.
    garage.put("demo", plain());
    garage.run(&["./demo"]).ends(0);
    garage.run(&["diagnose", "demo"]).ends(0);
    holds_a_report(&garage, "stiffbus-report/demo");
}

#[test]
fn out_names_the_folder_of_one_log() {
    let garage = Garage::new();
    garage.put("log.csv", plain());
    garage.run(&["log.csv", "--out", "a/b/report"]).ends(0);
    holds_a_report(&garage, "a/b/report");
    assert!(!garage.has("stiffbus-report"));
}

#[test]
fn another_logs_report_is_not_overwritten_unless_forced() {
    let garage = Garage::new();
    garage.put("log.csv", plain());
    garage.put("other.csv", other_log());
    garage.run(&["log.csv", "--out", "report"]).ends(0);
    let first = garage.text("report/diagnosis.json");
    garage.run(&["log.csv", "--out", "report"]).ends(0);
    let run = garage.run(&["other.csv", "--out", "report"]).ends(1);
    let run = run.complains(&["report", "another log (log.csv", "--out", "--force"]);
    assert_eq!(run.stdout, "");
    assert_eq!(garage.text("report/diagnosis.json"), first);
    garage.run(&["other.csv", "--out", "report", "--force"]).ends(0);
    assert_ne!(garage.text("report/diagnosis.json"), first);
}

#[test]
fn a_folder_of_other_things_is_left_alone() {
    let garage = Garage::new();
    garage.put("log.csv", plain());
    garage.put("photos/dash.jpg", "x");
    let before = garage.names();
    garage
        .run(&["log.csv", "--out", "photos"])
        .ends(1)
        .complains(&["photos", "is not a report folder"]);
    garage.run(&["photos/../log.csv", "--out", "photos/.."]).ends(2).complains(&["current folder"]);
    garage.put("visit/log.csv", plain());
    garage
        .run(&["visit/log.csv", "--out", "visit", "--force"])
        .ends(1)
        .complains(&["visit: is the folder of the log itself", "--out"]);
    garage.run(&["log.csv", "--out", "log.csv"]).ends(1).complains(&["is a file, not a folder"]);
    let mut now = garage.names();
    now.retain(|name| !name.starts_with("visit"));
    assert_eq!(now, before);
}

#[test]
fn a_target_that_cannot_be_written() {
    let garage = Garage::new();
    garage.put("log.csv", plain());
    let before = garage.names();
    // Nothing lies below a file, whoever asks.
    garage.run(&["log.csv", "--out", "log.csv/report"]).ends(1).complains(&[
        "log.csv/report",
        "could not write the report",
        "Nothing was changed",
    ]);
    assert_eq!(garage.names(), before);
}

#[cfg(unix)]
#[test]
fn a_read_only_folder() {
    use std::fs::{self, Permissions};
    use std::os::unix::fs::PermissionsExt;
    let garage = Garage::new();
    garage.put("card/log.csv", plain());
    let card = garage.path().join("card");
    fs::set_permissions(&card, Permissions::from_mode(0o555)).expect("permissions");
    // The superuser may write anywhere: then there is nothing to see here.
    let locked = fs::write(card.join("probe"), "x").is_err();
    let run = garage.run(&["card/log.csv"]);
    if locked {
        let run = run.ends(1).complains(&["card/stiffbus-report", "could not write", "--out"]);
        assert_eq!(run.stdout, "");
        assert_eq!(garage.names(), ["card", "card/log.csv"]);
        garage.run(&["card/log.csv", "--out", "report"]).ends(0);
        holds_a_report(&garage, "report");
    } else {
        run.ends(0);
    }
    fs::set_permissions(&card, Permissions::from_mode(0o755)).expect("permissions");
}
