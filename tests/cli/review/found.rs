//! What counts as a log, and what is left out and said so.

use std::collections::BTreeMap;

use serde_json::Value;

use super::{logs, other, review_json, reviewed};
use crate::support::Garage;

fn left_out(review: &Value) -> BTreeMap<String, Vec<String>> {
    let names = |left: &Value| {
        let first = left["first"].as_array().expect("names").iter();
        first.map(|name| name.as_str().expect("a name").to_owned()).collect()
    };
    let all = review["left_out"].as_array().expect("a list").iter();
    all.map(|left| (left["reason"].as_str().expect("a reason").to_owned(), names(left))).collect()
}

#[test]
fn nothing_is_dropped_without_a_word() {
    let garage = Garage::new();
    garage.put("day/a.csv", other("1"));
    garage.put("day/deep/er/B.TXT", other("2"));
    garage.put("day/.git/c.csv", other("3"));
    garage.put("day/.hidden.csv", other("4"));
    garage.put("day/readme.md", "words");
    garage.put("day/noend", other("5"));
    garage.put("day/car.toml", "[alternator]\ncurve = \"sheets/old.csv\"\n");
    let sheet = "alternator speed (rpm),output current (A)\n1500,30\n3000,60\n6000,70\n";
    garage.put("day/sheets/old.csv", sheet);
    // Nobody names this one: it shows what it is when it is read.
    garage.put("day/sheets/spare.csv", sheet);
    // Reports from before, in a folder of any name.
    garage.run(&["day/a.csv", "--out", "day/report of a"]).ends(0);
    garage.run(&["day/a.csv"]).ends(0);
    std::fs::copy(
        garage.path().join("day/report of a/load_steps.csv"),
        garage.path().join("day/steps.csv"),
    )
    .expect("a copy");
    reviewed(&garage, &["day", "--out", "day/review"]).ends(0);
    let review = review_json(&garage, "day/review");
    assert_eq!(logs(&review), ["a.csv", "deep/er/B.TXT"]);
    let expected: [(&str, &[&str]); 8] = [
        ("an alternator's output sheet", &["sheets/spare.csv"]),
        ("facts about a car", &["car.toml"]),
        ("folder of reports", &["report of a", "stiffbus-report"]),
        ("hidden file", &[".hidden.csv"]),
        ("hidden folder", &[".git"]),
        ("marks or an alternator's output sheet", &["sheets/old.csv"]),
        ("no log by its ending", &["noend", "readme.md"]),
        ("table that stiffbus wrote", &["steps.csv"]),
    ];
    let found = left_out(&review);
    let expected: BTreeMap<String, Vec<String>> = expected
        .into_iter()
        .map(|(reason, names)| (reason.into(), names.iter().map(|&n| n.into()).collect()))
        .collect();
    assert_eq!(found, expected);
    // Once more, with the review there: it is none of the day's files.
    let first = garage.text("day/review/review.json");
    reviewed(&garage, &["day", "--out", "day/review"]).ends(0);
    assert_eq!(garage.text("day/review/review.json"), first);
    // A file that is named is read, whatever its name.
    reviewed(&garage, &["day/noend", "day/.hidden.csv", "--out", "named"]).ends(0);
    assert_eq!(logs(&review_json(&garage, "named")), [".hidden.csv", "noend"]);
}

#[cfg(unix)]
#[test]
fn links_that_loop_or_lead_to_the_same_file_are_survived() {
    use std::os::unix::fs::symlink;
    let garage = Garage::new();
    garage.put("day/b/run.csv", other("1"));
    garage.put("elsewhere/far.csv", other("2"));
    let at = |name: &str| garage.path().join(name);
    symlink(at("day"), at("day/b/up")).expect("a link");
    symlink(at("day/b"), at("day/a-link-to-b")).expect("a link");
    symlink("self", at("day/self")).expect("a link");
    symlink(at("day/b/run.csv"), at("day/also-run.csv")).expect("a link");
    std::fs::hard_link(at("day/b/run.csv"), at("day/b/run-again.csv")).expect("a link");
    symlink(at("elsewhere"), at("day/far")).expect("a link");
    symlink(at("gone.csv"), at("day/gone.csv")).expect("a link");
    // Folders that all link to each other: as many paths as there are orders.
    for k in 0..8 {
        garage.put(&format!("day/web/{k}/log.csv"), other(&format!("{k}")));
    }
    for (k, j) in (0..8).flat_map(|k| (0..8).map(move |j| (k, j))) {
        symlink(at(&format!("day/web/{j}")), at(&format!("day/web/{k}/to-{j}"))).expect("a link");
    }
    reviewed(&garage, &["day", "day/b", "day/b/run.csv", "--out", "out"]).ends(0);
    let review = review_json(&garage, "out");
    let mut expected = vec!["b/run.csv".to_owned(), "far/far.csv".to_owned()];
    expected.extend((0..8).map(|k| format!("web/{k}/log.csv")));
    assert_eq!(logs(&review), expected);
    let left_out = left_out(&review);
    let twice = ["also-run.csv", "b/run-again.csv"];
    let told = &left_out["the same file by another path"];
    assert!(twice.iter().all(|name| told.contains(&(*name).to_owned())), "{told:?}");
    assert_eq!(left_out["link that leads nowhere"], ["gone.csv", "self"]);
}

#[test]
fn what_is_obviously_no_log_is_left_out_and_fails_nothing() {
    let garage = Garage::new();
    garage.put("day/run.csv", other("1"));
    garage.put("day/empty.csv", "");
    garage.put("day/blank.txt", "\n  \n\t\n");
    garage.put("day/letter.txt", "Dear workshop,\nit squeals when it is wet.\n");
    garage.put("day/letter-2.txt", "Dear workshop,\nit squeals when it is wet.\n");
    garage.put("day/README.txt", "# Logs of May\n\n- run.csv: fans on at 40 s, off at 60 s.\n");
    garage.put("day/marks.csv", "time,load,state\n40,fans,on\n60,fans,off\n");
    garage.put("day/curve.csv", "alternator speed (rpm),output (A)\n1500,30\n3000,60\n6000,70\n");
    let run = reviewed(&garage, &["day"]).ends(0).complains(&["README.txt", "marks.csv"]);
    assert!(!run.stderr.contains("could not be read"), "{}", run.stderr);
    let review = review_json(&garage, "day/stiffbus-report/review");
    assert_eq!(logs(&review), ["run.csv"]);
    let left_out = left_out(&review);
    assert_eq!(left_out["empty file"], ["blank.txt", "empty.csv"]);
    assert_eq!(left_out["text, not a table"], ["letter-2.txt", "letter.txt", "README.txt"]);
    assert_eq!(left_out["an alternator's output sheet"], ["curve.csv"]);
    assert!(left_out.keys().any(|reason| reason.starts_with("marks;")), "{left_out:?}");
    // A file that somebody names is a log to them: then its row says what is wrong.
    reviewed(&garage, &["day/run.csv", "day/empty.csv", "day/letter.txt", "--out", "named"])
        .ends(12);
    // A broken log still fails.
    garage.put("day/cut.csv", other("2").lines().take(6).collect::<Vec<_>>().join("\n"));
    reviewed(&garage, &["day"]).ends(11).complains(&["1 of 2 logs could not be read"]);
}
