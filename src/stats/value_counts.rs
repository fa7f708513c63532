//! How often each value occurs in a long list of few different ones, as the intervals of a
//! regular clock are: order statistics without a copy of the list.

/// Different values that are counted; a list of more is better sorted.
const MOST: usize = 1024;
/// Twice as many, so that a place is soon found; a power of two.
const SLOTS: usize = 2 * MOST;
/// The golden ratio of 2⁶⁴: neighbouring bit patterns land far apart (Fibonacci hashing,
/// D. E. Knuth, The Art of Computer Programming 3, section 6.4; from memory).
const SPREAD: u64 = 0x9e37_79b9_7f4a_7c15;

#[derive(Debug, Clone)]
pub struct Tally {
    /// Bits of a value, and how often it was seen; never means a free slot.
    slots: Vec<(u64, usize)>,
    different: usize,
}

impl Tally {
    /// NaN do not count; `None` where there are too many different values.
    pub fn of(values: impl Iterator<Item = f64>) -> Option<Tally> {
        let mut tally = Tally { slots: vec![(0, 0); SLOTS], different: 0 };
        for value in values.filter(|value| !value.is_nan()) {
            tally.add(value.to_bits(), 1)?;
        }
        Some(tally)
    }

    pub fn and(mut self, other: &Tally) -> Option<Tally> {
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
            let tally = Tally::of(list.iter().copied()).expect("few values");
            let (one, other) = list.split_at(count / 3);
            let halves = Tally::of(one.iter().copied()).expect("few values");
            let both = halves.and(&Tally::of(other.iter().copied()).expect("few")).expect("few");
            for p in [0.0, 0.05, 0.25, 0.5, 0.777, 1.0] {
                let known = robust::quantile(&list, p).to_bits();
                assert_eq!(quantile(tally.counts(), p).to_bits(), known, "{count} {p}");
                assert_eq!(quantile(both.counts(), p).to_bits(), known, "{count} {p}");
            }
        }
    }

    #[test]
    fn many_values_are_not_counted() {
        let up_to = |n: usize| Tally::of((0..n).map(|i| i as f64)).map(|t| t.counts().len());
        assert_eq!((up_to(MOST), up_to(MOST + 1)), (Some(MOST), None));
        let twice = (0..2).flat_map(|_| [1.0, f64::NAN, 2.0]);
        let mut counts = Tally::of(twice).expect("two").counts();
        counts.sort_by(|a, b| a.0.total_cmp(&b.0));
        assert_eq!(counts, [(1.0, 2), (2.0, 2)]);
    }
}
