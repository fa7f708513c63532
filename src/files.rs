//! Writing so that a reader meets the old file or the new one, never half of one.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Writes `bytes` beside `path` and renames them into place.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    write_whole_by(path, |aside| aside.write_all(bytes))
}

/// As [`write_whole`], by `write`, piece by piece.
pub fn write_whole_by(
    path: &Path,
    write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> io::Result<()> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut aside = tempfile::NamedTempFile::new_in(folder)?;
    write(&mut aside)?;
    put_in_place(aside, path)
}

/// Renames what was written aside, in the folder of `path`, to its place.
pub fn put_in_place(aside: tempfile::NamedTempFile, path: &Path) -> io::Result<()> {
    // A temporary file is its owner's alone; a written file is as readable as
    // any other file made here.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        aside.as_file().set_permissions(std::fs::Permissions::from_mode(0o644))?;
    }
    aside.persist(path).map_err(|e| e.error)?;
    Ok(())
}

/// Whether two paths name the same existing file.
pub fn same_file(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// Without links and dots; of a path that is not there yet, as far as it is.
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
