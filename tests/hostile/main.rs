//! Whatever comes in: bytes of any kind give a result or a clear error, nothing is
//! lost where a run ends badly, and nothing that a log says gets out of its place.
//!
//! The properties run short by default and as long as `HOSTILE_CASES` says; what is
//! too heavy for every day is `#[ignore]`d beside the command that runs it.

mod bytes;
mod corpus;
mod dialects;
mod extremes;
mod faults;
mod killed;
mod numerics;
mod places;
mod proofs;
mod support;
mod texts;
mod truth;
mod whole;
mod words;
