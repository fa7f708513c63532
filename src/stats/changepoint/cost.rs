//! What a segment costs.

/// How badly samples `start..end` fit one common description.
///
/// Splitting a segment must never cost more: cost(a, c) ≥ cost(a, b) + cost(b, c).
/// The searches prune on that.
pub trait Cost {
    /// Samples in the series.
    fn samples(&self) -> usize;

    /// Cost of samples `start..end`; 0 for an empty or impossible range.
    fn cost(&self, start: usize, end: usize) -> f64;

    /// Fewest samples a segment needs to have a cost.
    fn min_size(&self) -> usize {
        1
    }
}
