//! A review that was stopped, and one that many work on, come to the same bytes.

use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use super::{bytes_below, reviewed, same_files};
use crate::support::{Garage, plain, sample_logs};

const COPIES: usize = 12;

/// Logs that take long enough to be stopped among them.
fn long_day() -> Garage {
    let garage = Garage::new();
    for k in 0..COPIES {
        let sample = ["hot-idle-old-alternator.csv", "slipping-belt.csv"][k % 2];
        let text = std::fs::read_to_string(sample_logs().join(sample)).expect("the sample");
        // Another preamble each: no two are the same file.
        garage.put(&format!("day/run-{k}.csv"), format!("# run {k}\n{text}"));
    }
    garage.put("day/broken.csv", "no log\n");
    garage
}

fn begun(garage: &Garage, out: &str) -> Child {
    let mut command = garage.command(&["review", "day", "--out", out, "--jobs", "2"]);
    let child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts");
    let entries = garage.path().join(out).join(".stiffbus-review/logs");
    let until = Instant::now() + Duration::from_secs(120);
    let count = || std::fs::read_dir(&entries).map_or(0, |entries| entries.count());
    while count() < 3 {
        assert!(Instant::now() < until, "nothing is written");
        std::thread::sleep(Duration::from_millis(2));
    }
    child
}

#[test]
fn killed_and_taken_up_it_is_as_if_nothing_had_been() {
    let garage = long_day();
    let mut child = begun(&garage, "killed");
    child.kill().expect("it can be killed");
    child.wait().expect("it ends");
    assert!(!garage.has("killed/review.json"), "it was killed too late to show anything");
    reviewed(&garage, &["day", "--out", "killed", "--resume"]).ends(11);
    reviewed(&garage, &["day", "--out", "whole", "--jobs", "1"]).ends(11);
    same_files(
        &bytes_below(&garage.path().join("killed")),
        &bytes_below(&garage.path().join("whole")),
    );
}

#[test]
fn two_reviews_do_not_write_into_one_folder_at_once() {
    let garage = long_day();
    let mut child = begun(&garage, "out");
    let run = reviewed(&garage, &["day", "--out", "out", "--resume"]);
    child.kill().expect("it can be killed");
    child.wait().expect("it ends");
    run.ends(1).complains(&["out: another review is being written here"]);
    // What was killed holds nothing back.
    garage.put("out/reports/.stiffbus-aB3xYz/new/report.html", "half");
    garage.put("out/.tmpaB3xYz", "half");
    reviewed(&garage, &["day", "--out", "out", "--resume"]).ends(11);
    assert!(!garage.has("out/reports/.stiffbus-aB3xYz") && !garage.has("out/.tmpaB3xYz"));
}

#[cfg(unix)]
#[test]
fn ctrl_c_leaves_whole_reports_and_nothing_aside() {
    let garage = long_day();
    let mut child = begun(&garage, "stopped");
    let id = child.id().to_string();
    let sent = std::process::Command::new("kill").args(["-INT", &id]).status().expect("kill runs");
    assert!(sent.success());
    let code = child.wait().expect("it ends").code();
    assert_eq!(code, Some(130));
    assert!(!garage.has("stopped/review.json") && !garage.has("stopped/index.html"));
    let names = garage.names();
    let reports: Vec<&String> = names
        .iter()
        .filter(|name| name.starts_with("stopped/reports/") && name.matches('/').count() == 2)
        .collect();
    assert!(!reports.is_empty() && reports.len() < COPIES, "{reports:?}");
    for report in reports {
        assert!(garage.has(&format!("{report}/report.html")), "{report}");
    }
    assert!(
        !names.iter().any(|name| name.contains("/.tmp")
            || name.contains("/.stiffbus-") && !name.contains("/.stiffbus-review")),
        "{names:?}"
    );
    reviewed(&garage, &["day", "--out", "stopped", "--resume"]).ends(11);
    reviewed(&garage, &["day", "--out", "whole"]).ends(11);
    same_files(
        &bytes_below(&garage.path().join("stopped")),
        &bytes_below(&garage.path().join("whole")),
    );
}

#[cfg(unix)]
#[test]
fn what_is_as_it_was_is_kept_and_what_is_not_is_made_again() {
    use std::os::unix::fs::MetadataExt;
    let garage = Garage::new();
    for name in ["a", "b", "c", "d"] {
        garage.put(&format!("day/{name}.csv"), format!("# {name}\n{}", plain()));
    }
    let review = |more: &[&str]| {
        let mut args = vec!["day", "--out", "out", "--resume"];
        args.extend(more);
        reviewed(&garage, &args).ends(0);
    };
    let page = |name: &str| {
        let path = garage.path().join(format!("out/reports/{name}/report.html"));
        std::fs::metadata(path).expect("a page").ino()
    };
    let pages = || ["a", "b", "c", "d"].map(page);
    review(&[]);
    let first = pages();
    review(&[]);
    assert_eq!(pages(), first, "nothing changed");
    // A changed log, a spoilt report, and one of which a file is gone.
    garage.put("day/a.csv", format!("# a again\n{}", plain()));
    garage.put("out/reports/b/report.html", "spoilt");
    std::fs::remove_file(garage.path().join("out/reports/c/trace.svg")).expect("it was there");
    review(&[]);
    let second = pages();
    assert!(second[0] != first[0] && second[2] != first[2] && second[3] == first[3]);
    assert!(garage.text("out/reports/b/report.html").contains("</html>"));
    assert!(garage.has("out/reports/c/trace.svg"));
    review(&["--cca", "540"]);
    let third = pages();
    assert!((0..4).all(|k| third[k] != second[k]), "every report hangs on the flags");
    garage.put("day/car.toml", "setpoint_v = 14.3\n");
    review(&["--cca", "540"]);
    assert!((0..4).all(|k| pages()[k] != third[k]), "and on car.toml");
    // A log that is gone takes its report with it, but not what a person put there.
    std::fs::remove_file(garage.path().join("day/c.csv")).expect("it was there");
    std::fs::remove_file(garage.path().join("day/d.csv")).expect("it was there");
    garage.put("out/reports/d/my-notes.txt", "keep me");
    review(&["--cca", "540"]);
    assert!(!garage.has("out/reports/c") && garage.has("out/reports/d/my-notes.txt"));
    reviewed(&garage, &["day", "--out", "fresh", "--cca", "540"]).ends(0);
    std::fs::remove_dir_all(garage.path().join("out/reports/d")).expect("it was there");
    same_files(
        &bytes_below(&garage.path().join("out")),
        &bytes_below(&garage.path().join("fresh")),
    );
}

#[test]
fn however_many_work_on_it_the_bytes_are_the_same() {
    let garage = super::dyno_day();
    reviewed(&garage, &["day", "--out", "one", "--jobs", "1"]).ends(11);
    reviewed(&garage, &["day", "--out", "many", "--jobs", "5"]).ends(11);
    let mut alone = garage.command(&["review", "day", "--out", "alone", "--jobs", "2"]);
    alone.env("POLARS_MAX_THREADS", "1").output().expect("it runs");
    let one = bytes_below(&garage.path().join("one"));
    assert!(one.len() > 50);
    same_files(&one, &bytes_below(&garage.path().join("many")));
    same_files(&one, &bytes_below(&garage.path().join("alone")));
}
