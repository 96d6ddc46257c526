//! Counts from tables of any kind, results as columns for one, and as HTML in notebooks.

use crate::compare::Comparison;
use crate::counts::Counts;
use crate::evaluate::Curve;
use crate::fit::Fit;
use crate::plan::Plan;
use crate::replay::Replay;
use crate::simulate::Simulated;
use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;

#[pymethods]
impl Counts {
    /// Counts from a table, one row a site: any that exports Arrow (polars, pyarrow, DuckDB, ...), pandas, or a dict.
    ///
    /// Parameters
    /// ----------
    /// table : object with ``__arrow_c_stream__``, pandas.DataFrame or dict of columns of n
    ///     Null, None and NaN are missing, never zero.
    /// count : sequence of str, optional
    ///     Columns to add; by default the column ``count``.
    /// field, visit, site, plants_column : str, optional
    ///     Names of the columns; those for the visit and the plants are by default ``visit`` and ``plants``, where there.
    /// plants : int, optional
    ///     Keep sites of this many plants only; the others are dropped and counted, never rescaled.
    /// place : (str, str), optional
    ///     Columns with both coordinates of a site, or its row and step.
    /// observer : str, optional
    ///     Column with who counted the site.
    ///
    /// Returns
    /// -------
    /// Counts
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     With every bad row at once: codes ``counts_*``; row 1 is the first place.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> table = {"field": ["heron"] * 3, "site": [1, 2, 3], "spiders": [2, 0, 1], "lacewings": [0, 0, 4]}
    /// >>> counts = stopline.Counts.from_table(table, count=["spiders", "lacewings"])
    /// >>> counts.walks[0]["counts"]
    /// array([2., 0., 5.])
    #[staticmethod]
    #[pyo3(signature = (table, *, count=None, field="field", visit=None, site="site", plants_column=None, plants=None, place=None, observer=None))]
    fn from_table<'py>(
        py: Python<'py>,
        table: &Bound<'py, PyAny>,
        count: Option<Vec<String>>,
        field: &str,
        visit: Option<&str>,
        site: &str,
        plants_column: Option<&str>,
        plants: Option<u16>,
        place: Option<[String; 2]>,
        observer: Option<&str>,
    ) -> PyResult<Bound<'py, PyAny>> {
        py.import("stopline._table")?
            .call_method1("arguments", (table, count, field, visit, site, plants_column, plants, place, observer))?
            .cast::<PyDict>()
            .map_err(PyErr::from)
            .and_then(|arguments| py.get_type::<Self>().getattr("from_columns")?.call((), Some(arguments)))
    }

    /// One row a site, as columns for a data frame: ``field``, ``visit``, ``site``, ``plants``, ``count`` (NaN where
    /// missing); ``Counts.from_table`` reads it.
    fn table<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let walks = &self.0.walks;
        let each = |of: fn(&stopline::counts::FieldWalk) -> &str| {
            walks.iter().flat_map(|w| std::iter::repeat_n(of(w), w.sites.len())).collect::<Vec<_>>()
        };
        let site: Vec<u32> = walks.iter().flat_map(|w| w.sites.iter().copied()).collect();
        let counts = walks.iter().flat_map(|w| w.counts.iter().map(|c| c.map_or(f64::NAN, f64::from)));
        let table = PyDict::new(py);
        table.set_item("field", each(|w| &w.field))?;
        table.set_item("visit", each(|w| &w.visit))?;
        table.set_item("plants", PyArray1::from_vec(py, vec![self.0.plants.get(); site.len()]))?;
        table.set_item("site", PyArray1::from_vec(py, site))?;
        table.set_item("count", PyArray1::from_iter(py, counts))?;
        Ok(table)
    }
}

/// The named attributes of an object, as a dict.
fn attributes<'py>(object: &Bound<'py, PyAny>, names: &[&str]) -> PyResult<Bound<'py, PyDict>> {
    let table = PyDict::new(object.py());
    for name in names {
        let column = object.getattr(*name)?;
        if !column.is_none() {
            table.set_item(name, column)?;
        }
    }
    Ok(table)
}

const CALLS: [&str; 6] = ["mean", "adequate", "inadequate", "marginal", "enough", "undecided"];
const SITES: [&str; 5] = ["expected_sites", "sites_sd", "sites_p50", "sites_p90", "at_cap"];

#[pymethods]
impl Curve {
    /// One row a mean, as columns for a data frame: ``pandas.DataFrame(curve.table())``.
    fn table(this: Bound<'_, Self>) -> PyResult<Bound<'_, PyDict>> {
        let names = [&CALLS[..], &SITES, &["se_over_mean", "bias_over_mean"]].concat();
        attributes(this.as_any(), &names)
    }
}

#[pymethods]
impl Simulated {
    /// One row a mean, as columns for a data frame, each estimate followed by its standard error.
    fn table(this: Bound<'_, Self>) -> PyResult<Bound<'_, PyDict>> {
        let mut names = vec!["mean".to_owned()];
        for name in CALLS.iter().skip(1).chain(&SITES) {
            names.extend([(*name).to_owned(), format!("{name}_se")]);
        }
        attributes(this.as_any(), &names.iter().map(String::as_str).collect::<Vec<_>>())
    }
}

#[pymethods]
impl Plan {
    /// The lines, as columns for a data frame: the sites of each check and the totals, None where a line cannot be
    /// reached.
    fn table(this: Bound<'_, Self>) -> PyResult<Bound<'_, PyDict>> {
        let lines = this.getattr("lines")?;
        let table = PyDict::new(this.py());
        for (i, name) in this.getattr("columns")?.try_iter()?.enumerate() {
            let column = lines.try_iter()?.map(|line| line?.get_item(i)).collect::<PyResult<Vec<_>>>()?;
            table.set_item(name?, column)?;
        }
        Ok(table)
    }
}

macro_rules! in_notebooks {
    ($($class:ident by $function:literal),*) => {$(
        #[pymethods]
        impl $class {
            fn _repr_html_<'py>(this: Bound<'py, Self>) -> PyResult<Bound<'py, PyAny>> {
                this.py().import("stopline._html")?.call_method1($function, (this,))
            }
        }
    )*};
}

in_notebooks!(
    Counts by "counts", Fit by "fit", Plan by "plan", Curve by "curve", Simulated by "simulated",
    Comparison by "comparison", Replay by "replay"
);
