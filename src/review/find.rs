//! Finds the logs below folders. What is not a log is counted with its reason: nothing
//! is dropped silently.

use std::collections::{BTreeMap, HashSet, VecDeque};
use std::fs;
use std::io::Read;
use std::path::{Component, Path, PathBuf};

use walkdir::{DirEntry, WalkDir};

use super::LeftOut;
use super::order::natural;
use crate::car::{CAR_FILE, Car};
use crate::files::resolved;

/// Endings that logs have. Any other file is read where it is named.
const ENDINGS: [&str; 8] = ["csv", "tsv", "txt", "log", "dat", "asc", "prn", "tab"];
/// Files that identify a folder that stiffbus wrote.
const MARKERS: [&str; 4] = ["diagnosis.json", "comparison.json", "plan.json", "review.json"];
/// Where reports go unasked.
pub const REPORTS_FOLDER: &str = "stiffbus-report";
/// Why a file is no log that flags or a `car.toml` name.
const FACTS: &str = "marks or an alternator's output sheet";
/// Names listed of what was left out for one reason.
pub const MOST_NAMED: usize = 5;

/// A log that was found, or named.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogFile {
    pub path: PathBuf,
    /// From the reviewed folder, with `/`.
    pub relative_path: String,
    /// A person named the file itself: whatever it is, its row says so.
    pub named: bool,
    /// What the `car.toml` beside it calls the vehicle.
    pub vehicle: Option<String>,
}

#[derive(Debug, Default)]
pub struct Found {
    /// The folder that all of it lies in.
    pub root: PathBuf,
    /// As a person counts: `run-2` before `run-10`.
    pub logs: Vec<LogFile>,
    pub left_out: Vec<LeftOut>,
}

/// Every log below the folders among `named`, and every file among them. `out` is
/// where the review goes; `no_logs` are files that are read for something else.
pub fn find(named: &[PathBuf], out: Option<&Path>, no_logs: &[PathBuf]) -> Found {
    let named: Vec<PathBuf> = named.iter().map(|path| settled(path)).collect();
    let root = common(&named);
    let usual = || root.join(REPORTS_FOLDER);
    let mut walk = Walk {
        out: out.map_or_else(usual, |out| resolved(out).unwrap_or_else(|_| out.to_path_buf())),
        root,
        no_logs: no_logs.iter().filter_map(|path| Identity::of(path)).collect(),
        ..Walk::default()
    };
    let (folders, files): (Vec<PathBuf>, Vec<PathBuf>) =
        named.into_iter().partition(|path| path.is_dir());
    for file in files {
        walk.take(file, true);
    }
    walk.folders.extend(folders);
    walk.below_folders();
    walk.drop_facts();
    let Walk { root, mut logs, left_out, vehicles, .. } = walk;
    logs.sort_by(|a, b| natural(&a.relative_path, &b.relative_path));
    for log in &mut logs {
        log.vehicle = log.path.parent().and_then(|home| vehicles.get(home)?.clone());
    }
    let left_out = left_out.into_iter().map(|(reason, mut names)| {
        names.sort_by(|a, b| natural(a, b));
        let count = names.len();
        names.truncate(MOST_NAMED);
        LeftOut { reason: reason.to_owned(), count, first: names }
    });
    Found { root, logs, left_out: left_out.collect() }
}

#[derive(Default)]
struct Walk {
    root: PathBuf,
    /// What is in here is not even counted: whether it exists already says nothing
    /// of the logs.
    out: PathBuf,
    no_logs: HashSet<Identity>,
    /// Still to be looked through; those that links lead to come last, so that a
    /// folder is listed under its own path if it has one here.
    folders: VecDeque<PathBuf>,
    been_in: HashSet<Identity>,
    taken: HashSet<Identity>,
    logs: Vec<LogFile>,
    left_out: BTreeMap<&'static str, Vec<String>>,
    vehicles: BTreeMap<PathBuf, Option<String>>,
}

