//! A day's logs at once.

mod broken;
mod cars;
mod found;
mod tables;
mod taken_up;
#[cfg(target_os = "linux")]
mod thousand;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::support::{Garage, Run, plain, sample_logs};

/// Bytes of every file below `folder`, by path.
fn bytes_below(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    read(folder, folder, &mut files);
    files
}

fn read(top: &Path, folder: &Path, files: &mut BTreeMap<String, Vec<u8>>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            read(top, &path, files);
        } else {
            let name = path.strip_prefix(top).expect("below").to_string_lossy().into_owned();
            files.insert(name, fs::read(&path).expect("a file"));
        }
    }
}

/// A log that is a copy of no other.
fn other(name: &str) -> String {
    format!("# {name}\n{}", plain())
}

/// Name, how it was grouped, and how many rows, of every car.
fn cars_of(review: &Value) -> Vec<(String, String, usize)> {
    let text = |value: &Value| value.as_str().expect("text").to_owned();
    let all = review["cars"].as_array().expect("cars").iter();
    let mut cars: Vec<(String, String, usize)> = all
        .map(|car| {
            let rows = car["rows"].as_array().map_or(0, Vec::len);
            (text(&car["name"]), text(&car["grouped_by"]), rows)
        })
        .collect();
    cars.sort();
    cars
}

#[track_caller]
fn same_files(a: &BTreeMap<String, Vec<u8>>, b: &BTreeMap<String, Vec<u8>>) {
    assert_eq!(a.keys().collect::<Vec<_>>(), b.keys().collect::<Vec<_>>());
    for (name, bytes) in a {
        assert!(b.get(name) == Some(bytes), "{name} differs");
    }
}

fn review_json(garage: &Garage, out: &str) -> Value {
    serde_json::from_str(&garage.text(&format!("{out}/review.json"))).expect("JSON")
}

fn logs(review: &Value) -> Vec<String> {
    let rows = review["rows"].as_array().expect("rows").iter();
    let mut logs: Vec<String> =
        rows.map(|row| row["log"].as_str().expect("a path").to_owned()).collect();
    logs.sort();
    logs
}

fn row<'r>(review: &'r Value, log: &str) -> &'r Value {
    let mut rows = review["rows"].as_array().expect("rows").iter();
    rows.find(|row| row["log"] == log).unwrap_or_else(|| panic!("no row of {log}"))
}

/// The day on the rollers, as `day`.
fn dyno_day() -> Garage {
    let garage = Garage::new();
    for (name, bytes) in bytes_below(&sample_logs().join("dyno-day")) {
        garage.put(&format!("day/{name}"), bytes);
    }
    garage
}

fn reviewed(garage: &Garage, args: &[&str]) -> Run {
    let mut all = vec!["review"];
    all.extend(args);
    garage.run(&all)
}

#[test]
fn the_day_on_the_rollers_is_one_review() {
    let garage = dyno_day();
    let run = reviewed(&garage, &["day"]).ends(11).complains(&["1 of 8 logs could not be read"]);
    assert!(run.stdout.contains("falls short at idle"), "{}", run.stdout);
    let review = review_json(&garage, "day/stiffbus-report/review");
    assert_eq!((&review["analysed"], &review["failed"]), (&7.into(), &1.into()));
    let headline = review["headline"].as_str().expect("a headline");
    assert!(headline.starts_with("8 logs of 2 cars: 6 fall short, 1 keeps up"), "{headline}");
    // The worst first: the hottest runs of the coupe before the broken log and the guest.
    let order: Vec<&str> = review["rows"]
        .as_array()
        .expect("rows")
        .iter()
        .map(|row| row["log"].as_str().expect("a path"))
        .collect();
    assert_eq!(order.get(6..), Some(&["run-5.csv", "guest/run-7.csv"][..]));
    let cars: Vec<(&str, usize)> = review["cars"]
        .as_array()
        .expect("cars")
        .iter()
        .map(|car| {
            (car["name"].as_str().expect("a name"), car["rows"].as_array().map_or(0, Vec::len))
        })
        .collect();
    assert_eq!(cars, [("day", 7), ("guest", 1)]);
    for row in review["rows"].as_array().expect("rows") {
        if let Some(report) = row["result"]["read"]["report"].as_str() {
            assert!(garage.has(&format!("day/stiffbus-report/review/{report}/report.html")));
        }
    }
}

/// The simulator's own mean of the bus at idle, as `truth.json` holds it.
fn idle_bus_v(log: &str, loads: &[&str]) -> f64 {
    let text = fs::read_to_string(sample_logs().join("truth.json")).expect("the truth");
    let truth: Value = serde_json::from_str(&text).expect("JSON");
    let of = |list: &Value, is: &dyn Fn(&Value) -> bool| -> Value {
        list.as_array().expect("a list").iter().find(|item| is(item)).expect("it").clone()
    };
    let log = of(&truth["logs"], &|l| l["file"] == format!("dyno-day/{log}"));
    let set = of(&log["keep_up"], &|set| set["loads"] == serde_json::json!(loads));
    set["idle_bus_v"].as_f64().expect("volts")
}

