//! One file a verb: thin, files and screen only.
