//! Counts from tables of any kind, results as columns for one, and as HTML in notebooks.

use crate::columns::Columns;
use crate::compare::Comparison;
use crate::counts::Counts;
use crate::evaluate::Curve;
use crate::fit::Fit;
use crate::plan::Plan;
use crate::replay::Replay;
use crate::simulate::Simulated;
use arrow_array::{Int64Array, StringArray};
use pyo3::prelude::*;
use pyo3::types::{PyCapsule, PyDict};
use stopline::Total;
use stopline::counts::FieldWalk;
use stopline::dispersion::Values;

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
}

impl Counts {
    fn as_columns(&self) -> Columns {
        let walks = &self.0.walks;
        let each = |of: fn(&FieldWalk) -> &str| {
            let all = walks.iter().flat_map(|w| std::iter::repeat_n(Some(of(w)), w.sites.len()));
            all.collect::<StringArray>()
        };
        let sites: Vec<u32> = walks.iter().flat_map(|w| w.sites.iter().copied()).collect();
        Columns::default()
            .with("field", each(|w| &w.field))
            .with("visit", each(|w| &w.visit))
            .numbers("plants", std::iter::repeat_n(self.0.plants.get(), sites.len()))
            .numbers("site", sites)
            .numbers("count", walks.iter().flat_map(|w| w.counts.iter().map(|c| c.map_or(f64::NAN, f64::from))))
    }
}

impl Fit {
    fn as_columns(&self) -> Columns {
        self.fit.table().into_iter().fold(Columns::default(), |table, (name, column)| match column {
            Values::Text(all) => table.with(name, StringArray::from_iter_values(all)),
            Values::Whole(all) => table.numbers(name, all),
            Values::Numbers(all) => table.numbers(name, all),
            _ => table,
        })
    }
}

impl Plan {
    fn as_columns(&self) -> Columns {
        let rows = self.0.lines().rows();
        let sites: Int64Array = rows.iter().map(|row| Some(Total::from(row.at))).collect();
        self.0.asked().aim.columns().iter().fold(Columns::default().with("sites", sites), |table, column| {
            table.with(column.as_str(), rows.iter().map(|row| column.of(row)).collect::<Int64Array>())
        })
    }
}

macro_rules! tables {
    ($($(#[$doc:meta])* $class:ident;)*) => {$(
        #[pymethods]
        impl $class {
            $(#[$doc])*
            fn table<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
                self.as_columns().dict(py)
            }

            /// The table as an Arrow stream: ``polars.DataFrame(result)``, ``pyarrow.table(result)``. What ``table()``
            /// has as NaN or None is null.
            #[pyo3(signature = (requested_schema=None))]
            fn __arrow_c_stream__<'py>(
                &self,
                py: Python<'py>,
                requested_schema: Option<Bound<'py, PyCapsule>>,
            ) -> PyResult<Bound<'py, PyCapsule>> {
                self.as_columns().stream(py, requested_schema)
            }
        }
    )*};
}

tables! {
    /// One row a site, as columns for a data frame: ``field``, ``visit``, ``site``, ``plants``, ``count`` (NaN where
    /// missing); ``Counts.from_table`` reads it.
    ///
    /// Returns
    /// -------
    /// dict of arrays and lists of n
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> counts = stopline.Counts.from_columns(field=["heron"] * 3, site=[1, 2, 3], counts=[2, 0, 5])
    /// >>> counts.table()["count"]
    /// array([2., 0., 5.])
    Counts;
    /// One row a walk, as columns for a data frame: ``pandas.DataFrame(fit.table())``, ``polars.DataFrame(fit.table())``.
    ///
    /// k is infinite for counts that are not clumped and NaN where it is undefined (``why`` says why); with a study
    /// the p of each walk's tests are there too.
    ///
    /// Returns
    /// -------
    /// dict of arrays and lists of n
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> stopline.fit([0, 4, 1, 0, 2, 9]).table()["k_is"]
    /// ['estimated']
    Fit;
    /// The lines, as columns for a data frame: the sites of each check and the totals, None where a line cannot be
    /// reached.
    ///
    /// Returns
    /// -------
    /// dict of lists of n
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> stopline.Plan.given([(5, None, 14), (15, 31, 32)], k=2.0).table()["inadequate_at_most"]
    /// [None, 31]
    Plan;
    /// One row a mean, as columns for a data frame: ``pandas.DataFrame(curve.table())``.
    ///
    /// Returns
    /// -------
    /// dict of arrays of n
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> stopline.evaluate(plan, [0.5, 4.0]).table()["adequate"].round(2)
    /// array([0., 1.])
    Curve;
    /// One row a mean, as columns for a data frame, each estimate followed by its standard error.
    ///
    /// Returns
    /// -------
    /// dict of arrays of n
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> list(stopline.simulate(plan, [1.5], walks=100).table())[:3]
    /// ['mean', 'adequate', 'adequate_se']
    Simulated;
    /// One row a way and mean, as columns for a data frame: ``pandas.DataFrame(comparison.table())``.
    ///
    /// Returns
    /// -------
    /// dict of arrays and lists of n
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> found = stopline.compare(fixed=[15], k=2.0, inadequate=1.5, adequate=3.0)
    /// >>> found.table()["max_sites"]
    /// array([15, 15, 15, 15, 15], dtype=uint32)
    Comparison;
    /// One row a walk, as columns for a data frame: ``pandas.DataFrame(replay.table())``.
    ///
    /// Returns
    /// -------
    /// dict of arrays and lists of n
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.Plan.given([(2, 0, 5), (4, 3, 4)], k=1.0)
    /// >>> counts = stopline.Counts.from_columns(field=["owl"] * 4, site=[1, 2, 3, 4], counts=[3, 2, 0, 4])
    /// >>> stopline.replay(plan, counts, orders=0).table()["call"]
    /// ['adequate']
    Replay;
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
