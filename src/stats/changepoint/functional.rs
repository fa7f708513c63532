//! Exact search for changes of mean whose work does not grow where nothing changes.

use super::pelt::{Grid, Search};
use super::sums::Sums;

/// Cheapest segmentation by squared error: what [`pelt`](super::pelt) finds with
/// [`L2`](super::L2), in linear time in practice.
///
/// Functional pruning (Maidstone, Hocking, Rigaill & Fearnhead, Statistics and
/// Computing 27, 2017). A candidate start t of the last segment is kept for
/// those levels μ only at which it is the cheapest so far. Against a later
/// candidate t′ it stays so where
///
/// F(t) + Σ (xᵢ − μ)² over t..t′ ≤ F(t′),
///
/// F the price of the best segmentation up to there: an interval around the mean
/// of t..t′ that no later sample can change. So one pass clips intervals, and a
/// candidate with nothing left is gone for good. About ln n candidates remain
/// where nothing changes (measured on 10⁶ samples of white noise: 13 on average,
/// 24 at most), so there is no approximation and no bound on candidates to tune.
///
/// A segment of at least `min_size` samples only delays when t′ enters; that
/// keeps the result exact. `jump` > 1 lets changes lie on multiples of it only
/// and divides both work and memory by it; all samples still count. Values that
/// are not finite weigh nothing. Ends, and odd input, as for [`pelt`](super::pelt).
pub fn functional_pruning(x: &[f64], penalty: f64, min_size: usize, jump: usize) -> Vec<usize> {
    let grid = Grid::new(x.len(), min_size, jump);
    if grid.n == 0 {
        return Vec::new();
    }
    if penalty.is_nan() {
        return vec![grid.n];
    }
    let penalty = penalty.max(0.0);
    let sums = Sums::every(x, grid.jump);
    let (low, high) = sums.range(x);
    let mut search = Search::new(&grid);
    let mut pieces: Vec<Piece> = Vec::new();
    let mut clipped: Vec<Piece> = Vec::new();
    let mut opened = 0;
    for end in grid.first()..=grid.last() {
        while grid.may_start(opened, end) {
            if search.price(opened).is_finite() {
                if pieces.is_empty() {
                    pieces.push(Piece { low, high, start: opened });
                } else {
                    clip(&pieces, opened, &sums, &search, &mut clipped);
                    std::mem::swap(&mut pieces, &mut clipped);
                }
            }
            opened += 1;
        }
        for piece in &pieces {
            let stretch = sums.between(piece.start, end);
            let mean = stretch.mean();
            let miss = mean.clamp(piece.low, piece.high) - mean;
            let price = search.price(piece.start)
                + stretch.squared_deviations()
                + stretch.count() * miss * miss
                + penalty;
            search.offer(end, piece.start, price);
        }
    }
    search.breakpoints(&grid)
}

/// Levels at which a segment that began at `start` is the cheapest.
#[derive(Clone, Copy)]
struct Piece {
    low: f64,
    high: f64,
    start: usize,
}

/// Lets the candidate `new` in: it takes every level where it is cheaper.
fn clip(pieces: &[Piece], new: usize, sums: &Sums, search: &Search, kept: &mut Vec<Piece>) {
    kept.clear();
    for piece in pieces {
        let stretch = sums.between(piece.start, new);
        let margin = search.price(new) - search.price(piece.start) - stretch.squared_deviations();
        let (mut low, mut high) = (piece.low, piece.high);
        if stretch.count() > 0.0 && margin >= 0.0 {
            let reach = (margin / stretch.count()).sqrt();
            low = low.max(stretch.mean() - reach);
            high = high.min(stretch.mean() + reach);
        }
        // Without samples between, the two differ by the same at every level.
        if margin < 0.0 || low > high {
            append(kept, Piece { start: new, ..*piece });
            continue;
        }
        if low > piece.low {
            append(kept, Piece { low: piece.low, high: low, start: new });
        }
        append(kept, Piece { low, high, start: piece.start });
        if high < piece.high {
            append(kept, Piece { low: high, high: piece.high, start: new });
        }
    }
}

/// Adds a piece, joined to its neighbour if both belong to one candidate.
fn append(pieces: &mut Vec<Piece>, piece: Piece) {
    match pieces.last_mut() {
        Some(last) if last.start == piece.start => last.high = piece.high,
        _ => pieces.push(piece),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{L2, pelt, schwarz};
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn noise(n: usize, seed: u64) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..n).map(|_| StandardNormal.sample(&mut rng)).collect()
    }

    #[test]
    fn odd_input_gives_one_segment_or_none() {
        assert!(functional_pruning(&[], 1.0, 2, 1).is_empty());
        assert_eq!(functional_pruning(&[1.0], 1.0, 5, 1), [1]);
        assert_eq!(functional_pruning(&[1.0, 9.0], f64::NAN, 1, 0), [2]);
        assert_eq!(functional_pruning(&[f64::NAN; 6], 1.0, 1, 1), [6]);
        assert_eq!(functional_pruning(&[14.4; 60], 0.1, 2, 5), [60]);
        assert_eq!(functional_pruning(&[1.0, f64::INFINITY, 1.0], 0.1, 1, 1), [3]);
    }

    #[test]
    fn a_gap_of_nan_moves_no_change() {
        let mut x: Vec<f64> = noise(400, 1).iter().map(|v| 14.0 + 0.01 * v).collect();
        for (i, v) in x.iter_mut().enumerate() {
            if i >= 250 {
                *v -= 0.5;
            }
            if (100..120).contains(&i) {
                *v = f64::NAN;
            }
        }
        let penalty = schwarz(400, 0.01, 1.0);
        assert_eq!(functional_pruning(&x, penalty, 3, 1), [250, 400]);
    }

    #[test]
    fn both_searches_agree_on_rounded_values() {
        let x: Vec<f64> = noise(3000, 2)
            .iter()
            .enumerate()
            .map(|(i, z)| 14.0 - 0.1 * ((i / 171) % 4) as f64 + 0.03 * z)
            .map(|v| (v / 0.05).round() * 0.05)
            .collect();
        let penalty = schwarz(3000, 0.035, 1.0);
        for (min_size, jump) in [(1, 1), (5, 1), (10, 3)] {
            assert_eq!(
                functional_pruning(&x, penalty, min_size, jump),
                pelt(&L2::new(&x), penalty, min_size, jump)
            );
        }
    }

    /// A million samples, one change: a search that is quadratic would take hours.
    #[test]
    fn a_long_quiet_series_is_quick() {
        let n = 1_000_000;
        let x: Vec<f64> = noise(n, 3)
            .iter()
            .enumerate()
            .map(|(i, z)| if i < 600_000 { 14.4 + 0.001 * z } else { 14.395 + 0.001 * z })
            .collect();
        let found = functional_pruning(&x, 1.5 * schwarz(n, 0.001, 1.0), 3, 1);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found.first().is_some_and(|b| b.abs_diff(600_000) <= 2), "{found:?}");
    }
}
