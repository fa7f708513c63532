//! A cost for series that drift between their breaks and follow another series.

use super::cost::Cost;
use crate::stats::robust::median;

/// Squared deviations from the segment's own straight line plus its own coefficient times
/// a second series; O(1) a segment, O(n) to set up.
///
/// The coefficient is between 0 and `most`, and costs `ridge` times its square, so that a second
/// series that hardly moves explains nothing. Two segments may therefore cost a little more than
/// the one they form, which hardly affects a search. Values that are not finite count as their
/// series' median. For stretches of some thousand samples.
pub struct TrendWith {
    /// Of the first samples, one more than there are.
    sums: Vec<Sums>,
    ridge: f64,
    most: f64,
}

#[derive(Clone, Copy, Default)]
struct Sums {
    y: f64,
    yy: f64,
    ty: f64,
    x: f64,
    xx: f64,
    tx: f64,
    xy: f64,
}

/// A segment's line, about its middle, and what it follows.
#[derive(Debug, Clone, Copy, Default)]
pub struct Followed {
    /// Mean of the series, less its median.
    pub mean: f64,
    /// Per sample.
    pub slope: f64,
    pub coefficient: f64,
    /// The coefficient's standard error, as a share of what it is before anything is seen.
    pub unseen: f64,
    squares: f64,
}

impl TrendWith {
    /// `other` may be empty: then nothing is followed.
    pub fn new(series: &[f64], other: &[f64], ridge: f64, most: f64) -> Self {
        let (center_y, center_x) = (median(series), median(other));
        let finite = |v: f64| if v.is_finite() { v } else { 0.0 };
        let mut all = Sums::default();
        let mut sums = Vec::with_capacity(series.len() + 1);
        sums.push(all);
        for (k, v) in series.iter().enumerate() {
            let t = k as f64;
            let y = finite(v - center_y);
            let x = finite(other.get(k).map_or(0.0, |x| x - center_x));
            all.y += y;
            all.yy += y * y;
            all.ty += t * y;
            all.x += x;
            all.xx += x * x;
            all.tx += t * x;
            all.xy += x * y;
            sums.push(all);
        }
        TrendWith { sums, ridge, most }
    }

    pub fn fit(&self, start: usize, end: usize) -> Followed {
        let (Some(a), Some(b)) = (self.sums.get(start), self.sums.get(end)) else {
            return Followed::default();
        };
        if end <= start {
            return Followed::default();
        }
        let n = (end - start) as f64;
        let middle = (start + end - 1) as f64 * 0.5;
        let tt = n * (n * n - 1.0) / 12.0;
        let (y, x) = (b.y - a.y, b.x - a.x);
        let yy = b.yy - a.yy - y * y / n;
        let mut fit = Followed { mean: y / n, squares: yy, ..Followed::default() };
        if tt > 0.0 {
            let ty = b.ty - a.ty - middle * y;
            let tx = b.tx - a.tx - middle * x;
            fit.squares -= ty * ty / tt;
            let xx = (b.xx - a.xx - x * x / n - tx * tx / tt).max(0.0) + self.ridge;
            let xy = b.xy - a.xy - x * y / n - tx * ty / tt;
            fit.unseen = if xx > 0.0 { (self.ridge / xx).sqrt() } else { 1.0 };
            if xy > 0.0 && xx > 0.0 {
                fit.coefficient = (xy / xx).min(self.most);
                fit.squares -= fit.coefficient * (2.0 * xy - fit.coefficient * xx);
            }
            fit.slope = (ty - fit.coefficient * tx) / tt;
        }
        fit.squares = fit.squares.max(0.0);
        fit
    }
}

impl Cost for TrendWith {
    fn samples(&self) -> usize {
        self.sums.len() - 1
    }

    fn cost(&self, start: usize, end: usize) -> f64 {
        self.fit(start, end).squares
    }
}

#[cfg(test)]
mod tests {
    use super::super::pelt;
    use super::*;

    #[test]
    fn what_follows_another_series_is_no_change() {
        let x: Vec<f64> = (0..80).map(|k| 30.0 * (f64::from(k) * 0.9).sin()).collect();
        let y: Vec<f64> = x
            .iter()
            .enumerate()
            .map(|(k, x)| 13.0 + 0.004 * x + 0.001 * k as f64 - if k < 50 { 0.0 } else { 0.3 })
            .collect();
        let cost = TrendWith::new(&y, &x, 1e-9, 0.012);
        assert_eq!(pelt(&cost, 1e-3, 3, 1), [50, 80]);
        let fit = cost.fit(0, 50);
        assert!((fit.coefficient - 0.004).abs() < 1e-6 && (fit.slope - 0.001).abs() < 1e-6);
        assert!(cost.cost(0, 50) < 1e-9 && cost.cost(0, 80) > 0.1);
        assert!(pelt(&TrendWith::new(&y, &[], 0.0, 0.0), 1e-3, 3, 1).len() > 2);
    }

    #[test]
    fn odd_input_costs_nothing() {
        let cost = TrendWith::new(&[f64::NAN, 1.0], &[f64::INFINITY], 0.0, 1.0);
        for (start, end) in [(0, 0), (1, 0), (1, 9), (7, 9), (0, 1)] {
            assert_eq!(cost.cost(start, end), 0.0);
        }
        assert_eq!(TrendWith::new(&[], &[], 0.0, 0.0).samples(), 0);
    }
}