impl Walk {
    fn below_folders(&mut self) {
        let mut links: Vec<PathBuf> = Vec::new();
        let mut linked_files: Vec<PathBuf> = Vec::new();
        loop {
            while let Some(folder) = self.folders.pop_front() {
                self.below(&folder, &mut links, &mut linked_files);
            }
            if links.is_empty() {
                break;
            }
            self.folders.extend(std::mem::take(&mut links));
        }
        for file in linked_files {
            self.found(file);
        }
    }

    fn below(&mut self, top: &Path, links: &mut Vec<PathBuf>, linked_files: &mut Vec<PathBuf>) {
        let mut entries = WalkDir::new(top).sort_by_file_name().into_iter();
        while let Some(entry) = entries.next() {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => {
                    let path = error.path().unwrap_or(top).to_path_buf();
                    self.leave(&path, "cannot be looked into");
                    continue;
                }
            };
            let path = entry.path();
            let kind = fs::metadata(path).map(|found| found.file_type());
            match kind {
                Ok(kind) if kind.is_dir() => {
                    let is_link = entry.path_is_symlink() && entry.depth() > 0;
                    let reason = self.no_folder(&entry);
                    match reason {
                        _ if entry.depth() > 0 && self.holds_review(path) => {}
                        Some(reason) => self.leave(path, reason),
                        None if is_link => links.push(path.to_path_buf()),
                        None if self.enter(path) => {
                            self.look_at_car(path);
                            continue;
                        }
                        None => {}
                    }
                    // The walk does not follow links: there is nothing to skip below one.
                    if !is_link {
                        entries.skip_current_dir();
                    }
                }
                Ok(kind) if kind.is_file() && entry.path_is_symlink() => {
                    linked_files.push(path.to_path_buf());
                }
                Ok(kind) if kind.is_file() => self.found(path.to_path_buf()),
                Ok(_) => self.leave(path, "no file and no folder"),
                Err(_) if entry.path_is_symlink() => self.leave(path, "link that leads nowhere"),
                Err(_) => self.leave(path, "cannot be looked into"),
            }
        }
    }

    /// Why a folder is not looked into, but for those that a person named.
    fn no_folder(&self, entry: &DirEntry) -> Option<&'static str> {
        if entry.depth() == 0 {
            return None;
        }
        let name = entry.file_name().to_string_lossy();
        match name.as_ref() {
            REPORTS_FOLDER => Some("folder of reports"),
            name if name.starts_with('.') => Some("hidden folder"),
            _ => is_ours(entry.path()).then_some("folder of reports"),
        }
    }

    /// The review's own folder, or that of reports around it.
    fn holds_review(&self, folder: &Path) -> bool {
        let Ok(folder) = folder.canonicalize() else { return false };
        let around = folder.file_name().is_some_and(|name| name == REPORTS_FOLDER);
        folder == self.out || around && self.out.starts_with(&folder)
    }

    /// False where it was looked through before, by another path.
    fn enter(&mut self, folder: &Path) -> bool {
        Identity::of(folder).is_some_and(|identity| self.been_in.insert(identity))
    }

    /// What the folder's `car.toml` says of names and of files that are no logs.
    fn look_at_car(&mut self, folder: &Path) {
        let file = folder.join(CAR_FILE);
        // One that cannot be read fails every log beside it, and says why there.
        let car = file.is_file().then(|| Car::load(&file).ok()).flatten();
        let Some(car) = car else { return };
        self.vehicles.insert(folder.to_path_buf(), car.job.vehicle.clone());
        self.no_logs.extend(car.alternator.curve.as_deref().and_then(Identity::of));
    }

    fn found(&mut self, path: PathBuf) {
        match self.no_log(&path) {
            Some(reason) => self.leave(&path, reason),
            None => self.take(path, false),
        }
    }

    fn no_log(&self, path: &Path) -> Option<&'static str> {
        let name = path.file_name()?.to_string_lossy().into_owned();
        let ending = path.extension().map(|end| end.to_string_lossy().to_lowercase());
        if name == CAR_FILE {
            return Some("facts about a car");
        }
        if name.starts_with('.') {
            return Some("hidden file");
        }
        if !ending.is_some_and(|ending| ENDINGS.contains(&ending.as_str())) {
            return Some("no log by its ending");
        }
        is_our_table(path).then_some("table that stiffbus wrote")
    }

    /// Takes out what a `car.toml` named, wherever that was found.
    fn drop_facts(&mut self) {
        let is_fact = |log: &LogFile, walk: &Walk| {
            !log.named && Identity::of(&log.path).is_some_and(|file| walk.no_logs.contains(&file))
        };
        let logs = std::mem::take(&mut self.logs);
        let (facts, logs) = logs.into_iter().partition::<Vec<_>, _>(|log| is_fact(log, self));
        self.logs = logs;
        for fact in facts {
            self.leave(&fact.path, FACTS);
        }
    }

    fn take(&mut self, path: PathBuf, named: bool) {
        if let Some(identity) = Identity::of(&path)
            && !self.taken.insert(identity)
        {
            return self.leave(&path, "the same file by another path");
        }
        if let Some(home) = path.parent().map(Path::to_path_buf)
            && !self.vehicles.contains_key(&home)
        {
            self.look_at_car(&home);
        }
        let relative_path = path_from_root(&self.root, &path);
        self.logs.push(LogFile { path, relative_path, named, vehicle: None });
    }

    fn leave(&mut self, path: &Path, reason: &'static str) {
        let name = path_from_root(&self.root, path);
        self.left_out.entry(reason).or_default().push(name);
    }
}

