//! Bayesian inference of the battery behind the bus, from the voltage alone.
//!
//! ```text
//! prior ─▶ proposal ─▶ parameter samples ─▶ ensemble run ─▶ likelihood ─▶ weights
//!             ▲                                                             │
//!             └───────────────────── adapted to them ───────────────────────┘
//! ```
//!
//! Batteries are sampled from a [`prior`], each is driven by the logged voltage
//! ([`ensemble`]), and each is weighted by how well its currents satisfy Kirchhoff's law
//! together with alternator and loads ([`likelihood`]). [`sampling`] repeats this with a
//! [`proposal`] that adapts to the weights, until the effective sample size is large enough.
//! Diagnosis and plan use the same weighted samples. Currents in A, positive into the battery.

pub mod ensemble;
pub mod likelihood;
pub mod prior;
pub mod proposal;
pub mod sampling;
