//! A run that is killed at any moment: the old report or the new one stands, whole,
//! what a person put beside it stays, and no rubbish is left for long.

#![cfg(unix)]

use std::path::Path;
use std::process::Stdio;
use std::time::Instant;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::faults::{contents, small_log};
use crate::support::binary;

const ASIDE: &str = ".stiffbus-aside-";

fn leftovers(home: &Path) -> Vec<std::path::PathBuf> {
    let entries =
        std::fs::read_dir(home).expect("a folder").map(|entry| entry.expect("an entry").path());
    entries
        .filter(|path| path.file_name().is_some_and(|n| n.to_string_lossy().starts_with(ASIDE)))
        .collect()
}

#[test]
fn kill_9_at_random_moments() {
    let (home, log) = small_log();
    let input = std::fs::read(&log).expect("the log");
    let out = home.path().join("report");
    let command = |cca: &str| {
        let mut command = binary();
        command.arg("diagnose").arg(&log).arg("--out").arg(&out).args(["--cca", cca]);
        command.stdout(Stdio::null()).stderr(Stdio::null());
        command
    };
    let whole = |cca: &str| {
        let started = Instant::now();
        assert!(command(cca).status().expect("it runs").success());
        (contents(&out), started.elapsed())
    };
    let (a, _) = whole("400");
    let (b, takes) = whole("700");
    assert_ne!(a, b);
    let mine = ("my notes.txt".to_owned(), b"belt replaced".to_vec());
    std::fs::write(out.join(&mine.0), &mine.1).expect("the test's own file");
    let mut random = ChaCha8Rng::seed_from_u64(9);
    let (mut killed, mut in_the_act, mut replaced) = (0, 0, 0);
    let mut stood = "700";
    for k in 0..40 {
        let cca = if k % 2 == 0 { "400" } else { "700" };
        let mut child = command(cca).spawn().expect("it runs");
        if k % 4 == 0 {
            std::thread::sleep(takes.mul_f64(random.random_range(0.0..1.1)));
        } else {
            // Most of a run only reads: wait for it to write, then strike.
            let before = leftovers(home.path());
            let deadline = Instant::now() + takes * 20;
            while leftovers(home.path()).iter().all(|path| before.contains(path))
                && Instant::now() < deadline
                && child.try_wait().expect("its state").is_none()
            {}
            std::thread::sleep(takes.mul_f64(random.random_range(0.0f64..0.1).powi(2)));
        }
        killed += u32::from(child.try_wait().expect("its state").is_none());
        let _ = child.kill();
        child.wait().expect("its end");
        let left = leftovers(home.path());
        in_the_act += u32::from(!left.is_empty());
        assert!(left.len() <= 1, "each run clears what the one before left: {left:?}");
        assert_eq!(std::fs::read(&log).expect("the log"), input, "the log is as it was");
        let mut now = contents(&out);
        // A person's file may lie aside until the next run puts it back.
        now.retain(|file| *file != mine);
        match () {
            () if now == a => {
                replaced += u32::from(stood != "400");
                stood = "400";
            }
            () if now == b => {
                replaced += u32::from(stood != "700");
                stood = "700";
            }
            () => panic!(
                "run {k}: neither the old report nor the new one: {:?}",
                now.iter().map(|f| &f.0).collect::<Vec<_>>()
            ),
        }
    }
    println!(
        "40 runs: {killed} killed alive, {in_the_act} in the act of writing, {replaced} had replaced the report"
    );
    assert!(in_the_act > 3, "the moments that matter were met");
    assert!(command("400").status().expect("it runs").success());
    let mut wanted = a;
    wanted.push(mine);
    wanted.sort();
    assert_eq!(contents(&out), wanted);
    assert!(leftovers(home.path()).is_empty());
    let names: Vec<String> = contents(home.path()).into_iter().map(|(name, _)| name).collect();
    assert_eq!(names, ["log.csv", "report"]);
}

/// What a run leaves that dies between the two steps of a system that has no single one.
#[test]
fn an_old_report_that_stepped_aside_comes_back() {
    let (home, log) = small_log();
    let out = home.path().join("report");
    let run = || {
        let mut command = binary();
        command.arg("diagnose").arg(&log).arg("--out").arg(&out).stdout(Stdio::null());
        assert!(command.status().expect("it runs").success());
    };
    run();
    std::fs::write(out.join("notes.txt"), "mine").expect("the test's own file");
    let aside = home.path().join(format!("{ASIDE}x1y2z3"));
    std::fs::create_dir(&aside).expect("a folder");
    std::fs::rename(&out, aside.join("old")).expect("as a killed run leaves it");
    std::fs::write(aside.join("for"), "report").expect("the test's own file");
    run();
    assert_eq!(std::fs::read(out.join("notes.txt")).expect("it came back"), b"mine");
    assert!(leftovers(home.path()).is_empty());
}

/// Nothing that is not known to be ours is thrown away, nor put outside.
#[test]
fn what_lies_aside_for_nobody_stays() {
    let (home, log) = small_log();
    let aside = home.path().join(format!("{ASIDE}x1y2z3"));
    std::fs::create_dir_all(aside.join("old")).expect("a folder");
    std::fs::write(aside.join("old/mine.txt"), "mine").expect("the test's own file");
    std::fs::write(aside.join("for"), "../../elsewhere").expect("the test's own file");
    let out = home.path().join("report");
    assert!(
        binary()
            .arg(&log)
            .arg("--out")
            .arg(&out)
            .stdout(Stdio::null())
            .status()
            .expect("it runs")
            .success()
    );
    assert_eq!(std::fs::read(aside.join("old/mine.txt")).expect("it stays"), b"mine");
}
