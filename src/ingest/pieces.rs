//! Reads a long file of plain numbers in pieces: each is read, hashed and converted to columns
//! while it is in the cache of a core, so that the file is never whole in memory.
//!
//! Dialect and roles are decided on the same sample as for other files, and rows are read by the
//! same code ([`plain_rows`]). If a row is not plain, the file is read as a whole instead.

use std::borrow::Cow;
use std::fs::File;
use std::io::{Read as _, Seek, SeekFrom};
use std::path::Path;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread;

use memchr::memrchr;
use sha2::{Digest, Sha256};

use super::account::Account;
use super::body::{self, Interpretation, RawTable};
use super::dialect::{self, Separator};
use super::encoding;
use super::load::MOST_BYTES;
use super::plain_rows::{self, Cells};
use super::request::ReadOptions;
use super::sample::Sample;
use super::table::PlainTable;
use crate::parallel::cores;
use crate::stats::min_max::Extent;

/// A shorter file is read as a whole.
const LEAST_BYTES: u64 = 4 << 20;
/// Contains preamble and header, and suffices to recognize the encoding.
const HEAD_BYTES: usize = 1 << 20;
/// Text and columns of a piece fit the cache of a core.
const PIECE_BYTES: usize = 256 << 10;
/// Pieces in progress for each worker.
const PIECES_PER_WORKER: usize = 3;

/// Columns and SHA-256 of the file; `None` if it is not long, not plain or not readable: then
/// reading it as a whole reports why.
pub fn read(path: &Path, options: &ReadOptions) -> Option<(RawTable, String)> {
    // Opening a pipe would already disturb its writer.
    let file_length = path.metadata().ok().filter(|metadata| metadata.is_file())?.len();
    if !(LEAST_BYTES..=MOST_BYTES).contains(&file_length) {
        return None;
    }
    let file = File::open(path).ok()?;
    let head = piece_of(&file, 0, HEAD_BYTES)?;
    let decoded = encoding::decode(&head).ok()?;
    let Cow::Borrowed(text) = decoded.text else { return None };
    let encoding = decoded.encoding;
    let mark = head.len() - text.len();
    let length = usize::try_from(file_length).ok()?.checked_sub(mark)?;
    let sample = Sample::by(length, |start, length| {
        piece_of(&file, (mark + start) as u64, length).map(Cow::Owned)
    })?;
    let dialect = dialect::sniff(&sample.joined());
    if matches!(dialect.separator, Separator::Space { .. }) {
        return None;
    }
    let mut account = Account::default();
    let interpretation = body::interpret(dialect, &sample, options, &mut account).ok()?;
    let Interpretation { layout, clock, wanted, .. } = &interpretation;
    let clean = PlainTable::of(&dialect, layout, clock, wanted)?;
    let preamble = head.get(..mark + layout.body_byte)?;
    let (columns, sha256) = columns(&file, preamble, length, clean.cells())?;
    let body = clean.body(columns)?;
    Some((RawTable { encoding, interpretation, body, account }, sha256))
}

fn piece_of(file: &File, start: u64, length: usize) -> Option<Vec<u8>> {
    let mut file = file;
    file.seek(SeekFrom::Start(start)).ok()?;
    let mut bytes = Vec::with_capacity(length);
    file.take(length as u64).read_to_end(&mut bytes).ok()?;
    (bytes.len() == length).then_some(bytes)
}

type Columns = Vec<(Vec<f64>, Extent)>;

/// Some lines of the file, and the values of their cells.
struct Piece {
    bytes: Vec<u8>,
    columns: Vec<Vec<f64>>,
    extents: Vec<Extent>,
    clean: bool,
}

impl Piece {
    fn empty(cells: Cells) -> Piece {
        Piece {
            bytes: Vec::new(),
            columns: vec![Vec::new(); cells.used.len()],
            extents: Vec::new(),
            clean: true,
        }
    }

    fn read(&mut self, cells: Cells) {
        let text = std::str::from_utf8(&self.bytes);
        self.clean = text.is_ok_and(|text| plain_rows::lines_into(text, cells, &mut self.columns));
        self.extents.clear();
        self.extents.extend(self.columns.iter().map(|column| Extent::of(column)));
    }

    /// `length`: bytes of the whole file, to estimate the number of rows.
    fn add_to(&self, all: &mut Columns, length: usize) {
        let own = self.columns.iter().zip(&self.extents);
        for ((column, extent), (own, extent_of_own)) in all.iter_mut().zip(own) {
            if column.is_empty() {
                let pieces = length as f64 / self.bytes.len().max(1) as f64;
                // Only an estimate: if memory is short, fewer rows may come.
                let _ = column.try_reserve_exact((1.02 * pieces * own.len() as f64) as usize);
            }
            column.extend_from_slice(own);
            *extent = extent.and(*extent_of_own);
        }
    }
}

/// A thread that reads cells: the pieces sent to it, and those it returns.
type Worker = (SyncSender<Piece>, Receiver<Piece>);

