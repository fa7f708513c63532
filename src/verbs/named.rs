//! Names for folders of reports, whatever the logs are called.

use sha2::{Digest, Sha256};

/// `path` in characters that need no care in a shell, a link or on any file system.
pub fn safe_name(path: &str) -> String {
    const LONGEST: usize = 100;
    let letter = |c: char| match c {
        c if c.is_alphanumeric() || matches!(c, '-' | '.') => c,
        _ => '_',
    };
    let name: String = path.chars().map(letter).collect();
    let name = name.trim_matches('.');
    if name.is_empty() {
        return "log".to_owned();
    }
    if name.len() <= LONGEST {
        return name.to_owned();
    }
    let cut: String = name.chars().take(LONGEST / 4).collect();
    let hash = hash_of_text(path);
    format!("{cut}-{}", hash.get(..12).unwrap_or(&hash))
}

/// Without the extension.
pub fn stem_of(name: &str) -> &str {
    match name.rfind('.') {
        Some(dot) if dot > 0 => name.get(..dot).unwrap_or(name),
        _ => name,
    }
}

pub fn hash_of_text(text: &str) -> String {
    Sha256::digest(text).iter().map(|byte| format!("{byte:02x}")).collect()
}
