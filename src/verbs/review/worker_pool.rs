//! Threads that work through a numbered list, each taking the next free item.

use std::cell::RefCell;
use std::panic::{self, AssertUnwindSafe};
use std::sync::Once;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

/// As a main thread has.
const STACK_BYTES: usize = 8 << 20;
const NAME: &str = "review";

/// Does `work` on 0 to `count` with `jobs` threads, until `stop` is set; `done` hears
/// of each on this thread, in whatever order they end.
pub fn each<T: Send>(
    jobs: usize,
    count: usize,
    stop: &AtomicBool,
    work: impl Fn(usize) -> T + Sync,
    mut done: impl FnMut(usize, T),
) {
    let next = AtomicUsize::new(0);
    // Few may wait to be heard of: what is done is not piled up.
    let (sender, heard) = mpsc::sync_channel(jobs);
    thread::scope(|scope| {
        for _ in 0..jobs {
            let (sender, next, work) = (sender.clone(), &next, &work);
            let worker = move || {
                while !stop.load(Ordering::Relaxed) {
                    let k = next.fetch_add(1, Ordering::Relaxed);
                    if k >= count || sender.send((k, work(k))).is_err() {
                        break;
                    }
                }
            };
            let thread = thread::Builder::new().name(NAME.to_owned()).stack_size(STACK_BYTES);
            if thread.spawn_scoped(scope, worker).is_err() {
                // Those that could be had do it all; with none this thread does, below.
                break;
            }
        }
        drop(sender);
        for (k, of) in &heard {
            done(k, of);
        }
    });
    while !stop.load(Ordering::Relaxed) {
        let k = next.fetch_add(1, Ordering::Relaxed);
        if k >= count {
            break;
        }
        done(k, work(k));
    }
}

thread_local! {
    static BROKE: RefCell<Option<String>> = const { RefCell::new(None) };
}

/// What `work` returns, or where and why it broke.
pub fn guarded<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let usual = panic::take_hook();
        panic::set_hook(Box::new(move |info| {
            if thread::current().name() != Some(NAME) {
                return usual(info);
            }
            let what = info.payload_as_str().unwrap_or("no reason given");
            let at = info.location().map_or(String::new(), |at| format!(" at {at}"));
            BROKE.with_borrow_mut(|broke| *broke = Some(format!("{what}{at}")));
        }));
    });
    BROKE.with_borrow_mut(|broke| *broke = None);
    panic::catch_unwind(AssertUnwindSafe(work)).map_err(|payload| {
        let known = BROKE.with_borrow_mut(Option::take);
        let text = payload.downcast_ref::<&str>().map(|&text| text.to_owned());
        let text = text.or_else(|| payload.downcast_ref::<String>().cloned());
        known.or(text).unwrap_or_else(|| "no reason given".to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn everything_is_done_once_whatever_breaks() {
        let stop = AtomicBool::new(false);
        let mut seen = vec![0; 100];
        let mut broken = 0;
        let work = |k: usize| guarded(|| if k % 10 == 3 { panic!("{k} is odd") } else { k });
        each(4, seen.len(), &stop, work, |k, of| {
            seen[k] += 1;
            match of {
                Ok(same) => assert_eq!(same, k),
                Err(why) => {
                    broken += 1;
                    assert!(why.starts_with(&format!("{k} is odd at src/")), "{why}");
                }
            }
        });
        assert!(seen.iter().all(|&times| times == 1));
        assert_eq!(broken, 10);
    }

    #[test]
    fn stopped_nothing_new_is_begun() {
        let stop = AtomicBool::new(false);
        let mut seen = 0;
        each(
            2,
            10_000,
            &stop,
            |k| k,
            |_, _| {
                seen += 1;
                stop.store(true, Ordering::Relaxed);
            },
        );
        assert!((1..=10).contains(&seen), "{seen}");
    }
}
