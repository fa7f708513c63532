//! Disks that fill, folders that may not be written, files that change while read.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tempfile::TempDir;

use crate::support::{binary, plain};

/// A log in a folder of its own.
pub fn small_log() -> (TempDir, PathBuf) {
    let home = tempfile::tempdir().expect("a folder");
    let path = home.path().join("log.csv");
    std::fs::write(&path, plain(600)).expect("the test's own file");
    (home, path)
}

/// Name and bytes of every file below `dir`, and of what lies beside it by name.
pub fn contents(dir: &Path) -> Vec<(String, Vec<u8>)> {
    let mut all: Vec<(String, Vec<u8>)> = std::fs::read_dir(dir)
        .unwrap_or_else(|error| panic!("{}: {error}", dir.display()))
        .map(|entry| {
            let entry = entry.expect("an entry");
            let bytes = std::fs::read(entry.path()).unwrap_or_default();
            (entry.file_name().to_string_lossy().into_owned(), bytes)
        })
        .collect();
    all.sort();
    all
}

fn names(dir: &Path) -> Vec<String> {
    contents(dir).into_iter().map(|(name, _)| name).collect()
}

fn run(log: &Path, out: &Path, more: &[&str]) -> Output {
    binary()
        .arg("diagnose")
        .arg(log)
        .arg("--out")
        .arg(out)
        .args(more)
        .output()
        .expect("the binary runs")
}

#[track_caller]
fn complains(output: &Output, parts: &[&str]) {
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(!said.contains("panicked"), "{said}");
    for part in parts {
        assert!(said.contains(part), "no \"{part}\" in: {said}");
    }
}

/// A small disk in memory, where one may be had.
#[cfg(target_os = "linux")]
struct Disk(TempDir);

#[cfg(target_os = "linux")]
impl Disk {
    fn mounted(size: &str) -> Option<Disk> {
        let folder = tempfile::tempdir().expect("a folder");
        let options = format!("size={size}");
        let mount = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &options, "tmpfs"])
            .arg(folder.path())
            .output();
        if mount.is_ok_and(|done| done.status.success()) {
            return Some(Disk(folder));
        }
        eprintln!("skipped: only root mounts a disk of its own");
        None
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    fn becomes(&self, mode: &str) {
        let options = format!("remount,{mode}");
        let done = Command::new("mount").args(["-o", &options]).arg(self.path()).status();
        assert!(done.expect("mount").success());
    }
}

#[cfg(target_os = "linux")]
impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.path()).status();
    }
}

#[test]
#[cfg(target_os = "linux")]
fn a_full_disk_leaves_the_old_report_whole() {
    let (_home, log) = small_log();
    let Some(disk) = Disk::mounted("4m") else { return };
    let out = disk.path().join("report");
    assert!(run(&log, &out, &[]).status.success());
    let old = contents(&out);
    let size: usize = old.iter().map(|(_, bytes)| bytes.len()).sum();
    // Fill it up to less than a second report takes.
    let free = (4 << 20) - size;
    let filler = disk.path().join("filler");
    let mut fill = vec![0u8; free];
    while std::fs::write(&filler, &fill).is_err() {
        fill.truncate(fill.len().saturating_sub(16 << 10));
    }
    fill.truncate(fill.len().saturating_sub(size / 2));
    std::fs::write(&filler, &fill).expect("room was made");
    complains(
        &run(&log, &out, &["--cca", "540"]),
        &["could not write the report here", "No space left", "Nothing was changed"],
    );
    assert_eq!(contents(&out), old);
    assert_eq!(names(disk.path()), ["filler", "report"]);
    // The same for a file beside it.
    let json = disk.path().join("x.json");
    let output =
        run(&log, &disk.path().join("report"), &["--json", json.to_str().expect("a path")]);
    assert_eq!(output.status.code(), Some(1));
    assert!(!json.exists());
    assert_eq!(names(disk.path()), ["filler", "report"]);
}

#[test]
#[cfg(target_os = "linux")]
fn a_disk_that_may_not_be_written() {
    let (_home, log) = small_log();
    let Some(disk) = Disk::mounted("8m") else { return };
    let out = disk.path().join("report");
    assert!(run(&log, &out, &[]).status.success());
    let old = contents(&out);
    disk.becomes("ro");
    complains(
        &run(&log, &out, &["--cca", "540"]),
        &["could not write the report here", "Read-only", "Nothing was changed"],
    );
    complains(&run(&log, &disk.path().join("other"), &[]), &["Read-only"]);
    let json = disk.path().join("x.json");
    let away = tempfile::tempdir().expect("a folder");
    complains(
        &run(&log, &away.path().join("r"), &["--json", json.to_str().expect("a path")]),
        &["the JSON cannot be written here"],
    );
    assert_eq!(contents(&out), old);
    disk.becomes("rw");
    assert!(run(&log, &out, &["--cca", "540"]).status.success());
    assert_ne!(contents(&out), old);
}

