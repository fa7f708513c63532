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
/// The work is linear where changes keep coming and quadratic where they do not,
/// though there most candidates are skipped ([`Admissible`]).
pub fn pelt<C: Cost + ?Sized>(cost: &C, penalty: f64, min_size: usize, jump: usize) -> Vec<usize> {
    let grid = Grid::new(cost.samples(), min_size.max(cost.min_size()), jump);
    if grid.n == 0 {
        return Vec::new();
    }
    if penalty.is_nan() {
        return vec![grid.n];
    }
    let penalty = penalty.max(0.0);
    let mut segmentation = Segmentation::new(&grid);
    let mut admissible = Admissible::default();
    let mut opened = 0;
    for end in grid.first()..=grid.last() {
        let here = grid.position(end);
        admissible.drop_those_done(here);
        while grid.may_start(opened, end) {
            let price = segmentation.price(opened);
            if price.is_finite() {
                let from = grid.position(opened);
                admissible.push(Candidate { start: opened, from, price, until: usize::MAX });
            }
            opened += 1;
        }
        admissible.offer_all(cost, &mut segmentation, end, here, penalty, grid.min_size);
    }
    segmentation.breakpoints(&grid)
}

/// A possible start of the last segment.
struct Candidate {
    /// Number on the grid, and samples before it.
    start: usize,
    from: usize,
    /// Of the cheapest segmentation up to it.
    price: f64,
    /// Sample from which it cannot win any more.
    until: usize,
}

/// Candidates in order, looked at in groups: a stretch costs no less than its end
/// does, so no candidate of a group can offer less than the group's lowest price plus
/// the cost from its last start on. A group that cannot beat the best offer is skipped; in
/// quiet series that is nearly all of them. A group's lower bound only grows, so it is computed
/// again once the offers have caught up with it.
#[derive(Default)]
struct Admissible {
    all: Vec<Candidate>,
    /// Of each [`GROUP`] of them, in order.
    groups: Vec<Group>,
    /// Lowest of the candidates' `until`.
    until: usize,
    /// The candidate that won last.
    won: usize,
    /// Groups evaluated at the current boundary, and what their candidates offer.
    looked_at: Vec<(usize, [f64; GROUP])>,
}

#[derive(Clone, Copy)]
struct Group {
    /// Lowest price.
    least: f64,
    /// Lower bound of what each offers, as last computed.
    asks: f64,
}

/// Candidates to a group: their samples must cost less than a penalty.
const GROUP: usize = 16;
/// Rounding of running sums must not skip a winner.
const DUST: f64 = 1e-9;

impl Admissible {
    fn push(&mut self, candidate: Candidate) {
        let fresh = |least: f64| Group { least, asks: f64::NEG_INFINITY };
        match self.groups.last_mut() {
            Some(group) if !self.all.len().is_multiple_of(GROUP) => {
                *group = fresh(group.least.min(candidate.price));
            }
            _ => self.groups.push(fresh(candidate.price)),
        }
        self.until = if self.all.is_empty() { candidate.until } else { self.until };
        self.all.push(candidate);
    }

    fn drop_those_done(&mut self, here: usize) {
        if self.until > here {
            return;
        }
        self.all.retain(|c| c.until > here);
        self.until = self.all.iter().map(|c| c.until).min().unwrap_or(usize::MAX);
        let lowest = |group: &[Candidate]| Group {
            least: group.iter().map(|c| c.price).fold(f64::INFINITY, f64::min),
            asks: f64::NEG_INFINITY,
        };
        self.groups.clear();
        self.groups.extend(self.all.chunks(GROUP).map(lowest));
        self.won = 0;
    }

