//! Lowest and highest value of a column, and whether any is missing.

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extent {
    /// Infinite, and above `high`, where there is no value.
    pub low: f64,
    pub high: f64,
    /// Whether any value is NaN.
    pub gaps: bool,
}

/// Values compared side by side.
const ABREAST: usize = 8;

impl Extent {
    pub const NONE: Extent = Extent { low: f64::INFINITY, high: f64::NEG_INFINITY, gaps: false };

    pub fn of(values: &[f64]) -> Extent {
        let mut abreast = [Extent::NONE; ABREAST];
        let (eights, rest) = values.as_chunks::<ABREAST>();
        for eight in eights {
            for (extent, value) in abreast.iter_mut().zip(eight) {
                extent.take(*value);
            }
        }
        for (extent, value) in abreast.iter_mut().zip(rest) {
            extent.take(*value);
        }
        abreast.into_iter().fold(Extent::NONE, Extent::and)
    }

    fn take(&mut self, value: f64) {
        self.low = if value < self.low { value } else { self.low };
        self.high = if value > self.high { value } else { self.high };
        self.gaps |= value.is_nan();
    }

    pub fn and(self, other: Extent) -> Extent {
        Extent {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
            gaps: self.gaps || other.gaps,
        }
    }

    /// After an order-preserving change of every value.
    pub fn with_ends(self, changed: impl Fn(f64) -> f64) -> Extent {
        Extent { low: changed(self.low), high: changed(self.high), ..self }
    }

    /// Whether no value is further from zero than `most`.
    pub fn is_within(&self, most: f64) -> bool {
        !(self.low < -most || self.high > most)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_value_counts_wherever_it_stands() {
        for length in 0..40 {
            let mut values: Vec<f64> = (0..length).map(|i| f64::from(i % 5)).collect();
            let plain = Extent::of(&values);
            assert!(!plain.gaps);
            for place in 0..values.len() {
                let kept = values[place];
                values[place] = -7.0;
                assert_eq!(Extent::of(&values).low, -7.0);
                values[place] = 70.0;
                assert_eq!(Extent::of(&values).high, 70.0);
                values[place] = f64::NAN;
                let with_a_gap = Extent::of(&values);
                assert!(with_a_gap.gaps && with_a_gap.low >= plain.low);
                values[place] = kept;
            }
        }
        assert_eq!(Extent::of(&[]), Extent::NONE);
        assert!(Extent::NONE.is_within(1.0));
        assert!(Extent::of(&[-3.0, 2.0]).is_within(3.0));
        assert!(!Extent::of(&[-3.0, 2.0]).is_within(2.9));
        assert!(!Extent::of(&[f64::INFINITY]).is_within(1e300));
    }
}
