//! Reads the bytes of a file, within limits.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::encoding;
use super::error::Problem;

/// Enough for fifty columns at a hundred samples a second for a day.
pub const MOST_BYTES: u64 = 4 << 30;
/// Limit for pipes and devices.
const MOST_OF_A_STREAM: u64 = 1 << 30;
/// Enough for the maximum number of columns with long names, in UTF-16.
const LONGEST_LINE: usize = 4 << 20;
/// Bytes read at once; the limits may be exceeded by this much.
const CHUNK: usize = 1 << 20;

/// Reads the whole file. It may be a pipe, and may grow, shrink or vanish meanwhile: only the
/// bytes that were read count.
pub fn load(path: &Path) -> Result<Vec<u8>, Problem> {
    if path.is_dir() {
        return Err(Problem::IsDirectory);
    }
    if path.as_os_str() == "-" && !path.exists() {
        return Err(Problem::StandardInput);
    }
    let file = File::open(path)?;
    let metadata = file.metadata()?;
    let expected_bytes = metadata.len();
    if expected_bytes > MOST_BYTES {
        return Err(Problem::TooLong { most: MOST_BYTES });
    }
    // A pipe or device may never end.
    let most = if metadata.is_file() { MOST_BYTES } else { MOST_OF_A_STREAM };
    read(file, usize::try_from(expected_bytes).unwrap_or(0), most)
}

fn read(file: impl Read, expected_bytes: usize, most: u64) -> Result<Vec<u8>, Problem> {
    let mut file = file;
    // Reserves little at first, so that an endless line is rejected before it fills the memory.
    let mut bytes = Vec::with_capacity(expected_bytes.min(LONGEST_LINE).saturating_add(1));
    let mut line_start = 0;
    loop {
        let before = bytes.len();
        if file.by_ref().take(CHUNK as u64).read_to_end(&mut bytes)? == 0 {
            break;
        }
        if bytes.len() as u64 > most {
            return Err(Problem::TooLong { most });
        }
        let fresh = bytes.get(before..).unwrap_or(&[]);
        if let Some(last) = fresh.iter().rposition(|byte| matches!(byte, b'\n' | b'\r')) {
            line_start = before + last + 1;
        }
        if bytes.len() - line_start > LONGEST_LINE {
            return Err(Problem::LongLine {
                line: number_of_line(bytes.get(..line_start).unwrap_or(&[])),
                most: LONGEST_LINE,
            });
        }
        if before == 0 && bytes.len() == CHUNK {
            // Rejects a file that is not text before gigabytes of it are read.
            if encoding::container(&bytes).is_some() || encoding::decode(&bytes).is_err() {
                return Ok(bytes);
            }
            bytes.reserve_exact(expected_bytes.saturating_sub(bytes.len()).saturating_add(1));
        }
    }
    if bytes.is_empty() {
        return Err(Problem::Empty);
    }
    Ok(bytes)
}

/// Number of the line that follows these whole lines. A lone CR ends a line if the file has no
/// LF. In UTF-16 the other byte of each line end does not matter.
fn number_of_line(before: &[u8]) -> usize {
    let ends = |byte: u8| before.iter().filter(|&&b| b == byte).count();
    1 + match ends(b'\n') {
        0 => ends(b'\r'),
        lines => lines,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::IngestError;
    use std::io;

    /// The same bytes over and over.
    fn endless(bytes: &'static [u8]) -> impl Read {
        struct Endless(&'static [u8], usize);
        impl Read for Endless {
            fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
                for slot in into.iter_mut() {
                    *slot = self.0[self.1 % self.0.len()];
                    self.1 += 1;
                }
                Ok(into.len())
            }
        }
        Endless(bytes, 0)
    }

    fn error(file: impl Read) -> String {
        let problem = read(file, 0, 64 << 20).map(|bytes| bytes.len()).expect_err("it is no log");
        IngestError::new(Path::new("x.csv"), problem).to_string()
    }

    #[test]
    fn what_never_ends_is_refused_in_bounded_memory() {
        assert!(error(endless(b"0.1,13.8\n")).contains("the limit of 67108864 bytes"));
        assert!(error(endless(b"0.1,13.8\r")).contains("the limit of 67108864 bytes"));
        assert!(error(endless(b"1,")).contains("line 1: is longer than 4194304 bytes"));
        let started = io::Cursor::new(b"time,v\n0.1,13.8\n").chain(endless(b"x"));
        assert!(error(started).contains("line 3: is longer than"));
    }
}
