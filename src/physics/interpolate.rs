//! A curve through given points that never overshoots them.

use thiserror::Error;

/// Why a list of points is no curve.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CurveError {
    #[error("a curve needs at least two points, found {0}")]
    TooFew(usize),
    #[error("point {0} is not a finite number")]
    NotFinite(usize),
    #[error(
        "point {number} at {x} does not lie right of the one before it: sort the points and drop repeats"
    )]
    NotIncreasing { number: usize, x: f64 },
    #[error("point {number} falls below the one before it ({y} after {before})")]
    Falling { number: usize, y: f64, before: f64 },
    #[error("the first point must be the turn-on speed, with 0 A: found {0} A")]
    NoTurnOn(f64),
}

/// Piecewise cubic Hermite curve with slopes limited so that it is monotone
/// wherever its points are (Fritsch and Carlson, "Monotone piecewise cubic
/// interpolation", SIAM J. Numer. Anal. 17, 1980: three-point slopes, then
/// limited to the circle of radius 3).
#[derive(Debug, Clone, PartialEq)]
pub struct MonotoneCubic {
    knots: Vec<Knot>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Knot {
    x: f64,
    y: f64,
    slope: f64,
}

impl MonotoneCubic {
    /// Points must be finite and strictly increasing in x.
    pub fn new(points: &[(f64, f64)]) -> Result<Self, CurveError> {
        if points.len() < 2 {
            return Err(CurveError::TooFew(points.len()));
        }
        for (index, &(x, y)) in points.iter().enumerate() {
            if !(x.is_finite() && y.is_finite()) {
                return Err(CurveError::NotFinite(index + 1));
            }
        }
        let mut secants = Vec::with_capacity(points.len() - 1);
        for (index, pair) in points.windows(2).enumerate() {
            let [(x0, y0), (x1, y1)] = [pair[0], pair[1]];
            if x1 <= x0 {
                return Err(CurveError::NotIncreasing { number: index + 2, x: x1 });
            }
            secants.push((y1 - y0) / (x1 - x0));
        }
        let slope_at = |index: usize| {
            let left = index.checked_sub(1).and_then(|i| secants.get(i)).copied();
            let right = secants.get(index).copied();
            match (left, right) {
                (Some(l), Some(r)) if l * r <= 0.0 => 0.0,
                (Some(l), Some(r)) => (l + r) / 2.0,
                (Some(only), None) | (None, Some(only)) => only,
                (None, None) => 0.0,
            }
        };
        let mut knots: Vec<Knot> = points
            .iter()
            .enumerate()
            .map(|(index, &(x, y))| Knot { x, y, slope: slope_at(index) })
            .collect();
        for (index, &secant) in secants.iter().enumerate() {
            if secant == 0.0 {
                knots[index].slope = 0.0;
                knots[index + 1].slope = 0.0;
                continue;
            }
            let alpha = knots[index].slope / secant;
            let beta = knots[index + 1].slope / secant;
            let radius = alpha.hypot(beta);
            if radius > 3.0 {
                knots[index].slope = 3.0 / radius * alpha * secant;
                knots[index + 1].slope = 3.0 / radius * beta * secant;
            }
        }
        Ok(MonotoneCubic { knots })
    }

    /// The points' first and last x.
    pub fn domain(&self) -> (f64, f64) {
        let x = |knot: Option<&Knot>| knot.map_or(0.0, |k| k.x);
        (x(self.knots.first()), x(self.knots.last()))
    }

    /// The curve at `x`; outside the points, the nearest end's y.
    pub fn at(&self, x: f64) -> f64 {
        let right = self.knots.partition_point(|knot| knot.x <= x);
        let left = right.checked_sub(1).and_then(|i| self.knots.get(i));
        match (left, self.knots.get(right)) {
            (Some(a), Some(b)) => {
                let width = b.x - a.x;
                let t = (x - a.x) / width;
                let (t2, t3) = (t * t, t * t * t);
                a.y * (2.0 * t3 - 3.0 * t2 + 1.0)
                    + a.slope * width * (t3 - 2.0 * t2 + t)
                    + b.y * (3.0 * t2 - 2.0 * t3)
                    + b.slope * width * (t3 - t2)
            }
            (Some(end), None) | (None, Some(end)) => end.y,
            (None, None) => 0.0,
        }
    }

    /// The lowest x in the domain where a rising curve reaches `y`; outside the
    /// curve's range, the nearest end.
    pub fn inverse(&self, y: f64) -> f64 {
        let (mut low, mut high) = self.domain();
        // 60 halvings take any domain of the trade below 1e-12 of its width.
        for _ in 0..60 {
            let middle = low + (high - low) / 2.0;
            if self.at(middle) < y { low = middle } else { high = middle }
        }
        high
    }
}
