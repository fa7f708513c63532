//! Reads files up to a limit, and writes files so that a reader sees either the old or the new
//! one, never a part.

mod staging;

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

pub use staging::{Leftover, StagingDir, exchange, leftovers};

/// Writes `bytes` beside `path` and renames them into place.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let temporary = StagingDir::beside(path)?;
    let fresh = temporary.new_output();
    fs::write(&fresh, bytes)?;
    fs::rename(&fresh, path)
}

/// Renames a temporary file in the folder of `path` to `path`.
pub fn put_in_place(temporary: tempfile::NamedTempFile, path: &Path) -> io::Result<()> {
    // A temporary file is readable by its owner only; other files are readable by all.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        temporary.as_file().set_permissions(fs::Permissions::from_mode(0o644))?;
    }
    temporary.persist(path).map_err(|e| e.error)?;
    Ok(())
}

/// Reads the whole file, unless it is longer than `most` bytes. Devices and pipes have no length
/// and may never end.
pub fn read_at_most(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let file = File::open(path)?;
    let length = file.metadata()?.len();
    let too_long = || {
        let seen = format!("it is longer than {most} bytes");
        io::Error::new(io::ErrorKind::FileTooLarge, seen)
    };
    if length > most {
        return Err(too_long());
    }
    let mut bytes = Vec::with_capacity(usize::try_from(length).unwrap_or(0));
    file.take(most.saturating_add(1)).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most { Err(too_long()) } else { Ok(bytes) }
}

/// Whether two paths name the same existing file.
pub fn same_file(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// Without links and dots, as far as the path exists.
pub fn resolved(path: &Path) -> io::Result<PathBuf> {
    match path.canonicalize() {
        Ok(found) => Ok(found),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let (Some(parent), Some(name)) = (path.parent(), path.file_name()) else {
                return Err(error);
            };
            let parent = if parent.as_os_str().is_empty() { Path::new(".") } else { parent };
            Ok(resolved(parent)?.join(name))
        }
        Err(error) => Err(error),
    }
}

/// The folder that `path` lies in.
pub fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_more_is_read_than_allowed() {
        let home = tempfile::tempdir().expect("a folder");
        let path = home.path().join("x");
        fs::write(&path, b"12345").expect("a file");
        assert_eq!(read_at_most(&path, 5).expect("it fits"), b"12345");
        let error = read_at_most(&path, 4).expect_err("one too many");
        assert_eq!(error.kind(), io::ErrorKind::FileTooLarge);
    }

    #[test]
    #[cfg(unix)]
    fn what_has_no_length_and_no_end_is_refused() {
        let error = read_at_most(Path::new("/dev/zero"), 1 << 16).expect_err("it never ends");
        assert_eq!(error.kind(), io::ErrorKind::FileTooLarge);
    }

    #[test]
    fn a_file_is_replaced_whole_and_nothing_is_left_beside_it() {
        let home = tempfile::tempdir().expect("a folder");
        let path = home.path().join("x");
        write_whole(&path, b"old").expect("written");
        write_whole(&path, b"new").expect("written again");
        assert_eq!(fs::read(&path).expect("a file"), b"new");
        assert_eq!(fs::read_dir(home.path()).expect("a folder").count(), 1);
    }
}
