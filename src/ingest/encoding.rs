//! Decodes bytes to text.

use std::borrow::Cow;
use std::collections::HashSet;

use chardetng::{EncodingDetector, Iso2022JpDetection, Utf8Detection};
use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE};

use crate::format::plural;

pub struct Decoded<'a> {
    pub text: Cow<'a, str>,
    /// Standard name of the encoding.
    pub encoding: &'static str,
    /// Whether some bytes are invalid in the encoding.
    pub lossy: bool,
    pub notice: Option<String>,
}

impl Decoded<'_> {
    fn repaired(self, notice: String) -> Decoded<'static> {
        let text = Cow::Owned(self.text.into_owned());
        Decoded { text, encoding: self.encoding, lossy: self.lossy, notice: Some(notice) }
    }
}

/// Bytes examined to recognize the encoding: unusual letters occur in headers and units.
const HEAD_BYTES: usize = 1 << 16;

/// This many NUL bytes in a row are a lost sector.
const LOST_SECTOR: usize = 64;

/// Decodes by byte order mark, else by the positions of NUL bytes (UTF-16), else as UTF-8 if
/// valid, else by the frequency of letters. `Err` says why the bytes are not text. A lone CR
/// becomes LF, so that line numbers stay the same.
pub fn decode(bytes: &[u8]) -> Result<Decoded<'_>, String> {
    let mut decoded = match unicode_by_layout(bytes)? {
        Some(encoding) if encoding != UTF_8 => utf16(encoding, bytes),
        _ if memchr::memchr(0, bytes).is_some() => {
            let (text, notice) = without_nuls(bytes)?;
            let decoded = utf8_or_guess(&text)?;
            decoded.repaired(notice)
        }
        _ => utf8_or_guess(bytes)?,
    };
    if !decoded.text.contains('\n') && decoded.text.contains('\r') {
        decoded.text = Cow::Owned(decoded.text.replace('\r', "\n"));
    }
    Ok(decoded)
}

fn by<'a>(encoding: &'static Encoding, bytes: &'a [u8]) -> Decoded<'a> {
    let (text, used, lossy) = encoding.decode(bytes);
    Decoded { text, encoding: used.name(), lossy, notice: None }
}

/// Recognizes other file formats by their first bytes. Returns what the file is and what to do.
pub fn container(bytes: &[u8]) -> Option<(&'static str, &'static str)> {
    const UNPACK: &str = "Unpack it and name the log inside";
    const EXPORT: &str = "Export the log as CSV text";
    let starts = |mark: &[u8]| bytes.starts_with(mark);
    let head = bytes.get(..4096).unwrap_or(bytes);
    let holds = |mark: &[u8]| memchr::memmem::find(head, mark).is_some();
    if starts(b"PK\x03\x04") || starts(b"PK\x05\x06") {
        let sheet = [&b"[Content_Types].xml"[..], b"xl/", b"opendocument.spreadsheet"];
        return Some(if sheet.into_iter().any(holds) {
            ("a spreadsheet", "Export its sheet as CSV")
        } else {
            ("a ZIP archive", UNPACK)
        });
    }
    let known: [(&[u8], &str, &str); 14] = [
        (b"\x1f\x8b", "a gzip archive", UNPACK),
        (b"BZh", "a bzip2 archive", UNPACK),
        (b"\xfd7zXZ\0", "an xz archive", UNPACK),
        (b"7z\xbc\xaf\x27\x1c", "a 7z archive", UNPACK),
        (b"\x28\xb5\x2f\xfd", "a zstd archive", UNPACK),
        (b"Rar!\x1a\x07", "a RAR archive", UNPACK),
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
            "a spreadsheet or document",
            "Export its sheet as CSV",
        ),
        (b"%PDF-", "a PDF document", EXPORT),
        (b"\x89PNG", "a picture", EXPORT),
        (b"\xff\xd8\xff", "a picture", EXPORT),
        (b"PAR1\x15", "a Parquet table", EXPORT),
        (b"SQLite format 3\0", "a database", EXPORT),
        (b"MDF     ", "a binary measurement file (MDF)", EXPORT),
        (b"\x89HDF", "a binary measurement file (HDF)", EXPORT),
    ];
    let tar = bytes.get(257..262) == Some(b"ustar");
    known
        .into_iter()
        .find(|(mark, _, _)| starts(mark))
        .map(|(_, what, advice)| (what, advice))
        .or(tar.then_some(("a tar archive", UNPACK)))
}

