//! Reads the voltage logs of a car's charging system and says whether it stays
//! stiff under load. Data flows one way: ingest → segment → analysis → verdict
//! → report; a stage knows nothing of later ones.

pub mod analysis;
pub mod car;
pub mod demo;
pub mod diagnosis;
pub mod estimate;
pub mod ingest;
pub mod log;
pub mod physics;
pub mod report;
pub mod segment;
pub mod stats;
pub mod verbs;
pub mod verdict;
