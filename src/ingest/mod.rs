//! Bytes to [`Log`](crate::log::Log), with an account of all that was skipped.
