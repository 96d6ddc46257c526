//! Every cell that is not done yet, on all threads of the current pool.

use super::Grid;
use crate::error::Error;
use crate::simulate::share;
use crate::watch::{Watch, Within};
use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Takes a cell that is done before it counts.
pub trait Sink: Send {
    /// Keeps the text of a cell.
    ///
    /// # Errors
    /// Ends the study with it.
    fn put(&mut self, cell: usize, text: &str) -> Result<(), Error>;
}

impl<F: FnMut(usize, &str) -> Result<(), Error> + Send> Sink for F {
    fn put(&mut self, cell: usize, text: &str) -> Result<(), Error> {
        self(cell, text)
    }
}

/// Runs the cells that are not in `cells` yet, hands each to the sink, and adds it.
///
/// The cells are shared out to the threads of the current `rayon` pool, and each asks the watch whether to stop; the
/// result does not depend on their number.
///
/// # Errors
/// The first error of a cell or the sink; `interrupted`. What was handed to the sink before is done.
pub fn run(
    grid: &Grid,
    cells: &mut BTreeMap<usize, String>,
    sink: &mut dyn Sink,
    watch: &dyn Watch,
) -> Result<(), Error> {
    let left: Vec<usize> = (0..grid.cells()).filter(|cell| !cells.contains_key(cell)).collect();
    let state = Mutex::new((cells, sink, None::<Error>));
    let held = || -> MutexGuard<'_, _> { state.lock().unwrap_or_else(PoisonError::into_inner) };
    share(left.len() as u64, watch, || {
        |task| {
            let number = usize::try_from(task).ok().and_then(|task| left.get(task)).copied();
            let Some(number) = number.filter(|_| held().2.is_none()) else { return };
            let within = Within { watch, done: task, of: left.len() as u64 };
            let done = grid.cell(number).and_then(|cell| cell.run(&within));
            let mut state = held();
            let (cells, sink, failed) = &mut *state;
            // After a failure nothing more is written.
            if failed.is_some() {
                return;
            }
            match done.and_then(|text| sink.put(number, &text).map(|()| text)) {
                Ok(text) => {
                    cells.insert(number, text);
                }
                Err(e) => *failed = Some(e),
            }
        }
    })?;
    let failed = held().2.take();
    failed.map_or(Ok(()), Err)
}
