//! The invented scenario: seeded sample logs and their truth.
