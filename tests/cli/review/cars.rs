//! Which car a log belongs to, and files that are there twice.

use super::{bytes_below, cars_of, logs, other, review_json, reviewed, row, same_files};
use crate::support::Garage;

const OUT: &str = "day/stiffbus-report/review";

#[test]
fn two_cars_in_one_folder_are_two_days() {
    let garage = Garage::new();
    // The truth: what was written of which car, and what the bus lost from log to log.
    let loss = |volts: f64, name: &str| {
        let text = other(name);
        text.replace(",13.1", &format!(",{:.1}", 13.1 - volts))
    };
    for (name, volts) in
        [("red-1", 0.0), ("red-2", 0.1), ("blue-1", 0.6), ("2031-05-06 red hot", 0.2)]
    {
        garage.put(&format!("day/{name}.csv"), loss(volts, name));
    }
    reviewed(&garage, &["day"]).ends(0);
    let review = review_json(&garage, OUT);
    let cars = [("blue", "name", 1), ("red", "name", 3)];
    assert_eq!(cars_of(&review), cars.map(|(name, how, logs)| (name.into(), how.into(), logs)));
    assert!(
        row(&review, "blue-1.csv")["car"] == "blue" && row(&review, "red-2.csv")["car"] == "red"
    );
    for car in review["cars"].as_array().expect("cars") {
        let own = car["name"].as_str().expect("a name");
        for soak in car["soak"].as_array().expect("curves") {
            for reading in soak["readings"].as_array().expect("readings") {
                let log = reading["log"].as_str().expect("a log");
                assert!(log.contains(own), "{log} stands in the day of {own}");
            }
        }
    }
    let red = review["cars"].as_array().expect("cars").iter().find(|car| car["name"] == "red");
    assert!(!red.expect("red")["soak"].as_array().expect("curves").is_empty());
    let headline = review["headline"].as_str().expect("a headline");
    assert!(headline.starts_with("4 logs of 2 cars: "), "{headline}");
}

#[test]
fn one_car_stays_one_car() {
    let garage = Garage::new();
    for name in ["cold", "hot", "idle", "fans-on-2", "fans-on-3"] {
        garage.put(&format!("day/{name}.csv"), other(name));
    }
    reviewed(&garage, &["day"]).ends(0);
    let review = review_json(&garage, OUT);
    assert_eq!(cars_of(&review), [("day".into(), "folder".into(), 5)]);
    assert_eq!(review["cars"][0]["doubts"].as_array().map(Vec::len), Some(0));
}

#[test]
fn where_names_leave_it_open_there_is_a_doubt() {
    let garage = Garage::new();
    for name in ["coupe", "wagon"] {
        garage.put(&format!("day/{name}.csv"), other(name));
    }
    let run = reviewed(&garage, &["day"]).ends(0);
    assert!(run.stdout.contains("--car-pattern"), "{}", run.stdout);
    let doubts = &review_json(&garage, OUT)["cars"][0]["doubts"];
    assert!(doubts[0].as_str().is_some_and(|text| text.contains("coupe, wagon")), "{doubts}");
    // One vehicle stated for logs that are named as of two.
    garage.put("day/car.toml", "[job]\nvehicle = \"coupe\"\n");
    garage.put("day/coupe-2.csv", other("coupe-2"));
    reviewed(&garage, &["day"]).ends(0);
    let review = review_json(&garage, OUT);
    assert_eq!(cars_of(&review), [("coupe".into(), "car_file".into(), 3)]);
    let doubt = review["cars"][0]["doubts"][0].as_str().expect("a doubt");
    assert!(doubt.contains("car.toml states one vehicle"), "{doubt}");
}

#[test]
fn a_file_that_is_there_twice_counts_once() {
    let garage = Garage::new();
    garage.put("day/run-1.csv", other("1"));
    garage.put("day/run-2.csv", other("2"));
    garage.put("day/copy of run-2.csv", other("2"));
    garage.put("day/backup/run-1.csv", other("1"));
    garage.put("day/broken.csv", "no log\n");
    garage.put("day/broken-copy.csv", "no log\n");
    let run = reviewed(&garage, &["day"]).ends(11).complains(&["1 of 3 logs could not be read"]);
    assert!(run.stdout.contains("same file"), "{}", run.stdout);
    let review = review_json(&garage, OUT);
    assert_eq!(logs(&review).len(), 6, "each is a row");
    assert_eq!(
        (&review["analysed"], &review["failed"], &review["copies"]),
        (&2.into(), &1.into(), &3.into())
    );
    let headline = review["headline"].as_str().expect("a headline");
    assert!(headline.starts_with("3 logs of"), "{headline}");
    assert!(headline.ends_with("3 files are copies of others."), "{headline}");
    // The first in the order of paths is the log.
    assert_eq!(row(&review, "run-1.csv")["result"]["same_as"], "backup/run-1.csv");
    assert_eq!(row(&review, "run-2.csv")["result"]["same_as"], "copy of run-2.csv");
    for car in review["cars"].as_array().expect("cars") {
        for soak in car["soak"].as_array().expect("curves") {
            for reading in soak["readings"].as_array().expect("readings") {
                let log = reading["log"].as_str().expect("a log");
                assert!(row(&review, log)["result"]["same_as"].is_null(), "{log} is a copy");
            }
        }
    }
    let table = garage.text(&format!("{OUT}/logs.csv"));
    assert!(table.contains(",no,same file as backup/run-1.csv,"), "{table}");
    let page = garage.text(&format!("{OUT}/index.html"));
    assert!(page.contains("same file as backup/run-1.csv; not counted"));
    assert!(!garage.has(&format!("{OUT}/reports/run-1")), "a copy has no report of its own");
    // Taken up again it is the same to the byte.
    let before = bytes_below(&garage.path().join(OUT));
    reviewed(&garage, &["day", "--resume"]).ends(11);
    same_files(&before, &bytes_below(&garage.path().join(OUT)));
}
