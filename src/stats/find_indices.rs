//! Indices of rare values in a long column.

use crate::parallel::flat_shared;

/// Nearly every block has none, so each is checked as a whole first, several values at once.
const BLOCK: usize = 1024;
/// Fewer blocks are not worth a thread.
const LEAST_BLOCKS: usize = 100;

/// Indices of the values for which `is` holds, ascending.
pub fn of_values(x: &[f64], is: impl Fn(f64) -> bool + Sync) -> Vec<usize> {
    of_blocks(x.len(), |start| {
        let own = x.get(start..x.len().min(start + BLOCK)).unwrap_or(&[]);
        let any = own.iter().fold(false, |any, v| any | is(*v));
        let found = (start..).zip(own).filter(|(_, v)| any && is(**v));
        found.map(|(k, _)| k).collect()
    })
}

/// Indices k of the neighbors x(k), x(k + 1) for which `is` holds, ascending.
pub fn of_neighbors(x: &[f64], is: impl Fn(f64, f64) -> bool + Sync) -> Vec<usize> {
    of_blocks(x.len().saturating_sub(1), |start| {
        let own = x.get(start..x.len().min(start + BLOCK + 1)).unwrap_or(&[]);
        let pairs = || own.iter().zip(own.iter().skip(1));
        let any = pairs().fold(false, |any, (a, b)| any | is(*a, *b));
        let found = (start..).zip(pairs()).filter(|(_, (a, b))| any && is(**a, **b));
        found.map(|(k, _)| k).collect()
    })
}

fn of_blocks(length: usize, of: impl Fn(usize) -> Vec<usize> + Sync) -> Vec<usize> {
    let starts: Vec<usize> = (0..length).step_by(BLOCK).collect();
    flat_shared(&starts, LEAST_BLOCKS, |start| of(*start))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn none_is_missed_and_none_is_found_twice() {
        for length in [0, 1, 2, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK + 1, 300_001] {
            let x: Vec<f64> = (0..length).map(|k| ((k * k) % 511) as f64).collect();
            let known: Vec<usize> = (0..length).filter(|&k| x[k] > 500.0).collect();
            assert_eq!(of_values(&x, |v| v > 500.0), known, "{length}");
            let known: Vec<usize> =
                (1..length).map(|k| k - 1).filter(|&k| x[k + 1] - x[k] > 500.0).collect();
            assert_eq!(of_neighbors(&x, |a, b| b - a > 500.0), known, "{length}");
        }
    }
}
