//! The folder: all of a report or none of it, and never another log's.

use std::fs;
use std::path::Path;

use crate::fixture;
use stiffbus::report::{Overwrite, ReportError, write_folder};

fn names(dir: &Path) -> Vec<String> {
    let entries = fs::read_dir(dir).unwrap();
    let mut names: Vec<String> =
        entries.map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

#[test]
fn writes_every_file() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("deep/report");
    let written = write_folder(&fixture::overload(), &dir, Overwrite::SameLog).unwrap();
    assert!(!written.replaced);
    let mut listed = written.files.clone();
    listed.sort();
    assert_eq!(names(&dir), listed);
    for file in ["report.html", "diagnosis.json", "trace.svg", "speed.svg", "step-06.svg"] {
        assert!(listed.iter().any(|f| f == file), "{file}");
    }
    assert!(listed.contains(&"deficit.svg".to_owned()) && listed.contains(&"heat.svg".to_owned()));
    assert!(listed.contains(&"load_steps.csv".to_owned()));
    assert!(listed.contains(&"operating_points.csv".to_owned()));
    assert!(listed.contains(&"output.svg".to_owned()));
    assert!(listed.contains(&"output_curve.csv".to_owned()));
    let bare = home.path().join("deep/bare");
    let written = write_folder(&fixture::minimal(), &bare, Overwrite::SameLog).unwrap();
    assert!(!written.files.iter().any(|f| f.starts_with("output")), "{:?}", written.files);
    fs::remove_dir_all(&bare).unwrap();
    assert_eq!(names(home.path()), ["deep"]);
    assert_eq!(names(&home.path().join("deep")), ["report"]);
}

#[test]
fn is_the_same_twice() {
    let home = tempfile::tempdir().unwrap();
    let (a, b) = (home.path().join("a"), home.path().join("b"));
    write_folder(&fixture::overload(), &a, Overwrite::SameLog).unwrap();
    write_folder(&fixture::overload(), &b, Overwrite::SameLog).unwrap();
    for file in names(&a) {
        assert_eq!(fs::read(a.join(&file)).unwrap(), fs::read(b.join(&file)).unwrap(), "{file}");
    }
}

#[test]
fn replaces_the_same_logs_report_and_keeps_what_a_person_added() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("report");
    write_folder(&fixture::overload(), &dir, Overwrite::SameLog).unwrap();
    fs::write(dir.join("step-99.svg"), "stale").unwrap();
    fs::write(dir.join("output.csv"), "mine, not a report's").unwrap();
    fs::write(dir.join("my notes.txt"), "belt replaced").unwrap();
    let mut changed = fixture::overload();
    changed.findings[0].cause = "Second look.".into();
    let written = write_folder(&changed, &dir, Overwrite::SameLog).unwrap();
    assert!(written.replaced);
    assert!(fs::read_to_string(dir.join("report.html")).unwrap().contains("Second look."));
    assert!(!dir.join("step-99.svg").exists());
    assert!(dir.join("output.csv").exists());
    assert_eq!(fs::read_to_string(dir.join("my notes.txt")).unwrap(), "belt replaced");
    assert_eq!(names(home.path()), ["report"]);
}

#[test]
fn refuses_the_report_of_another_log() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("report");
    write_folder(&fixture::healthy(), &dir, Overwrite::SameLog).unwrap();
    let before = fs::read(dir.join("report.html")).unwrap();
    let refused = write_folder(&fixture::overload(), &dir, Overwrite::SameLog).unwrap_err();
    assert!(matches!(refused, ReportError::AnotherLog { .. }));
    let said = refused.to_string();
    assert!(said.contains("healthy.csv") && said.contains("--out"), "{said}");
    assert_eq!(fs::read(dir.join("report.html")).unwrap(), before);
    assert_eq!(names(home.path()), ["report"]);

    write_folder(&fixture::overload(), &dir, Overwrite::Force).unwrap();
    assert!(fs::read_to_string(dir.join("diagnosis.json")).unwrap().contains("hot-idle"));
}

#[test]
fn refuses_a_folder_that_is_no_report() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("photos");
    fs::create_dir(&dir).unwrap();
    // Empty: nobody is harmed.
    assert!(write_folder(&fixture::minimal(), &dir, Overwrite::SameLog).unwrap().replaced);
    fs::remove_dir_all(&dir).unwrap();
    for diagnosis_json in [None, Some("{}"), Some("{\"source\":{\"sha256\":\"00\"}}"), Some("x")] {
        fs::create_dir(&dir).unwrap();
        fs::write(dir.join("beach.jpg"), "sand").unwrap();
        if let Some(text) = diagnosis_json {
            fs::write(dir.join("diagnosis.json"), text).unwrap();
        }
        let before = names(&dir);
        let refused = write_folder(&fixture::minimal(), &dir, Overwrite::SameLog).unwrap_err();
        assert!(matches!(refused, ReportError::NotAReport { .. }), "{refused}");
        assert_eq!(names(&dir), before);
        fs::remove_dir_all(&dir).unwrap();
    }
}

#[test]
fn leaves_nothing_half_written() {
    let home = tempfile::tempdir().unwrap();
    let file = home.path().join("a file");
    fs::write(&file, "mine").unwrap();
    for policy in [Overwrite::SameLog, Overwrite::Force] {
        let refused = write_folder(&fixture::minimal(), &file, policy).unwrap_err();
        assert!(matches!(refused, ReportError::NotAFolder { .. }), "{refused}");
        // A folder cannot stand under a file: works for every user, root too.
        let refused = write_folder(&fixture::minimal(), &file.join("report"), policy).unwrap_err();
        assert!(refused.to_string().contains("a file"), "{refused}");
    }
    assert_eq!(fs::read_to_string(&file).unwrap(), "mine");
    assert_eq!(names(home.path()), ["a file"]);
}

#[cfg(unix)]
#[test]
fn leaves_the_old_report_where_the_place_is_locked() {
    use std::os::unix::fs::PermissionsExt;
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("report");
    write_folder(&fixture::overload(), &dir, Overwrite::SameLog).unwrap();
    let before = names(&dir);
    fs::set_permissions(home.path(), fs::Permissions::from_mode(0o555)).unwrap();
    let outcome = write_folder(&fixture::overload(), &dir, Overwrite::SameLog);
    fs::set_permissions(home.path(), fs::Permissions::from_mode(0o755)).unwrap();
    // Root may write anywhere; everyone else must be told, with nothing changed.
    if let Err(refused) = outcome {
        assert!(matches!(refused, ReportError::Io { .. }), "{refused}");
    }
    assert_eq!(names(&dir), before);
    assert_eq!(names(home.path()), ["report"]);
}
