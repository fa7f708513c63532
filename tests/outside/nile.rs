//! Yearly flow of the Nile at Aswan, 1871–1970 (Cobb, Biometrika 65, 1978; as
//! shipped by statsmodels). The textbook change: the level drops after 1898.

use stiffbus::stats::changepoint::{Cost, L1, L2, functional_pruning, pelt, schwarz};
use stiffbus::stats::robust::difference_sigma;

use crate::read;

#[test]
fn the_nile_drops_after_1898() {
    let (years, flow): (Vec<u32>, Vec<f64>) = read("data/nile.csv")
        .lines()
        .skip(1)
        .filter_map(|line| {
            let (year, volume) = line.split_once(',')?;
            Some((year.parse::<u32>().ok()?, volume.parse::<f64>().ok()?))
        })
        .unzip();
    assert_eq!((years.len(), years[0], years[99]), (100, 1871, 1970));
    let penalty = schwarz(flow.len(), difference_sigma(&flow), 1.0);
    for min_size in [1, 5, 10] {
        let ends = functional_pruning(&flow, penalty, min_size, 1);
        assert_eq!(ends.len(), 2, "one change: {ends:?}");
        assert_eq!(years[ends[0] - 1], 1898, "last year of the higher level");
        assert_eq!(pelt(&L2::new(&flow), penalty, min_size, 1), ends);
    }
    // The best single split by absolute deviations, with no penalty to choose.
    let l1 = L1::new(&flow);
    let best = (5..95)
        .min_by(|a, b| {
            let price = |k: usize| l1.cost(0, k) + l1.cost(k, 100);
            price(*a).total_cmp(&price(*b))
        })
        .expect("a split");
    assert_eq!(years[best - 1], 1898);
}