#[test]
#[cfg(target_os = "linux")]
fn where_no_folder_can_be() {
    let (home, log) = small_log();
    complains(
        &run(&log, Path::new("/proc/stiffbus/report"), &[]),
        &["/proc/stiffbus", "Nothing was changed"],
    );
    let file = home.path().join("file");
    std::fs::write(&file, "mine").expect("the test's own file");
    complains(&run(&log, &file.join("report"), &[]), &["report"]);
    assert_eq!(std::fs::read(&file).expect("as it was"), b"mine");
}

#[test]
fn a_log_that_vanished() {
    let (home, log) = small_log();
    std::fs::remove_file(&log).expect("it was there");
    complains(&run(&log, &home.path().join("report"), &[]), &["no such file"]);
    assert_eq!(names(home.path()), [""; 0]);
}

/// A pipe knows no length, and here ends in the middle of a line.
#[test]
#[cfg(unix)]
fn a_log_through_a_pipe_that_breaks_off() {
    let (home, _) = small_log();
    let pipe = home.path().join("pipe.csv");
    assert!(Command::new("mkfifo").arg(&pipe).status().expect("mkfifo").success());
    let (to, text) = (pipe.clone(), plain(600));
    let writer = std::thread::spawn(move || std::fs::write(to, &text.as_bytes()[..text.len() - 9]));
    let output = run(&pipe, &home.path().join("report"), &["--json", "-"]);
    writer.join().expect("the writer").expect("it was read");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(told["source"]["rows_skipped"][0]["reason"], "truncated last row");
}

/// A logger still writes: what was there when it was read counts, in whole lines.
#[test]
#[cfg(unix)]
fn a_log_that_grows_and_shrinks_while_read() {
    let (home, log) = small_log();
    let stop = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    let (path, until) = (log.clone(), stop.clone());
    let writer = std::thread::spawn(move || {
        use std::io::Write;
        let mut n = 0u64;
        while !until.load(std::sync::atomic::Ordering::Relaxed) {
            n += 1;
            let Ok(mut file) = std::fs::OpenOptions::new().append(true).open(&path) else {
                continue;
            };
            if n.is_multiple_of(7) {
                let _ = file.set_len(9000);
            } else {
                let _ = file.write_all(b"60.0,14.20,850,0\n6");
            }
        }
    });
    for k in 0..20 {
        let read = stiffbus::ingest::read(&log, &Default::default());
        match read {
            Ok(log) => assert!(log.len() > 300),
            Err(error) => panic!("{k}: {error}"),
        }
    }
    stop.store(true, std::sync::atomic::Ordering::Relaxed);
    writer.join().expect("the writer");
    assert!(home.path().exists());
}

#[test]
#[cfg(target_os = "linux")]
fn screens_that_are_full_or_closed() {
    let (home, log) = small_log();
    let full = || std::fs::OpenOptions::new().write(true).open("/dev/full").expect("/dev/full");
    let out = home.path().join("report");
    let output =
        binary().arg(&log).arg("--out").arg(&out).stdout(full()).output().expect("the binary runs");
    complains(&output, &["standard output cannot be written"]);
    assert!(out.join("report.html").exists(), "the report is there all the same");
    // Nobody hears, and that is no crash (a panic ends with 101).
    let status = binary()
        .arg(home.path().join("none.csv"))
        .stderr(full())
        .status()
        .expect("the binary runs");
    assert_eq!(status.code(), Some(1));
}

/// Endless and odd files, where a file of facts or a sheet is expected.
#[test]
#[cfg(target_os = "linux")]
fn devices_instead_of_files() {
    let (home, log) = small_log();
    let out = home.path().join("report");
    for (flag, said) in [
        ("--alternator-curve", "is longer than 1048576 bytes"),
        ("--car", "is longer than 1048576 bytes"),
        ("--marks", "is not a text file"),
    ] {
        complains(&run(&log, &out, &[flag, "/dev/zero"]), &[said]);
    }
    complains(&run(Path::new("/dev/zero"), &out, &[]), &["is not a text file"]);
    complains(&run(Path::new("/dev/null"), &out, &[]), &["is empty"]);
    std::fs::write(home.path().join("car.toml"), "[alternator]\ncurve = \"/dev/zero\"\n")
        .expect("the test's own file");
    complains(&run(&log, &out, &[]), &["is longer than 1048576 bytes"]);
    assert!(!out.exists());
}
