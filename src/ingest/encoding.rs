//! Bytes to text.

use std::borrow::Cow;
use std::collections::HashSet;

use chardetng::{EncodingDetector, Iso2022JpDetection, Utf8Detection};
use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE};

pub struct Decoded<'a> {
    pub text: Cow<'a, str>,
    /// The encoding's name as standards spell it.
    pub encoding: &'static str,
    /// Characters that the encoding could not make sense of.
    pub lossy: bool,
}

/// Enough to tell the encoding: odd letters sit in headers and units.
const LOOKED_AT: usize = 1 << 16;

/// Decodes by byte order mark, else by where the NULs are (UTF-16), else as
/// UTF-8 where valid, else by the statistics of the letters. `Err` says why the
/// bytes are no text. Line ends of a lone CR become LF, so that lines keep
/// their numbers.
pub fn decode(bytes: &[u8]) -> Result<Decoded<'_>, String> {
    let mut decoded = match unicode_by_layout(bytes)? {
        Some(encoding) if encoding != UTF_8 => by(encoding, bytes),
        _ => utf8_or_guess(bytes)?,
    };
    if !decoded.text.contains('\n') && decoded.text.contains('\r') {
        decoded.text = Cow::Owned(decoded.text.replace('\r', "\n"));
    }
    Ok(decoded)
}

fn by<'a>(encoding: &'static Encoding, bytes: &'a [u8]) -> Decoded<'a> {
    let (text, used, lossy) = encoding.decode(bytes);
    Decoded { text, encoding: used.name(), lossy }
}

fn utf8_or_guess(bytes: &[u8]) -> Result<Decoded<'_>, String> {
    if let Ok(text) = std::str::from_utf8(bytes) {
        let text = Cow::Borrowed(text.strip_prefix('\u{feff}').unwrap_or(text));
        return Ok(Decoded { text, encoding: UTF_8.name(), lossy: false });
    }
    if bytes.starts_with(b"\xef\xbb\xbf") {
        return Ok(by(UTF_8, bytes));
    }
    let head = bytes.get(..LOOKED_AT).unwrap_or(bytes);
    refuse_control_characters(head)?;
    let mut detector = EncodingDetector::new(Iso2022JpDetection::Deny);
    for cell in telling_cells(bytes) {
        detector.feed(cell, false);
        detector.feed(b"\n", false);
    }
    detector.feed(b"", true);
    let encoding = detector.guess(None, Utf8Detection::Deny);
    Ok(by(encoding, bytes))
}

/// Cells with letters beyond ASCII, each once: the statistics of a language
/// come from its words, not from one switch word on ten thousand rows. No
/// encoding has these separators inside a letter.
fn telling_cells(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut seen = HashSet::new();
    bytes
        .split(|byte| matches!(byte, b',' | b';' | b'\t' | b'\n' | b'\r' | b'"'))
        .filter(|cell| !cell.is_ascii())
        .filter(move |cell| seen.insert(*cell))
}

/// UTF-16 by its mark, or by NULs that sit on one side of nearly every pair.
fn unicode_by_layout(bytes: &[u8]) -> Result<Option<&'static Encoding>, String> {
    if let Some((encoding, _)) = Encoding::for_bom(bytes) {
        return Ok(Some(encoding));
    }
    let head = bytes.get(..LOOKED_AT).unwrap_or(bytes);
    let nuls = head.iter().filter(|&&byte| byte == 0).count();
    if nuls == 0 {
        refuse_control_characters(head)?;
        return Ok(None);
    }
    let pairs = head.len() / 2;
    let (mut first, mut second) = (0usize, 0usize);
    for pair in head.chunks_exact(2) {
        first += usize::from(pair.first() == Some(&0));
        second += usize::from(pair.last() == Some(&0));
    }
    // Logs are digits and separators: in UTF-16 nearly every pair has one NUL.
    if pairs >= 2 && second * 10 >= pairs * 7 && first * 50 <= pairs {
        return Ok(Some(UTF_16LE));
    }
    if pairs >= 2 && first * 10 >= pairs * 7 && second * 50 <= pairs {
        return Ok(Some(UTF_16BE));
    }
    Err(format!("{nuls} NUL bytes in the first {} bytes", head.len()))
}

fn refuse_control_characters(head: &[u8]) -> Result<(), String> {
    let control = head
        .iter()
        .filter(|&&byte| byte < 32 && !matches!(byte, b'\t' | b'\n' | b'\r' | 12 | 26))
        .count();
    if control * 50 > head.len() {
        return Err(format!("{control} control characters in the first {} bytes", head.len()));
    }
    Ok(())
}

/// Lower case without accents, so that words of any trade language compare.
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
            // Combining marks, as some systems write accents.
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
