//! A look at the file that is small whatever its size: the head, and blocks spread over the rest.

/// The head holds preamble, header and the first rows.
const HEAD: usize = 1 << 20;
/// What the head does not show: later phases, changed number widths, repeated headers.
const BLOCK: usize = 1 << 15;
const BLOCKS: usize = 24;

/// Whole lines of the text. `head` begins at the first byte.
pub struct Sample<'a> {
    pub head: &'a str,
    pub blocks: Vec<&'a str>,
}

impl<'a> Sample<'a> {
    pub fn of(text: &'a str) -> Sample<'a> {
        if text.len() <= HEAD {
            return Sample { head: text, blocks: Vec::new() };
        }
        let head = whole_lines(text, 0, HEAD, true);
        let rest = text.len() - HEAD;
        let count = BLOCKS.min(rest / BLOCK);
        let blocks = (0..count)
            .map(|k| HEAD + (rest - BLOCK) / count.max(1) * (k + 1))
            .map(|start| whole_lines(text, start, BLOCK, false))
            .filter(|block| !block.is_empty())
            .collect();
        Sample { head, blocks }
    }

    /// Head and blocks as one text.
    pub fn joined(&self) -> String {
        let mut text = String::with_capacity(self.head.len() + self.blocks.len() * BLOCK);
        text.push_str(self.head);
        for block in &self.blocks {
            if !text.ends_with('\n') {
                text.push('\n');
            }
            text.push_str(block);
        }
        text
    }
}

/// The lines that lie wholly within `length` bytes from `start`. A first line
/// longer than that is cut, so that the sample stays small.
fn whole_lines(text: &str, start: usize, length: usize, at_line_start: bool) -> &str {
    let start = (start..=text.len()).find(|&i| text.is_char_boundary(i)).unwrap_or(text.len());
    let end = start.saturating_add(length).min(text.len());
    let end = (start..=end).rev().find(|&i| text.is_char_boundary(i)).unwrap_or(start);
    let piece = text.get(start..end).unwrap_or("");
    let piece =
        if at_line_start { piece } else { piece.split_once('\n').map_or("", |(_, after)| after) };
    match piece.rfind('\n') {
        Some(last) if end < text.len() => piece.get(..=last).unwrap_or(piece),
        _ if end < text.len() && !at_line_start => "",
        _ => piece,
    }
}
