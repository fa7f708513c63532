//! Which characters may be shown.

/// Whether `c` is a control character, or invisible or reordering: shown as it is, it would
/// reach a terminal, break XML or change the words around it.
pub fn is_unprintable(c: char) -> bool {
    c.is_control()
        || matches!(c,
            '\u{2028}' | '\u{2029}' | '\u{200B}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}'
            | '\u{2060}'..='\u{206F}' | '\u{FEFF}' | '\u{FFFE}' | '\u{FFFF}')
}
