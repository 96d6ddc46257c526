//! The Python module `stopline._native`: converts, releases the lock, calls the core, maps the error.

// What pyo3's macros expand to is not ours to document or to lint.
#![allow(missing_docs, clippy::needless_pass_by_value, clippy::too_many_arguments)]

mod columns;
mod compare;
mod counts;
mod design;
mod errors;
mod evaluate;
mod fit;
mod levels;
mod plan;
mod recipe;
mod replay;
mod resample;
mod simulate;
mod study;
mod table;
mod travel;
mod walk;

use pyo3::prelude::*;

#[pymodule(gil_used = true)]
fn _native(m: &Bound<'_, PyModule>) -> PyResult<()> {
    m.add("__version__", env!("CARGO_PKG_VERSION"))?;
    m.add("CODES", stopline::Code::ALL.iter().map(|c| c.as_str()).collect::<Vec<_>>())?;
    m.add_class::<counts::Counts>()?;
    m.add_class::<fit::Fit>()?;
    m.add_class::<plan::Plan>()?;
    m.add_class::<levels::Level>()?;
    m.add_class::<evaluate::Curve>()?;
    m.add_class::<simulate::Simulated>()?;
    m.add_class::<compare::Comparison>()?;
    m.add_class::<replay::Replay>()?;
    m.add_class::<study::Grid>()?;
    m.add_class::<walk::Decision>()?;
    m.add_class::<walk::Walk>()?;
    m.add_function(wrap_pyfunction!(fit::fit, m)?)?;
    m.add_function(wrap_pyfunction!(fit::fit_capped, m)?)?;
    m.add_function(wrap_pyfunction!(fit::fit_proportion, m)?)?;
    m.add_function(wrap_pyfunction!(fit::mean_variance, m)?)?;
    m.add_function(wrap_pyfunction!(design::field_means, m)?)?;
    m.add_function(wrap_pyfunction!(design::plan, m)?)?;
    m.add_function(wrap_pyfunction!(levels::levels, m)?)?;
    m.add_function(wrap_pyfunction!(evaluate::evaluate, m)?)?;
    m.add_function(wrap_pyfunction!(evaluate::estimates, m)?)?;
    m.add_function(wrap_pyfunction!(simulate::simulate, m)?)?;
    m.add_function(wrap_pyfunction!(compare::compare, m)?)?;
    m.add_function(wrap_pyfunction!(replay::replay, m)?)?;
    m.add_function(wrap_pyfunction!(resample::resample, m)?)?;
    m.add_function(wrap_pyfunction!(resample::sensitivity, m)?)?;
    m.add_function(wrap_pyfunction!(columns::_columns, m)?)?;
    m.add_function(wrap_pyfunction!(study::_append, m)?)?;
    m.add_function(wrap_pyfunction!(walk::decide, m)?)
}
