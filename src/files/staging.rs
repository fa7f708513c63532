//! A temporary folder beside the target, and its cleanup if a run was killed.
//!
//! A run holds a lock on its folder. The system releases the lock if the run is killed, so that the
//! next run recognizes the folder as a leftover and removes it.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use super::folder_of;

const PREFIX: &str = ".stiffbus-aside-";

/// What is written here is moved to its place by one rename.
pub struct StagingDir {
    folder: TempDir,
    /// Held, not read.
    _lock: Option<File>,
}

impl StagingDir {
    /// Beside `path`, so that a rename stays on one disk. Removes leftovers of killed runs there,
    /// if they contain only incomplete output.
    pub fn beside(path: &Path) -> io::Result<StagingDir> {
        let home = folder_of(path);
        for leftover in leftovers(home) {
            if !leftover.existing_output().exists() {
                leftover.remove();
            }
        }
        loop {
            let folder = tempfile::Builder::new().prefix(PREFIX).tempdir_in(home)?;
            let lock = lock(folder.path());
            // Another run may have removed it before it was locked.
            if folder.path().is_dir() {
                return Ok(StagingDir { folder, _lock: lock });
            }
        }
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Path of the new output.
    pub fn new_output(&self) -> PathBuf {
        self.path().join("new")
    }

    /// Path of the old output, which must not be lost.
    pub fn existing_output(&self) -> PathBuf {
        self.path().join("old")
    }

    /// Records for which folder beside it this one is, in case the run is killed.
    pub fn is_for(&self, name: &str) -> io::Result<()> {
        fs::write(self.path().join("for"), name)
    }

    /// Marks the old output as no longer needed. This is one rename, because removing it takes many
    /// steps, between which the run may be killed.
    pub fn discard_existing(&self) -> io::Result<()> {
        discard_existing(self.path())
    }

    /// Keeps the folder, under a name that is not recognized as a leftover.
    pub fn keep(self) -> PathBuf {
        let kept = self.folder.keep();
        let name = kept.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let named = kept.with_file_name(name.replacen(PREFIX, "stiffbus-kept-", 1));
        if fs::rename(&kept, &named).is_ok() { named } else { kept }
    }
}

fn discard_existing(folder: &Path) -> io::Result<()> {
    fs::rename(folder.join("old"), folder.join("spent"))
}

fn lock(folder: &Path) -> Option<File> {
    let file = File::open(folder).ok()?;
    file.lock().ok()?;
    Some(file)
}

/// A folder left by a run that was killed.
pub struct Leftover {
    path: PathBuf,
    /// Prevents other runs from removing it at the same time.
    _lock: File,
}

/// Every leftover in `home`. If a folder is locked, its run is alive. If folders cannot be locked
/// on this system, none is treated as a leftover.
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
    /// See [`StagingDir::existing_output`].
    pub fn existing_output(&self) -> PathBuf {
        self.path.join("old")
    }

    /// The folder it is for, if recorded as a plain name beside it.
    pub fn is_for(&self) -> Option<PathBuf> {
        let name = fs::read_to_string(self.path.join("for")).ok()?;
        let plain = Path::new(&name).file_name().is_some_and(|file| file == name.as_str());
        plain.then(|| self.path.with_file_name(name))
    }

    pub fn remove(self) {
        if self.existing_output().exists() && discard_existing(&self.path).is_err() {
            return;
        }
        // If it cannot be removed now, a later run tries again.
        let _ = fs::remove_dir_all(&self.path);
    }
}

/// Exchanges two folders in one step, so that both names always exist. `Unsupported` if the system
/// cannot do that.
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
        let living = StagingDir::beside(&target).expect("a folder aside");
        assert!(living.path().is_dir());
        // As a killed run leaves it: the folder without a lock.
        let dead = home.path().join(format!("{PREFIX}dead"));
        fs::create_dir(&dead).expect("a folder");
        fs::write(dead.join("new"), "half").expect("a file");
        let kept = home.path().join(format!("{PREFIX}stood"));
        fs::create_dir_all(kept.join("old")).expect("a folder");
        let second = StagingDir::beside(&target).expect("a folder aside");
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
