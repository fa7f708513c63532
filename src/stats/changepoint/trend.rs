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
    y: Vec<f64>,
    yy: Vec<f64>,
    xy: Vec<f64>,
}

impl Trend {
    pub fn new(series: &[f64]) -> Self {
        let centre = median(series);
        let size = series.len() + 1;
        let mut trend = Trend {
            y: Vec::with_capacity(size),
            yy: Vec::with_capacity(size),
            xy: Vec::with_capacity(size),
        };
        let (mut y, mut yy, mut xy) = (0.0, 0.0, 0.0);
        for (x, value) in std::iter::once((0.0, 0.0))
            .chain(series.iter().enumerate().map(|(i, v)| (i as f64, v - centre)))
        {
            let value = if value.is_finite() { value } else { 0.0 };
            y += value;
            yy += value * value;
            xy += x * value;
            trend.y.push(y);
            trend.yy.push(yy);
            trend.xy.push(xy);
        }
        trend
    }
}

impl Cost for Trend {
    fn len(&self) -> usize {
        self.y.len() - 1
    }

    fn cost(&self, start: usize, end: usize) -> f64 {
        if start >= end || end >= self.y.len() {
            return 0.0;
        }
        let n = (end - start) as f64;
        let of = |sums: &[f64]| sums[end] - sums[start];
        let middle = (start + end - 1) as f64 / 2.0;
        let sum_y = of(&self.y);
        let s_yy = of(&self.yy) - sum_y * sum_y / n;
        let s_xy = of(&self.xy) - middle * sum_y;
        let s_xx = n * (n * n - 1.0) / 12.0;
        let explained = if s_xx > 0.0 { s_xy * s_xy / s_xx } else { 0.0 };
        (s_yy - explained).max(0.0)
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
