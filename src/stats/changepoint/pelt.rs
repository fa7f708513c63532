//! Pruned exact linear time search.

use super::cost::Cost;

/// Cheapest segmentation under `penalty` for each segment, every segment at least
/// `min_size` samples and every change on a multiple of `jump`.
///
/// Pruned exact linear time (Killick, Fearnhead & Eckley, JASA 107, 2012). A
/// candidate that loses to a later one is dropped only once that later one may
/// itself start a segment, `min_size` samples on, so the result is exact for
/// every `min_size`. Ends with the length of the series; a series too short for
/// one segment, or a penalty that is NaN, gives one segment; an empty series none.
///
/// The work is linear where changes keep coming and quadratic where they do
/// not: for long quiet series use [`functional_pruning`](super::functional_pruning).
pub fn pelt<C: Cost + ?Sized>(cost: &C, penalty: f64, min_size: usize, jump: usize) -> Vec<usize> {
    let grid = Grid::new(cost.len(), min_size.max(cost.min_size()), jump);
    if grid.n == 0 {
        return Vec::new();
    }
    if penalty.is_nan() {
        return vec![grid.n];
    }
    let penalty = penalty.max(0.0);
    let mut search = Search::new(&grid);
    let mut admissible: Vec<Candidate> = Vec::new();
    let mut opened = 0;
    for end in grid.first()..=grid.last() {
        admissible.retain(|c| c.until > grid.position(end));
        while grid.may_start(opened, end) {
            if search.price(opened).is_finite() {
                admissible.push(Candidate { start: opened, until: usize::MAX, price: 0.0 });
            }
            opened += 1;
        }
        for c in admissible.iter_mut() {
            c.price = search.price(c.start)
                + cost.cost(grid.position(c.start), grid.position(end))
                + penalty;
            search.offer(end, c.start, c.price);
        }
        let limit = search.price(end) + penalty;
        for c in admissible.iter_mut().filter(|c| c.price > limit) {
            c.until = c.until.min(grid.position(end).saturating_add(grid.min_size));
        }
    }
    search.breakpoints(&grid)
}

/// A possible start of the last segment.
struct Candidate {
    /// Number on the grid.
    start: usize,
    /// Sample from which it cannot win any more.
    until: usize,
    price: f64,
}

/// The boundaries a search may use: multiples of `jump`, and the end of the series.
pub(super) struct Grid {
    pub n: usize,
    pub min_size: usize,
    pub jump: usize,
}

impl Grid {
    pub fn new(n: usize, min_size: usize, jump: usize) -> Self {
        Grid { n, min_size: min_size.max(1), jump: jump.max(1) }
    }

    /// Number of the end of the series.
    pub fn last(&self) -> usize {
        self.n.div_ceil(self.jump)
    }

    /// The first boundary that may end a segment.
    pub fn first(&self) -> usize {
        self.min_size.div_ceil(self.jump).min(self.last())
    }

    /// Samples before a boundary.
    pub fn position(&self, boundary: usize) -> usize {
        boundary.saturating_mul(self.jump).min(self.n)
    }

    /// Whether a segment may run from `start` to `end`; the whole series always may.
    pub fn may_start(&self, start: usize, end: usize) -> bool {
        start < end
            && (self.position(end) - self.position(start) >= self.min_size
                || (start == 0 && end == self.last()))
    }
}

/// Price of the cheapest segmentation up to each boundary, and its last segment's start.
pub(super) struct Search {
    price: Vec<f64>,
    start: Vec<usize>,
}

impl Search {
    pub fn new(grid: &Grid) -> Self {
        let size = grid.last() + 1;
        let mut price = vec![f64::INFINITY; size];
        if let Some(first) = price.first_mut() {
            *first = 0.0;
        }
        Search { price, start: vec![0; size] }
    }

    /// Infinite where no segmentation ends.
    pub fn price(&self, boundary: usize) -> f64 {
        self.price.get(boundary).copied().unwrap_or(f64::INFINITY)
    }

