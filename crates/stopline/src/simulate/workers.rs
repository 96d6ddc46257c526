//! Tasks shared out to the cores, or done one after the other: what they add up to is the same.
//!
//! The calling thread takes part, and it alone tells the watch of progress: a caller's signals reach it there.

use crate::error::Error;
use crate::watch::{Watch, tell};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};

/// Does every task below `tasks`; `task` is made once for each thread.
///
/// # Errors
/// `interrupted`.
pub(crate) fn share<T: FnMut(u64)>(tasks: u64, watch: &dyn Watch, task: impl Fn() -> T + Sync) -> Result<(), Error> {
    let (next, done, stopped) = (AtomicU64::new(0), AtomicU64::new(0), AtomicBool::new(false));
    let work = |watch: Option<&dyn Watch>| {
        let mut task = task();
        while !stopped.load(Relaxed) {
            let number = next.fetch_add(1, Relaxed);
            if number >= tasks {
                break;
            }
            task(number);
            let done = 1 + done.fetch_add(1, Relaxed);
            watch.map_or(Ok(()), |watch| tell(watch, done, tasks)).inspect_err(|_| stopped.store(true, Relaxed))?;
        }
        Ok(())
    };
    #[cfg(feature = "parallel")]
    {
        let helpers = (rayon::current_num_threads() as u64).min(tasks).saturating_sub(1);
        rayon::in_place_scope(|scope| {
            for _ in 0..helpers {
                scope.spawn(|_| {
                    // Without a watch there is nothing to fail.
                    let _ = work(None);
                });
            }
            work(Some(watch))
        })
    }
    #[cfg(not(feature = "parallel"))]
    work(Some(watch))
}
