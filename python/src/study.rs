//! Grids of simulations whose cells may be computed anywhere.

use crate::counts::Counts;
use crate::errors::{one, released};
use crate::plan::Plan;
use crate::simulate::{RunText, run};
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyTuple, PyType};
use std::collections::BTreeMap;
use std::fs::OpenOptions;
use std::io::ErrorKind;
use std::path::PathBuf;
use stopline::simulate::{Redraw, Run};
use stopline::study::{self as core, Crossed, Real, shard};
use stopline::{Code, Error, K, Mean, Share};

/// What a study crosses: plans, clumping and shared parts or real walks drawn again, repeats. Pickles as its text.
///
/// A cell's numbers are a function of what it is: they depend neither on the other cells nor on who computes them.
///
/// Parameters
/// ----------
/// plans : dict of str to Plan
/// means : sequence of float, optional
///     True means per site; none where only real walks are drawn again.
/// k : sequence of float, optional
///     Clumping; by default each plan's own.
/// shared : sequence of float, optional
///     Shares of the counts' variance beyond that of Poisson counts that sites have in common.
/// run : int or "whole_walk", optional
///     Sites these are common to.
/// counts : Counts, optional
///     Real walks, over whose sites drawn again the plans are walked too.
/// draw : str or sequence of str, optional
///     How sites are drawn: ``"with_replacement"`` (which is usual), ``"without_replacement"``, ``"blocks"``, one or
///     several.
/// block : int
///     Neighbours of a block.
/// walks : int
///     Walks at each mean, or over each real walk, of each cell.
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
#[pyclass(frozen, module = "stopline", eq)]
#[derive(PartialEq)]
pub struct Grid(core::Grid);

/// One way to draw sites, or several.
#[derive(FromPyObject)]
enum Draw {
    One(String),
    Several(Vec<String>),
}

fn ways(draw: Option<Draw>, block: u32) -> Result<Vec<Redraw>, Error> {
    match draw {
        None => Ok(vec![Redraw::WithReplacement]),
        Some(Draw::One(word)) => Ok(vec![Redraw::of(&word, block)?]),
        Some(Draw::Several(words)) => words.iter().map(|word| Redraw::of(word, block)).collect(),
    }
}

#[pymethods]
impl Grid {
    #[new]
    #[pyo3(signature = (plans, *, means=None, k=None, shared=None, run=None, counts=None, draw=None, block=5, walks=10_000, repeats=1, seed=1))]
    fn new(
        py: Python<'_>,
        plans: &Bound<'_, PyDict>,
        means: Option<Vec<f64>>,
        k: Option<Vec<f64>>,
        shared: Option<Vec<f64>>,
        run: Option<RunText>,
        counts: Option<&Counts>,
        draw: Option<Draw>,
        block: u32,
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
                means: means.unwrap_or_default().into_iter().map(Mean::new).collect::<Result<_, _>>()?,
                real: counts.map(|counts| Real::new(&counts.0, ways(draw, block)?)).transpose()?,
                walks,
                repeats,
                seed,
            })
        };
        made().map(Self).map_err(|e| one(py, e))
    }

    /// The grid of a text.
    ///
    /// Parameters
    /// ----------
    /// text : str
    ///     As ``to_json`` gives it.
    ///
    /// Returns
    /// -------
    /// Grid
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``plan_format`` for a text that is none.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> grid = stopline.Grid({"mine": plan}, means=[1.0], walks=100)
    /// >>> stopline.Grid.from_json(grid.to_json()) == grid
    /// True
    #[classmethod]
    fn from_json(_: &Bound<'_, PyType>, py: Python<'_>, text: &str) -> PyResult<Self> {
        core::Grid::from_json(text).map(Self).map_err(|e| one(py, e))
    }

    /// The grid as text.
    ///
    /// Returns
    /// -------
    /// str
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> stopline.Grid({"mine": plan}, means=[1.0], walks=100).to_json()[:2]
    /// '{"'
    fn to_json(&self) -> String {
        self.0.to_json()
    }

    /// Computes one cell.
    ///
    /// Parameters
    /// ----------
    /// number : int
    ///     From 0; there are ``len(grid)``.
    ///
    /// Returns
    /// -------
    /// str
    ///     A JSON object on one line.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``out_of_range`` for a cell that the grid does not have.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> grid = stopline.Grid({"mine": plan}, means=[1.0], walks=100)
    /// >>> grid.cell(0) == grid.cell(0)
    /// True
    fn cell(&self, py: Python<'_>, number: usize) -> PyResult<String> {
        released(py, |watch| self.0.cell(number)?.run(watch))
    }

    /// The first line of a shard.
    fn _shard_head(&self) -> String {
        shard::head(&self.0)
    }

    /// A cell as a line of a shard.
    fn _shard_line(&self, text: &str) -> String {
        shard::line(text)
    }

    /// The cells of a shard, by number.
    fn _cells_of(&self, py: Python<'_>, shard: &[u8]) -> PyResult<BTreeMap<usize, String>> {
        let mut cells = BTreeMap::new();
        shard::read(shard, &self.0, &mut cells).map_err(|e| one(py, e))?;
        Ok(cells)
    }

    /// The table of all cells.
    ///
    /// Parameters
    /// ----------
    /// cells : dict of int to str
    ///     The texts of all cells by number, in any order.
    ///
    /// Returns
    /// -------
    /// str
    ///     CSV, a row a cell and mean or real walk.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``combination`` where one is missing, ``log`` for one of another grid or changed.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> grid = stopline.Grid({"mine": plan}, means=[1.0], walks=100)
    /// >>> len(grid.table({0: grid.cell(0)}).splitlines())
    /// 2
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

/// Appends a text to a file, durable when this returns. A `new` file must not be there: false where it is.
///
/// No signal is handled meanwhile, so that Ctrl-C leaves no line in part.
#[pyfunction]
#[pyo3(signature = (path, text, *, new=false))]
pub fn _append(py: Python<'_>, path: PathBuf, text: &str, new: bool) -> PyResult<bool> {
    py.detach(|| {
        let mut file = match OpenOptions::new().append(true).create_new(new).open(&path) {
            Err(e) if new && e.kind() == ErrorKind::AlreadyExists => return Ok(false),
            file => file.map_err(|e| {
                Error::new(
                    Code::FileWrite,
                    "file of a study",
                    format!("not writable ({e})"),
                    "a folder that may be written to",
                )
            })?,
        };
        shard::append(&mut file, text)?;
        Ok(true)
    })
    .map_err(|e: Error| one(py, e.in_file(path.to_string_lossy())))
}