/// One thread reads and hashes the file and joins the columns; the others read cells. Pieces are
/// returned in order.
fn columns(file: &File, preamble: &[u8], length: usize, cells: Cells) -> Option<(Columns, String)> {
    let mut lines = LineReader::after(file, preamble)?;
    let mut all: Columns = cells.used.iter().map(|_| (Vec::new(), Extent::NONE)).collect();
    thread::scope(|scope| {
        let start_worker = || -> Worker {
            let (to_worker, pieces) = sync_channel::<Piece>(PIECES_PER_WORKER);
            let (done, from_worker) = sync_channel(PIECES_PER_WORKER);
            scope.spawn(move || {
                for mut piece in pieces {
                    piece.read(cells);
                    if done.send(piece).is_err() {
                        break;
                    }
                }
            });
            (to_worker, from_worker)
        };
        let workers: Vec<Worker> = (1..cores().max(2)).map(|_| start_worker()).collect();
        let most = workers.len() * PIECES_PER_WORKER;
        let mut in_turn = workers.iter().cycle();
        let mut next_back = || in_turn.next()?.1.recv().ok().filter(|piece| piece.clean);
        let mut in_progress = 0;
        for worker in workers.iter().cycle() {
            let mut piece = if in_progress < most {
                Piece::empty(cells)
            } else {
                in_progress -= 1;
                let piece = next_back()?;
                piece.add_to(&mut all, length);
                piece
            };
            if !lines.next(&mut piece.bytes)? {
                break;
            }
            worker.0.send(piece).ok()?;
            in_progress += 1;
        }
        for _ in 0..in_progress {
            next_back()?.add_to(&mut all, length);
        }
        Some(())
    })?;
    Some((all, super::hex(&lines.hash.finalize())))
}

/// Reads a file in pieces of whole lines, and hashes it.
struct LineReader<'a> {
    file: &'a File,
    hash: Sha256,
    taken: u64,
    /// The beginning of a line that is not complete yet.
    partial_line: Vec<u8>,
}

impl LineReader<'_> {
    /// Starts after `preamble`, if the file still begins with it.
    fn after<'a>(file: &'a File, preamble: &[u8]) -> Option<LineReader<'a>> {
        let head = piece_of(file, 0, preamble.len())?;
        let hash = Sha256::new_with_prefix(&head);
        let taken = head.len() as u64;
        (head == preamble).then_some(LineReader { file, hash, taken, partial_line: Vec::new() })
    }

    /// Reads the next whole lines; false at the end of the file. `None` if the file cannot be
    /// read, or
    /// the file or a line is too long.
    fn next(&mut self, into: &mut Vec<u8>) -> Option<bool> {
        into.clear();
        into.append(&mut self.partial_line);
        let before = into.len();
        let room = PIECE_BYTES.saturating_sub(before) as u64;
        let fresh = self.file.take(room).read_to_end(into).ok()? as u64;
        self.hash.update(into.get(before..)?);
        self.taken += fresh;
        let ended = fresh < room;
        match memrchr(b'\n', into) {
            Some(last) => self.partial_line.extend(into.drain(last + 1..)),
            None if !ended => return None,
            None => {}
        }
        (self.taken <= MOST_BYTES).then_some(!into.is_empty())
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    const ROW: &str = "0.1,13.80,850,,0\n";

    fn is_read_in_pieces(text: &str) -> bool {
        let mut file = tempfile::NamedTempFile::with_suffix(".csv").expect("a file");
        file.write_all(text.as_bytes()).expect("room for it");
        read(file.path(), &ReadOptions::default()).is_some()
    }

    #[test]
    fn only_a_long_file_of_plain_numbers_is_read_in_pieces() {
        let header = "time (s),battery voltage (V),engine rpm,spare,fan\n";
        let long = format!("{header}{}", ROW.repeat(300_000));
        assert!(is_read_in_pieces(&long));
        assert!(!is_read_in_pieces(&format!("{header}{ROW}")));
        for end in ["1,x,y,,z\n", "\n", "1,2\n", header, &"9".repeat(2 * PIECE_BYTES)] {
            assert!(!is_read_in_pieces(&format!("{long}{end}")));
        }
        assert!(read(Path::new("/nowhere.csv"), &ReadOptions::default()).is_none());
        assert!(read(Path::new("/"), &ReadOptions::default()).is_none());
    }

    /// Opening it would wait for a writer, or take data from the next reader.
    #[test]
    #[cfg(unix)]
    fn a_pipe_is_not_opened() {
        let home = tempfile::tempdir().expect("a folder");
        let pipe = home.path().join("pipe.csv");
        let made = std::process::Command::new("mkfifo").arg(&pipe).status();
        assert!(made.expect("mkfifo").success());
        let (sender, receiver) = std::sync::mpsc::channel();
        thread::spawn(move || sender.send(read(&pipe, &ReadOptions::default()).is_none()));
        assert_eq!(receiver.recv_timeout(std::time::Duration::from_secs(60)), Ok(true));
    }
}
