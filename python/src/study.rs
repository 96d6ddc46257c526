//! Grids of simulations whose cells may be computed anywhere.

use crate::errors::{one, released};
use crate::plan::Plan;
use crate::simulate::{RunText, run};
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyTuple, PyType};
use std::collections::BTreeMap;
use stopline::simulate::Run;
use stopline::study::{self as core, Crossed};
use stopline::{K, Mean, Share};

/// What a study crosses: plans, clumping, shared parts and repeats. Pickles as its text.
///
/// A cell's numbers are a function of what it is: they depend neither on the other cells nor on who computes them.
///
/// Parameters
/// ----------
/// plans : dict of str to Plan
/// means : sequence of float
///     True means per site.
/// k : sequence of float, optional
///     Clumping; by default each plan's own.
/// shared : sequence of float, optional
///     Shares of the counts' variance beyond that of Poisson counts that sites have in common.
/// run : int or "whole_walk", optional
///     Sites these are common to.
/// walks : int
///     Walks at each mean of each cell.
/// repeats : int
///     Repeats of each cell from other random numbers.
/// seed : int
///     Where the random numbers begin.
///
/// Attributes
/// ----------
/// digest : str
///     Of everything that the numbers depend on.
///
/// Raises
/// ------
/// StoplineError
///     ``combination``, ``out_of_range``, ``too_much_work``.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0)
/// >>> grid = stopline.Grid({"mine": plan}, means=[1.5, 3.0], k=[1.0, 2.0], walks=1000, repeats=2)
/// >>> len(grid)
/// 4
#[pyclass(frozen, module = "stopline")]
pub struct Grid(core::Grid);

#[pymethods]
impl Grid {
    #[new]
    #[pyo3(signature = (plans, *, means, k=None, shared=None, run=None, walks=10_000, repeats=1, seed=1))]
    fn new(
        py: Python<'_>,
        plans: &Bound<'_, PyDict>,
        means: Vec<f64>,
        k: Option<Vec<f64>>,
        shared: Option<Vec<f64>>,
        run: Option<RunText>,
        walks: u64,
        repeats: u32,
        seed: u64,
    ) -> PyResult<Self> {
        let mut named = Vec::new();
        for (name, plan) in plans {
            named.push((name.str()?.to_string(), plan.cast::<Plan>()?.get().0.as_ref().clone()));
        }
        let made = || {
            core::Grid::new(Crossed {
                plans: named,
                k: match k {
                    Some(k) => k.into_iter().map(|k| K::new(k).map(Some)).collect::<Result<_, _>>()?,
                    None => vec![None],
                },
                shared: shared.unwrap_or_else(|| vec![0.0]).into_iter().map(Share::new).collect::<Result<_, _>>()?,
                run: if run.is_some() { self::run(run)? } else { Run::WholeWalk },
                means: means.into_iter().map(Mean::new).collect::<Result<_, _>>()?,
                walks,
                repeats,
                seed,
            })
        };
        made().map(Self).map_err(|e| one(py, e))
    }

    /// The grid of a text.
    #[classmethod]
    fn from_json(_: &Bound<'_, PyType>, py: Python<'_>, text: &str) -> PyResult<Self> {
        core::Grid::from_json(text).map(Self).map_err(|e| one(py, e))
    }

    /// The grid as text.
    fn to_json(&self) -> String {
        self.0.to_json()
    }

    /// Computes one cell: one JSON object on one line.
    fn cell(&self, py: Python<'_>, number: usize) -> PyResult<String> {
        released(py, |watch| self.0.cell(number)?.run(watch))
    }

    /// The table of all cells, as CSV; ``cells`` are the texts of all of them, in any order.
    fn table(&self, py: Python<'_>, cells: BTreeMap<usize, String>) -> PyResult<String> {
        core::table(&self.0, &cells).map_err(|e| one(py, e))
    }

    #[getter]
    fn digest(&self) -> String {
        self.0.digest().as_str().to_owned()
    }

    fn __len__(&self) -> usize {
        self.0.cells()
    }

    fn __reduce__<'py>(&self, py: Python<'py>) -> PyResult<(Bound<'py, PyAny>, Bound<'py, PyTuple>)> {
        let make = py.get_type::<Self>().getattr("from_json")?;
        Ok((make, PyTuple::new(py, [self.0.to_json()])?))
    }

    fn __repr__(&self) -> String {
        format!("<stopline.Grid: {} cells>", self.0.cells())
    }
}
