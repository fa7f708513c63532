//! What a person meets on the command line: the built binary, run as in a
//! garage, on the sample logs, on bad input and with every flag.

mod bad_input;
mod compare;
mod flags;
mod places;
mod plan;
mod prediction;
#[path = "../support/random_car.rs"]
mod random_car;
mod reports;
mod review;
mod samples;
mod serve;
mod several;
mod support;
mod units;