    /// Offers what may win at `end`, and marks what cannot win from `min_size` on.
    fn offer_all<C: Cost + ?Sized>(
        &mut self,
        cost: &C,
        segmentation: &mut Segmentation,
        end: usize,
        here: usize,
        penalty: f64,
        min_size: usize,
    ) {
        let offer_of = |c: &Candidate| c.price + cost.cost(c.from, here) + penalty;
        // What won last is a good guess, and a bound for all others.
        let bound = self.all.get(self.won).map_or(f64::INFINITY, offer_of);
        let bound = bound + DUST * bound.abs();
        let mut best = f64::INFINITY;
        self.looked_at.clear();
        let parts = self.all.chunks(GROUP).zip(&mut self.groups).enumerate();
        for (g, (candidates, group)) in parts {
            if group.asks > bound {
                continue;
            }
            let nearest = candidates.last().map_or(0.0, |last| cost.cost(last.from, here));
            group.asks = group.least + nearest + penalty;
            if group.asks > bound {
                continue;
            }
            let mut offers = [f64::NEG_INFINITY; GROUP];
            for (k, (candidate, slot)) in candidates.iter().zip(&mut offers).enumerate() {
                let offer = offer_of(candidate);
                if offer < best {
                    best = offer;
                    self.won = g * GROUP + k;
                }
                segmentation.offer(end, candidate.start, offer);
                *slot = offer;
            }
            self.looked_at.push((g, offers));
        }
        let limit = segmentation.price(end) + penalty;
        let until = here.saturating_add(min_size);
        let mut mark = |candidate: &mut Candidate| {
            candidate.until = candidate.until.min(until);
            self.until = self.until.min(until);
        };
        for (candidates, group) in self.all.chunks_mut(GROUP).zip(&self.groups) {
            if group.asks > limit {
                candidates.iter_mut().for_each(&mut mark);
            }
        }
        for (g, offers) in &self.looked_at {
            let candidates = self.all.iter_mut().skip(g * GROUP);
            let lost = candidates.zip(offers).filter(|(_, offer)| **offer > limit);
            lost.for_each(|(candidate, _)| mark(candidate));
        }
    }
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
pub(super) struct Segmentation {
    price: Vec<f64>,
    start: Vec<usize>,
}

impl Segmentation {
    pub fn new(grid: &Grid) -> Self {
        let size = grid.last() + 1;
        let mut price = vec![f64::INFINITY; size];
        if let Some(first) = price.first_mut() {
            *first = 0.0;
        }
        Segmentation { price, start: vec![0; size] }
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
    use super::super::Trend;
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// Optimal partitioning without any pruning.
    fn unpruned(cost: &impl Cost, penalty: f64, min_size: usize, jump: usize) -> f64 {
        let grid = Grid::new(cost.samples(), min_size, jump);
        let mut segmentation = Segmentation::new(&grid);
        for end in grid.first()..=grid.last() {
            for start in (0..end).filter(|s| grid.may_start(*s, end)) {
                let segment = cost.cost(grid.position(start), grid.position(end));
                segmentation.offer(end, start, segmentation.price(start) + segment + penalty);
            }
        }
        segmentation.price(grid.last())
    }

    fn price(cost: &impl Cost, ends: &[usize], penalty: f64) -> f64 {
        let starts = std::iter::once(0).chain(ends.iter().copied());
        starts.zip(ends).map(|(a, &b)| cost.cost(a, b) + penalty).sum()
    }

    #[test]
    fn odd_input_gives_one_segment_or_none() {
        assert!(pelt(&Trend::new(&[]), 1.0, 2, 1).is_empty());
        assert_eq!(pelt(&Trend::new(&[1.0]), 1.0, 5, 1), [1]);
        assert_eq!(pelt(&Trend::new(&[1.0, 9.0, 1.0]), f64::NAN, 1, 0), [3]);
        assert_eq!(pelt(&Trend::new(&[f64::NAN; 6]), 1.0, 1, 1), [6]);
        assert_eq!(pelt(&Trend::new(&[14.4; 60]), 0.1, 2, 5), [60]);
    }

    /// Of random lines that drift, jump and rest, short ones with any grid, long ones with groups
    /// of candidates passed by.
    #[test]
    fn pruning_and_passing_groups_by_never_lose_the_optimum() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        for run in 0..360 {
            let long = run % 6 == 0;
            let n = if long { rng.random_range(40..700) } else { rng.random_range(2..90) };
            let often = if run % 18 == 0 { 0.0 } else { 6.0 / n as f64 };
            let (mut level, mut slope) = (0.0, 0.0);
            let x: Vec<f64> = (0..n)
                .map(|_| {
                    if rng.random::<f64>() < often {
                        level = 4.0 * rng.random::<f64>();
                        slope = if long { 0.02 * (rng.random::<f64>() - 0.5) } else { 0.0 };
                    }
                    level += slope;
                    level + if long { 0.04 } else { 1.0 } * rng.random::<f64>()
                })
                .collect();
            let (min_size, jump) = match long {
                true => (3, 1),
                false => (rng.random_range(2..9), rng.random_range(1..4)),
            };
            let penalty = if long { 4e-3 } else { 3.0 } * rng.random::<f64>();
            let trend = Trend::new(&x);
            let found = price(&trend, &pelt(&trend, penalty, min_size, jump), penalty);
            let best = unpruned(&trend, penalty, min_size, jump);
            assert!((found - best).abs() < 1e-9, "run {run}: {found} {best}");
        }
    }
}
