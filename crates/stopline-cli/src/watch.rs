//! A sign of life on a terminal, and Ctrl-C.
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

/// Work shorter than this shows no sign of life.
const QUIET: Duration = Duration::from_millis(300);
const TICK: Duration = Duration::from_millis(100);
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

/// Shows that work is going on, if it takes long and someone is looking.
pub struct Watched {
    start: Instant,
    seen: bool,
    bar: bool,
    sign: OnceLock<ProgressBar>,
}

impl Watched {
    pub fn new() -> Self {
        Self { start: Instant::now(), seen: std::io::stderr().is_terminal(), bar: false, sign: OnceLock::new() }
    }

    /// For work whose steps are known beforehand: shows how much of it is done.
    pub fn with_bar() -> Self {
        let mut watched = Self::new();
        watched.bar = true;
        watched
    }
}

impl Watch for Watched {
    fn step(&self, done: u64, of: u64) -> ControlFlow<()> {
        if self.seen && self.start.elapsed() > QUIET {
            let sign = self.sign.get_or_init(|| {
                // Searches take as many steps as they need, one inside another: a share done would be made up.
                let template = if self.bar {
                    "{bar:40} {percent} %, {elapsed}, {eta} left"
                } else {
                    "{spinner} working, {elapsed}"
                };
                let style = ProgressStyle::with_template(template);
                let style = style.unwrap_or_else(|_| ProgressStyle::default_spinner());
                let sign = ProgressBar::new_spinner().with_style(style).with_elapsed(self.start.elapsed());
                sign.enable_steady_tick(TICK);
                sign
            });
            if self.bar {
                sign.set_length(of);
                sign.set_position(done);
            }
        }
        ControlFlow::Continue(())
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        if let Some(sign) = self.sign.get() {
            sign.finish_and_clear();
        }
    }
}
