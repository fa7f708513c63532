//! A hash over all that a comparison says, so that no word of it changes unseen.

use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::comparison::Comparison;
use crate::json;

/// SHA-256 over the comparison as it is written, its seal left empty.
pub fn seal(comparison: &Comparison) -> String {
    of(&Comparison { seal_sha256: String::new(), ..comparison.clone() })
}

/// Whether the seal fits what it seals.
pub fn is_sealed(comparison: &Comparison) -> bool {
    seal(comparison) == comparison.seal_sha256
}

/// SHA-256 over `value` as it is written.
pub fn of<T: Serialize>(value: &T) -> String {
    let digest = Sha256::digest(json::text(value).as_bytes());
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}
