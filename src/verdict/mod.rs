//! Findings and the rules that raise them.