/// A file or folder itself, whatever path leads to it.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct Identity {
    #[cfg(unix)]
    on_disk: (u64, u64),
    #[cfg(not(unix))]
    on_disk: PathBuf,
}

impl Identity {
    #[cfg(unix)]
    fn of(path: &Path) -> Option<Identity> {
        use std::os::unix::fs::MetadataExt;
        let found = fs::metadata(path).ok()?;
        Some(Identity { on_disk: (found.dev(), found.ino()) })
    }

    #[cfg(not(unix))]
    fn of(path: &Path) -> Option<Identity> {
        Some(Identity { on_disk: path.canonicalize().ok()? })
    }
}

/// A folder that holds a report, a proof, a plan or a review.
fn is_ours(folder: &Path) -> bool {
    let marked = |name: &str| {
        let head = head(&folder.join(name));
        head.is_some_and(|head| head.contains("\"schema\"") && head.contains("\"stiffbus."))
    };
    MARKERS.into_iter().any(marked) || folder.join(super::STATE_FOLDER).is_dir()
}

/// By its header: estimates come with their interval and grade, and a review's
/// tables begin with the log.
fn is_our_table(path: &Path) -> bool {
    let Some(head) = head(path) else { return false };
    let header = head.lines().next().unwrap_or("");
    header.contains("_low,") && header.contains("_high,") && header.contains("_grade")
        || header.starts_with("log,car,")
}

/// Whether a file is text for people: sentences, a letter, a README. A log that lost its
/// rows is not, for its header has cells.
pub fn is_prose(path: &Path) -> bool {
    head(path).is_some_and(|head| reads_as_prose(&head))
}

fn reads_as_prose(text: &str) -> bool {
    const FEWEST_WORDS: usize = 5;
    // Scripts without blanks between words.
    const FEWEST_LETTERS: usize = 30;
    let text = text.trim_start_matches('\u{feff}').trim();
    if text.contains('\0') || text.starts_with(['<', '{', '[']) {
        return false;
    }
    let lines = || text.lines().filter(|line| !line.trim().is_empty());
    let is_short = |cell: &str| cell.split_whitespace().count() <= 4 && !cell.ends_with('.');
    let has_cells = |line: &&str| {
        let by_mark: Vec<&str> = line.split([',', ';', '|', '\t']).map(str::trim).collect();
        let by_blanks = line.trim().split("  ").filter(|cell| !cell.trim().is_empty());
        by_mark.len() > 2 && by_mark.iter().all(|cell| is_short(cell)) || by_blanks.count() > 2
    };
    if lines().filter(has_cells).count() * 10 > lines().count() {
        return false;
    }
    let count = |is: &dyn Fn(char) -> bool| text.chars().filter(|c| is(*c)).count();
    let (seen, letters) = (count(&|c| !c.is_whitespace()), count(&char::is_alphabetic));
    let words = text.split_whitespace().filter(|word| word.chars().any(char::is_alphabetic));
    let is_long = words.count() >= FEWEST_WORDS || letters >= FEWEST_LETTERS;
    let unreadable = count(&|c| c == '\u{fffd}');
    is_long && 2 * letters > seen && 3 * count(&char::is_numeric) < seen && 20 * unreadable <= seen
}

