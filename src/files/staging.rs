//! A folder beside what is to be written, and what becomes of it when its run is
//! killed.
//!
//! A run holds a lock on its folder for as long as it lives, and the system lets go
//! of the lock of a run that died. So the next run that writes there can tell what
//! was left over, and clears it away.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use super::folder_of;

const PREFIX: &str = ".stiffbus-aside-";

/// What is written here appears in its place by one rename.
pub struct Aside {
    folder: TempDir,
    /// Held, never read.
    _lock: Option<File>,
}

impl Aside {
    /// Beside `path`, so that a rename to it stays on one disk. Clears away what
    /// killed runs left there, as far as it is no more than half-written.
    pub fn beside(path: &Path) -> io::Result<Aside> {
        let home = folder_of(path);
        for leftover in leftovers(home) {
            if !leftover.stood_aside().exists() {
                leftover.remove();
            }
        }
        loop {
            let folder = tempfile::Builder::new().prefix(PREFIX).tempdir_in(home)?;
            let lock = lock(folder.path());
            // Between making and locking, another run may have taken it for a leftover.
            if folder.path().is_dir() {
                return Ok(Aside { folder, _lock: lock });
            }
        }
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Where the new is written.
    pub fn fresh(&self) -> PathBuf {
        self.path().join("new")
    }

    /// Where the old steps aside to: what lies here is not ours alone to remove.
    pub fn stood_aside(&self) -> PathBuf {
        self.path().join("old")
    }

    /// Says for which folder beside it this one is, should its run not live to tell.
    pub fn is_for(&self, name: &str) -> io::Result<()> {
        fs::write(self.path().join("for"), name)
    }

    /// What stood aside may go. Said by one rename, for its removal takes many steps,
    /// and a run may be killed between them.
    pub fn spend(&self) -> io::Result<()> {
        spend(self.path())
    }

    /// Leaves the folder to a person, under a name that no run takes for a leftover.
    pub fn keep(self) -> PathBuf {
        let kept = self.folder.keep();
        let name = kept.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let named = kept.with_file_name(name.replacen(PREFIX, "stiffbus-kept-", 1));
        if fs::rename(&kept, &named).is_ok() { named } else { kept }
    }
}

fn spend(folder: &Path) -> io::Result<()> {
    fs::rename(folder.join("old"), folder.join("spent"))
}

fn lock(folder: &Path) -> Option<File> {
    let file = File::open(folder).ok()?;
    file.lock().ok()?;
    Some(file)
}

/// What a run that was killed left behind.
pub struct Leftover {
    path: PathBuf,
    /// So that no other run clears it at the same time.
    _lock: File,
}

/// Every leftover in `home`. A run whose lock is held lives; where a lock cannot be
/// had (not every system locks a folder), nobody knows, and nothing is a leftover.
pub fn leftovers(home: &Path) -> Vec<Leftover> {
    let Ok(entries) = fs::read_dir(home) else { return Vec::new() };
    let leftover = |entry: fs::DirEntry| -> Option<Leftover> {
        let ours = entry.file_name().to_string_lossy().starts_with(PREFIX);
        if !ours || !entry.file_type().ok()?.is_dir() {
            return None;
        }
        let lock = File::open(entry.path()).ok()?;
        lock.try_lock().ok()?;
        Some(Leftover { path: entry.path(), _lock: lock })
    };
    entries.flatten().filter_map(leftover).collect()
}

impl Leftover {
    /// See [`Aside::stood_aside`].
    pub fn stood_aside(&self) -> PathBuf {
        self.path.join("old")
    }

    /// The folder it is for: a plain name beside it, or nobody knows.
    pub fn is_for(&self) -> Option<PathBuf> {
        let name = fs::read_to_string(self.path.join("for")).ok()?;
        let plain = Path::new(&name).file_name().is_some_and(|file| file == name.as_str());
        plain.then(|| self.path.with_file_name(name))
    }

    pub fn remove(self) {
        if self.stood_aside().exists() && spend(&self.path).is_err() {
            return;
        }
        // What cannot be removed does no harm where it lies, and is tried again.
        let _ = fs::remove_dir_all(&self.path);
    }
}

/// Puts the folder `fresh` where `standing` is and `standing` where `fresh` was, in
/// one step: no moment has neither. `Unsupported` where the system cannot.
#[cfg(any(target_os = "linux", target_os = "android", target_vendor = "apple"))]
pub fn exchange(fresh: &Path, standing: &Path) -> io::Result<()> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    use rustix::io::Errno;
    renameat_with(CWD, fresh, CWD, standing, RenameFlags::EXCHANGE).map_err(|error| match error {
        Errno::INVAL | Errno::NOSYS | Errno::NOTSUP => io::ErrorKind::Unsupported.into(),
        other => other.into(),
    })
}

#[cfg(not(any(target_os = "linux", target_os = "android", target_vendor = "apple")))]
pub fn exchange(_fresh: &Path, _standing: &Path) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_living_run_is_no_leftover_and_a_dead_one_is() {
        let home = tempfile::tempdir().expect("a folder");
        let target = home.path().join("report");
        let living = Aside::beside(&target).expect("a folder aside");
        assert!(living.path().is_dir());
        // As a killed run leaves it: the folder, and nobody who holds its lock.
        let dead = home.path().join(format!("{PREFIX}dead"));
        fs::create_dir(&dead).expect("a folder");
        fs::write(dead.join("new"), "half").expect("a file");
        let kept = home.path().join(format!("{PREFIX}stood"));
        fs::create_dir_all(kept.join("old")).expect("a folder");
        let second = Aside::beside(&target).expect("a folder aside");
        assert!(living.path().is_dir() && second.path().is_dir());
        assert!(!dead.exists());
        assert!(kept.exists(), "what stepped aside is not thrown away unread");
    }

    #[test]
    fn a_leftover_is_for_a_plain_name_beside_it_only() {
        let home = tempfile::tempdir().expect("a folder");
        let folder = home.path().join(format!("{PREFIX}x"));
        fs::create_dir(&folder).expect("a folder");
        for (text, wanted) in [
            ("report", Some(home.path().join("report"))),
            ("../report", None),
            ("/etc", None),
            ("..", None),
            ("", None),
            ("a/b", None),
        ] {
            fs::write(folder.join("for"), text).expect("a file");
            let found = leftovers(home.path());
            assert_eq!(found.first().expect("one").is_for(), wanted, "{text:?}");
        }
    }
}
