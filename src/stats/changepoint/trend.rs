//! A cost for series that drift between their breaks.

use super::cost::Cost;
use crate::stats::robust::median;

/// Squared deviations from the segment's own straight line, in the square of
/// the data's unit; O(1) a segment, O(n) to set up.
///
/// With x the sample number, Σ(y − ŷ)² = Syy − Sxy²/Sxx, each sum about the
/// segment's means. Values that are not finite count as the series' median:
/// fill them first where that matters. For stretches of some thousand samples;
/// sums of x·y lose digits beyond about 10⁶.
pub struct Trend {
    /// Of the first samples, one more than there are.
    sums: Vec<Sums>,
    /// 1/n, and 1/Sxx or 0, of a segment of this many samples: a search needs them again and again,
    /// and divisions are slow.
    parts: Vec<(f64, f64)>,
}

#[derive(Clone, Copy, Default)]
struct Sums {
    y: f64,
    yy: f64,
    xy: f64,
}

impl Trend {
    pub fn new(series: &[f64]) -> Self {
        let center = median(series);
        let mut sums = Vec::with_capacity(series.len() + 1);
        let mut all = Sums::default();
        sums.push(all);
        for (i, v) in series.iter().enumerate() {
            let value = v - center;
            let value = if value.is_finite() { value } else { 0.0 };
            all.y += value;
            all.yy += value * value;
            all.xy += i as f64 * value;
            sums.push(all);
        }
        let part = |n: usize| {
            let n = n as f64;
            let s_xx = n * (n * n - 1.0) / 12.0;
            (1.0 / n, if s_xx > 0.0 { 1.0 / s_xx } else { 0.0 })
        };
        Trend { parts: (0..sums.len()).map(part).collect(), sums }
    }
}

impl Cost for Trend {
    fn samples(&self) -> usize {
        self.sums.len() - 1
    }

    fn cost(&self, start: usize, end: usize) -> f64 {
        let (Some(before), Some(upto)) = (self.sums.get(start), self.sums.get(end)) else {
            return 0.0;
        };
        let length = end.saturating_sub(start);
        let Some((per_n, per_xx)) = self.parts.get(length).filter(|_| length > 0) else {
            return 0.0;
        };
        let middle = (start + end - 1) as f64 * 0.5;
        let sum_y = upto.y - before.y;
        let s_yy = upto.yy - before.yy - sum_y * sum_y * per_n;
        let s_xy = upto.xy - before.xy - middle * sum_y;
        (s_yy - s_xy * s_xy * per_xx).max(0.0)
    }

    fn min_size(&self) -> usize {
        2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_costs_nothing_and_a_corner_does() {
        let line: Vec<f64> = (0..50).map(|i| 3.0 - 0.02 * f64::from(i)).collect();
        assert!(Trend::new(&line).cost(5, 45) < 1e-12);
        let tent: Vec<f64> = (0..50).map(|i| (f64::from(i) - 25.0).abs()).collect();
        assert!(Trend::new(&tent).cost(0, 50) > 1.0);
    }

    /// By hand: y = 0, 0, 1, 1 on x = 0..3 has slope 0.4, residuals 0.1, −0.3, 0.3, −0.1.
    #[test]
    fn the_cost_is_that_of_least_squares() {
        let trend = Trend::new(&[9.0, 0.0, 0.0, 1.0, 1.0, 9.0]);
        assert!((trend.cost(1, 5) - 0.2).abs() < 1e-12);
        assert_eq!(trend.cost(4, 2), 0.0);
        assert_eq!(trend.cost(0, 99), 0.0);
    }
}
