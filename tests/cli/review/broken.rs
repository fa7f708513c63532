//! Whatever is wrong with a log, it is a row with its reason, and the others go on.

use super::{review_json, reviewed, row};
use crate::support::{Garage, csv, plain};

/// Name and bytes of files that no tool can make a log of, each in its own way.
fn broken() -> Vec<(&'static str, Vec<u8>)> {
    let lines =
        |n: usize| -> String { plain().lines().take(n).map(|l| format!("{l}\n")).collect() };
    let noise: Vec<u8> =
        (0..6000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    let half = |bytes: &[u8]| [lines(7).as_bytes(), bytes].concat();
    let rests =
        |r: &crate::support::Row| format!("{:.1},{:.2},0", r.t, 12.6 + 0.01 * (r.i % 3) as f64);
    let text: Vec<(&str, String)> = vec![
        ("header-only.csv", lines(1)),
        ("eight-rows.csv", lines(9)),
        ("two-words.txt", "no log\n".into()),
        (
            "loose-header.csv",
            "time (s), battery voltage (V), engine rpm, coolant temperature (C)\n".into(),
        ),
        ("page.csv", "<!doctype html><html><body><p>Sign in to go on</p></body></html>\n".into()),
        ("data.dat", "{\"time\": [0, 1, 2], \"volts\": [14.1, 14.2, 14.1]}\n".into()),
        ("no-voltage.csv", csv("time (s),engine rpm", |r| format!("{:.1},{:.0}", r.t, r.rpm))),
        (
            "no-time.csv",
            csv("battery voltage (V),engine rpm", |r| format!("{:.2},{:.0}", r.v, r.rpm)),
        ),
        (
            "truck.csv",
            csv("time (s),battery voltage (V),engine rpm", |r| {
                format!("{:.1},{:.2},{:.0}", r.t, 4.0 * r.v, r.rpm)
            }),
        ),
        (
            "two-voltages.csv",
            csv("time (s),battery voltage 1,battery voltage 2,rpm", |r| {
                format!("{:.1},{:.2},{:.2},{:.0}", r.t, r.v, r.v + 0.05, r.rpm)
            }),
        ),
        (
            "stuck-clock.csv",
            csv("time (s),battery voltage (V),rpm", |r| format!("3.0,{:.2},{:.0}", r.v, r.rpm)),
        ),
        (
            "words-for-time.csv",
            csv("time,battery voltage (V),rpm", |r| format!("soon,{:.2},{:.0}", r.v, r.rpm)),
        ),
        (
            "no-volts-in-it.csv",
            csv("time (s),battery voltage (V),rpm", |r| format!("{:.1},n/a,{:.0}", r.t, r.rpm)),
        ),
        ("never-runs.csv", csv("time (s),battery voltage (V),engine rpm", rests)),
        (
            "stands-still.csv",
            csv("time (s),battery voltage (V),engine rpm", |r| format!("{:.1},0.00,0", r.t)),
        ),
    ];
    let mut files: Vec<(&str, Vec<u8>)> =
        text.into_iter().map(|(name, text)| (name, text.into_bytes())).collect();
    files.push(("zeros.csv", vec![0; 5000]));
    files.push(("noise.log", noise.clone()));
    files.push(("card-failed.csv", half(&noise)));
    files.push(("picture.csv", [b"\x89PNG\r\n\x1a\n".as_slice(), &noise].concat()));
    files.push(("packed.csv", [b"\x1f\x8b\x08\x00".as_slice(), &noise].concat()));
    files.push(("sheet.tab", [b"PK\x03\x04".as_slice(), &noise].concat()));
    files.push(("one-long-line.csv", vec![b'7'; 200_000]));
    files
}

#[test]
fn twenty_kinds_of_broken_file_are_all_rows_and_stop_nothing() {
    let garage = Garage::new();
    let broken = broken();
    assert!(broken.len() >= 20);
    for (name, bytes) in &broken {
        garage.put(&format!("day/{name}"), bytes);
    }
    garage.put("day/a-good.csv", plain());
    garage.put("day/z-good.csv", super::other("z"));
    garage.put("day/bad-car/run.csv", super::other("bad"));
    garage.put("day/bad-car/car.toml", "[battery\n");
    let code = 10 + broken.len() as i32 + 1;
    let run =
        reviewed(&garage, &["day"]).ends(code).complains(&["23 of 25 logs could not be read"]);
    let review = review_json(&garage, "day/stiffbus-report/review");
    assert_eq!(
        review["left_out"][0]["reason"], "facts about a car",
        "and nothing else is left out"
    );
    assert_eq!(review["left_out"].as_array().map(Vec::len), Some(1));
    for (name, _) in &broken {
        let failed = &row(&review, name)["result"]["failed"];
        let reason = failed["reason"].as_str().unwrap_or_else(|| panic!("{name} was read"));
        assert!(reason.len() > 20 && failed["our_fault"] == false, "{name}: {reason}");
        // The row names the log; where it lies on this machine is nobody's business.
        assert!(!reason.contains(&garage.path().display().to_string()), "{reason}");
        assert!(run.stderr.contains(name), "no line of {name}");
    }
    for good in ["a-good.csv", "z-good.csv"] {
        assert_eq!(row(&review, good)["result"]["read"]["verdict"], "falls short at idle");
    }
    let table = garage.text("day/stiffbus-report/review/logs.csv");
    assert_eq!(csv::Reader::from_reader(table.as_bytes()).records().count(), 25);
}