/// Decodes UTF-16, and realigns it where a byte is missing or was inserted: otherwise everything
/// after it would be garbled.
fn utf16<'a>(encoding: &'static Encoding, bytes: &'a [u8]) -> Decoded<'a> {
    let zero_first = usize::from(encoding == UTF_16LE);
    // An ASCII character whose zero is on the wrong side, and another one after it.
    let out_of_step = |at: usize| {
        let pair =
            |at: usize| Some((*bytes.get(at + 1 - zero_first)?, *bytes.get(at + zero_first)?));
        [at, at + 2].into_iter().all(|at| {
            pair(at).is_some_and(|(zero, letter)| zero == 0 && letter != 0 && letter < 128)
        })
    };
    let mut repaired: Option<Vec<u8>> = None;
    let (mut at, mut copied, mut odd) = (0, 0, 0usize);
    let unknown: [u8; 2] = if encoding == UTF_16LE { [0xfd, 0xff] } else { [0xff, 0xfd] };
    while at + 1 < bytes.len() {
        if out_of_step(at) {
            let repaired = repaired.get_or_insert_with(|| Vec::with_capacity(bytes.len() + 16));
            repaired.extend_from_slice(bytes.get(copied..at).unwrap_or(&[]));
            repaired.extend_from_slice(&unknown);
            at += 1;
            copied = at;
            odd += 1;
        } else {
            at += 2;
        }
    }
    let Some(mut repaired) = repaired else { return by(encoding, bytes) };
    repaired.extend_from_slice(bytes.get(copied..).unwrap_or(&[]));
    let decoded = by(encoding, &repaired);
    let notice = format!(
        "the {} text has {} with a missing or extra byte; the cells there cannot be read",
        decoded.encoding,
        plural(odd, "place", "places")
    );
    Decoded { lossy: false, ..decoded.repaired(notice) }
}

/// Removes the NUL bytes that a power failure leaves at the end, and replaces others by a character
/// that no number contains.
fn without_nuls(bytes: &[u8]) -> Result<(Vec<u8>, String), String> {
    let end = bytes.iter().rposition(|&byte| byte != 0).map_or(0, |last| last + 1);
    let (text, tail) = bytes.split_at(end);
    let inside = text.iter().filter(|&&byte| byte == 0).count();
    if end == 0 || inside * 20 > text.len() {
        return Err(format!("{} NUL bytes of {}", inside + tail.len(), bytes.len()));
    }
    let mut notices = Vec::new();
    if inside > 0 {
        notices.push(format!(
            "the text contains {}; the cells there cannot be read",
            plural(inside, "NUL byte", "NUL bytes")
        ));
    }
    if !tail.is_empty() {
        notices.push(format!(
            "the file ends in {} NUL bytes, as after a power failure; it is read up to there",
            tail.len()
        ));
    }
    let unknown = "\u{fffd}".as_bytes();
    let mut kept = Vec::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = memchr::memchr(0, rest) {
        let (before, nuls) = rest.split_at(at);
        let run = nuls.iter().position(|&byte| byte != 0).unwrap_or(nuls.len());
        kept.extend_from_slice(before);
        kept.extend_from_slice(unknown);
        if run >= LOST_SECTOR {
            kept.push(b'\n');
            kept.extend_from_slice(unknown);
        }
        rest = nuls.get(run..).unwrap_or(&[]);
    }
    kept.extend_from_slice(rest);
    // The last line may be cut off within a number.
    if !tail.is_empty()
        && let Some(last) = memchr::memrchr(b'\n', &kept)
    {
        kept.truncate(last + 1);
    }
    Ok((kept, notices.join("; ")))
}

