//! A cost that single wild samples cannot buy a segment with.

use super::cost::Cost;

/// Levels a value is told apart by; beyond that many distinct values they are
/// ranked into this many classes.
const BITS: u32 = 10;

/// Absolute deviations from the segment's median, Σ|xᵢ − median|, in the data's unit.
///
/// Ten steps a segment, by a wavelet matrix (Navarro and others,
/// Information Systems 47, 2015) over the values' ranks that also carries
/// running sums. A series of up to 1024 distinct values is costed exactly, as a
/// rounded log is; a finer one as if each value were the mean of its class of
/// equal rank share. Memory is about 120 bytes a sample: for stretches, not for
/// whole long logs. Values that are not finite weigh nothing.
pub struct L1 {
    /// Finite samples before each position.
    finite: Vec<u32>,
    layers: Vec<Layer>,
    /// Running sums of the values once sorted by class.
    sorted: Vec<f64>,
    /// Value each class stands for.
    classes: Vec<f64>,
}

/// One bit of every class number, high bits first, in the order the bits above gave.
struct Layer {
    /// Samples before each place whose bit is 0.
    zeros: Vec<u32>,
    /// Running sums of the values in this order.
    sums: Vec<f64>,
}

impl L1 {
    pub fn new(x: &[f64]) -> Self {
        let mut finite = Vec::with_capacity(x.len() + 1);
        let mut seen = 0u32;
        finite.push(seen);
        for v in x {
            seen += u32::from(v.is_finite());
            finite.push(seen);
        }
        let values: Vec<f64> = x.iter().copied().filter(|v| v.is_finite()).collect();
        let (numbers, classes) = classify(&values);
        let mut order: Vec<u16> = numbers;
        let value = |class: &u16| classes.get(usize::from(*class)).copied().unwrap_or(0.0);
        let mut layers = Vec::with_capacity(BITS as usize);
        for bit in (0..BITS).rev() {
            let is_zero = |class: &u16| (class >> bit) & 1 == 0;
            let mut count = 0u32;
            let zeros = std::iter::once(0)
                .chain(order.iter().map(|c| {
                    count += u32::from(is_zero(c));
                    count
                }))
                .collect();
            layers.push(Layer { zeros, sums: running(order.iter().map(value)) });
            let (mut low, high): (Vec<u16>, Vec<u16>) = order.iter().partition(|c| is_zero(c));
            low.extend(high);
            order = low;
        }
        let sorted = running(order.iter().map(value));
        L1 { finite, layers, sorted, classes }
    }
}

fn running(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sum = crate::stats::moments::Sum::default();
    std::iter::once(0.0)
        .chain(values.map(|v| {
            sum.add(v);
            sum.value()
        }))
        .collect()
}

/// Class number of every value, and the value of every class less their middle one.
fn classify(values: &[f64]) -> (Vec<u16>, Vec<f64>) {
    let most = 1usize << BITS;
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let mut edges = sorted.clone();
    edges.dedup();
    if edges.len() > most {
        // Lower edges of classes that hold equal shares of the samples.
        edges = (0..most).filter_map(|i| sorted.get(i * sorted.len() / most).copied()).collect();
        edges.dedup();
    }
    let number = |v: &f64| edges.partition_point(|e| e <= v).saturating_sub(1);
    let centre = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let (mut sums, mut counts) = (vec![0.0; edges.len()], vec![0.0; edges.len()]);
    let numbers = values
        .iter()
        .map(|v| {
            let class = number(v);
            if let (Some(s), Some(c)) = (sums.get_mut(class), counts.get_mut(class)) {
                *s += v - centre;
                *c += 1.0;
            }
            class as u16
        })
        .collect();
    let classes = sums.iter().zip(&counts).map(|(s, c)| if *c > 0.0 { s / c } else { 0.0 });
    (numbers, classes.collect())
}

impl Cost for L1 {
    fn len(&self) -> usize {
        self.finite.len() - 1
    }

    fn cost(&self, start: usize, end: usize) -> f64 {
        let (Some(&a), Some(&b)) = (self.finite.get(start), self.finite.get(end)) else {
            return 0.0;
        };
        if start >= end || a >= b {
            return 0.0;
        }
        self.deviations(a as usize, b as usize).unwrap_or(0.0)
    }
}

impl L1 {
    /// Walks down to the class of the median, noting what it passes on the way.
    fn deviations(&self, mut start: usize, mut end: usize) -> Option<f64> {
        let all = end - start;
        let mut rank = (all - 1) / 2;
        let (mut below, mut below_count) = (0.0, 0usize);
        let (mut class, mut total) = (0usize, None);
        for (depth, layer) in self.layers.iter().enumerate() {
            let sum = layer.sums.get(end)? - layer.sums.get(start)?;
            total = total.or(Some(sum));
            let (low, high) = (*layer.zeros.get(start)? as usize, *layer.zeros.get(end)? as usize);
            class <<= 1;
            if rank < high - low {
                (start, end) = (low, high);
            } else {
                rank -= high - low;
                below_count += high - low;
                let next = self.layers.get(depth + 1).map_or(&self.sorted, |l| &l.sums);
                below += next.get(high)? - next.get(low)?;
                let zeros = *layer.zeros.last()? as usize;
                (start, end) = (zeros + start - low, zeros + end - high);
                class |= 1;
            }
        }
        let median = self.classes.get(class)?;
        let above = total? - below;
        let above_count = all - below_count;
        let deviations =
            (median * below_count as f64 - below) + (above - median * above_count as f64);
        Some(deviations.max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::robust::median;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    #[test]
    fn nothing_costs_nothing() {
        assert!(L1::new(&[]).is_empty());
        assert_eq!(L1::new(&[f64::NAN; 4]).cost(0, 4), 0.0);
        let l1 = L1::new(&[1.0, 5.0]);
        assert_eq!(l1.cost(1, 9), 0.0);
        assert_eq!(l1.cost(1, 1), 0.0);
        assert_eq!(l1.cost(0, 2), 4.0);
    }

    #[test]
    fn the_cost_is_the_sum_of_absolute_deviations() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let mut x: Vec<f64> =
            (0..700).map(|_| 14.0 + (rng.random::<f64>() * 40.0).round() * 0.05).collect();
        if let Some(v) = x.get_mut(300) {
            *v = f64::NAN;
        }
        let l1 = L1::new(&x);
        for _ in 0..500 {
            let start = rng.random_range(0..700);
            let end = rng.random_range(start..=700);
            let part: Vec<f64> =
                x.iter().copied().take(end).skip(start).filter(|v| !v.is_nan()).collect();
            let centre = median(&part);
            let known: f64 = part.iter().map(|v| (v - centre).abs()).sum();
            assert!((l1.cost(start, end) - known).abs() < 1e-9, "{start}..{end}");
        }
    }

    #[test]
    fn fine_values_cost_almost_the_same() {
        let mut rng = ChaCha8Rng::seed_from_u64(2);
        let x: Vec<f64> = (0..20_000).map(|_| rng.random::<f64>()).collect();
        let centre = median(&x);
        let known: f64 = x.iter().map(|v| (v - centre).abs()).sum();
        assert!((L1::new(&x).cost(0, 20_000) / known - 1.0).abs() < 1e-3);
    }
}
