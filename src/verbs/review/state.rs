//! The folder of a review, and what it keeps so that a review can be taken up again:
//! for each log what it came to, what that hangs on, and the hash of every file of
//! its report. An entry is written when the report is complete; what has no entry, or does
//! not look as the entry says, is made again.

use std::collections::HashSet;
use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use chrono::NaiveDateTime;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::files::write_whole;
use crate::format::shown;
use crate::json;
use crate::report::Kind;
use crate::review::{STATE_FOLDER, Summary};
use crate::verbs::recorded::{path_from, sha256_of};

const SCHEMA: &str = "stiffbus.review-state.v1";
/// The logs' own reports, below the folder of the review.
const REPORTS: &str = "reports";
const ABOUT_FILE: &str = "about.json";
const LOCK_FILE: &str = "lock";
/// One entry a log, within [`STATE_FOLDER`].
const ENTRIES: &str = "logs";

pub struct State {
    out: PathBuf,
    /// Held while this review writes.
    _lock: File,
}

/// What is recorded about the folder.
#[derive(Serialize, Deserialize)]
struct About {
    schema: String,
    /// The reviewed folder, from the review's.
    reviewed: String,
}

#[derive(Serialize, Deserialize)]
pub struct Entry {
    schema: String,
    pub fingerprint: String,
    pub started: Option<NaiveDateTime>,
    pub summary: Summary,
    /// Name and SHA-256 of every file of the report.
    files: Vec<(String, String)>,
}

impl Entry {
    pub fn new(fingerprint: String, started: Option<NaiveDateTime>, summary: Summary) -> Entry {
        Entry { schema: SCHEMA.to_owned(), fingerprint, started, summary, files: Vec::new() }
    }
}

