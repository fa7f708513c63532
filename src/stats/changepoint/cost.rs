//! What a segment costs that is described by one number.

use super::sums::Sums;

/// How badly samples `start..end` fit one common description.
///
/// Splitting a segment must never cost more: cost(a, c) ≥ cost(a, b) + cost(b, c).
/// The searches prune on that.
pub trait Cost {
    /// Samples in the series.
    fn len(&self) -> usize;

    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Cost of samples `start..end`; 0 for an empty or impossible range.
    fn cost(&self, start: usize, end: usize) -> f64;

    /// Fewest samples a segment needs to have a cost.
    fn min_size(&self) -> usize {
        1
    }
}

/// Squared deviations from the segment's mean, Σ(xᵢ − x̄)², in the square of the
/// data's unit; O(1) a segment, O(n) to set up.
///
/// Sums are taken about the median with compensation, so thousandths on 14
/// over 10⁷ samples lose nothing. Values that are not finite weigh nothing.
pub struct L2 {
    sums: Sums,
}

impl L2 {
    pub fn new(x: &[f64]) -> Self {
        L2 { sums: Sums::every(x, 1) }
    }
}

impl Cost for L2 {
    fn len(&self) -> usize {
        self.sums.len() - 1
    }

    fn cost(&self, start: usize, end: usize) -> f64 {
        self.sums.between(start, end).squared_deviations()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn empty_and_impossible_ranges_cost_nothing() {
        let l2 = L2::new(&[1.0, 5.0]);
        for (start, end) in [(0, 0), (1, 0), (1, 9), (7, 9)] {
            assert_eq!(l2.cost(start, end), 0.0);
        }
        assert!(L2::new(&[]).is_empty());
        assert_eq!(L2::new(&[f64::NAN; 3]).cost(0, 3), 0.0);
    }

    #[test]
    fn the_cost_is_the_sum_of_squared_deviations() {
        let l2 = L2::new(&[1.0, 2.0, f64::NAN, 6.0]);
        assert!((l2.cost(0, 4) - 14.0).abs() < 1e-12);
        assert!((l2.cost(0, 2) - 0.5).abs() < 1e-12);
        assert_eq!(l2.cost(2, 4), 0.0);
    }

    /// ±0.001 alternating on 14: any even stretch of length m costs m·10⁻⁶.
    #[test]
    fn thousandths_survive_ten_million_samples() {
        let x: Vec<f64> =
            (0..10_000_000).map(|i| if i % 2 == 0 { 14.001 } else { 13.999 }).collect();
        let l2 = L2::new(&x);
        for (start, end) in [(0, 10_000_000), (9_999_900, 10_000_000), (5_000_000, 5_000_010)] {
            let known = (end - start) as f64 * 1e-6;
            assert!((l2.cost(start, end) / known - 1.0).abs() < 1e-8);
        }
    }
}
