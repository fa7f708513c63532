//! A sample of the file of limited size: its head, and blocks spread over the rest.

use std::borrow::Cow;

use memchr::{memchr, memrchr};

/// Enough for preamble, header and the first rows.
const HEAD: usize = 1 << 20;
/// Blocks show what the head does not: later phases, other number widths, repeated headers.
const BLOCK: usize = 1 << 15;
const BLOCKS: usize = 24;

/// Whole lines of the text. `head` begins with the first byte.
pub struct Sample<'a> {
    pub head: Cow<'a, str>,
    pub blocks: Vec<Cow<'a, str>>,
}

impl<'a> Sample<'a> {
    pub fn of(text: &'a str) -> Sample<'a> {
        let piece = |start: usize, length: usize| {
            Some(Cow::Borrowed(text.as_bytes().get(start..start + length)?))
        };
        Sample::by(text.len(), piece).unwrap_or(Sample { head: text.into(), blocks: Vec::new() })
    }

    /// From a text of `length` bytes, of which `piece` reads a part by start and length; `None`
    /// if a part cannot be read or is not UTF-8.
    pub fn by(
        length: usize,
        piece: impl Fn(usize, usize) -> Option<Cow<'a, [u8]>>,
    ) -> Option<Sample<'a>> {
        if length <= HEAD {
            let head = text_of(piece(0, length)?, 0, length)?;
            return Some(Sample { head, blocks: Vec::new() });
        }
        let head = first_lines(piece(0, HEAD)?)?;
        let rest = length - HEAD;
        let count = BLOCKS.min(rest / BLOCK);
        let mut blocks = Vec::with_capacity(count);
        for k in 0..count {
            let start = HEAD + (rest - BLOCK) / count.max(1) * (k + 1);
            let block = piece(start, BLOCK)?;
            let to_end = start + BLOCK == length;
            blocks.push(inner_lines(block, to_end)?);
        }
        blocks.retain(|block| !block.is_empty());
        Some(Sample { head, blocks })
    }

    pub fn joined(&self) -> String {
        let mut text = String::with_capacity(self.head.len() + self.blocks.len() * BLOCK);
        text.push_str(&self.head);
        for block in &self.blocks {
            if !text.ends_with('\n') {
                text.push('\n');
            }
            text.push_str(block);
        }
        text
    }
}

/// Up to the end of the last line. A single line is cut off, so that the sample stays small.
fn first_lines(piece: Cow<[u8]>) -> Option<Cow<str>> {
    let upto = match memrchr(b'\n', &piece) {
        Some(last) => last + 1,
        None => match std::str::from_utf8(&piece) {
            // The last character may be incomplete.
            Err(error) if error.error_len().is_none() => error.valid_up_to(),
            _ => piece.len(),
        },
    };
    text_of(piece, 0, upto)
}

/// Whole lines of a piece from the middle of the text.
fn inner_lines(piece: Cow<[u8]>, to_end: bool) -> Option<Cow<str>> {
    let from = memchr(b'\n', &piece).map_or(piece.len(), |first| first + 1);
    let last = memrchr(b'\n', &piece).map_or(from, |last| last + 1);
    let upto = if to_end { piece.len() } else { last };
    text_of(piece, from, upto)
}

fn text_of(piece: Cow<[u8]>, from: usize, upto: usize) -> Option<Cow<str>> {
    match piece {
        Cow::Borrowed(bytes) => std::str::from_utf8(bytes.get(from..upto)?).ok().map(Cow::Borrowed),
        Cow::Owned(mut bytes) => {
            bytes.truncate(upto);
            bytes.drain(..from);
            String::from_utf8(bytes).ok().map(Cow::Owned)
        }
    }
}