/// The scenario heats machine and regulator from run to run: what the bus lost at idle
/// over the day has to be what the simulator lost there.
#[test]
fn the_soak_curve_is_what_the_scenario_did_to_the_bus() {
    let garage = dyno_day();
    reviewed(&garage, &["day", "--out", "out"]).ends(11);
    let review = review_json(&garage, "out");
    let soaks = review["cars"][0]["soak"].as_array().expect("curves");
    let runs = ["run-1.csv", "run-2.csv", "run-3.csv", "run-4.csv", "run-6.csv", "run-8.csv"];
    for (loads, on) in [(vec![], vec![]), (vec!["fan"], vec!["fan low"])] {
        let idle = soaks
            .iter()
            .find(|soak| soak["loads"] == serde_json::json!(loads) && soak["rpm_low"] == 0.0)
            .expect("idle");
        let readings = idle["readings"].as_array().expect("readings");
        let logs: Vec<&str> = readings.iter().map(|r| r["log"].as_str().expect("a log")).collect();
        assert_eq!(logs, runs);
        let places: Vec<u64> = readings.iter().filter_map(|r| r["order"].as_u64()).collect();
        assert_eq!(places, [1, 2, 3, 4, 6, 7], "run-5 was there too, and could not be read");
        let lost_v = idle_bus_v("run-8.csv", &on) - idle_bus_v("run-1.csv", &on);
        let overall = &idle["overall_v"];
        let end = |name: &str| overall[name].as_f64().expect("volts");
        assert!(end("low") <= lost_v && lost_v <= end("high"), "{lost_v}: {overall}");
        assert!(end("high") - end("low") < 0.3, "so wide it could not fail: {overall}");
    }
}

#[test]
fn the_json_is_the_review_of_the_folder() {
    let garage = Garage::new();
    garage.put("day/a.csv", plain());
    let run = reviewed(&garage, &["day", "--json", "-"]).ends(0);
    assert_eq!(run.stdout, garage.text("day/stiffbus-report/review/review.json"));
    reviewed(&garage, &["day", "--json", "all.json"]).ends(0);
    assert_eq!(garage.text("all.json"), run.stdout);
    reviewed(&garage, &["day/a.csv", "--json", "day/a.csv"]).ends(2).complains(&["is a file that"]);
}

#[test]
fn fail_on_is_met_by_any_log_and_failing_outweighs_it() {
    let garage = Garage::new();
    garage.put("day/a.csv", plain());
    reviewed(&garage, &["day", "--fail-on", "limited"]).ends(3);
    garage.put("day/b.csv", "no log\n");
    reviewed(&garage, &["day", "--fail-on", "limited"]).ends(11);
}

#[test]
fn cars_are_told_apart_by_name_or_by_what_is_stated() {
    let garage = Garage::new();
    for name in ["red-run-1.csv", "red-run-2.csv", "blue-run-1.csv", "3_green.csv", "x/1.csv"] {
        garage.put(&format!("day/{name}"), other(name));
    }
    garage.put("day/x/car.toml", "[job]\nvehicle = \"the grey one\"\n");
    reviewed(&garage, &["day", "--car-pattern", "{car}-run-*", "--car-pattern", "*_{car}"]).ends(0);
    let review = review_json(&garage, "day/stiffbus-report/review");
    let cars = [
        ("blue", "pattern", 1),
        ("green", "pattern", 1),
        ("red", "pattern", 2),
        ("the grey one", "car_file", 1),
    ];
    assert_eq!(cars_of(&review), cars.map(|(name, how, logs)| (name.into(), how.into(), logs)));
    reviewed(&garage, &["day", "--car-pattern", "run-*"]).ends(2).complains(&["{car}"]);
}

#[test]
fn each_logs_own_car_file_counts() {
    let garage = Garage::new();
    garage.put("day/a/run.csv", plain());
    garage.put("day/b/run.csv", format!("# b\n{}", plain()));
    garage.put("day/b/car.toml", "setpoint_v = 15.0\n");
    garage.put("day/c/run.csv", format!("# c\n{}", plain()));
    garage.put("day/c/car.toml", "setpoint_w = 15.0\n");
    reviewed(&garage, &["day"]).ends(11);
    let review = review_json(&garage, "day/stiffbus-report/review");
    let setpoint = |log: &str| row(&review, log)["result"]["read"]["setpoint_v"]["value"].clone();
    assert!(setpoint("a/run.csv") != setpoint("b/run.csv"), "{}", setpoint("a/run.csv"));
    let reason =
        row(&review, "c/run.csv")["result"]["failed"]["reason"].as_str().expect("a reason");
    assert!(reason.starts_with("c/car.toml, line 1: unknown field"), "{reason}");
}

#[test]
fn other_peoples_folders_are_left_alone() {
    let garage = Garage::new();
    garage.put("day/a.csv", plain());
    garage.put("mine/letter.md", "keep me\n");
    reviewed(&garage, &["day", "--out", "mine"]).ends(1).complains(&["holds no review", "--force"]);
    assert_eq!(garage.names(), ["day", "day/a.csv", "mine", "mine/letter.md"]);
    reviewed(&garage, &["day", "--out", "day"]).ends(1).complains(&["holds logs", "--out"]);
    assert_eq!(garage.names(), ["day", "day/a.csv", "mine", "mine/letter.md"]);
    reviewed(&garage, &["day", "--out", "mine", "--force"]).ends(0);
    assert_eq!(garage.text("mine/letter.md"), "keep me\n");
    // The same folder again needs no leave; that of another does.
    reviewed(&garage, &["day", "--out", "mine"]).ends(0);
    garage.put("other/b.csv", plain());
    reviewed(&garage, &["other", "--out", "mine"]).ends(1).complains(&["another folder (../day"]);
    reviewed(&garage, &["nowhere", "empty"]).ends(12).complains(&["no such file"]);
}
