//! Progress and cancelling, in every signature that can take long.

use crate::error::{Code, Error};
use std::ops::ControlFlow;

/// Is told how far the work has come, and may stop it.
///
/// Called often (at least once every few milliseconds of work); an implementation that does
/// something slow should look at a clock of its own first.
pub trait Watch: Sync {
    /// `done` of `of` steps are finished; `Break` stops the work with [`Code::Interrupted`].
    fn step(&self, done: u64, of: u64) -> ControlFlow<()>;
}

/// Watches nothing and never stops the work.
///
/// ```
/// use stopline::{Quiet, Watch};
/// assert!(Quiet.step(1, 10).is_continue());
/// ```
#[derive(Debug, Clone, Copy, Default)]
pub struct Quiet;

impl Watch for Quiet {
    fn step(&self, _: u64, _: u64) -> ControlFlow<()> {
        ControlFlow::Continue(())
    }
}

/// Watches a part of the work: whether it is to be stopped, its steps being none of the caller's.
pub(crate) struct Within<'a> {
    pub watch: &'a dyn Watch,
    pub done: u64,
    pub of: u64,
}

impl Watch for Within<'_> {
    fn step(&self, _: u64, _: u64) -> ControlFlow<()> {
        self.watch.step(self.done, self.of)
    }
}

/// Turns a `Break` into the typed error.
pub(crate) fn tell(watch: &dyn Watch, done: u64, of: u64) -> Result<(), Error> {
    match watch.step(done, of) {
        ControlFlow::Continue(()) => Ok(()),
        ControlFlow::Break(()) => {
            Err(Error::new(Code::Interrupted, "work", format!("stopped by the caller at step {done} of {of}"), ""))
        }
    }
}
