//! Progress on a terminal, and Ctrl-C.
//!
//! Ctrl-C ends the program at once, whatever it is doing, save that files are written to their end.

use crate::failure::Failure;
use indicatif::{ProgressBar, ProgressStyle};
use std::io::IsTerminal;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, Ordering::SeqCst};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};
use stopline::Watch;

/// Held while files are being written, so that none is left half-way.
static WRITING: Mutex<()> = Mutex::new(());
/// Has someone begun to tell how the command ended?
static ENDING: AtomicBool = AtomicBool::new(false);

/// Work shorter than this shows no progress.
const QUIET: Duration = Duration::from_millis(300);
/// Time for the message of an interruption to be printed: the reader may have stopped reading.
const TELLING: Duration = Duration::from_millis(100);

/// Listens for Ctrl-C, and makes a file that may not grow an error of writing instead of a kill.
pub fn listen(json: bool) {
    // Without a handler the defaults hold: Ctrl-C kills.
    let _ = ctrlc::set_handler(move || {
        let _files = while_writing();
        if !ENDING.swap(true, SeqCst) {
            std::thread::spawn(move || Failure::interrupted().tell(json));
            std::thread::sleep(TELLING);
        }
        std::process::exit(130);
    });
    #[cfg(unix)]
    let _ = signal_hook::flag::register(signal_hook::consts::SIGXFSZ, std::sync::Arc::default());
}

/// Keeps Ctrl-C waiting as long as the guard lives.
pub fn while_writing() -> MutexGuard<'static, ()> {
    WRITING.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The command is about to tell how it ended; if it was interrupted, that is told instead.
pub fn ending() {
    if ENDING.swap(true, SeqCst) {
        std::thread::sleep(10 * TELLING); // the program ends meanwhile
    }
}

/// Shows how far the work has come, if it takes long and someone is looking.
pub struct Watched {
    start: Instant,
    seen: bool,
    bar: OnceLock<ProgressBar>,
}

impl Watched {
    pub fn new() -> Self {
        Self { start: Instant::now(), seen: std::io::stderr().is_terminal(), bar: OnceLock::new() }
    }
}

impl Watch for Watched {
    fn step(&self, done: u64, of: u64) -> ControlFlow<()> {
        if self.seen && self.start.elapsed() > QUIET {
            let bar = self.bar.get_or_init(|| {
                let style = ProgressStyle::with_template("{elapsed} {wide_bar} {percent} %");
                ProgressBar::new(of).with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
            });
            bar.set_length(of);
            bar.set_position(done);
        }
        ControlFlow::Continue(())
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        if let Some(bar) = self.bar.get() {
            bar.finish_and_clear();
        }
    }
}