    /// Takes the offer if it is cheaper; of equal ones the first stays.
    pub fn offer(&mut self, end: usize, start: usize, price: f64) {
        if let (Some(p), Some(s)) = (self.price.get_mut(end), self.start.get_mut(end))
            && price < *p
        {
            *p = price;
            *s = start;
        }
    }

    pub fn breakpoints(&self, grid: &Grid) -> Vec<usize> {
        let mut ends = Vec::new();
        let mut boundary = grid.last();
        while boundary > 0 {
            ends.push(grid.position(boundary));
            boundary = self.start.get(boundary).copied().unwrap_or(0);
        }
        ends.reverse();
        ends
    }
}

#[cfg(test)]
mod tests {
    use super::super::{L1, L2};
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// Optimal partitioning without any pruning.
    fn unpruned(cost: &impl Cost, penalty: f64, min_size: usize, jump: usize) -> f64 {
        let grid = Grid::new(cost.len(), min_size, jump);
        let mut search = Search::new(&grid);
        for end in grid.first()..=grid.last() {
            for start in (0..end).filter(|s| grid.may_start(*s, end)) {
                let segment = cost.cost(grid.position(start), grid.position(end));
                search.offer(end, start, search.price(start) + segment + penalty);
            }
        }
        search.price(grid.last())
    }

    fn price(cost: &impl Cost, ends: &[usize], penalty: f64) -> f64 {
        let starts = std::iter::once(0).chain(ends.iter().copied());
        starts.zip(ends).map(|(a, &b)| cost.cost(a, b) + penalty).sum()
    }

    #[test]
    fn odd_input_gives_one_segment_or_none() {
        assert!(pelt(&L2::new(&[]), 1.0, 2, 1).is_empty());
        assert_eq!(pelt(&L2::new(&[1.0]), 1.0, 5, 1), [1]);
        assert_eq!(pelt(&L2::new(&[1.0, 9.0, 1.0]), f64::NAN, 1, 0), [3]);
        assert_eq!(pelt(&L2::new(&[f64::NAN; 6]), 1.0, 1, 1), [6]);
        assert_eq!(pelt(&L2::new(&[14.4; 60]), 0.1, 2, 5), [60]);
    }

    #[test]
    fn a_step_is_found() {
        let x: Vec<f64> = (0..100).map(|i| if i < 37 { 14.4 } else { 13.9 }).collect();
        assert_eq!(pelt(&L2::new(&x), 0.5, 2, 1), [37, 100]);
        assert_eq!(pelt(&L1::new(&x), 0.5, 2, 1), [37, 100]);
        assert_eq!(pelt(&L2::new(&x), 0.5, 2, 5), [35, 100]);
    }

    #[test]
    fn pruning_never_loses_the_optimum() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        for run in 0..300 {
            let n = rng.random_range(2..90);
            let mut level = 0.0;
            let x: Vec<f64> = (0..n)
                .map(|_| {
                    if rng.random::<f64>() < 0.06 {
                        level = 4.0 * rng.random::<f64>();
                    }
                    level + rng.random::<f64>()
                })
                .collect();
            let (min_size, jump) = (rng.random_range(1..9), rng.random_range(1..4));
            let penalty = 3.0 * rng.random::<f64>();
            let l2 = L2::new(&x);
            let found = price(&l2, &pelt(&l2, penalty, min_size, jump), penalty);
            let best = unpruned(&l2, penalty, min_size, jump);
            assert!((found - best).abs() < 1e-9, "run {run}: {found} {best}");
            let quick = super::super::functional_pruning(&x, penalty, min_size, jump);
            let found = price(&l2, &quick, penalty);
            assert!((found - best).abs() < 1e-9, "run {run}: {found} {best}");
            let l1 = L1::new(&x);
            let found = price(&l1, &pelt(&l1, penalty, min_size, jump), penalty);
            let best = unpruned(&l1, penalty, min_size, jump);
            assert!((found - best).abs() < 1e-9, "run {run}: {found} {best}");
        }
    }
}