impl State {
    /// Takes the folder `out` for a review of what lies in `root`; refuses one that
    /// holds anything else, unless by `force`.
    pub fn open(out: &Path, root: &Path, force: bool) -> Result<State, String> {
        let shown = shown(out);
        let wrong = |error: io::Error| format!("{shown}: no review can be written here: {error}");
        let state = out.join(STATE_FOLDER);
        let reviewed = path_from(out, root).map_err(wrong)?;
        if out.exists() && !out.is_dir() {
            return Err(format!(
                "{shown}: is a file, not a folder. Choose another folder with --out."
            ));
        }
        let is_empty = !out.is_dir() || is_bare(out).map_err(wrong)?;
        let about: Option<About> = read(&state.join(ABOUT_FILE));
        match about {
            _ if is_empty || force => {}
            Some(about) if about.reviewed == reviewed => {}
            Some(about) => {
                return Err(format!(
                    "{shown}: holds the review of another folder ({}, as a path from there).\nChoose \
                     another folder with --out, or replace that review with --force.",
                    crate::format::plain(&about.reviewed)
                ));
            }
            None => {
                return Err(format!(
                    "{shown}: is not empty and holds no review.\nChoose another folder with --out, \
                     or write among what is there with --force."
                ));
            }
        }
        fs::create_dir_all(state.join(ENTRIES)).map_err(wrong)?;
        fs::create_dir_all(out.join(REPORTS)).map_err(wrong)?;
        let lock = File::create(state.join(LOCK_FILE)).map_err(wrong)?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(format!(
                    "{shown}: another review is being written here; wait until it is finished."
                ));
            }
            // On a file system without locks, two reviews at once are not prevented.
            Err(TryLockError::Error(_)) => {}
        }
        let about = About { schema: SCHEMA.to_owned(), reviewed };
        write_whole(&state.join(ABOUT_FILE), json::text(&about).as_bytes()).map_err(wrong)?;
        let state = State { out: out.to_path_buf(), _lock: lock };
        state.sweep();
        Ok(state)
    }

    /// Where the report called `name` is, from the folder of the review.
    pub fn relative_folder_of(name: &str) -> String {
        format!("{REPORTS}/{name}")
    }

    pub fn folder_of(&self, name: &str) -> PathBuf {
        self.out.join(REPORTS).join(name)
    }

    fn entries(&self) -> PathBuf {
        self.out.join(STATE_FOLDER).join(ENTRIES)
    }

    fn entry_file(&self, name: &str) -> PathBuf {
        self.entries().join(format!("{name}.json"))
    }

    /// The entry of the report called `name`, if that is as it was written.
    pub fn standing(&self, name: &str) -> Option<Entry> {
        let entry: Entry = read(&self.entry_file(name))?;
        let folder = self.folder_of(name);
        let is_whole = entry
            .files
            .iter()
            .all(|(file, sha256)| sha256_of(&folder.join(file)).is_ok_and(|now| now == *sha256));
        (entry.schema == SCHEMA && is_whole && !entry.files.is_empty()).then_some(entry)
    }

    /// Records the result of the report called `name`, whose `files` are written. Gives
    /// back what a later reader gets, to the last digit, so that a review that was
    /// taken up again is the same as one that was not.
    pub fn keep(&self, name: &str, mut entry: Entry, files: &[String]) -> io::Result<Entry> {
        let folder = self.folder_of(name);
        let hashed = files.iter().map(|file| Ok((file.clone(), sha256_of(&folder.join(file))?)));
        entry.files = hashed.collect::<io::Result<_>>()?;
        let text = json::text(&entry);
        write_whole(&self.entry_file(name), text.as_bytes())?;
        serde_json::from_str(&text).map_err(io::Error::other)
    }

    /// Takes away the reports of logs that are no longer among those reviewed, as far
    /// as they hold only what was written for them.
    pub fn forget_all_but(&self, reports: &HashSet<&str>) {
        let Ok(entries) = fs::read_dir(self.entries()) else { return };
        for file in entries.flatten().map(|entry| entry.path()) {
            let Some(stem) = file.file_stem().and_then(|stem| stem.to_str()) else { continue };
            let is_entry = file.extension().is_some_and(|end| end == "json");
            if !is_entry || reports.contains(&Self::relative_folder_of(stem).as_str()) {
                continue;
            }
            let folder = self.folder_of(stem);
            // What cannot be taken away does no harm where it lies.
            if is_all_ours(&folder) {
                let _ = fs::remove_dir_all(&folder);
            }
            let _ = fs::remove_file(&file);
        }
    }

    /// Takes away what a review that was killed had written aside.
    fn sweep(&self) {
        let state = self.out.join(STATE_FOLDER);
        let folders = [self.out.clone(), self.out.join(REPORTS), state, self.entries()];
        for entry in folders.iter().filter_map(|f| fs::read_dir(f).ok()).flatten().flatten() {
            let (name, path) = (entry.file_name(), entry.path());
            let name = name.to_string_lossy();
            if name.starts_with(".tmp") && path.is_file() {
                let _ = fs::remove_file(&path);
            } else if name.starts_with(".stiffbus-") && name != STATE_FOLDER {
                let parts = [path.join("new"), path.join("old")];
                if parts.iter().all(|part| !part.exists() || is_all_ours(part)) {
                    let _ = fs::remove_dir_all(&path);
                }
            }
        }
    }
}

/// Whether nothing is in a folder, or no more than a review makes before it says
/// whose the folder is.
fn is_bare(out: &Path) -> io::Result<bool> {
    let is_void = |folder: &Path| Ok::<_, io::Error>(fs::read_dir(folder)?.next().is_none());
    for entry in fs::read_dir(out)? {
        let name = entry?.file_name();
        let is_begun = name == STATE_FOLDER || name == REPORTS && is_void(&out.join(&name))?;
        if !is_begun || out.join(STATE_FOLDER).join(ABOUT_FILE).exists() {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Whether a folder holds nothing but files that a report is made of.
fn is_all_ours(folder: &Path) -> bool {
    fs::read_dir(folder).is_ok_and(|mut entries| {
        entries.all(|entry| {
            entry.is_ok_and(|entry| Kind::Report.writes(&entry.file_name().to_string_lossy()))
        })
    })
}

fn read<T: DeserializeOwned>(path: &Path) -> Option<T> {
    serde_json::from_slice(&fs::read(path).ok()?).ok()
}
