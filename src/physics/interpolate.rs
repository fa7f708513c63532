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
    pieces: Vec<CurvePiece>,
}

/// Between two points; a rise is a slope there times the width.
#[derive(Debug, Clone, Copy, PartialEq)]
struct CurvePiece {
    start_x: f64,
    end_x: f64,
    width: f64,
    start_y: f64,
    start_rise: f64,
    end_y: f64,
    end_rise: f64,
}

impl CurvePiece {
    fn between(a: &CurveKnot, b: &CurveKnot) -> CurvePiece {
        let width = b.x - a.x;
        CurvePiece {
            start_x: a.x,
            end_x: b.x,
            width,
            start_y: a.y,
            start_rise: a.slope * width,
            end_y: b.y,
            end_rise: b.slope * width,
        }
    }

    fn at(&self, x: f64) -> f64 {
        let t = (x - self.start_x) / self.width;
        let (t2, t3) = (t * t, t * t * t);
        self.start_y * (2.0 * t3 - 3.0 * t2 + 1.0)
            + self.start_rise * (t3 - 2.0 * t2 + t)
            + self.end_y * (3.0 * t2 - 2.0 * t3)
            + self.end_rise * (t3 - t2)
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct CurveKnot {
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
        let mut knots: Vec<CurveKnot> = points
            .iter()
            .enumerate()
            .map(|(index, &(x, y))| CurveKnot { x, y, slope: slope_at(index) })
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
        let pieces = knots.windows(2).map(|pair| CurvePiece::between(&pair[0], &pair[1]));
        Ok(MonotoneCubic { pieces: pieces.collect() })
    }

    /// The points' first and last x.
    pub fn domain(&self) -> (f64, f64) {
        let (first, last) = (self.pieces.first(), self.pieces.last());
        (first.map_or(0.0, |p| p.start_x), last.map_or(0.0, |p| p.end_x))
    }

    /// The curve at `x`; outside the points, the nearest end's y.
    pub fn at(&self, x: f64) -> f64 {
        // So few that counting them all is quicker than a search.
        let right = self.pieces.iter().filter(|piece| piece.end_x <= x).count();
        match self.pieces.get(right) {
            Some(piece) if x >= piece.start_x => piece.at(x),
            Some(piece) => piece.start_y,
            None => self.pieces.last().map_or(0.0, |piece| piece.end_y),
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
