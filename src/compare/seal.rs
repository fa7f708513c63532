//! A hash over all that a comparison says, so that no word of it changes unseen.

use sha2::{Digest, Sha256};

use crate::comparison::Comparison;
use crate::json;

/// SHA-256 over the comparison as it is written, its seal left empty.
pub fn seal(comparison: &Comparison) -> String {
    let open = Comparison { seal_sha256: String::new(), ..comparison.clone() };
    let digest = Sha256::digest(json::text(&open).as_bytes());
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Whether the seal fits what it seals.
pub fn is_sealed(comparison: &Comparison) -> bool {
    seal(comparison) == comparison.seal_sha256
}
