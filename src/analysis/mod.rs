//! What a segmented log implies: one idea a file.