fn head(path: &Path) -> Option<String> {
    const HEAD: u64 = 4096;
    let mut bytes = Vec::new();
    fs::File::open(path).ok()?.take(HEAD).read_to_end(&mut bytes).ok()?;
    Some(String::from_utf8_lossy(&bytes).into_owned())
}

/// A named path without links and dots before its last part, so that paths below it
/// can be distinguished; a named link keeps its name.
fn settled(path: &Path) -> PathBuf {
    if path.is_dir() {
        return path.canonicalize().unwrap_or_else(|_| path.to_path_buf());
    }
    let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
    match (whole.parent().map(Path::canonicalize), whole.file_name()) {
        (Some(Ok(home)), Some(name)) => home.join(name),
        _ => whole,
    }
}

/// The deepest folder that all of `paths` lie in, or the one folder itself.
fn common(paths: &[PathBuf]) -> PathBuf {
    let homes = paths.iter().map(|path| {
        if path.is_dir() {
            path.clone()
        } else {
            path.parent().map_or(PathBuf::new(), Path::to_path_buf)
        }
    });
    let shared = |a: PathBuf, b: PathBuf| -> PathBuf {
        let both = a.components().zip(b.components());
        both.take_while(|(a, b)| a == b).map(|(a, _)| a).collect()
    };
    homes.reduce(shared).unwrap_or_default()
}

/// `path` from `root`, with `/` between folders whatever the system writes.
fn path_from_root(root: &Path, path: &Path) -> String {
    let below = path.strip_prefix(root).unwrap_or(path);
    let parts: Vec<String> = below
        .components()
        .filter(|part| !matches!(part, Component::RootDir))
        .map(|part| part.as_os_str().to_string_lossy().into_owned())
        .collect();
    parts.join("/")
}

#[cfg(test)]
mod tests {
    use super::reads_as_prose;

    #[test]
    fn text_for_people_is_told_from_a_broken_log() {
        for prose in [
            "Dear workshop,\nit squeals when it is wet.\n",
            "Logs of the red wagon. Fan on at 60 s, off at 90 s; AC never.\n",
            "# Read me\n\nWhat is in this folder:\n- cold start, 3 May\n- hot idle, 4 May\n",
            "Rated output 70 A at 6000 rpm\nIdle output 30 A at 1500 rpm\nVoltage 13.5 V\n",
            "这个文件夹里是红色汽车的记录。第一次冷启动，第二次热车怠速，第三次开空调。\n",
            "В этой папке лежат записи красной машины.\n",
        ] {
            assert!(reads_as_prose(prose), "{prose}");
        }
        for other in [
            "",
            "no log\n",
            "time (s),battery voltage (V),engine rpm,fan\n",
            "time (s), battery voltage (V), engine rpm, coolant temperature\n",
            "time (s)    battery voltage (V)    engine speed (rpm)    coolant (C)\n",
            "time (s);battery voltage (V);engine rpm;fan\n0,0;12,6;0;0\n",
            "time\tbattery voltage\tengine rpm\n",
            "0.0 12.6 0\n0.1 12.6 0\n0.2 12.6 0\n",
            "<!doctype html><html><body><p>Sign in to go on with what you wanted</p></html>\n",
            "{\"time\": [0, 1, 2], \"volts\": [14.1, 14.2, 14.1], \"a\": \"some more words here\"}\n",
            "7777777777777777777777777777777777777777777777\n",
        ] {
            assert!(!reads_as_prose(other), "{other}");
        }
    }
}
