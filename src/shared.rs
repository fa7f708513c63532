//! Work shared among the cores, with one answer however many there are.

use std::num::NonZero;
use std::thread;

/// What `work` makes of consecutive parts of `all`, in their order: a part for each core,
/// none of fewer than `least`. One part alone is worked on here.
pub fn shared<T: Sync, R: Send>(
    all: &[T],
    least: usize,
    work: impl Fn(&[T]) -> R + Sync,
) -> Vec<R> {
    let cores = thread::available_parallelism().map_or(1, NonZero::get);
    let parts = cores.min(all.len() / least.max(1)).max(1);
    let each = all.len().div_ceil(parts).max(1);
    let (first, others) = all.split_at(each.min(all.len()));
    thread::scope(|scope| {
        let work = &work;
        let others: Vec<_> =
            others.chunks(each).map(|part| scope.spawn(move || work(part))).collect();
        let first = work(first);
        // A part that panics takes the whole with it, as it would here.
        let joined = others.into_iter().map(|part| match part.join() {
            Ok(done) => done,
            Err(panic) => std::panic::resume_unwind(panic),
        });
        std::iter::once(first).chain(joined).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_come_back_in_order() {
        for count in [0, 1, 2, 7, 1000] {
            let all: Vec<usize> = (0..count).collect();
            for least in [1, 3, 10_000] {
                let parts = shared(&all, least, <[usize]>::to_vec);
                assert_eq!(parts.concat(), all);
            }
        }
    }
}
