//! Errors of the core as the package's exception, and long work that Ctrl-C stops.

use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::ops::ControlFlow;
use std::sync::Mutex;
use std::time::{Duration, Instant};
use stopline::{Error, Errors, Watch};

/// How often the lock is taken back to look for signals.
const LOOK: Duration = Duration::from_millis(50);

fn raise(py: Python<'_>, errors: &[Error]) -> PyResult<PyErr> {
    let mut found = Vec::with_capacity(errors.len());
    for e in errors {
        let dict = PyDict::new(py);
        dict.set_item("code", e.code().as_str())?;
        dict.set_item("message", e.to_string())?;
        dict.set_item("what", e.what())?;
        dict.set_item("value", e.value())?;
        dict.set_item("allowed", e.allowed())?;
        dict.set_item("file", e.place().file.as_deref())?;
        dict.set_item("row", e.place().row)?;
        dict.set_item("column", e.place().column.as_deref())?;
        found.push(dict);
    }
    Ok(PyErr::from_value(py.import("stopline._error")?.getattr("StoplineError")?.call1((found,))?))
}

/// One error of the core as an exception.
pub fn one(py: Python<'_>, e: Error) -> PyErr {
    raise(py, &[e]).unwrap_or_else(|failed| failed)
}

/// Several errors of the core as one exception.
pub fn many(py: Python<'_>, e: Errors) -> PyErr {
    raise(py, e.as_slice()).unwrap_or_else(|failed| failed)
}

/// Stops the work where Python has a signal to handle.
struct Signals {
    looked: Mutex<Instant>,
    raised: Mutex<Option<PyErr>>,
    progress: Option<Py<PyAny>>,
}

impl Signals {
    /// Looks for signals, then tells how far the work has come: a bar (as of tqdm) is moved, a function called.
    fn look(&self, py: Python<'_>, done: u64, of: u64) -> PyResult<()> {
        py.check_signals()?;
        let Some(progress) = self.progress.as_ref().map(|p| p.bind(py)) else { return Ok(()) };
        if !progress.hasattr("refresh")? {
            return progress.call1((done, of)).map(drop);
        }
        progress.setattr("total", of)?;
        progress.setattr("n", done)?;
        progress.call_method0("refresh").map(drop)
    }
}

impl Watch for Signals {
    fn step(&self, done: u64, of: u64) -> ControlFlow<()> {
        let Ok(mut looked) = self.looked.try_lock() else { return ControlFlow::Continue(()) };
        if looked.elapsed() < LOOK {
            return ControlFlow::Continue(());
        }
        *looked = Instant::now();
        match Python::attach(|py| self.look(py, done, of)) {
            Ok(()) => ControlFlow::Continue(()),
            Err(e) => {
                if let Ok(mut raised) = self.raised.lock() {
                    *raised = Some(e);
                }
                ControlFlow::Break(())
            }
        }
    }
}

/// Runs `work` with the lock released; an interrupt becomes Python's own.
pub fn released<T: Send>(py: Python<'_>, work: impl FnOnce(&dyn Watch) -> Result<T, Error> + Send) -> PyResult<T> {
    watched(py, None, work)
}

/// The same, telling `progress` of it; what that raises stops the work.
pub fn watched<T: Send>(
    py: Python<'_>,
    progress: Option<Bound<'_, PyAny>>,
    work: impl FnOnce(&dyn Watch) -> Result<T, Error> + Send,
) -> PyResult<T> {
    let progress = progress.map(Bound::unbind);
    let signals = Signals { looked: Mutex::new(Instant::now()), raised: Mutex::new(None), progress };
    let done = py.detach(|| work(&signals));
    done.map_err(|e| {
        let raised = signals.raised.lock().ok().and_then(|mut r| r.take());
        raised.unwrap_or_else(|| one(py, e))
    })
}

/// A core value as plain Python objects, by its stable JSON form.
pub fn plain<'py>(py: Python<'py>, value: &impl serde::Serialize) -> PyResult<Bound<'py, PyAny>> {
    let text = serde_json::to_string(value).map_err(|e| pyo3::exceptions::PyRuntimeError::new_err(e.to_string()))?;
    json(py, &text)
}

/// What a JSON text holds.
pub fn json<'py>(py: Python<'py>, text: &str) -> PyResult<Bound<'py, PyAny>> {
    py.import("json")?.call_method1("loads", (text,))
}