fn utf8_or_guess(bytes: &[u8]) -> Result<Decoded<'_>, String> {
    if let Ok(text) = std::str::from_utf8(bytes) {
        let text = Cow::Borrowed(text.strip_prefix('\u{feff}').unwrap_or(text));
        return Ok(Decoded { text, encoding: UTF_8.name(), lossy: false, notice: None });
    }
    if bytes.starts_with(b"\xef\xbb\xbf") {
        return Ok(by(UTF_8, bytes));
    }
    let head = bytes.get(..HEAD_BYTES).unwrap_or(bytes);
    refuse_control_characters(head)?;
    let mut detector = EncodingDetector::new(Iso2022JpDetection::Deny);
    for cell in distinctive_cells(bytes) {
        detector.feed(cell, false);
        detector.feed(b"\n", false);
    }
    detector.feed(b"", true);
    let encoding = detector.guess(None, Utf8Detection::Deny);
    Ok(by(encoding, bytes))
}

/// Cells with letters beyond ASCII, each once: the statistics of a language come from its words,
/// not from one switch word in ten thousand rows. No encoding uses these separators within a
/// letter.
fn distinctive_cells(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut seen = HashSet::new();
    bytes
        .split(|byte| matches!(byte, b',' | b';' | b'\t' | b'\n' | b'\r' | b'"'))
        .filter(|cell| !cell.is_ascii())
        .filter(move |cell| seen.insert(*cell))
}

/// UTF-16, recognized by its byte order mark or by NUL bytes in nearly every pair.
fn unicode_by_layout(bytes: &[u8]) -> Result<Option<&'static Encoding>, String> {
    if let Some((encoding, _)) = Encoding::for_bom(bytes) {
        return Ok(Some(encoding));
    }
    let head = bytes.get(..HEAD_BYTES).unwrap_or(bytes);
    let nuls = head.iter().filter(|&&byte| byte == 0).count();
    if nuls == 0 {
        refuse_control_characters(head)?;
        return Ok(None);
    }
    // In UTF-16 nearly every pair of a log has one NUL. The first pairs show on which side; an
    // inserted byte swaps the sides.
    let alternating = head.windows(2).filter(|w| matches!(w, [a, b] if (*a == 0) != (*b == 0)));
    if head.len() >= 4 && alternating.count() * 10 >= head.len() * 7 {
        let (mut first, mut second) = (0usize, 0usize);
        for pair in head.get(..32).unwrap_or(head).chunks_exact(2) {
            first += usize::from(pair.first() == Some(&0));
            second += usize::from(pair.last() == Some(&0));
        }
        return Ok(Some(if second >= first { UTF_16LE } else { UTF_16BE }));
    }
    let text = head.get(..head.iter().rposition(|b| *b != 0).map_or(0, |last| last + 1));
    refuse_control_characters(text.unwrap_or(&[]))?;
    Ok(None)
}

fn refuse_control_characters(head: &[u8]) -> Result<(), String> {
    let control = head
        .iter()
        .filter(|&&byte| byte < 32 && !matches!(byte, 0 | b'\t' | b'\n' | b'\r' | 12 | 26))
        .count();
    if control * 50 > head.len() {
        return Err(format!("{control} control characters in the first {} bytes", head.len()));
    }
    Ok(())
}

/// Lower case without accents, so that words can be compared in any language.
pub fn fold(text: &str) -> Cow<'_, str> {
    if text.bytes().all(|b| b.is_ascii() && !b.is_ascii_uppercase()) {
        return Cow::Borrowed(text);
    }
    let mut folded = String::with_capacity(text.len());
    for c in text.chars().flat_map(char::to_lowercase) {
        let plain = match c {
            'à' | 'á' | 'â' | 'ã' | 'ä' | 'å' | 'ą' => "a",
            'ç' | 'ć' | 'č' => "c",
            'è' | 'é' | 'ê' | 'ë' | 'ę' | 'ě' => "e",
            'ì' | 'í' | 'î' | 'ï' => "i",
            'ł' => "l",
            'ñ' | 'ń' | 'ň' => "n",
            'ò' | 'ó' | 'ô' | 'õ' | 'ö' | 'ø' => "o",
            'ř' => "r",
            'ś' | 'š' => "s",
            'ß' => "ss",
            'ù' | 'ú' | 'û' | 'ü' | 'ů' => "u",
            'ý' | 'ÿ' => "y",
            'ź' | 'ż' | 'ž' => "z",
            'æ' => "ae",
            'œ' => "oe",
            // Combining marks, which some systems use for accents.
            '\u{300}'..='\u{36f}' => "",
            other => {
                folded.push(other);
                continue;
            }
        };
        folded.push_str(plain);
    }
    Cow::Owned(folded)
}
