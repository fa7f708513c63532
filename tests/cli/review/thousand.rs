//! A thousand logs of twenty thousand rows: how fast, in how much memory, and that a
//! kill in the middle shows in nothing.
//!
//! `cargo test --test cli -- --ignored --nocapture a_thousand_logs`, on a machine with two
//! cores that does nothing else; `REVIEW_LOGS=200` makes it shorter.

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use super::{bytes_below, same_files};
use crate::random_car::{Options, random_case_with};
use crate::support::Garage;

const ROWS: usize = 20_000;
const FEW: usize = 10;

fn asked_logs() -> usize {
    let asked = std::env::var("REVIEW_LOGS").ok();
    asked.and_then(|text| text.parse().ok()).unwrap_or(1000)
}

/// Logs of random cars, each of [`ROWS`] rows; the first [`FEW`] once more as a day of their own.
fn write_days(garage: &Garage, logs: usize) {
    let write = |first: usize| {
        for k in (first..logs).step_by(2) {
            let options = Options { plain_dialect: true, ..Options::default() };
            let slow = Options { samples_per_s: Some(1.0), ..options.clone() };
            let seed = 90_000 + k as u64;
            let duration_s = random_case_with(seed, &slow).script.duration_s;
            // A rate that gives a row or two too many; those are cut off.
            let rate = (ROWS + 2) as f64 / duration_s;
            let case = random_case_with(seed, &Options { samples_per_s: Some(rate), ..options });
            let text = String::from_utf8(case.simulated.bytes()).expect("plain text");
            let lines: Vec<&str> = text.lines().take(ROWS + 1).collect();
            assert_eq!(lines.len(), ROWS + 1, "seed {seed}");
            let name = format!("car-{:02}/run-{k}.csv", k % 40);
            garage.put(&format!("day/{name}"), lines.join("\n"));
            if k < FEW {
                garage.put(&format!("few/{name}"), lines.join("\n"));
            }
        }
    };
    std::thread::scope(|scope| {
        scope.spawn(|| write(1));
        write(0);
    });
}

fn begun(garage: &Garage, cores: &str, args: &[&str]) -> Child {
    let whole = garage.command(args);
    let mut pinned = Command::new("taskset");
    pinned.args(["-c", cores]).arg(whole.get_program()).args(whole.get_args());
    pinned.current_dir(garage.path()).stdout(Stdio::null()).stderr(Stdio::null());
    pinned.spawn().expect("taskset runs")
}

/// Seconds it took, and the most memory it ever held, in MB.
fn watched(mut child: Child) -> (f64, f64) {
    let began = Instant::now();
    let status = format!("/proc/{}/status", child.id());
    let mut peak_mb = 0.0;
    loop {
        let told = std::fs::read_to_string(&status).unwrap_or_default();
        let line = told.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kb = line.and_then(|text| text.split_whitespace().next()?.parse::<f64>().ok());
        peak_mb = kb.map_or(peak_mb, |kb| kb / 1024.0);
        if let Some(code) = child.try_wait().expect("it can be asked") {
            assert!(code.success(), "{code}");
            return (began.elapsed().as_secs_f64(), peak_mb);
        }
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn reports(out: &Path) -> usize {
    std::fs::read_dir(out.join(".stiffbus-review/logs")).map_or(0, |entries| entries.count())
}

#[test]
#[ignore = "takes a quarter of an hour and a machine that does nothing else"]
fn a_thousand_logs() {
    let garage = Garage::new();
    let logs = asked_logs();
    write_days(&garage, logs);
    let review = |cores: &str, day: &str, out: &str| {
        watched(begun(&garage, cores, &["review", day, "--out", out]))
    };
    let (few_s, few_mb) = review("0,1", "few", "out-few");
    let (two_s, many_mb) = review("0,1", "day", "two");
    let (one_s, _) = review("0", "day", "one");
    println!("{FEW} logs: {few_s:.1} s, {few_mb:.0} MB at most");
    println!(
        "{logs} logs: {two_s:.1} s on two cores, {one_s:.1} s on one: {:.2} times; {many_mb:.0} MB at most, {:.2} times",
        one_s / two_s,
        many_mb / few_mb
    );

    let mut killed = begun(&garage, "0,1", &["review", "day", "--out", "killed"]);
    while reports(&garage.path().join("killed")) < logs / 2 {
        assert!(killed.try_wait().expect("it can be asked").is_none(), "it ended too soon");
        std::thread::sleep(Duration::from_millis(5));
    }
    killed.kill().expect("it can be killed");
    killed.wait().expect("it ends");
    let kept = reports(&garage.path().join("killed"));
    let again = ["review", "day", "--out", "killed", "--resume"];
    let (again_s, _) = watched(begun(&garage, "0,1", &again));
    println!("killed after {kept} logs, taken up: {again_s:.1} s");
    let whole = bytes_below(&garage.path().join("two"));
    same_files(&whole, &bytes_below(&garage.path().join("one")));
    same_files(&whole, &bytes_below(&garage.path().join("killed")));

    assert!(one_s >= 1.7 * two_s);
    assert!(many_mb <= 1.5 * few_mb);
}
