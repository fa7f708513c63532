//! Parse, call one verb, exit code.

fn main() {}
