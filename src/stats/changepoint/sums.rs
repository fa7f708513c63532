//! Running sums from which any stretch's mean and squared deviations follow.

use crate::stats::moments::Sum;
use crate::stats::robust::median;

/// Sums of the first samples, kept at every `stride`-th boundary and at the end.
pub(super) struct Sums {
    /// What was taken off every value before summing.
    centre: f64,
    count: Vec<f64>,
    first: Vec<f64>,
    second: Vec<f64>,
}

/// A stretch's number of finite samples, their mean about the centre, and their spread.
#[derive(Clone, Copy)]
pub(super) struct Stretch {
    count: f64,
    first: f64,
    second: f64,
}

impl Stretch {
    pub fn count(self) -> f64 {
        self.count
    }

    /// Mean less the series' centre; 0 for no samples.
    pub fn mean(self) -> f64 {
        if self.count > 0.0 { self.first / self.count } else { 0.0 }
    }

    pub fn squared_deviations(self) -> f64 {
        (self.second - self.first * self.mean()).max(0.0)
    }
}

impl Sums {
    pub fn every(x: &[f64], stride: usize) -> Self {
        let stride = stride.max(1);
        let centre = centre(x);
        let size = x.len() / stride + 2;
        let mut sums = Sums {
            centre,
            count: Vec::with_capacity(size),
            first: Vec::with_capacity(size),
            second: Vec::with_capacity(size),
        };
        let (mut count, mut first, mut second) = (0.0, Sum::default(), Sum::default());
        sums.push(count, first, second);
        for block in x.chunks(stride) {
            for v in block.iter().filter(|v| v.is_finite()) {
                let d = v - centre;
                count += 1.0;
                first.add(d);
                second.add(d * d);
            }
            sums.push(count, first, second);
        }
        sums
    }

    fn push(&mut self, count: f64, first: Sum, second: Sum) {
        self.count.push(count);
        self.first.push(first.value());
        self.second.push(second.value());
    }

    /// Boundaries kept: one more than blocks.
    pub fn len(&self) -> usize {
        self.count.len()
    }

    /// The stretch between two boundaries, by their numbers; empty if there is none such.
    pub fn between(&self, start: usize, end: usize) -> Stretch {
        let of = |sums: &[f64]| match (sums.get(start), sums.get(end)) {
            (Some(a), Some(b)) if start < end => b - a,
            _ => 0.0,
        };
        Stretch { count: of(&self.count), first: of(&self.first), second: of(&self.second) }
    }

    /// Smallest and largest finite value, less the centre.
    pub fn range(&self, x: &[f64]) -> (f64, f64) {
        let (low, high) = x
            .iter()
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &v| (l.min(v), h.max(v)));
        if low > high { (0.0, 0.0) } else { (low - self.centre, high - self.centre) }
    }
}

/// Median of up to a thousand values spread over the series: near enough to
/// where it lives to keep the sums small.
fn centre(x: &[f64]) -> f64 {
    let stride = (x.len() / 1000).max(1);
    let some: Vec<f64> = x.iter().step_by(stride).copied().filter(|v| v.is_finite()).collect();
    let centre = median(&some);
    if centre.is_nan() { 0.0 } else { centre }
}
