//! Names of files that were chosen to do harm.

#![cfg(unix)]

use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;

use crate::support::{binary, plain};

const NAMES: &[&[u8]] = &[
    b"...csv",
    b"..csv",
    b"....",
    b"\x1b[31mred\x07.csv",
    b"a\nstiffbus: all is well.csv",
    b"\xe2\x80\xae.csv",
    b"\xff\xfe.csv",
    b"-n.csv",
    b"--out.csv",
    b"a b;touch pwned;.csv",
    b"$(touch pwned).csv",
    b"<img src=x onerror=alert(1)>.csv",
    b"=cmd|x.csv",
    b".csv",
    b"car.toml.csv",
    b"..",
];

fn walk(folder: &std::path::Path, all: &mut Vec<std::path::PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            walk(&path, all);
        }
        all.push(path);
    }
}

#[test]
fn a_report_lies_below_the_folder_of_reports_whatever_the_log_is_called() {
    for name in NAMES.iter().filter(|name| **name != b"..") {
        let home = tempfile::tempdir().expect("a folder");
        let garage = home.path().join("garage");
        std::fs::create_dir(&garage).expect("a folder");
        let log = garage.join(OsStr::from_bytes(name));
        std::fs::write(&log, plain(400)).expect("the test's own file");
        // As given by a shell's pattern: from the folder, with no path before it.
        let mut path = b"./".to_vec();
        path.extend_from_slice(name);
        for more in [&[][..], &["--force"]] {
            let output = binary()
                .current_dir(&garage)
                .arg(OsStr::from_bytes(&path))
                .args(more)
                .output()
                .expect("it runs");
            let said = [output.stdout, output.stderr].concat();
            let said = String::from_utf8_lossy(&said).into_owned();
            assert!(!said.contains("panicked"), "{said}");
            let unfit = said.chars().find(|&c| c != '\n' && stiffbus::format::is_unprintable(c));
            assert_eq!(unfit, None, "{said:?}");
            assert!(!said.lines().any(|line| line == "stiffbus: all is well.csv"), "{said}");
            let mut all = Vec::new();
            walk(home.path(), &mut all);
            let reports = garage.join("stiffbus-report");
            let astray: Vec<_> = all
                .iter()
                .filter(|path| !path.starts_with(&reports) && **path != garage && **path != log)
                .collect();
            assert!(astray.is_empty(), "{:?}: {astray:?}", OsStr::from_bytes(name));
            assert_eq!(output.status.code(), Some(0), "{said}");
            let page = all.iter().find(|path| path.ends_with("report.html")).expect("a page");
            assert_eq!(
                page.parent().and_then(|dir| dir.parent()),
                Some(reports.as_path()),
                "a folder of its own"
            );
        }
        assert_eq!(std::fs::read(&log).expect("the log"), plain(400).as_bytes());
    }
}

#[test]
fn words_of_a_missing_or_bad_file_are_safe_to_show() {
    let home = tempfile::tempdir().expect("a folder");
    for name in NAMES {
        let path = home.path().join("none").join(OsStr::from_bytes(name));
        for verb in [&["diagnose"][..], &["plan"], &["verify"], &["compare", "x.csv"]] {
            let output = binary().args(verb).arg(&path).output().expect("it runs");
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert_eq!(output.status.code(), Some(1), "{said}");
            let unfit = said.chars().find(|&c| c != '\n' && stiffbus::format::is_unprintable(c));
            assert_eq!(unfit, None, "{said:?}");
            assert!(!said.lines().any(|line| line.starts_with("stiffbus: all is well")), "{said}");
        }
    }
}

/// What a shell's pattern stands for is read as flags where a name begins like one.
#[test]
fn words_of_wrong_use_are_safe_to_show() {
    for args in [&["--\u{1b}[31mx\u{7}.csv"][..], &["x.csv", "--column", "vo\u{1b}[2J\u{202e}=y"]] {
        let mut command = binary();
        let output = command.args(args).env("CLICOLOR_FORCE", "1").output().expect("it runs");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{said}");
        let unfit = said.chars().find(|&c| c != '\n' && stiffbus::format::is_unprintable(c));
        assert_eq!(unfit, None, "{said:?}");
    }
}

/// Keys and values of a `car.toml` come back in errors.
#[test]
fn words_of_a_bad_car_are_safe_to_show() {
    for toml in [
        "\"\\u001b[31m\\u202e\" = 1",
        "[columns]\n\"\\u001b[2J\" = \"x\"",
        "[battery]\nkind = \"\\u001b[31m\\nstiffbus: all is well\"",
        "[cable]\ngauge = \"\\u001b[31m\"\nlength_m = 1",
        "[loads_a]\n\"\\u0007\" = -1",
        "[alternator]\ncurve = \"\\u001b[31m/../../x\"",
        "[columns]\nload = \"\\u001b[31m\\u202e\"",
    ] {
        let home = tempfile::tempdir().expect("a folder");
        std::fs::write(home.path().join("x.csv"), plain(100)).expect("the test's own file");
        std::fs::write(home.path().join("car.toml"), toml).expect("the test's own file");
        let output = binary().current_dir(home.path()).arg("x.csv").output().expect("it runs");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{toml}: {said}");
        let unfit = said.chars().find(|&c| c != '\n' && stiffbus::format::is_unprintable(c));
        assert_eq!(unfit, None, "{said:?}");
    }
}

/// A report's folder that is a link stays one, and what it leads to is replaced.
#[test]
fn a_folder_that_is_a_link() {
    let home = tempfile::tempdir().expect("a folder");
    let log = home.path().join("x.csv");
    std::fs::write(&log, plain(400)).expect("the test's own file");
    let real = home.path().join("disk/real");
    std::fs::create_dir_all(&real).expect("a folder");
    let link = home.path().join("link");
    std::os::unix::fs::symlink(&real, &link).expect("a link");
    for cca in ["400", "500"] {
        let output = binary()
            .arg(&log)
            .arg("--out")
            .arg(&link)
            .args(["--cca", cca])
            .output()
            .expect("it runs");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
    assert!(link.is_symlink() && real.join("report.html").is_file());
}
