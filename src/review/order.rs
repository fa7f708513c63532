//! The order in which logs are told.
