//! How often each value occurs in a long list with few different ones, such as the intervals of
//! a regular clock: order statistics without a copy of the list.

/// Most different values that are counted; a list with more is better sorted.
const MOST: usize = 1024;
/// Twice as many, so that a free slot is found quickly; a power of two.
const SLOTS: usize = 2 * MOST;
/// The golden ratio of 2⁶⁴: neighboring bit patterns land far apart (Fibonacci hashing,
/// D. E. Knuth, The Art of Computer Programming 3, section 6.4; from memory).
const SPREAD: u64 = 0x9e37_79b9_7f4a_7c15;

#[derive(Debug, Clone)]
pub struct ValueCounts {
    /// Bits of a value, and how often it was seen; 0 is a free slot.
    slots: Vec<(u64, usize)>,
    different: usize,
}

impl ValueCounts {
    /// NaNs are skipped; `None` with too many different values.
    pub fn of(values: impl Iterator<Item = f64>) -> Option<ValueCounts> {
        let mut counted = ValueCounts { slots: vec![(0, 0); SLOTS], different: 0 };
        for value in values.filter(|value| !value.is_nan()) {
            counted.add(value.to_bits(), 1)?;
        }
        Some(counted)
    }

    pub fn and(mut self, other: &ValueCounts) -> Option<ValueCounts> {
        for (bits, count) in other.slots.iter().filter(|(_, count)| *count > 0) {
            self.add(*bits, *count)?;
        }
        Some(self)
    }

    fn add(&mut self, bits: u64, count: usize) -> Option<()> {
        let first = (bits.wrapping_mul(SPREAD) >> (64 - SLOTS.trailing_zeros())) as usize;
        for at in (first..SLOTS).chain(0..first) {
            let (known, seen) = self.slots.get_mut(at)?;
            if *seen == 0 {
                self.different += 1;
                (*known, *seen) = (bits, count);
                return (self.different <= MOST).then_some(());
            }
            if *known == bits {
                *seen += count;
                return Some(());
            }
        }
        None
    }

    /// Each value and how often it occurs, in no order.
    pub fn counts(&self) -> Vec<(f64, usize)> {
        let seen = self.slots.iter().filter(|(_, count)| *count > 0);
        seen.map(|(bits, count)| (f64::from_bits(*bits), *count)).collect()
    }
}

/// Sample quantile, type 7 as in [`super::robust::quantile`], of values that occur so often.
pub fn quantile(mut counts: Vec<(f64, usize)>, p: f64) -> f64 {
    counts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let all: usize = counts.iter().map(|(_, count)| count).sum();
    let Some(last) = all.checked_sub(1) else { return f64::NAN };
    let position = last as f64 * p.clamp(0.0, 1.0);
    let below = position.floor() as usize;
    let at = |rank: usize| {
        let mut passed = 0;
        let found = counts.iter().find(|(_, count)| {
            passed += count;
            passed > rank
        });
        found.map_or(f64::NAN, |(value, _)| *value)
    };
    let (low, share) = (at(below), position - below as f64);
    if share == 0.0 { low } else { low + share * (at(below + 1) - low) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::robust;

    #[test]
    fn it_is_the_quantile_of_the_list() {
        let mut state = 7u64;
        for count in [0usize, 1, 2, 3, 10, 999, 5000] {
            let list: Vec<f64> = (0..count)
                .map(|_| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    ((state >> 33) % 300) as f64 * 0.1 - 7.0
                })
                .collect();
            let counted = ValueCounts::of(list.iter().copied()).expect("few values");
            let (one, other) = list.split_at(count / 3);
            let halves = ValueCounts::of(one.iter().copied()).expect("few values");
            let both =
                halves.and(&ValueCounts::of(other.iter().copied()).expect("few")).expect("few");
            for p in [0.0, 0.05, 0.25, 0.5, 0.777, 1.0] {
                let known = robust::quantile(&list, p).to_bits();
                assert_eq!(quantile(counted.counts(), p).to_bits(), known, "{count} {p}");
                assert_eq!(quantile(both.counts(), p).to_bits(), known, "{count} {p}");
            }
        }
    }

    #[test]
    fn many_values_are_not_counted() {
        let up_to = |n: usize| ValueCounts::of((0..n).map(|i| i as f64)).map(|t| t.counts().len());
        assert_eq!((up_to(MOST), up_to(MOST + 1)), (Some(MOST), None));
        let twice = (0..2).flat_map(|_| [1.0, f64::NAN, 2.0]);
        let mut counts = ValueCounts::of(twice).expect("two").counts();
        counts.sort_by(|a, b| a.0.total_cmp(&b.0));
        assert_eq!(counts, [(1.0, 2), (2.0, 2)]);
    }
}
