//! Reading logs: every dialect, clock, unit and role without flags, and clear
//! words for what cannot be read. Expected values are those the test itself
//! wrote into the file.

mod car;
mod cleaning;
mod clock_choice;
mod clocks;
mod dialects;
mod errors;
mod garbage;
mod ground;
mod headers;
mod marks;
mod names;
mod nominal;
mod overrides;
mod real;
mod roles;
mod routes;
mod sheets;
mod strange;
mod support;
mod units;
