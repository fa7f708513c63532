//! Work shared among the cores, with one answer however many there are.

use std::num::NonZero;
use std::sync::LazyLock;
use std::thread;

/// Values of a column of which fewer are not worth a thread.
pub const LEAST_VALUES: usize = 100_000;

/// Asked for once: to tell, the system reads several files.
pub fn cores() -> usize {
    static CORES: LazyLock<usize> =
        LazyLock::new(|| thread::available_parallelism().map_or(1, NonZero::get));
    *CORES
}

/// What each work gives, in their order: every one on a thread of its own but the first,
/// which is done here. One that panics takes the whole with it, as it would here.
pub fn on_each<T: Send>(works: Vec<impl FnOnce() -> T + Send>) -> Vec<T> {
    thread::scope(|scope| {
        let mut works = works.into_iter();
        let first = works.next();
        let others: Vec<_> = works.map(|work| scope.spawn(work)).collect();
        let first = first.map(|work| work());
        let joined = others.into_iter().map(|other| match other.join() {
            Ok(done) => done,
            Err(panic) => std::panic::resume_unwind(panic),
        });
        first.into_iter().chain(joined).collect()
    })
}

/// Two works side by side.
pub fn both<A: Send, B>(one: impl FnOnce() -> A + Send, other: impl FnOnce() -> B) -> (A, B) {
    thread::scope(|scope| {
        let one = scope.spawn(one);
        let other = other();
        match one.join() {
            Ok(one) => (one, other),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })
}

/// What `work` makes of consecutive parts of `all`, in their order: a part for each core,
/// none of fewer than `least`.
pub fn shared<T: Sync, R: Send>(
    all: &[T],
    least: usize,
    work: impl Fn(&[T]) -> R + Sync,
) -> Vec<R> {
    let parts = cores().min(all.len() / least.max(1)).max(1);
    let each = all.len().div_ceil(parts).max(1);
    let (first, others) = all.split_at(each.min(all.len()));
    let work = &work;
    let parts = std::iter::once(first).chain(others.chunks(each));
    on_each(parts.map(|part| move || work(part)).collect())
}

/// As [`shared`], for work on one at a time, of which each may give none or several.
pub fn flat_shared<T: Sync, R: Send, I: IntoIterator<Item = R>>(
    all: &[T],
    least: usize,
    work: impl Fn(&T) -> I + Sync,
) -> Vec<R> {
    let parts = shared(all, least, |part| part.iter().flat_map(&work).collect::<Vec<R>>());
    parts.into_iter().flatten().collect()
}

/// As [`shared`], for work that changes the parts: each comes with where it begins.
pub fn shared_mut<T: Send, R: Send>(
    all: &mut [T],
    least: usize,
    work: impl Fn(usize, &mut [T]) -> R + Sync,
) -> Vec<R> {
    let parts = cores().min(all.len() / least.max(1)).max(1);
    let each = all.len().div_ceil(parts).max(1);
    let work = &work;
    let parts = all.chunks_mut(each).enumerate();
    on_each(parts.map(|(k, part)| move || work(k * each, part)).collect())
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

    #[test]
    fn parts_are_changed_where_they_stand() {
        for count in [0, 1, 2, 7, 1000] {
            let mut all = vec![0; count];
            for least in [1, 3, 10_000] {
                let sizes = shared_mut(&mut all, least, |from, part| {
                    part.iter_mut().enumerate().for_each(|(i, value)| *value = from + i);
                    part.len()
                });
                assert_eq!(all, (0..count).collect::<Vec<_>>());
                assert_eq!(sizes.iter().sum::<usize>(), count);
            }
        }
    }

    /// A part that is missing would be taken for one that found nothing.
    #[test]
    fn no_part_goes_missing_in_silence() {
        let works: Vec<Box<dyn FnOnce() -> usize + Send>> =
            vec![Box::new(|| 1), Box::new(|| panic!("on purpose"))];
        let all = std::panic::AssertUnwindSafe(move || on_each(works));
        assert!(std::panic::catch_unwind(all).is_err());
    }
}
