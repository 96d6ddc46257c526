//! Results pickle as what was asked for, and are made anew: the same numbers, since nothing here is left to chance.

use crate::compare::Comparison;
use crate::evaluate::Curve;
use crate::fit::Fit;
use crate::levels::Level;
use crate::replay::Replay;
use crate::simulate::Simulated;
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyTuple};

/// A function of the module, the arguments that it was called with, and which of its results is meant if it gives a
/// list.
pub struct Recipe {
    function: &'static str,
    arguments: Py<PyDict>,
    of_list: Option<usize>,
}

/// The recipe of a call, by the names of its arguments.
macro_rules! recipe {
    ($py:expr, $function:literal, $($name:ident),*) => {{
        let arguments = pyo3::types::PyDict::new($py);
        $(arguments.set_item(stringify!($name), &$name)?;)*
        $crate::recipe::Recipe::new($function, arguments)
    }};
}
pub(crate) use recipe;

/// What pickle calls, and with what.
pub type Reduced<'py, T> = (Bound<'py, PyAny>, T);

impl Recipe {
    pub fn new(function: &'static str, arguments: Bound<'_, PyDict>) -> Self {
        Self { function, arguments: arguments.unbind(), of_list: None }
    }

    /// The recipe of the `i`-th of the results.
    pub fn of_list(&self, py: Python<'_>, i: usize) -> Self {
        Self { function: self.function, arguments: self.arguments.clone_ref(py), of_list: Some(i) }
    }

    fn reduce<'py>(&self, py: Python<'py>) -> PyResult<Reduced<'py, Bound<'py, PyTuple>>> {
        let function = py.import("stopline")?.getattr(self.function)?;
        let partial = py.import("functools")?.getattr("partial")?;
        let made = partial.call((function,), Some(self.arguments.bind(py)))?;
        match self.of_list {
            None => Ok((made, PyTuple::empty(py))),
            Some(i) => {
                let pick = py.import("stopline._recipe")?.getattr("pick")?;
                Ok((pick, PyTuple::new(py, [made, i.into_pyobject(py)?.into_any()])?))
            }
        }
    }
}

/// What never changes is its own copy.
macro_rules! copies {
    ($class:ident) => {
        #[pymethods]
        impl $class {
            fn __copy__(this: Py<Self>) -> Py<Self> {
                this
            }

            fn __deepcopy__(this: Py<Self>, _memo: &Bound<'_, PyAny>) -> Py<Self> {
                this
            }
        }
    };
}
pub(crate) use copies;

macro_rules! travels {
    ($($class:ident by $($found:ident),+);* $(;)?) => {$(
        #[pymethods]
        impl $class {
            fn __reduce__<'py>(&self, py: Python<'py>) -> PyResult<Reduced<'py, Bound<'py, PyTuple>>> {
                self.recipe.reduce(py)
            }
        }

        crate::recipe::copies!($class);

        impl PartialEq for $class {
            fn eq(&self, other: &Self) -> bool {
                $(self.$found == other.$found)&&+
            }
        }
    )*};
}

travels! {
    Fit by fit;
    Level by level;
    Curve by evaluation;
    Simulated by simulated;
    Comparison by comparison;
    Replay by replay, left_out;
}
