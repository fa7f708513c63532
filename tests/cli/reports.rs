//! `reports/` holds what the tool makes of the sample logs, byte for byte: five reports to
//! look at, and of all others their checksums in `reports.txt` beside this file. After a
//! change that is meant: `UPDATE_REPORTS=1 cargo test --test cli reports`.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::support::{Garage, root, sample_logs};

/// Committed whole.
const WHOLE: [&str; 1] = ["hot-idle-old-alternator"];
/// Of these the pages, and the numbers behind each main page.
const SHOWN: [&str; 4] =
    ["thin-ground", "proofs/new-alternator-cold-and-new-alternator-soaked", "plan", "dyno-day"];
const MOST_BYTES: usize = 3_000_000;

/// Bytes by name, with `/` between folders.
type Files = BTreeMap<String, Vec<u8>>;

#[test]
fn the_committed_reports_are_what_the_tool_makes() {
    let committed = root().join("reports");
    let (shown, others): (Files, Files) = made().into_iter().partition(|(name, _)| is_shown(name));
    let bytes: usize = shown.values().map(Vec::len).sum();
    assert!(bytes <= MOST_BYTES, "{bytes} bytes of reports");
    let checksums = root().join("tests/cli/reports.txt");
    let sums: String =
        others.iter().map(|(name, bytes)| format!("{}  {name}\n", hex(bytes))).collect();
    if std::env::var_os("UPDATE_REPORTS").is_some() {
        fs::write(checksums, sums).expect("the checksums");
        return update(&committed, &shown);
    }
    let mut found = Files::new();
    read(&committed, "", &mut found);
    found.remove("README.md");
    let again = "UPDATE_REPORTS=1 cargo test --test cli reports";
    let names = |files: &Files| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&found), names(&shown), "make them again: {again}");
    for (name, bytes) in &shown {
        assert!(found.get(name) == Some(bytes), "reports/{name} differs; make it again: {again}");
    }
    let known = fs::read_to_string(checksums).expect("the checksums");
    let differ: Vec<&str> = sums.lines().filter(|sum| !known.contains(sum)).collect();
    assert!(known.lines().count() == others.len() && differ.is_empty(), "{differ:#?}: {again}");
}

fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Of the day only its own page and the pages that it links to.
fn is_shown(name: &str) -> bool {
    let below = |folder: &str| name.starts_with(&format!("{folder}/"));
    let is_page = name.ends_with(".html");
    let is_numbers = name.ends_with(".json") && !below("dyno-day/reports");
    WHOLE.iter().any(|folder| below(folder))
        || SHOWN.iter().any(|folder| below(folder)) && (is_page || is_numbers)
}

/// As `reports/README.md` says: logs, comparisons, a plan, and the day on the rollers, no flags but --out.
fn made() -> Files {
    let garage = Garage::new();
    let mut made = Files::new();
    let mut args: Vec<OsString> = vec!["diagnose".into()];
    args.extend(csv_files(&sample_logs()).into_iter().map(OsString::from));
    args.extend(["--out".into(), "reports".into()]);
    garage.run(&args).ends(0);
    // One of the dyno day's logs cannot be read; the others are done all the same.
    let mut day: Vec<OsString> = vec!["review".into(), sample_logs().join("dyno-day").into()];
    day.extend(["--out".into(), "reports/dyno-day".into()]);
    garage.run(&day).ends(11);
    let text = fs::read_to_string(sample_logs().join("truth.json")).expect("the truth");
    let truth: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    for pair in truth["comparisons"].as_array().expect("comparisons") {
        let log = |name: &serde_json::Value| name.as_str().expect("a name").to_owned();
        let afters: Vec<String> =
            pair["afters"].as_array().expect("afters").iter().map(log).collect();
        let stems: Vec<&str> = afters.iter().map(|name| name.trim_end_matches(".csv")).collect();
        // Paths go into the page: told from a copy of the repository's own layout.
        let mut args: Vec<OsString> = vec!["compare".into()];
        for name in [&log(&pair["before"])].into_iter().chain(&afters) {
            garage.put_sample(name, &format!("sample-logs/{name}"));
            args.push(format!("sample-logs/{name}").into());
        }
        let out = format!("reports/proofs/{}", stems.join("-and-"));
        args.extend(["--out".into(), out.into()]);
        garage.run(&args).ends(0);
    }
    for sheet in ["old-70a", "rebuilt-100a", "new-160a"] {
        garage.put_sample(&format!("sheets/{sheet}.csv"), &format!("{sheet}.csv"));
    }
    garage
        .run(&[
            "plan",
            "sample-logs/hot-idle-old-alternator.csv",
            "--alternator-curve",
            "old-70a.csv",
            "--candidate",
            "rebuilt=rebuilt-100a.csv",
            "--candidate",
            "new=new-160a.csv@2.9",
            "--cable",
            "6AWG:2.5m",
            "--ground",
            "6AWG:0.6m",
            "--out",
            "reports/plan",
        ])
        .ends(0);
    read(&garage.path().join("reports"), "", &mut made);
    // What a review keeps for taking up its work again.
    made.retain(|name, _| !name.contains("/."));
    made
}

fn csv_files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).expect("the sample logs");
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.expect("an entry").path()).collect();
    files.retain(|path| path.extension().is_some_and(|end| end == "csv"));
    files.sort();
    files
}

fn read(folder: &Path, below: &str, files: &mut Files) {
    for entry in fs::read_dir(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display())) {
        let path = entry.expect("an entry").path();
        let name = format!("{below}{}", path.file_name().expect("a name").to_string_lossy());
        if path.is_dir() {
            read(&path, &format!("{name}/"), files);
        } else {
            files.insert(name, fs::read(&path).expect("a file"));
        }
    }
}

/// Puts `made` in place of all but the README.
fn update(committed: &Path, made: &Files) {
    fs::create_dir_all(committed).expect("reports/");
    for entry in fs::read_dir(committed).expect("reports/") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            fs::remove_dir_all(&path).expect("an old report");
        }
    }
    for (name, bytes) in made {
        let path = committed.join(name);
        fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
        fs::write(&path, bytes).expect("a report");
    }
}
